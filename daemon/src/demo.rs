//! `demo`: the whole chain with no hardware. An invented night is written as if it had been recorded until now; then the
//! same simulated board goes on behind a real pseudo-terminal, and the same code as `record` records it.

use std::fs;
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context, Result, anyhow};
use chrono::Utc;
use nightclamp_analysis::job::Job;
use nightclamp_archive::{HostClock as ArchiveClock, RawWriter, RecordDir};
use nightclamp_protocol::BoardId;
use nightclamp_simboard::{Pty, PtyOptions, Scenario, SimBoard, job_toml_on};

use crate::Failure;
use crate::capture::entry::Entry;
use crate::capture::intake::Intake;
use crate::cli::{DASHBOARD_PORT, DemoArgs};
use crate::clocks::{HostClock, Moment, SystemClock};
use crate::door::Door;
use crate::recorder::{self, Recording};
use crate::say;
use crate::stop;
use crate::writer::append;

/// The scenario that shows most of what can happen in one night.
const SCENARIO: &str = "demo";
/// Name of the link to the simulated board's port, in the record directory.
const PORT_LINK: &str = "demo-port";
/// Ports tried for the dashboard, from the usual one upwards.
const PORTS_TRIED: u16 = 50;
/// From a line's leaving the board to its arrival, µs: a serial line over USB on a quiet machine.
const LATENCY_US: i64 = 1_500;
/// The night is made in steps of this length, s: between them what is there is written and the time looked at.
const STEP_S: f64 = 60.0;
/// The night has reached the present when it is not further behind than this, s.
const PRESENT_S: f64 = 0.005;

/// Runs `demo` until told to stop.
///
/// # Errors
/// A wrong call if the directory holds something already; else what could not be done.
pub fn run(args: &DemoArgs, runtime: &tokio::runtime::Runtime) -> Result<(), Failure> {
    let out = directory(args.out.as_deref())?;
    let listener = listen(args.listen)?;
    let scenario = Scenario::by_name(SCENARIO, args.seed)
        .ok_or_else(|| anyhow!("there is no scenario called {SCENARIO}"))?;
    let hours = args.hours.unwrap_or(scenario.record_s / 3_600.0);
    say::to_people(
        "Everything in this demonstration is invented: the freezer, its board, the night and what goes on now.",
    );
    say::to_people(&format!(
        "Making {hours:.1} hours of it in {} ...",
        out.display()
    ));
    let clock = Arc::new(SystemClock::new());
    let link = out.join(PORT_LINK);
    let job_text = job_toml_on(&scenario, Some(&link.to_string_lossy()));
    let job = Job::parse(&job_text, "the demonstration's job file").map_err(anyhow::Error::from)?;
    let night = Night::make(scenario, &out, &job_text, hours, &*clock)?;
    let _board = night.go_live(&link)?;
    let recording = Recording {
        job_text,
        job,
        customer: None,
        out,
        listener,
        door: Door::default(),
        clock,
        retention: nightclamp_archive::Retention::default(),
        set_up: None,
        invented: None,
        beside: None,
    };
    Ok(runtime.block_on(async { recorder::record(recording, stop::signal()?).await })?)
}

/// The record directory: the one named, which has to be empty, or a new one for temporary files.
fn directory(named: Option<&Path>) -> Result<PathBuf, Failure> {
    let path = named.map_or_else(
        || {
            let now = Utc::now().format("%Y%m%dT%H%M%S");
            std::env::temp_dir().join(format!("nightclamp-demo-{now}-{}", std::process::id()))
        },
        Path::to_path_buf,
    );
    fs::create_dir_all(&path).with_context(|| format!("{}: could not be made", path.display()))?;
    let mut entries =
        fs::read_dir(&path).with_context(|| format!("{}: could not be read", path.display()))?;
    if entries.next().is_some() {
        return Err(Failure::call(format!(
            "{}: is not empty; the demonstration needs a new or an empty directory",
            path.display()
        )));
    }
    fs::canonicalize(&path)
        .with_context(|| format!("{}: could not be found", path.display()))
        .map_err(Failure::from)
}

