//! What a port that is being recorded lends to others: a copy of what comes, and a way for the few commands that are allowed.
//!
//! Neither can hold up the capture: a listener that is slow misses bytes, and commands wait in a short queue.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use nightclamp_protocol::{BoardId, Command};
use tokio::sync::{broadcast, mpsc};

/// Chunks that a listener may be behind.
const CHUNKS: usize = 256;
/// Commands that wait at most.
const COMMANDS: usize = 4;

/// Bytes as they came.
pub type Chunk = Arc<[u8]>;

/// The capture's end.
#[derive(Debug)]
pub struct Lending {
    chunks: broadcast::Sender<Chunk>,
    commands: mpsc::Receiver<Command>,
}

impl Lending {
    /// A copy for whoever listens; nothing if nobody does.
    pub fn copy(&self, chunk: &[u8]) {
        if self.chunks.receiver_count() > 0 {
            // Nobody listens any more: then nobody misses it.
            self.chunks.send(Arc::from(chunk)).unwrap_or_default();
        }
    }

    /// The next command for the board; waits for ever if nobody is left to give one.
    pub async fn command(&mut self) -> Command {
        match self.commands.recv().await {
            Some(command) => command,
            None => std::future::pending().await,
        }
    }
}

/// The other end.
#[derive(Debug, Clone)]
pub struct Line {
    chunks: broadcast::Sender<Chunk>,
    commands: mpsc::Sender<Command>,
}

impl Line {
    /// What comes from now on.
    pub fn listen(&self) -> broadcast::Receiver<Chunk> {
        self.chunks.subscribe()
    }

    /// Gives a command to the board. False if the port takes none now.
    pub fn command(&self, command: Command) -> bool {
        self.commands.try_send(command).is_ok()
    }
}

/// The two ends of a line.
pub fn line() -> (Line, Lending) {
    let (chunks, _) = broadcast::channel(CHUNKS);
    let (sender, commands) = mpsc::channel(COMMANDS);
    let line = Line {
        chunks: chunks.clone(),
        commands: sender,
    };
    (line, Lending { chunks, commands })
}

/// The ports that are being recorded now.
#[derive(Debug, Clone, Default)]
pub struct Lines(Arc<Mutex<BTreeMap<String, (BoardId, Line)>>>);

impl Lines {
    /// The capture of `port`, on which the job file has `board`, lends from now on.
    pub fn lend(&self, port: &str, board: BoardId) -> Lending {
        let (line, lending) = line();
        self.with(|lines| lines.insert(port.to_owned(), (board, line)));
        lending
    }

    /// The line of a port that is recorded.
    pub fn of_port(&self, port: &str) -> Option<Line> {
        self.with(|lines| lines.get(port).map(|(_, line)| line.clone()))
    }

    /// The line of the port on which the job file has `board`.
    pub fn of_board(&self, board: BoardId) -> Option<Line> {
        self.with(|lines| {
            let mut lines = lines.values();
            lines
                .find(|(of, _)| *of == board)
                .map(|(_, line)| line.clone())
        })
    }

    fn with<T>(&self, act: impl FnOnce(&mut BTreeMap<String, (BoardId, Line)>) -> T) -> T {
        // Nothing is left half done in it.
        act(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }
}
