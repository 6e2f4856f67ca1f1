//! The job file: what is clamped where, the nameplate, the protector's data and the terms to judge by.
//!
//! [`Job::parse`] reads it. Nothing in a job file can make it panic, and every problem that can be found is reported at once,
//! each with file, line and key ([`JobError`]). What each key means, its range and its default stand in `daemon/JOBFILE.md`.

mod build;
mod problem;
pub(crate) mod section;
mod words;

use nightclamp_protocol::BoardId;

use crate::bench::{ClampClass, Plan};
use crate::sensor::Ntc;
pub use problem::{JobError, Problem};

/// How people see temperatures; tables are always in degrees Celsius.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TemperatureScale {
    /// °C
    #[default]
    Celsius,
    /// °F
    Fahrenheit,
}

impl TemperatureScale {
    /// As written in the job file.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Celsius => "celsius",
            Self::Fahrenheit => "fahrenheit",
        }
    }
}

/// Which lead the clamp is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ClampOn {
    /// The lead to the compressor's common terminal.
    #[default]
    Common,
    /// The lead of the whole appliance: fans, lamps and heaters share it.
    Appliance,
}

impl ClampOn {
    /// As written in the job file.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Common => "common",
            Self::Appliance => "appliance",
        }
    }
}

/// What sort of protector it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ProtectorKind {
    /// External strip with a heater.
    ExternalStrip,
    /// External round line-break type.
    ExternalRound,
    /// In the winding: no case to tape a bead to.
    Internal,
    /// Not known.
    #[default]
    Unknown,
}

impl ProtectorKind {
    /// Whether a bead on the case says anything about it.
    pub const fn is_external(self) -> bool {
        matches!(self, Self::ExternalStrip | Self::ExternalRound)
    }

    /// As written in the job file.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::ExternalStrip => "external-strip",
            Self::ExternalRound => "external-round",
            Self::Internal => "internal",
            Self::Unknown => "unknown",
        }
    }
}

/// `[unit.channels]`: role to place on the board.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Channels {
    /// Clamp on the lead.
    pub current: String,
    /// Bead on the protector's case.
    pub case: Option<String>,
    /// Ambient air.
    pub ambient: Option<String>,
    /// Line voltage, upstream of every control.
    pub supply: Option<String>,
    /// Contact, closed while power is offered.
    pub demand: Option<String>,
    /// Clamp on the start lead.
    pub start_current: Option<String>,
    /// Bead on the compressor's shell.
    pub dome: Option<String>,
    /// Air of the cooled space (`box` in the file).
    pub cooled_space: Option<String>,
}

impl Channels {
    /// The roles that are given, as (key in the job file, place on the board).
    pub fn roles(&self) -> impl Iterator<Item = (&'static str, &str)> {
        let optional = [
            ("case", &self.case),
            ("ambient", &self.ambient),
            ("supply", &self.supply),
            ("demand", &self.demand),
            ("start_current", &self.start_current),
            ("dome", &self.dome),
            ("box", &self.cooled_space),
        ];
        let given = optional
            .into_iter()
            .filter_map(|(role, place)| Some((role, place.as_deref()?)));
        std::iter::once(("current", self.current.as_str())).chain(given)
    }
}

/// `[unit.protector]`. `None` means not given: nothing is judged against a value that was not given.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Protector {
    /// Its kind.
    pub kind: ProtectorKind,
    /// Its maker's name for the model.
    pub model: Option<String>,
    /// Opening temperature, Cel.
    pub opens_c: Option<f64>,
    /// Its tolerance, ± K.
    pub opens_tol_c: Option<f64>,
    /// Closing temperature, Cel.
    pub closes_c: Option<f64>,
    /// Its tolerance, ± K.
    pub closes_tol_c: Option<f64>,
    /// Locked rotor longer than this without opening is a danger, s.
    pub longest_trip_s: Option<f64>,
    /// Heating constant k, K/A².
    pub heating_c_per_a2: Option<f64>,
    /// Time constant of the disc, s.
    pub heating_tau_s: Option<f64>,
}

/// `[unit.limits]`: the maker's or the claim's terms, each with where it stands (`KEY_from` in the file).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Limits {
    /// Starts an hour.
    pub starts_per_hour: Option<f64>,
    /// Where that stands.
    pub starts_per_hour_from: Option<String>,
    /// Shortest off-time, s.
    pub min_off_s: Option<f64>,
    /// Where that stands.
    pub min_off_from: Option<String>,
    /// Shortest on-time, s.
    pub min_run_s: Option<f64>,
    /// Where that stands.
    pub min_run_from: Option<String>,
}

