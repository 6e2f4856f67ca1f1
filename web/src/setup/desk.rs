//! What the set-up page needs of the machine it stands on: the job file, the ports, the boards behind them.

use std::fmt;
use std::future::Future;
use std::path::PathBuf;
use std::pin::Pin;

use nightclamp_analysis::job::Job;
use nightclamp_protocol::BoardId;
use serde::Serialize;

/// An answer that is waited for.
pub type Answer<'a, T> = Pin<Box<dyn Future<Output = Result<T, Trouble>> + Send + 'a>>;

/// Does what the set-up page asks for. Whoever runs the recorder gives one to the [`Site`](crate::Site); a site without one
/// cannot be set up by a page.
pub trait Desk: Send + Sync + 'static {
    /// Whether a job is recorded by now. While none is, there is nothing but the set-up page.
    fn is_recording(&self) -> bool;

    /// Whether what is made is the plan of a bench test: a job file with a table `[bench]`, and one compressor.
    fn plans_bench(&self) -> bool {
        false
    }

    /// The job file as it is on disk now.
    fn job_file(&self) -> Answer<'_, JobFile>;

    /// The serial ports that are there.
    fn ports(&self) -> Answer<'_, Vec<Port>>;

    /// What is heard on a port; the first call opens it, unless it is being recorded, and it is closed again some time after
    /// the last one.
    fn listen(&self, port: String) -> Answer<'_, Heard>;

    /// Looks the site over under `job`, as `nightclamp lookover` does, with what is to be mended.
    fn look_over(&self, job: Job) -> Answer<'_, Vec<Finding>>;

    /// Writes the job file, if it still has the hash that `based_on` says, and has it recorded by.
    fn save(&self, text: String, job: Job, based_on: Option<String>) -> Answer<'_, ()>;

    /// Has a board take the present reading of a current channel as its zero, and waits for its answer.
    fn zero(&self, board: BoardId, channel: u8) -> Answer<'_, ()>;
}

/// The job file on disk.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JobFile {
    /// Where it is or will be.
    pub path: PathBuf,
    /// Its text; `None` if there is no such file yet.
    pub text: Option<String>,
}

/// A serial port.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Port {
    /// What to write into the job file: the name that stays, where the system has one.
    pub port: String,
    /// The name the system gave it this time.
    pub device: String,
    /// What is plugged in, as it calls itself.
    pub what: String,
    /// What stands in the way of opening it, with the remedy.
    pub trouble: Option<String>,
}

/// What is heard on a port.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Heard {
    /// Since how long it is listened to, s.
    pub for_s: f64,
    /// Lines so far.
    pub lines: u64,
    /// Of these, not understood.
    pub refused: u64,
    /// The board, once it has said who it is.
    pub board: Option<HeardBoard>,
    /// Why nothing is heard, in words.
    pub trouble: Option<String>,
}

/// A board that has said who it is.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct HeardBoard {
    /// Its id.
    pub id: String,
    /// Sample period, ms.
    pub period_ms: u32,
    /// Firmware token.
    pub firmware: String,
    /// Its channels, in order.
    pub channels: Vec<HeardChannel>,
}

/// One channel of it.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct HeardChannel {
    /// Place.
    pub place: String,
    /// Quantity, as in the protocol.
    pub quantity: &'static str,
    /// Sensor token.
    pub sensor: String,
    /// Unit of the value, after conversion.
    pub unit: &'static str,
    /// The newest value; `None` if it has a fault or none has come.
    pub value: Option<f64>,
    /// What the board says is wrong with it, in words.
    pub fault: Option<&'static str>,
}

/// One answer of a site that was looked over.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// `well`, `note` or `mend`.
    pub grade: &'static str,
    /// What was looked at.
    pub about: String,
    /// What was found, and what to do.
    pub text: String,
}

/// Why it was not done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Trouble {
    /// It cannot be done as things are; in words.
    NotNow(String),
    /// The job file is another than the one the form was made from.
    Changed,
    /// The machine did not let it be done; in words.
    Failed(String),
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotNow(why) | Self::Failed(why) => f.write_str(why),
            Self::Changed => f.write_str(
                "the job file has been changed since this page read it, and is not written over: read it again, what you typed stays",
            ),
        }
    }
}
