//! The job file: what is clamped where, the nameplate, the protector's data and the terms to judge by.

use nightclamp_protocol::BoardId;

/// How people see temperatures; tables are always in degrees Celsius.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TemperatureScale {
    /// °C
    #[default]
    Celsius,
    /// °F
    Fahrenheit,
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

/// `[unit.protector]`. `None` means not given: nothing is judged against a value that was not given.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Protector {
    /// Its kind.
    pub kind: ProtectorKind,
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

/// `[unit.limits]`: the maker's or the claim's terms.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Limits {
    /// Starts an hour.
    pub starts_per_hour: Option<f64>,
    /// Shortest off-time, s.
    pub min_off_s: Option<f64>,
    /// Shortest on-time, s.
    pub min_run_s: Option<f64>,
}

/// One single-phase compressor.
#[derive(Debug, Clone, PartialEq, Default)]
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
}

/// `[[board]]`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Board {
    /// Board id.
    pub id: BoardId,
    /// Serial port; absent in a job that is only replayed.
    pub port: Option<String>,
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
    /// The boards, in the file's order.
    pub boards: Vec<Board>,
    /// The compressors, in the file's order.
    pub units: Vec<Unit>,
}
