//! `report`: the evidence of a record as one PDF and one HTML file, and both in a pack with the record if that is wanted.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::Context;
use nightclamp_archive::ArchiveError;
use nightclamp_evidence::Document;
use nightclamp_report::{GatherError, Options, Period, ReportError};

use crate::Failure;
use crate::cli::ReportArgs;
use crate::packing::Packing;
use crate::say;

/// Runs `report` and prints which files it wrote.
///
/// # Errors
/// A wrong call if there is no record or nothing lies in the period; else what could not be done. A record that is damaged has a
/// report that says so; that alone is told on standard error and is no failure.
pub fn run(args: &ReportArgs) -> Result<(), Failure> {
    if let (Some(from), Some(to)) = (args.from, args.to)
        && from >= to
    {
        return Err(Failure::call("--from has to be before --to"));
    }
    let options = Options {
        period: Period {
            from_us: args.from.map(|from| from.timestamp_micros()),
            to_us: args.to.map(|to| to.timestamp_micros()),
        },
        paper: args.paper,
        scale: args.temperature,
        software: env!("CARGO_PKG_VERSION").to_owned(),
    };
    let packing = Packing::of(&args.pack)?;
    let stem = match (&args.out, &packing) {
        (Some(stem), _) => Some(stem.clone()),
        (None, Some(_)) => None,
        (None, None) => Some(beside(&args.dir)?),
    };
    let files = nightclamp_report::write(&args.dir, &options).map_err(whose_fault)?;
    for fails in &files.fails {
        say::to_people(&format!("The record does not hold: {fails}"));
    }
    let documents = [("pdf", files.pdf), ("html", files.html.into_bytes())];
    if let Some(stem) = stem {
        for (ending, bytes) in &documents {
            let path = with_ending(&stem, ending);
            fs::write(&path, bytes)
                .with_context(|| format!("{}: could not be written", path.display()))?;
            say::result(&path.display().to_string())?;
        }
    }
    let named = documents.map(|(ending, bytes)| Document {
        name: format!("report.{ending}"),
        bytes,
    });
    match packing {
        Some(packing) => packing.run(&args.dir, &files.checked, named.into()),
        None => Ok(()),
    }
}

/// Beside the record, named after it.
fn beside(dir: &Path) -> Result<PathBuf, Failure> {
    let whole = fs::canonicalize(dir)
        .map_err(|error| Failure::call(format!("{}: {error}", dir.display())))?;
    let name = whole.file_name().unwrap_or_default().to_string_lossy();
    Ok(whole.with_file_name(format!("{name}-report")))
}

/// The stem with an ending put to it, whatever points it has in it.
fn with_ending(stem: &Path, ending: &str) -> PathBuf {
    let mut name = stem.as_os_str().to_owned();
    name.push(".");
    name.push(ending);
    PathBuf::from(name)
}

fn whose_fault(error: ReportError) -> Failure {
    match error {
        ReportError::Gather(
            GatherError::Empty { .. } | GatherError::Archive(ArchiveError::NoRecord { .. }),
        ) => Failure::Call(error.into()),
        other => Failure::CouldNot(other.into()),
    }
}
