//! The results of a bench test that is over, from its record: the raw logs are projected again, and checked on the way.

use std::path::Path;

use anyhow::anyhow;
use nightclamp_analysis::bench::Results;
use nightclamp_analysis::job::TemperatureScale;
use nightclamp_archive::{ArchiveError, bench_of, verify_overheard};

use crate::Failure;
use crate::say;

/// What came of the bench test recorded in `dir`, and how its temperatures are shown.
///
/// # Errors
/// A wrong call: there is no record, or it is none of a bench test. Else it could not be read.
pub fn read(dir: &Path) -> Result<(Results, TemperatureScale), Failure> {
    let mut scale = TemperatureScale::default();
    let (report, bench) = verify_overheard(dir, |jobs| {
        let (bench, shown) = bench_of(jobs)?;
        scale = shown;
        Some(bench)
    })
    .map_err(|error| match error {
        ArchiveError::NoRecord { .. } => Failure::Call(error.into()),
        other => Failure::CouldNot(other.into()),
    })?;
    for fails in &report.fails {
        say::to_people(&format!("The record does not hold: {fails}"));
    }
    let shown = dir.display();
    let bench = bench
        .ok_or_else(|| Failure::call(format!("{shown}: no job file in it has a table [bench]")))?;
    let results = bench.results();
    if results.span.is_none() {
        return Err(anyhow!("{shown}: there is no reading in it").into());
    }
    Ok((results, scale))
}