/// `[unit.sensors]`: limits of error by class or calibration. What is not given is not known. Nothing is judged by them: they go
/// into the report for its reader.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Sensors {
    /// Clamp with its board.
    pub clamp: Option<ClampClass>,
    /// Bead on the case with its reference junction, ± K.
    pub bead_k: Option<f64>,
}

/// One single-phase compressor.
#[derive(Debug, Clone, PartialEq)]
pub struct Unit {
    /// `[a-z][a-z0-9-]*`, not beginning with `board-`.
    pub name: String,
    /// The board that measures it.
    pub board: BoardId,
    /// Nameplate rated load, A.
    pub rated_load_a: Option<f64>,
    /// Nameplate locked rotor, A.
    pub locked_rotor_a: Option<f64>,
    /// Which lead the clamp is on.
    pub clamp_on: ClampOn,
    /// Turns of the lead through the clamp, at least 1.
    pub clamp_turns: u32,
    /// Roles.
    pub channels: Channels,
    /// The protector.
    pub protector: Protector,
    /// The terms.
    pub limits: Limits,
    /// How sure its sensors are.
    pub sensors: Sensors,
}

impl Default for Unit {
    /// A unit of which nothing is known; one turn through the clamp.
    fn default() -> Self {
        Self {
            name: String::new(),
            board: BoardId::default(),
            rated_load_a: None,
            locked_rotor_a: None,
            clamp_on: ClampOn::default(),
            clamp_turns: 1,
            channels: Channels::default(),
            protector: Protector::default(),
            limits: Limits::default(),
            sensors: Sensors::default(),
        }
    }
}

/// `[[board]]`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Board {
    /// Board id.
    pub id: BoardId,
    /// Serial port; absent in a job that is only replayed.
    pub port: Option<String>,
    /// `[board.ntc.PLACE]`: what is known of the thermistor at a place.
    pub ntc: Vec<(String, Ntc)>,
}

impl Board {
    /// The thermistor at a place, if its coefficients are given.
    pub fn ntc_at(&self, place: &str) -> Option<Ntc> {
        self.ntc
            .iter()
            .find(|(at, _)| at == place)
            .map(|&(_, ntc)| ntc)
    }
}

/// A whole job file, checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    /// `job.name`.
    pub name: String,
    /// `job.site`.
    pub site: Option<String>,
    /// `job.timezone`, an IANA name.
    pub timezone: chrono_tz::Tz,
    /// `job.temperature`.
    pub temperature: TemperatureScale,
    /// `job.clock_s`: how far off the host's clock was at most when the job was set up, ± s.
    pub clock_s: Option<f64>,
    /// The boards, in the file's order.
    pub boards: Vec<Board>,
    /// The compressors, in the file's order.
    pub units: Vec<Unit>,
    /// `[bench]`: this is the plan of a bench test of the only unit's protector.
    pub bench: Option<Plan>,
}

/// A job file as a record keeps it, and by what the notes in its raw logs name it.
#[derive(Debug, Clone, PartialEq)]
pub struct JobVersion {
    /// Its name in `raw/`.
    pub file: String,
    /// Of its bytes, hexadecimal.
    pub sha256: String,
    /// What it says.
    pub job: Job,
}

impl JobVersion {
    /// A job file that no note names.
    pub const fn whatever_is_noted(job: Job) -> Self {
        Self {
            file: String::new(),
            sha256: String::new(),
            job,
        }
    }
}

impl Job {
    /// Reads and checks the text of a job file; `file` is what messages call it.
    ///
    /// # Errors
    /// Everything that is wrong with it, in the order of its lines. If the text is not TOML, only that.
    pub fn parse(text: &str, file: &str) -> Result<Self, JobError> {
        build::parse(text, file)
    }

    /// [`Job::parse`] for the bytes of a file, which may not even be text.
    ///
    /// # Errors
    /// As [`Job::parse`]; bytes that are not UTF-8 are named by their line.
    pub fn parse_bytes(bytes: &[u8], file: &str) -> Result<Self, JobError> {
        match std::str::from_utf8(bytes) {
            Ok(text) => Self::parse(text, file),
            Err(error) => Err(JobError::not_text(&bytes[..error.valid_up_to()], file)),
        }
    }

    /// What the job file says of a board.
    pub fn board(&self, id: BoardId) -> Option<&Board> {
        self.boards.iter().find(|board| board.id == id)
    }

    /// The units a board measures.
    pub fn units_of(&self, board: BoardId) -> impl Iterator<Item = &Unit> {
        self.units.iter().filter(move |unit| unit.board == board)
    }
}
