//! Where a bench test stands, as whoever projects the record tells it.

use std::sync::Arc;
use std::time::{Duration, Instant};

use nightclamp_analysis::bench::{Guidance, Repeat, Results, Step};
use tokio::sync::watch;

/// Without a reading for so long, that is a danger.
const SILENT: Duration = Duration::from_secs(3);
/// What a person has to know where nothing is seen.
pub const UNSEEN: &str = "what flows now is not seen. If it may be on, switch off at the isolator.";

/// Where a bench test stands.
#[derive(Debug, Clone)]
pub struct Stand {
    /// What to do now.
    pub guidance: Guidance,
    /// Who has acknowledged the cautions.
    pub by: Option<String>,
    /// Every run of current so far.
    pub runs: Vec<Repeat>,
    /// When the newest sample came.
    pub heard: Instant,
}

impl Stand {
    /// The danger in force, an unheard board among them. Show it above everything else.
    pub fn danger(&self) -> Option<String> {
        let silence = self.heard.elapsed();
        let is_silent = silence >= SILENT && self.guidance.step != Step::Finished;
        let silent = || format!("No reading for {} s: {UNSEEN}", silence.as_secs());
        self.guidance
            .danger
            .clone()
            .or_else(|| is_silent.then(silent))
    }

    /// Whether it is over and nothing is dangerous any more.
    pub fn is_over(&self) -> bool {
        self.guidance.step == Step::Finished && self.guidance.danger.is_none()
    }
}

/// What is told: where it stands, once something is known; and what came of it, once it is over.
#[derive(Debug, Clone)]
pub struct Told {
    /// Where it stands; `None` before the first time, and in a job that is no bench test.
    pub stand: watch::Receiver<Option<Arc<Stand>>>,
    /// What came of it: when the test is finished, and again whenever that changes, and when the recording is over.
    pub results: watch::Receiver<Option<Arc<Results>>>,
}
