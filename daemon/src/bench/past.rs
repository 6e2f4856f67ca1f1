//! The results of a bench test that is over, from its record: the raw logs are projected again, and checked on the way.

use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use anyhow::anyhow;
use nightclamp_analysis::DecodedLines;
use nightclamp_analysis::bench::{Bench, Both, Results};
use nightclamp_analysis::job::{Job, TemperatureScale};
use nightclamp_analysis::overview::OverviewRow;
use nightclamp_analysis::projection::Projection;
use nightclamp_analysis::rows::{CycleRow, EventRow, Sink};
use nightclamp_archive::{ArchiveError, KeptJob, Project, heart_of, verify};

use super::following::Follower;
use crate::Failure;
use crate::say;

/// What came of the bench test recorded in `dir`, and how its temperatures are shown.
///
/// # Errors
/// A wrong call: there is no record, or it is none of a bench test. Else it could not be read.
pub fn read(dir: &Path) -> Result<(Results, TemperatureScale), Failure> {
    let kept: Arc<Mutex<Kept>> = Arc::default();
    let report = verify(dir, |jobs: &[KeptJob]| {
        *locked(&kept) = jobs.iter().rev().find_map(plan_in).unwrap_or_default();
        Ok(Overheard {
            heart: heart_of(jobs)?,
            kept: kept.clone(),
        })
    })
    .map_err(|error| match error {
        ArchiveError::NoRecord { .. } => Failure::Call(error.into()),
        other => Failure::CouldNot(other.into()),
    })?;
    for fails in &report.fails {
        say::to_people(&format!("The record does not hold: {fails}"));
    }
    let shown = dir.display();
    let kept = locked(&kept);
    let bench =
        kept.follower.0.as_ref().ok_or_else(|| {
            Failure::call(format!("{shown}: no job file in it has a table [bench]"))
        })?;
    let results = bench.results();
    if results.span.is_none() {
        return Err(anyhow!("{shown}: there is no reading in it").into());
    }
    Ok((results, kept.scale))
}

/// What is kept of a record while it is read.
#[derive(Debug, Default)]
struct Kept {
    follower: Follower,
    scale: TemperatureScale,
}

fn locked(kept: &Mutex<Kept>) -> std::sync::MutexGuard<'_, Kept> {
    kept.lock().unwrap_or_else(PoisonError::into_inner)
}

fn plan_in(kept: &KeptJob) -> Option<Kept> {
    let job = Job::parse(&kept.text, &kept.file).ok()?;
    Some(Kept {
        follower: Follower(Some(Bench::new(&job)?)),
        scale: job.temperature,
    })
}

/// The heart, with its rows overheard by the bench test.
struct Overheard {
    heart: Projection,
    kept: Arc<Mutex<Kept>>,
}

impl Project for Overheard {
    fn feed(&mut self, stream: usize, raw: &[u8], sink: &mut impl Sink) {
        let follower = &mut locked(&self.kept).follower;
        self.heart.feed(stream, raw, &mut Both(sink, follower));
    }

    fn feed_decoded(&mut self, stream: usize, lines: &DecodedLines, sink: &mut impl Sink) {
        let follower = &mut locked(&self.kept).follower;
        self.heart
            .feed_decoded(stream, lines, &mut Both(sink, follower));
    }

    fn feed_bare(&mut self, stream: usize, began_us: i64, lines: &[u8], sink: &mut impl Sink) {
        let follower = &mut locked(&self.kept).follower;
        self.heart
            .feed_bare(stream, began_us, lines, &mut Both(sink, follower));
    }

    fn resume(&mut self, stream: usize, stepped_us: i64) {
        self.heart.resume(stream, stepped_us);
    }

    fn stepped_us(&self, stream: usize) -> i64 {
        self.heart.stepped_us(stream)
    }

    fn unsettled_from(&self, stream: usize) -> Option<i64> {
        self.heart.unsettled_from(stream)
    }

    fn finish(&mut self, sink: &mut impl Sink) {
        let follower = &mut locked(&self.kept).follower;
        self.heart.finish(&mut Both(sink, follower));
    }

    fn open_rows(&self, each: impl FnMut(&str, &[EventRow], &[CycleRow])) {
        self.heart.open_rows(each);
    }

    fn open_overviews(&self, each: impl FnMut(&str, &OverviewRow)) {
        self.heart.open_overviews(each);
    }
}
