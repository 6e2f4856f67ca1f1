//! What is wrong right now with one port, for the log and the dashboard.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use nightclamp_protocol::BoardId;

/// What a trouble is about. There is at most one of each at a time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum About {
    /// The port cannot be opened, or was lost.
    Port,
    /// Another board is on the port than the job file says.
    Board,
    /// Most of what comes is damaged.
    Link,
    /// The board speaks another version of the protocol.
    Version,
    /// What came cannot be written to disk.
    Disk,
}

impl About {
    /// Whether something is being lost, or a person is needed for it not to be.
    const fn is_loss(self) -> bool {
        matches!(self, Self::Disk | Self::Link | Self::Version)
    }
}

/// The troubles of one port that are in force. Each is logged when it begins or changes, not while it lasts.
#[derive(Debug)]
pub struct Troubles {
    board: BoardId,
    port: String,
    state: Mutex<State>,
}

#[derive(Debug, Default)]
struct State {
    now: BTreeMap<About, String>,
    /// What was last said of each, so that a port that comes and goes many times a minute is not logged each time.
    said: BTreeMap<About, String>,
}

impl Troubles {
    /// None yet, for the port on which the job file has `board`.
    pub fn new(board: BoardId, port: &str) -> Self {
        Self {
            board,
            port: port.to_owned(),
            state: Mutex::default(),
        }
    }

    /// The board the job file has on the port.
    pub const fn board(&self) -> BoardId {
        self.board
    }

    /// The port's path as in the job file.
    pub fn port(&self) -> &str {
        &self.port
    }

    /// From now on this is so.
    pub fn begin(&self, about: About, text: &str) {
        let mut state = self.lock();
        state.now.insert(about, text.to_owned());
        if state.said.get(&about).is_some_and(|said| said == text) {
            return;
        }
        state.said.insert(about, text.to_owned());
        drop(state);
        if about.is_loss() {
            tracing::error!(board = %self.board, "{text}");
        } else {
            tracing::warn!(board = %self.board, "{text}");
        }
    }

    /// From now on it is not so any more. True if it was.
    pub fn end(&self, about: About) -> bool {
        self.lock().now.remove(&about).is_some()
    }

    /// All is well with it for good: the next time it is said again.
    pub fn settle(&self, about: About) {
        let mut state = self.lock();
        state.now.remove(&about);
        state.said.remove(&about);
    }

    /// What is wrong now, in words.
    pub fn in_force(&self) -> Vec<String> {
        self.lock().now.values().cloned().collect()
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        // Whoever panicked while holding it left two whole maps behind: the texts are still true.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_trouble_is_in_force_until_it_ends_and_there_is_one_of_each_kind() {
        let troubles = Troubles::new(BoardId(1), "/dev/ttyACM0");
        troubles.begin(About::Port, "not there");
        troubles.begin(About::Port, "in use");
        troubles.begin(About::Link, "noise");
        assert_eq!(troubles.in_force(), ["in use", "noise"]);
        assert!(troubles.end(About::Port));
        assert!(!troubles.end(About::Port));
        troubles.settle(About::Link);
        assert!(troubles.in_force().is_empty());
    }
}
