//! The results of a bench test that is over, from its record: the raw logs are projected again, and checked on the way. And what is
//! put beside them: another bench test, or what the trips of a night told of the protector where it works.

use std::path::Path;

use anyhow::anyhow;
use nightclamp_analysis::bench::{Constants, Results};
use nightclamp_analysis::job::{Job, TemperatureScale};
use nightclamp_analysis::protector::Own;
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

/// What is put beside a bench test.
pub enum Beside {
    /// Another.
    Bench(Box<Results>),
    /// A night: the compressor, and what its protector's own trips tell.
    Site(String, Box<Own>),
}

/// What `dir` has to put beside a bench test; of a night with several compressors that of `unit`.
///
/// # Errors
/// A wrong call: there is no record, or it is not plain whose protector is meant, or it did not trip. Else it could not be read.
pub fn beside(dir: &Path, unit: Option<&str>) -> Result<Beside, Failure> {
    let shown = dir.display();
    let jobs = Stored::open(dir).and_then(|stored| stored.jobs());
    let jobs = jobs.map_err(whose_fault)?;
    let job = jobs.last().map(|kept| Job::parse(&kept.text, &kept.file));
    if job.is_some_and(|job| job.is_ok_and(|job| job.bench.is_some())) {
        return Ok(Beside::Bench(Box::new(read(dir)?.0)));
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
    let of = at.and_then(|at| material.units.get(at)).ok_or_else(|| {
        let names = names.join(", ");
        Failure::call(format!(
            "{shown}: which compressor is meant? --beside-unit with one of: {names}"
        ))
    })?;
    let own = of.own.clone().ok_or_else(|| {
        Failure::call(format!(
            "{shown}: nothing of the protector of {} can be told: no trip was seen, or no bead is on its case, or the clamp is not \
             on its common lead",
            of.unit.name
        ))
    })?;
    Ok(Beside::Site(of.unit.name.clone(), Box::new(own)))
}

impl Beside {
    /// In words.
    pub fn told(&self, scale: TemperatureScale) -> String {
        match self {
            Self::Bench(results) => results.told(scale).text(),
            Self::Site(name, own) => {
                let fitted = format!(
                    "The protector of {name} where it works: {} openings and {} closings of its own were fitted.",
                    own.openings, own.closings
                );
                match &own.fitted {
                    Ok(of) => of
                        .untold
                        .iter()
                        .fold(fitted, |all, untold| format!("{all}\n  {untold}")),
                    Err(why) => format!("{fitted}\n  {why}"),
                }
            }
        }
    }

    /// Its constants; the ultimate trip current in a case that stays at `case_c`.
    pub fn constants(&self, case_c: Option<f64>) -> Constants {
        match self {
            Self::Bench(results) => results.constants(case_c),
            Self::Site(_, own) => match &own.fitted {
                Ok(fitted) => Constants::of(fitted, case_c),
                Err(_) => Constants::default(),
            },
        }
    }
}

fn whose_fault(error: ArchiveError) -> Failure {
    match error {
        ArchiveError::NoRecord { .. } => Failure::Call(error.into()),
        other => Failure::CouldNot(other.into()),
    }
}
