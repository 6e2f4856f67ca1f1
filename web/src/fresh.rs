//! Tables on disk that are brought up to date for whoever downloads them: he asks, whoever writes them looks now and again
//! whether anybody does, and answers. Nobody waits for long, and nobody at all where nothing is being written.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use tokio::sync::watch;

use crate::live::{Feed, Live};

/// So long an answer is waited for at most.
const WAIT_MAX: Duration = Duration::from_secs(3);

/// Who asks, and whether anybody answers.
#[derive(Debug, Default)]
pub struct Fresh {
    /// Somebody looks whether it is asked for.
    is_looked_for: AtomicBool,
    is_wanted: AtomicBool,
    answers: watch::Sender<u64>,
}

impl Feed {
    /// Whether somebody waits for tables that are up to date; to be answered by [`Self::tables_are_fresh`].
    pub fn are_fresh_tables_wanted(&self) -> bool {
        let fresh = &self.live().shared().fresh;
        fresh.is_looked_for.store(true, Ordering::Release);
        fresh.is_wanted.load(Ordering::Acquire)
    }

    /// The tables are up to date, or were seconds ago.
    pub fn tables_are_fresh(&self) {
        let fresh = &self.live().shared().fresh;
        fresh.is_wanted.store(false, Ordering::Release);
        fresh
            .answers
            .send_modify(|count| *count = count.wrapping_add(1));
    }
}

impl Live {
    /// Has the tables brought up to date.
    pub(crate) async fn freshen(&self) {
        let fresh = &self.shared().fresh;
        if !fresh.is_looked_for.load(Ordering::Acquire) {
            return;
        }
        let mut answers = fresh.answers.subscribe();
        fresh.is_wanted.store(true, Ordering::Release);
        let answer = tokio::time::timeout(WAIT_MAX, answers.changed()).await;
        if answer.is_err() {
            tracing::debug!("the tables were not brought up to date in time");
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test that fails should say where

    use nightclamp_analysis::job::Job;
    use tokio::time::Instant;

    use super::*;

    /// As small as a job can be.
    const JOB: &str = include_str!("../../fixtures/jobs/good/smallest.toml");

    #[tokio::test(start_paused = true)]
    async fn who_asks_waits_for_an_answer_but_not_for_ever_and_not_for_nobody() {
        let (live, feed) = Live::new(&Job::parse(JOB, "job.toml").unwrap());
        let began = Instant::now();
        live.freshen().await;
        assert_eq!(began.elapsed(), Duration::ZERO, "nothing is being written");
        assert!(!feed.are_fresh_tables_wanted());
        live.freshen().await;
        assert_eq!(
            began.elapsed(),
            WAIT_MAX,
            "whoever writes them stands still"
        );
        assert!(feed.are_fresh_tables_wanted());
        let asked = Instant::now();
        let writes = async {
            tokio::time::sleep(Duration::from_millis(250)).await;
            feed.tables_are_fresh();
        };
        tokio::join!(live.freshen(), writes);
        assert_eq!(asked.elapsed(), Duration::from_millis(250));
        assert!(!feed.are_fresh_tables_wanted());
    }
}
