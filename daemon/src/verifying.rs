//! `verify`: whether a record is whole, and every table what its raw logs say.

use anyhow::{Result, bail};
use nightclamp_analysis::job::Job;
use nightclamp_analysis::projection::Projection;

use crate::cli::VerifyArgs;
use crate::say;

/// What messages call the job file of a record.
const JOB_FILE: &str = "job.toml";

/// Runs `verify` and prints what holds and what does not.
///
/// # Errors
/// Something does not agree, or the record cannot be read.
pub fn run(args: &VerifyArgs) -> Result<()> {
    let heart = |text: &str| {
        Job::parse(text, JOB_FILE)
            .map(Projection::new)
            .map_err(|error| error.to_string())
    };
    let report = nightclamp_archive::verify(&args.dir, heart)?;
    say::result(report.to_string().trim_end())?;
    if !report.ok() {
        bail!(
            "{}: the record does not agree with itself; what does not hold is listed above",
            args.dir.display()
        );
    }
    Ok(())
}
