//! The results of a bench test that is over, from its record: the raw logs are projected again, and checked on the way. And what is
//! put beside them: another bench test, or what the trips of a night told of the protector where it works.

use std::path::Path;

use anyhow::anyhow;
use nightclamp_analysis::bench::{Beside, Results, Second};
use nightclamp_analysis::job::{Job, TemperatureScale};
use nightclamp_archive::{ArchiveError, Stored, bench_of, verify_overheard};
use nightclamp_report::{GatherError, Period, gather};

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
    .map_err(whose_fault)?;
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

/// What `dir` has to put beside a bench test; of a night with several compressors that of `unit`.
///
/// # Errors
/// A wrong call: there is no record, or it is not plain whose protector is meant, or it did not trip. Else it could not be read.
pub fn beside(dir: &Path, unit: Option<&str>) -> Result<Beside, Failure> {
    let shown = dir.display();
    let of = |second| Beside {
        name: shown.to_string(),
        second,
    };
    let jobs = Stored::open(dir).and_then(|stored| stored.jobs());
    let jobs = jobs.map_err(whose_fault)?;
    let job = jobs.last().map(|kept| Job::parse(&kept.text, &kept.file));
    if job.is_some_and(|job| job.is_ok_and(|job| job.bench.is_some())) {
        return Ok(of(Second::Bench(Box::new(read(dir)?.0))));
    }
    let material = gather(dir, Period::default(), env!("CARGO_PKG_VERSION"));
    let material = material.map_err(|error| match error {
        GatherError::Archive(error) => whose_fault(error),
        other => Failure::CouldNot(other.into()),
    })?;
    for fails in &material.check.fails {
        say::to_people(&format!("The record does not hold: {fails}"));
    }
    let names: Vec<&str> = material
        .units
        .iter()
        .map(|of| of.unit.name.as_str())
        .collect();
    let at = match unit {
        Some(unit) => names.iter().position(|name| *name == unit),
        None => (names.len() == 1).then_some(0),
    };
    let found = at.and_then(|at| material.units.get(at)).ok_or_else(|| {
        let names = names.join(", ");
        Failure::call(format!(
            "{shown}: which compressor is meant? --beside-unit with one of: {names}"
        ))
    })?;
    let own = found.own.clone().ok_or_else(|| {
        Failure::call(format!(
            "{shown}: nothing of the protector of {} can be told: no trip was seen, or no bead is on its case, or the clamp is not \
             on its common lead",
            found.unit.name
        ))
    })?;
    Ok(of(Second::Site {
        unit: found.unit.name.clone(),
        own: Box::new(own),
    }))
}

fn whose_fault(error: ArchiveError) -> Failure {
    match error {
        ArchiveError::NoRecord { .. } => Failure::Call(error.into()),
        other => Failure::CouldNot(other.into()),
    }
}
