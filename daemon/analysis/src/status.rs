//! What a person wants to see now: the state of each unit and board, as plain values.

use nightclamp_protocol::Refusals;

use crate::protector::Interval;
use crate::rows::RecordTime;

/// What a compressor is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Phase {
    /// No sample yet, or the board is silent.
    #[default]
    NoData,
    /// No current; the last on-period did not end by the protector.
    Off,
    /// No current since the protector opened.
    ProtectorOpen,
    /// Current has just begun.
    Starting,
    /// Running.
    Running,
    /// Current stays at the level of a rotor that does not turn.
    LockedRotor,
}

/// The state of one compressor after the last sample.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct UnitStatus {
    /// The unit's name in the job file.
    pub name: String,
    /// What it is doing.
    pub phase: Phase,
    /// Since when it has been doing so.
    pub since: Option<RecordTime>,
    /// Record time of the last sample.
    pub last_sample: Option<RecordTime>,
    /// The host's wall clock when the last sample arrived, µs.
    pub last_arrival: Option<i64>,
    /// Current, A.
    pub current_a: Option<f64>,
    /// Current in the start lead, A.
    pub start_lead_a: Option<f64>,
    /// Protector's case, Cel.
    pub case_c: Option<f64>,
    /// Ambient, Cel.
    pub ambient_c: Option<f64>,
    /// Compressor's shell, Cel.
    pub dome_c: Option<f64>,
    /// Cooled space, Cel.
    pub box_c: Option<f64>,
    /// Supply, V.
    pub supply_v: Option<f64>,
    /// Whether power is offered.
    pub demand: Option<bool>,
    /// Starts so far.
    pub starts: u64,
    /// Trips so far.
    pub trips: u64,
    /// While the protector is open: when it will have closed again, s from the last sample, with its 95 % interval; `None`
    /// where that is not foreseeable: the case still warms, or is not read, or may never get there.
    pub recloses: Option<Interval>,
    /// A danger in force, in words, with what to do.
    pub danger: Option<String>,
}

/// The state of one board's stream.
#[derive(Debug, Clone, Default)]
pub struct BoardStatus {
    /// Board id, 8 hex digits; the port's name while no board has spoken.
    pub id: String,
    /// Boot count.
    pub boot: Option<u32>,
    /// Nominal sample period, ms.
    pub period_ms: Option<u32>,
    /// Firmware token.
    pub firmware: String,
    /// Samples accepted.
    pub samples: u64,
    /// Samples that never got a channel table.
    pub undeclared: u64,
    /// Lines refused, by reason.
    pub refusals: Refusals,
    /// The host's wall clock at the last line that was accepted, µs.
    pub last_arrival: Option<i64>,
    /// Problems that a person should know of, newest last, bounded.
    pub problems: Vec<String>,
}
