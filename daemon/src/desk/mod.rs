//! The machine's side of the set-up page: its job file, its ports, the boards behind them.

mod ear;
pub mod line;
pub mod waiting;
mod writing;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use nightclamp_analysis::job::{Job, TemperatureScale};
use nightclamp_protocol::{BoardId, Command};
use nightclamp_web::bench::Told;
use nightclamp_web::setup::{Answer, Desk, Finding, Heard, JobFile, Port, Trouble, sha256_of};
use tokio::sync::{Mutex, MutexGuard, mpsc};
use tokio::task::spawn_blocking;

use crate::lookover::{self, Findings};
use crate::recorder::ports_are_free;
use crate::text::printable;
use crate::{jobfile, ports};
use ear::Ears;
use line::Lines;

/// How long a board may take to answer a command.
const ANSWER_WAIT: Duration = Duration::from_secs(3);
/// How long each board is listened to when the site is looked over.
const LOOK_FOR: Duration = Duration::from_secs(8);

/// What the job file is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// To record compressors at work.
    Night,
    /// The plan of a bench test.
    Bench {
        /// With an invented protector: its port stands in for the plan's.
        is_invented: bool,
    },
}

/// The desk of this machine.
#[derive(Debug)]
pub struct MachineDesk {
    purpose: Purpose,
    /// The job file.
    path: PathBuf,
    /// The record directory.
    out: PathBuf,
    /// Ports that are offered though the system does not list them.
    more_ports: Vec<String>,
    /// Whether a recorder runs.
    is_recording: bool,
    /// The ports it records.
    lines: Lines,
    /// Where the bench test stands, while one is recorded.
    told: Option<Told>,
    ears: Arc<Ears>,
    /// Held by what must not be done twice at a time.
    hands: Mutex<()>,
    /// Told what was written into the job file, so that it is recorded by.
    saved: mpsc::Sender<jobfile::JobFile>,
}

impl MachineDesk {
    /// For the job file at `path`, recorded into `out`. `more_ports` may be used beside those the system lists. `saved` is
    /// told what the page has written.
    pub fn new(
        path: &Path,
        out: &Path,
        more_ports: &[String],
        purpose: Purpose,
        saved: mpsc::Sender<jobfile::JobFile>,
    ) -> Self {
        Self {
            purpose,
            told: None,
            path: path.to_path_buf(),
            out: out.to_path_buf(),
            more_ports: more_ports.to_vec(),
            is_recording: false,
            lines: Lines::default(),
            ears: Arc::new(Ears::default()),
            hands: Mutex::new(()),
            saved,
        }
    }

    /// The same while `lines` are recorded, and a bench test with them if `told` tells of one.
    #[must_use]
    pub fn recording(mut self, lines: Lines, told: Told) -> Self {
        self.is_recording = true;
        self.told = Some(told);
        self.lines = lines;
        self
    }

