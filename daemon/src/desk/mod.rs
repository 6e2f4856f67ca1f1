//! The machine's side of the set-up page: its job file, its ports, the boards behind them.

mod ear;
pub mod line;
pub mod waiting;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use nightclamp_analysis::job::{Job, TemperatureScale};
use nightclamp_protocol::{BoardId, Command};
use nightclamp_web::setup::{Answer, Desk, Finding, Heard, JobFile, Port, Trouble, sha256_of};
use tokio::sync::Notify;

use crate::lookover::{self, Findings};
use crate::{jobfile, ports};
use ear::Ears;
use line::Lines;

/// How long a board may take to answer a command.
const ANSWER_WAIT: Duration = Duration::from_secs(3);
/// How long each board is listened to when the site is looked over.
const LOOK_FOR: Duration = Duration::from_secs(8);

/// The desk of this machine.
#[derive(Debug)]
pub struct MachineDesk {
    /// The job file.
    path: PathBuf,
    /// The record directory.
    out: PathBuf,
    /// Whether a recorder runs.
    is_recording: bool,
    /// The ports it records.
    lines: Lines,
    ears: Arc<Ears>,
    /// Told when a job file was written, so that it is recorded by.
    saved: Arc<Notify>,
}

impl MachineDesk {
    /// For the job file at `path`, recorded into `out`; `saved` is told when it has been written by the page.
    pub fn new(path: &Path, out: &Path, saved: Arc<Notify>) -> Self {
        Self {
            path: path.to_path_buf(),
            out: out.to_path_buf(),
            is_recording: false,
            lines: Lines::default(),
            ears: Arc::new(Ears::default()),
            saved,
        }
    }

    /// The same while `lines` are recorded.
    #[must_use]
    pub fn recording(mut self, lines: Lines) -> Self {
        self.is_recording = true;
        self.lines = lines;
        self
    }

    fn text(&self) -> Result<Option<String>, Trouble> {
        match jobfile::read_text(&self.path) {
            Ok(text) => Ok(Some(text)),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(Trouble::Failed(format!("{}: {error}", self.path.display()))),
        }
    }

    /// The job file as it stands, or one that knows nothing: enough to read channels by.
    fn job_to_read_by(&self) -> Job {
        let job = self
            .text()
            .ok()
            .flatten()
            .and_then(|text| Job::parse(&text, "the job file").ok());
        job.unwrap_or_else(|| Job {
            name: String::new(),
            site: None,
            timezone: chrono_tz::Tz::UTC,
            temperature: TemperatureScale::Celsius,
            boards: Vec::new(),
            units: Vec::new(),
        })
    }

    fn write(&self, text: &str, based_on: Option<&str>) -> Result<(), Trouble> {
        let there = self.text()?;
        if there.as_deref().map(sha256_of).as_deref() != based_on {
            return Err(Trouble::Changed);
        }
        replace(&self.path, text).map_err(|error| {
            Trouble::Failed(format!(
                "{}: could not be written: {error}",
                self.path.display()
            ))
        })
    }

    async fn look(&self, job: &Job) -> Vec<Finding> {
        let mut findings = Findings::default();
        lookover::host::programs(job, &mut findings);
        let mut bytes_a_day = 0.0;
        for board in &job.boards {
            let Some(port) = board.port.as_deref() else {
                continue;
            };
            bytes_a_day += match self.lines.of_port(port) {
                Some(line) => {
                    lookover::board::overhear(job, board, port, &line, LOOK_FOR, &mut findings)
                        .await
                }
                None => {
                    lookover::board::look(job, board, Path::new(port), LOOK_FOR, &mut findings)
                        .await
                }
            };
        }
        lookover::boards_without_port(job, &mut findings);
        lookover::host::clock(&mut findings);
        lookover::host::zone(job, &mut findings);
        lookover::host::disk(Some(&self.out), bytes_a_day, &mut findings);
        findings.into_list()
    }

    async fn take_zero(&self, board: BoardId, channel: u8) -> Result<(), Trouble> {
        let line = self.lines.of_board(board).ok_or_else(|| {
            Trouble::NotNow(format!(
                "board {board} is not being recorded now: a zero is taken while it is, since boards forget it when their port is opened"
            ))
        })?;
        let chunks = line.listen();
        if !line.command(Command::Zero(channel)) {
            return Err(Trouble::NotNow(
                "the board is not there now, or has commands waiting".to_owned(),
            ));
        }
        match ear::answer(chunks, Command::Zero(channel).character(), ANSWER_WAIT).await {
            Some(Ok(())) => Ok(()),
            Some(Err(reason)) => Err(Trouble::NotNow(format!("the board says no: {reason}"))),
            None => Err(Trouble::NotNow(
                "the board did not answer: not every board takes a zero".to_owned(),
            )),
        }
    }
}

impl Desk for MachineDesk {
    fn job_file(&self) -> Answer<'_, JobFile> {
        Box::pin(async {
            Ok(JobFile {
                path: self.path.clone(),
                text: self.text()?,
                is_recording: self.is_recording,
            })
        })
    }

    fn ports(&self) -> Answer<'_, Vec<Port>> {
        Box::pin(async {
            let found = tokio::task::spawn_blocking(ports::found).await;
            found
                .map_err(anyhow::Error::from)
                .flatten()
                .map_err(|error| Trouble::Failed(error.to_string()))
        })
    }

    fn listen(&self, port: String) -> Answer<'_, Heard> {
        Box::pin(async move {
            let heard = self.ears.listen(&port, &self.job_to_read_by(), &self.lines);
            heard
                .ok_or_else(|| Trouble::NotNow("too many ports are listened to at once".to_owned()))
        })
    }

    fn look_over(&self, job: Job) -> Answer<'_, Vec<Finding>> {
        Box::pin(async move {
            // What it opens itself must not be open already.
            self.ears.let_go().await;
            Ok(self.look(&job).await)
        })
    }

    fn save(&self, text: String, job: Job, based_on: Option<String>) -> Answer<'_, ()> {
        Box::pin(async move {
            if !job.boards.iter().any(|board| board.port.is_some()) {
                return Err(Trouble::NotNow(
                    "no board has a port yet, so there would be nothing to record from".to_owned(),
                ));
            }
            self.write(&text, based_on.as_deref())?;
            self.ears.let_go().await;
            self.saved.notify_one();
            Ok(())
        })
    }

    fn zero(&self, board: BoardId, channel: u8) -> Answer<'_, ()> {
        Box::pin(self.take_zero(board, channel))
    }
}

/// Puts `text` in the place of the file at `path`: whole or not at all, also over a power cut.
fn replace(path: &Path, text: &str) -> std::io::Result<()> {
    // A symbolic link is followed, so that a file kept elsewhere is changed there.
    let path = std::fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    let mut beside = path.clone().into_os_string();
    beside.push(".new");
    let mut file = std::fs::File::create(&beside)?;
    file.write_all(text.as_bytes())?;
    if let Ok(meta) = std::fs::metadata(&path) {
        file.set_permissions(meta.permissions())?;
    }
    file.sync_all()?;
    std::fs::rename(&beside, &path)?;
    let directory = path
        .parent()
        .filter(|parent| !parent.as_os_str().is_empty());
    std::fs::File::open(directory.unwrap_or(Path::new(".")))?.sync_all()
}
