//! A record checked with somebody listening: what the heart makes of the raw logs on the way is heard as well.

use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use nightclamp_analysis::DecodedLines;
use nightclamp_analysis::bench::Bench;
use nightclamp_analysis::job::{Job, TemperatureScale};
use nightclamp_analysis::overview::OverviewRow;
use nightclamp_analysis::projection::Projection;
use nightclamp_analysis::rows::{Both, CycleRow, EventRow, Sink};

use crate::error::Result;
use crate::jobs::{KeptJob, heart_of};
use crate::project::Project;
use crate::verify::{VerifyReport, verify};

/// Who hears the rows of a projection.
pub trait Ear: Sink + Default {
    /// The heart has been fed: what it alone knows can be asked.
    fn fed(&mut self, _heart: &Projection) {}
}

/// A bench test, if the record is one.
impl Ear for Option<Bench> {}

/// The bench test that the newest job file with a plan asks for, and how its temperatures are shown.
#[must_use]
pub fn bench_of(jobs: &[KeptJob]) -> Option<(Bench, TemperatureScale)> {
    jobs.iter().rev().find_map(|kept| {
        let job = Job::parse(&kept.text, &kept.file).ok()?;
        Some((Bench::new(&job)?, job.temperature))
    })
}

/// As [`verify`], with somebody listening, who is made of the job files.
///
/// # Errors
/// As [`verify`].
pub fn verify_overheard<E: Ear>(
    dir: &Path,
    ear: impl FnOnce(&[KeptJob]) -> E,
) -> Result<(VerifyReport, E)> {
    let kept: Arc<Mutex<E>> = Arc::default();
    let report = verify(dir, |jobs: &[KeptJob]| {
        *locked(&kept) = ear(jobs);
        Ok(Overheard {
            heart: heart_of(jobs)?,
            ear: kept.clone(),
        })
    })?;
    let ear = std::mem::take(&mut *locked(&kept));
    Ok((report, ear))
}

fn locked<E>(ear: &Mutex<E>) -> MutexGuard<'_, E> {
    ear.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The heart, overheard.
struct Overheard<E> {
    heart: Projection,
    ear: Arc<Mutex<E>>,
}

impl<E: Ear> Overheard<E> {
    fn with<S: Sink>(
        &mut self,
        sink: &mut S,
        feed: impl FnOnce(&mut Projection, &mut Both<'_, S, E>),
    ) {
        let mut ear = locked(&self.ear);
        feed(&mut self.heart, &mut Both(sink, &mut *ear));
        ear.fed(&self.heart);
    }
}

impl<E: Ear> Project for Overheard<E> {
    fn feed(&mut self, stream: usize, raw: &[u8], sink: &mut impl Sink) {
        self.with(sink, |heart, both| heart.feed(stream, raw, both));
    }

    fn feed_decoded(&mut self, stream: usize, lines: &DecodedLines, sink: &mut impl Sink) {
        self.with(sink, |heart, both| heart.feed_decoded(stream, lines, both));
    }

    fn feed_bare(&mut self, stream: usize, began_us: i64, lines: &[u8], sink: &mut impl Sink) {
        self.with(sink, |heart, both| {
            heart.feed_bare(stream, began_us, lines, both);
        });
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
        self.with(sink, |heart, both| heart.finish(both));
    }

    fn open_rows(&self, each: impl FnMut(&str, &[EventRow], &[CycleRow])) {
        self.heart.open_rows(each);
    }

    fn open_overviews(&self, each: impl FnMut(&str, &OverviewRow)) {
        self.heart.open_overviews(each);
    }
}