/// The address asked for, or the usual port or the next that is free.
pub fn listen(asked: Option<SocketAddr>) -> Result<TcpListener> {
    if let Some(address) = asked {
        return TcpListener::bind(address).with_context(|| {
            format!("the dashboard cannot be served on {address}; choose another --listen")
        });
    }
    (DASHBOARD_PORT..DASHBOARD_PORT + PORTS_TRIED)
        .chain([0])
        .find_map(|port| TcpListener::bind((Ipv4Addr::LOCALHOST, port)).ok())
        .ok_or_else(|| anyhow!("no port is free for the dashboard"))
}

/// The night while it is being made: the board, and where and when it is recorded.
struct Night {
    board: SimBoard,
    /// Both clocks at the board's time 0.
    origin: Moment,
    host_boot: String,
    intake: Intake,
    log: RawWriter,
    /// Holds the record directory until the night is made.
    record: RecordDir,
}

impl Night {
    /// Makes `hours` of the scenario, ending now, and goes on making until there is no more time to make up for.
    fn make(
        scenario: Scenario,
        out: &Path,
        job_text: &str,
        hours: f64,
        clock: &dyn HostClock,
    ) -> Result<Self> {
        let now = clock.now();
        let length_us = (hours * 3.6e9) as i64;
        let origin = Moment {
            wall_us: now.wall_us - length_us,
            boot_us: now.boot_us - length_us,
        };
        let host_boot = clock.host_boot_id().to_owned();
        let record = RecordDir::create_or_open(out, job_text)?;
        let id = BoardId(scenario.board.id);
        let began = ArchiveClock {
            wall_us: origin.wall_us,
            boot_us: origin.boot_us,
            host_boot: host_boot.clone(),
        };
        let log = RawWriter::begin(&record, &id.to_string(), &began)?;
        let intake = Intake::new(id, &host_boot);
        let mut night = Self {
            board: SimBoard::new(scenario),
            origin,
            host_boot,
            intake,
            log,
            record,
        };
        night.begin()?;
        while night.behind_s(clock) > PRESENT_S {
            let until_s = night.board.now_s() + night.behind_s(clock).min(STEP_S);
            night.advance(until_s)?;
        }
        Ok(night)
    }

    fn begin(&mut self) -> Result<()> {
        let mut out = Vec::new();
        let job = format!(
            "file={} sha256={}",
            self.record.job_file(),
            self.record.job_sha256()
        );
        self.intake
            .started(self.origin, env!("CARGO_PKG_VERSION"), &job, &mut out);
        self.intake.opened(self.origin, "simulated", &mut out);
        self.write(out)
    }

    /// How far the board is behind the present, s.
    fn behind_s(&self, clock: &dyn HostClock) -> f64 {
        (clock.now().boot_us - self.origin.boot_us) as f64 / 1e6 - self.board.now_s()
    }

    fn advance(&mut self, until_s: f64) -> Result<()> {
        let mut out = Vec::new();
        let (origin, intake) = (self.origin, &mut self.intake);
        self.board.advance(until_s, &mut |said| {
            let elapsed_us = (said.at_s * 1e6) as i64 + LATENCY_US;
            intake.chunk(later(origin, elapsed_us), said.line, &mut out);
        });
        self.write(out)
    }

    fn write(&mut self, entries: Vec<Entry>) -> Result<()> {
        append(&mut self.log, entries);
        if self.log.wants_rotation() {
            let now = later(self.origin, (self.board.now_s() * 1e6) as i64);
            let host_boot = self.host_boot.clone();
            self.log.rotate(&ArchiveClock {
                wall_us: now.wall_us,
                boot_us: now.boot_us,
                host_boot,
            })?;
        }
        self.log.flush()?;
        Ok(())
    }

    /// Ends the record of the night and lets the board go on behind a pseudo-terminal to which `link` points.
    fn go_live(mut self, link: &Path) -> Result<Pty> {
        let now = later(self.origin, (self.board.now_s() * 1e6) as i64);
        let pty = Pty::start(self.board, PtyOptions::default())
            .context("no pseudo-terminal is to be had")?;
        pty.link_to(link).with_context(|| {
            format!(
                "{}: the link to the board's port could not be made",
                link.display()
            )
        })?;
        let mut out = Vec::new();
        self.intake.stopped(now, &mut out);
        append(&mut self.log, out);
        self.log.finish()?;
        drop(self.record);
        Ok(pty)
    }
}

const fn later(origin: Moment, us: i64) -> Moment {
    Moment {
        wall_us: origin.wall_us + us,
        boot_us: origin.boot_us + us,
    }
}
