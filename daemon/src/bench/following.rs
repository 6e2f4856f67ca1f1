//! The bench test as it is followed beside the tables, and what is told of it to whoever shows it.

use std::sync::Arc;
use std::time::Instant;

use nightclamp_analysis::bench::{Bench, Results, Step};
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table};
use nightclamp_web::bench::{Stand, Told};
use tokio::sync::watch;

/// A sink for the rows of a job that may be a bench test, or none.
#[derive(Debug, Default)]
pub struct Follower(pub Option<Bench>);

impl Sink for Follower {
    fn table(&mut self, table: &Table) {
        if let Some(bench) = &mut self.0 {
            bench.table(table);
        }
    }

    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        if let Some(bench) = &mut self.0 {
            bench.sample(board, row);
        }
    }

    fn event(&mut self, unit: &str, row: EventRow) {
        if let Some(bench) = &mut self.0 {
            bench.event(unit, row);
        }
    }

    /// Nothing: a bench test dates its own runs.
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}

/// A bench test that is followed while it is recorded.
#[derive(Debug)]
pub struct Following {
    /// Takes the rows.
    pub follower: Follower,
    stand: watch::Sender<Option<Arc<Stand>>>,
    results: watch::Sender<Option<Arc<Results>>>,
    /// The newest sample, record time, and when it came.
    heard: (i64, Instant),
    /// The revision of the results that were told.
    revision: Option<u64>,
}

impl Following {
    /// Follows the bench test that `job` plans; nothing if it plans none.
    pub fn of(job: &Job) -> (Self, Told) {
        let (stand, stand_told) = watch::channel(None);
        let (results, results_told) = watch::channel(None);
        let following = Self {
            follower: Follower(Bench::new(job)),
            stand,
            results,
            heard: (i64::MIN, Instant::now()),
            revision: None,
        };
        let told = Told {
            stand: stand_told,
            results: results_told,
        };
        (following, told)
    }

    /// Tells where it stands, and what came of it once it is over.
    pub fn publish(&mut self) {
        let Some(bench) = &self.follower.0 else {
            return;
        };
        let guidance = bench.guidance();
        if guidance.now != self.heard.0 {
            self.heard = (guidance.now, Instant::now());
        }
        let is_news = bench.step() == Step::Finished && self.revision != Some(bench.revision());
        if is_news {
            self.revision = Some(bench.revision());
            self.results.send_replace(Some(Arc::new(bench.results())));
        }
        self.stand.send_replace(Some(Arc::new(Stand {
            guidance,
            by: bench.acknowledged().map(|(_, by)| by.to_owned()),
            runs: bench.runs().to_vec(),
            heard: self.heard.1,
        })));
    }

    /// Tells what came of it: the recording is over.
    pub fn over(&mut self) {
        self.publish();
        let bench = self.follower.0.as_ref();
        self.results
            .send_replace(bench.map(|bench| Arc::new(bench.results())));
    }
}
