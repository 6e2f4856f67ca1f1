//! `table`: a table of a record as CSV, for whatever opens nothing else.

use std::io::{self, ErrorKind};

use nightclamp_analysis::excerpt::TableName;
use nightclamp_archive::{ArchiveError, write_csv};

use crate::Failure;
use crate::cli::TableArgs;
use crate::say;

/// Runs `table`: CSV to standard output.
///
/// # Errors
/// A wrong call if there is no record, or no such unit or board in it; else it could not be done.
pub fn run(args: &TableArgs) -> Result<(), Failure> {
    let out = io::BufWriter::new(io::stdout().lock());
    match write_csv(&args.dir, args.table.into(), args.only.as_deref(), out) {
        Ok(rows) => {
            say::to_people(&format!("{rows} rows"));
            Ok(())
        }
        // A reader that has seen enough and went away is no error.
        Err(ArchiveError::Io { source, .. }) if source.kind() == ErrorKind::BrokenPipe => Ok(()),
        Err(error @ (ArchiveError::NoRecord { .. } | ArchiveError::BadName { .. })) => {
            Err(Failure::Call(error.into()))
        }
        Err(error) => Err(Failure::CouldNot(error.into())),
    }
}

impl From<crate::cli::TableOf> for TableName {
    fn from(of: crate::cli::TableOf) -> Self {
        match of {
            crate::cli::TableOf::Samples => Self::Samples,
            crate::cli::TableOf::Events => Self::Events,
            crate::cli::TableOf::Cycles => Self::Cycles,
            crate::cli::TableOf::Overview => Self::Overview,
        }
    }
}
