//! An invented bench: a simulated board behind a real pseudo-terminal, and a host whose clocks go as fast as its world does, so
//! that what is recorded is as long as it was.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use anyhow::{Context, Result};
use nightclamp_analysis::job::Job;
use nightclamp_protocol::BoardId;
use nightclamp_simboard::bench::{self, BenchSpec, SensorLimits, Trouble, switched};
use nightclamp_simboard::scenario::ProtectorKind;
use nightclamp_simboard::{Pty, PtyOptions, SimBoard};
use nightclamp_web::bench::Invented;

use crate::cli::{BenchArgs, Simulated};
use crate::clocks::{HostClock, Moment, SystemClock};

/// Name of the link to the simulated board's port, in the record directory.
const PORT_LINK: &str = "bench-port";
/// Sample period of the board, ms.
const PERIOD_MS: u32 = 50;
/// Opens so much too low if it is weak, K.
const WEAK_BY_K: f64 = 15.0;

/// Id of its board while there is no plan that says another.
const BOARD: BoardId = BoardId(0x7f3a_91c2);

/// An invented bench, in whose switch a person's words work.
pub struct Simulation {
    pty: Pty,
    ohm: f64,
    is_on: AtomicBool,
}

impl Simulation {
    /// Begins it, with its port in `out`; the job's board gets that port. Without a job it is a strip's.
    ///
    /// # Errors
    /// No pseudo-terminal is to be had.
    pub fn begin(
        which: Simulated,
        args: &BenchArgs,
        job: Option<&mut Job>,
        out: &Path,
    ) -> Result<Self> {
        let is_round = job
            .as_ref()
            .and_then(|job| job.units.first())
            .is_some_and(|unit| {
                unit.protector.kind == nightclamp_analysis::job::ProtectorKind::ExternalRound
            });
        let board = job.and_then(|job| job.boards.first_mut());
        let sim = bench::bench(&BenchSpec {
            kind: if is_round {
                ProtectorKind::ExternalRound
            } else {
                ProtectorKind::ExternalStrip
            },
            trouble: trouble(which),
            sensors: SensorLimits {
                clamp_share: 0.02,
                bead_k: 1.5,
            },
            as_the_model: false,
            period_ms: PERIOD_MS,
            seed: args.seed,
        });
        let mut scenario = sim.scenario;
        scenario.board.id = board.as_ref().map_or(BOARD, |board| board.id).0;
        let link = port_of(out);
        std::fs::create_dir_all(out)
            .with_context(|| format!("{}: could not be made", out.display()))?;
        let options = PtyOptions {
            speed: args.speed,
            wait_for_open: true,
            wait_for_reader: args.speed > 1.0,
            ..PtyOptions::default()
        };
        let pty = Pty::start(SimBoard::new(scenario), options)
            .context("no pseudo-terminal is to be had")?;
        pty.link_to(&link)
            .with_context(|| format!("{}: the link could not be made", link.display()))?;
        if let Some(board) = board {
            board.port = Some(link.to_string_lossy().into_owned());
        }
        Ok(Self {
            pty,
            ohm: sim.ohm,
            is_on: AtomicBool::new(false),
        })
    }
}

/// Where the invented board's port is, for a record in `out`.
pub fn port_of(out: &Path) -> PathBuf {
    out.join(PORT_LINK)
}

impl Invented for Simulation {
    fn switch(&self, on: bool) {
        self.is_on.store(on, Ordering::Relaxed);
        self.pty.happen(switched(on));
    }

    fn is_on(&self) -> bool {
        self.is_on.load(Ordering::Relaxed)
    }

    fn meter(&self) -> String {
        let is_open = self.pty.look(|board| {
            let unit = board.truth().units.first();
            let cycle = unit.and_then(|unit| unit.cycles.last());
            cycle.is_some_and(|c| c.ended_by == Some("protector") && c.reclosed_s.is_none())
        });
        if is_open {
            "OL".to_owned()
        } else {
            format!("{:.2}", self.ohm)
        }
    }
}

const fn trouble(which: Simulated) -> Trouble {
    match which {
        Simulated::Good => Trouble::Sound,
        Simulated::Weak => Trouble::Weak(WEAK_BY_K),
        Simulated::Welded => Trouble::Welded,
        Simulated::StaysOpen => Trouble::StaysOpen,
    }
}

/// This machine's clocks from now on so many times as fast.
pub struct FastClock {
    clock: SystemClock,
    begun: Moment,
    times: f64,
    /// Another name than the machine's boot: its true clock does not carry on from this one.
    name: String,
}

impl FastClock {
    /// `times` as fast.
    pub fn new(times: f64) -> Self {
        let clock = SystemClock::new();
        let begun = clock.now();
        let name = format!("simulated-{}-{}", begun.wall_us, std::process::id());
        Self {
            clock,
            begun,
            times,
            name,
        }
    }

    fn gone_us(&self) -> i64 {
        ((self.clock.boot_us() - self.begun.boot_us) as f64 * self.times) as i64
    }
}

impl HostClock for FastClock {
    fn wall_us(&self) -> i64 {
        self.begun.wall_us + self.gone_us()
    }

    fn boot_us(&self) -> i64 {
        self.begun.boot_us + self.gone_us()
    }

    fn host_boot_id(&self) -> &str {
        &self.name
    }
}
