//! `replay`: the same record directory from recorded raw logs, as fast as the machine goes.

use nightclamp_analysis::projection::Projection;
use nightclamp_archive::{ArchiveError, Topic};

use crate::Failure;
use crate::cli::ReplayArgs;
use crate::jobfile::JobFile;
use crate::say;

/// Runs `replay` and prints how much it was and how fast it went.
///
/// # Errors
/// A wrong call if the job file is wrong, the directory is not empty, a raw log is not there, or a bare dump comes without
/// its beginning; else it could not be done, or not whole because a raw log is damaged or no sample of it can be read.
pub fn run(args: &ReplayArgs) -> Result<(), Failure> {
    let JobFile { text, job } = JobFile::read(&args.job)?;
    if let Some(missing) = args.raw.iter().find(|path| !path.exists()) {
        return Err(Failure::call(format!(
            "{}: there is no such file",
            missing.display()
        )));
    }
    let began_us = args.began.map(|began| began.timestamp_micros());
    let report =
        nightclamp_archive::replay(&args.raw, &text, Projection::new(job), &args.out, began_us)
            .map_err(whose_fault)?;
    let lines_per_s = report.totals.lines as f64 / report.seconds.max(f64::MIN_POSITIVE);
    say::result(&format!(
        "{} lines, {} samples, {:.2} s, {:.0} lines/s, {:.2} s of a processor hashing the raw logs",
        report.totals.lines,
        report.totals.samples,
        report.seconds,
        lines_per_s,
        report.hash_seconds
    ))?;
    if report.totals.cut_lines > 0 || report.totals.torn_lines > 0 {
        say::result(&format!(
            "{} lines too long, {} lines without their end",
            report.totals.cut_lines, report.totals.torn_lines
        ))?;
    }
    say::to_people(&format!("The record is in {}", args.out.display()));
    for notice in &report.notices {
        say::to_people(&notice.text);
    }
    for problem in &report.problems {
        say::to_people(problem);
    }
    let is_damaged = report.notices.iter().any(|n| n.topic == Topic::Damage);
    if is_damaged {
        return Err(Failure::CouldNot(anyhow::Error::msg(
            "the raw logs are damaged: the record holds what could be read of them",
        )));
    }
    if report.totals.samples == 0 && !report.problems.is_empty() {
        return Err(Failure::CouldNot(anyhow::Error::msg(
            "there is no sample in the raw logs that could be read",
        )));
    }
    Ok(())
}

fn whose_fault(error: ArchiveError) -> Failure {
    match error {
        ArchiveError::NotEmpty { .. }
        | ArchiveError::BeganMissing { .. }
        | ArchiveError::BadName { .. } => Failure::Call(error.into()),
        other => Failure::CouldNot(other.into()),
    }
}