    /// One thing at a time: whoever comes meanwhile is told so.
    fn hands(&self) -> Result<MutexGuard<'_, ()>, Trouble> {
        self.hands.try_lock().map_err(|_| {
            Trouble::NotNow(
                "something else is being done on this page just now: try again in some seconds"
                    .to_owned(),
            )
        })
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
        job.unwrap_or_else(|| nothing(""))
    }

    /// The ports that may be used: a page opens no other file of this machine.
    async fn offered(&self) -> Result<Vec<Port>, Trouble> {
        let listed = spawn_blocking(ports::found).await;
        let listed = listed.map_err(anyhow::Error::from).flatten();
        let mut offered = listed.map_err(|error| Trouble::Failed(format!("{error:#}")))?;
        let given = self
            .more_ports
            .iter()
            .map(|port| (port.clone(), "given at the start"));
        let job = self.job_to_read_by();
        let known = job
            .boards
            .into_iter()
            .filter_map(|board| Some((board.port?, "in the job file")));
        for (port, why) in given.chain(known) {
            let is_there = |other: &Port| other.port == port || other.device == port;
            if !offered.iter().any(is_there) {
                offered.push(ports::named(port, why));
            }
        }
        Ok(offered)
    }

    /// That `port` is one of them.
    async fn is_offered(&self, port: &str) -> Result<(), Trouble> {
        let offered = self.offered().await?;
        if offered
            .iter()
            .any(|other| other.port == port || other.device == port)
        {
            return Ok(());
        }
        Err(Trouble::NotNow(format!(
            "{} is no serial port that is here now: plug the board in, or give its port at the start with --setup-port",
            printable(port)
        )))
    }

    /// Writes the job file, if it still is what the form was made from.
    async fn write(&self, text: &str, based_on: Option<&str>) -> Result<(), Trouble> {
        if self.text()?.as_deref().map(sha256_of).as_deref() != based_on {
            return Err(Trouble::Changed);
        }
        let (path, text) = (self.path.clone(), text.to_owned());
        let written = spawn_blocking(move || writing::replace(&path, &text)).await;
        let written = written.map_err(std::io::Error::other).flatten();
        written.map_err(|error| {
            Trouble::Failed(format!(
                "{}: could not be written, nothing is changed: {error}",
                self.path.display()
            ))
        })
    }

    /// Everything that can stand in the way is asked first; what is written is recorded by, as it is.
    async fn put_in_force(
        &self,
        text: String,
        job: Job,
        based_on: Option<&str>,
    ) -> Result<(), Trouble> {
        let _hands = self.hands()?;
        self.nothing_is_measured()?;
        if self.purpose != (Purpose::Bench { is_invented: true }) {
            self.can_record(&job).await?;
        }
        let told = self.saved.try_reserve().map_err(|_| {
            Trouble::NotNow(
                "the recorder is beginning anew just now: try again in some seconds".to_owned(),
            )
        })?;
        self.write(&text, based_on).await?;
        told.send(jobfile::JobFile { text, job });
        // The recorder opens the ports itself.
        self.ears.close().await;
        Ok(())
    }

    /// That no limit is chosen after the figures.
    fn nothing_is_measured(&self) -> Result<(), Trouble> {
        let stand = self
            .told
            .as_ref()
            .and_then(|told| told.stand.borrow().clone());
        if stand.is_none_or(|stand| stand.runs.is_empty()) {
            return Ok(());
        }
        Err(Trouble::NotNow(
            "a run has been measured by this plan, and nobody chooses limits after the figures: another plan is another \
             test, with its own --out"
                .to_owned(),
        ))
    }

    /// That there are ports in the job, here and free.
    async fn can_record(&self, job: &Job) -> Result<(), Trouble> {
        let ports = job.boards.iter().filter_map(|board| board.port.as_deref());
        let ports: Vec<&str> = ports.collect();
        if ports.is_empty() {
            return Err(Trouble::NotNow(
                "no board has a port yet, so there would be nothing to record from".to_owned(),
            ));
        }
        for port in ports {
            self.is_offered(port).await?;
        }
        ports_are_free(job).map_err(|error| Trouble::NotNow(format!("{error:#}")))
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
        let _hands = self.hands()?;
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
    fn is_recording(&self) -> bool {
        self.is_recording
    }

    fn plans_bench(&self) -> bool {
        matches!(self.purpose, Purpose::Bench { .. })
    }

    fn job_file(&self) -> Answer<'_, JobFile> {
        Box::pin(async {
            Ok(JobFile {
                path: self.path.clone(),
                text: self.text()?,
            })
        })
    }

    fn ports(&self) -> Answer<'_, Vec<Port>> {
        Box::pin(self.offered())
    }

    fn listen(&self, port: String) -> Answer<'_, Heard> {
        Box::pin(async move {
            if let Some(heard) = self.ears.heard(&port) {
                return Ok(heard);
            }
            self.is_offered(&port).await?;
            self.ears.listen(&port, &self.job_to_read_by(), &self.lines)
        })
    }

    fn look_over(&self, job: Job) -> Answer<'_, Vec<Finding>> {
        Box::pin(async move {
            let _hands = self.hands()?;
            for board in &job.boards {
                if let Some(port) = &board.port {
                    self.is_offered(port).await?;
                }
            }
            // What is opened to look must not be open already.
            let _silence = self.ears.silence().await;
            Ok(self.look(&job).await)
        })
    }

    fn save(&self, text: String, job: Job, based_on: Option<String>) -> Answer<'_, ()> {
        Box::pin(async move { self.put_in_force(text, job, based_on.as_deref()).await })
    }

    fn zero(&self, board: BoardId, channel: u8) -> Answer<'_, ()> {
        Box::pin(self.take_zero(board, channel))
    }
}

/// A job that knows nothing.
fn nothing(name: &str) -> Job {
    Job {
        name: name.to_owned(),
        site: None,
        timezone: chrono_tz::Tz::UTC,
        temperature: TemperatureScale::Celsius,
        clock_s: None,
        boards: Vec::new(),
        units: Vec::new(),
        bench: None,
    }
}
