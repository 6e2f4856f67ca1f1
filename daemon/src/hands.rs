//! The dashboard's hand on the record: what a person said goes to the writer of the right board's raw log, through the same
//! bounded channel as what the board said, and is answered once it is safe.

use std::collections::BTreeMap;
use std::time::Duration;

use nightclamp_protocol::BoardId;
use nightclamp_web::hand::{Answer, Hand, Noted, Refused, Said};
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::{mpsc, oneshot};
use tokio::time::timeout;

use crate::writer::ToWrite;

/// How long a person waits for the disk.
const PATIENCE: Duration = Duration::from_secs(5);

/// The ways to the writers. They are weak: a writer ends when its port's capture has, whoever looks at a page.
#[derive(Debug, Default)]
pub struct Hands(BTreeMap<BoardId, mpsc::WeakSender<ToWrite>>);

impl Hands {
    /// The log of `board` is reached this way.
    pub fn reach(&mut self, board: BoardId, writer: &mpsc::Sender<ToWrite>) {
        self.0.insert(board, writer.downgrade());
    }

    async fn noted(&self, board: BoardId, said: Said) -> Result<Noted, Refused> {
        let writer = self.0.get(&board).and_then(mpsc::WeakSender::upgrade);
        let writer = writer.ok_or(Refused::NoSuchBoard)?;
        let (answer, answered) = oneshot::channel();
        let sent = writer.try_send(ToWrite::Said(said, answer));
        drop(writer);
        sent.map_err(|error| match error {
            TrySendError::Full(_) => Refused::Busy,
            TrySendError::Closed(_) => Refused::NoSuchBoard,
        })?;
        match timeout(PATIENCE, answered).await {
            Ok(Ok(answer)) => answer,
            // The writer ended, and it does not end before it has tried to write everything.
            Ok(Err(_)) | Err(_) => Err(Refused::NotSafeYet),
        }
    }
}

impl Hand for Hands {
    fn note(&self, board: BoardId, said: Said) -> Answer<'_, Noted> {
        Box::pin(self.noted(board, said))
    }
}
