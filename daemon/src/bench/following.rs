//! The bench test as it is followed beside the tables, and what is told of it to whoever shows it.

use std::sync::Arc;

use nightclamp_analysis::bench::{Bench, Guidance, Repeat, Results};
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table};
use tokio::sync::watch;

/// Where a bench test stands.
#[derive(Debug, Clone)]
pub struct Stand {
    /// What to do now.
    pub guidance: Guidance,
    /// Who has acknowledged the cautions.
    pub by: Option<String>,
    /// Every run of current so far.
    pub runs: Vec<Repeat>,
}

/// What is told: where it stands, once something is known; and at the end of the recording what came of it.
#[derive(Debug, Clone)]
pub struct Told {
    /// Where it stands; `None` before the first time, and in a job that is no bench test.
    pub stand: watch::Receiver<Option<Arc<Stand>>>,
    /// What came of it, once the recording is over.
    pub results: watch::Receiver<Option<Arc<Results>>>,
}

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
        };
        let told = Told {
            stand: stand_told,
            results: results_told,
        };
        (following, told)
    }

    /// Tells where it stands.
    pub fn publish(&self) {
        if let Some(bench) = &self.follower.0 {
            self.stand.send_replace(Some(Arc::new(Stand {
                guidance: bench.guidance(),
                by: bench.acknowledged().map(|(_, by)| by.to_owned()),
                runs: bench.runs().to_vec(),
            })));
        }
    }

    /// Tells what came of it: the recording is over.
    pub fn over(&self) {
        self.publish();
        let results = self
            .follower
            .0
            .as_ref()
            .map(|bench| Arc::new(bench.results()));
        self.results.send_replace(results);
    }
}
