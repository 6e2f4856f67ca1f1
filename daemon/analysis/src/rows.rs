//! The rows of the three tables, and where they go.
//!
//! All instants are microseconds since the Unix epoch on the record's own continuous scale ("record time"): the host's
//! clock as it stood when the record began, carried on by elapsed time. All currents of events and cycles are RMS amperes in
//! the lead (a board's samples are as the clamp shows them, before they are divided by its turns), all temperatures degrees Celsius, all durations seconds.

use nightclamp_protocol::{BoardId, Fault, Reading, Table};

use crate::overview::OverviewRow;

/// An instant in record time, µs since the Unix epoch.
pub type RecordTime = i64;

/// One sample line as it goes into the table `samples`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampleRow<'a> {
    /// Record time of the end of the sample period.
    pub time: RecordTime,
    /// The host's wall clock when the line's LF arrived, as stamped, µs since the Unix epoch.
    pub arrival: i64,
    /// The board's boot count.
    pub boot: u32,
    /// The board's counter of sample periods, as sent.
    pub seq: u16,
    /// The board's clock, ms since its boot, unwrapped.
    pub board_ms: u64,
    /// What the board sent, a reading for each channel in the order of the table.
    pub readings: &'a [Reading],
    /// The same in the unit of each quantity after conversion; NaN where there is no value.
    pub values: &'a [f64],
}

/// What an event is. The names are those of the table `events`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum EventKind {
    /// Current begins.
    Start,
    /// Current ends, not by the protector, or it is not known by what.
    Stop,
    /// Current ends by the protector opening.
    Trip,
    /// Current is back after a trip: the protector has reclosed by now.
    Reset,
    /// The supply is gone (only with a supply channel).
    SupplyLost,
    /// The supply is back.
    SupplyBack,
    /// The last valid sample before a gap.
    GapBegin,
    /// The first valid sample after a gap.
    GapEnd,
    /// Samples were lost here and there, none of it a gap; told at the next gap, boot or stop, or after an hour.
    Loss,
    /// A sensor can no longer be believed.
    Sensor,
    /// A sensor that could not is believed again.
    SensorBack,
    /// The protector should have opened by now and has not.
    Late,
    /// The host's clock was set.
    ClockStep,
    /// Somebody pressed the board's button or marked an instant on the dashboard.
    Mark,
}

impl EventKind {
    /// Every one of them.
    pub const ALL: [Self; 14] = [
        Self::Start,
        Self::Stop,
        Self::Trip,
        Self::Reset,
        Self::SupplyLost,
        Self::SupplyBack,
        Self::GapBegin,
        Self::GapEnd,
        Self::Loss,
        Self::Sensor,
        Self::SensorBack,
        Self::Late,
        Self::ClockStep,
        Self::Mark,
    ];

    /// The one of that name in the table.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|one| one.as_str() == name)
    }

    /// The kind as written in the table.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::Stop => "stop",
            Self::Trip => "trip",
            Self::Reset => "reset",
            Self::SupplyLost => "supply-lost",
            Self::SupplyBack => "supply-back",
            Self::GapBegin => "gap-begin",
            Self::GapEnd => "gap-end",
            Self::Loss => "loss",
            Self::Sensor => "sensor",
            Self::SensorBack => "sensor-back",
            Self::Late => "late",
            Self::ClockStep => "clock-step",
            Self::Mark => "mark",
        }
    }
}

/// Why the protector opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Cause {
    /// The rotor did not turn, or stalled, and the current stayed high until the protector opened.
    LockedRotor,
    /// Running with a current clearly above rated load.
    Overload,
    /// Running at no more than rated load, but the protector as hot as it should open at.
    Overheat,
    /// It opened although neither the current nor the temperature explains it.
    Early,
    /// The evidence does not decide.
    Undetermined,
}

impl Cause {
    /// Every one of them.
    pub const ALL: [Self; 5] = [
        Self::LockedRotor,
        Self::Overload,
        Self::Overheat,
        Self::Early,
        Self::Undetermined,
    ];

    /// The one of that name in the table.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|one| one.as_str() == name)
    }

    /// The cause as written in the tables.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::LockedRotor => "locked-rotor",
            Self::Overload => "overload",
            Self::Overheat => "overheat",
            Self::Early => "early",
            Self::Undetermined => "undetermined",
        }
    }
}

/// How an on-period began.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub enum StartKind {
    /// The current came down to running within a few seconds.
    Normal,
    /// It did not come down to running.
    LockedRotor,
    /// Not seen, or not resolved by the sampling.
    #[default]
    Unknown,
}

impl StartKind {
    /// Every one of them.
    pub const ALL: [Self; 3] = [Self::Normal, Self::LockedRotor, Self::Unknown];

    /// The one of that name in the table.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|one| one.as_str() == name)
    }

    /// The kind of start as written in the table.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::LockedRotor => "locked-rotor",
            Self::Unknown => "unknown",
        }
    }
}

/// What ended an on-period.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum EndedBy {
    /// The overload protector opened.
    Protector,
    /// A control (thermostat, pressure switch, timer, door) took the power away.
    Control,
    /// The supply failed.
    Supply,
    /// The evidence does not tell.
    Unknown,
}

impl EndedBy {
    /// Every one of them.
    pub const ALL: [Self; 4] = [Self::Protector, Self::Control, Self::Supply, Self::Unknown];

    /// The one of that name in the table.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|one| one.as_str() == name)
    }

    /// The end as written in the table.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Protector => "protector",
            Self::Control => "control",
            Self::Supply => "supply",
            Self::Unknown => "unknown",
        }
    }
}

/// One row of the table `events`.
#[derive(Debug, Clone, PartialEq)]
pub struct EventRow {
    /// When it happened, or for `sensor` when it was concluded.
    pub time: RecordTime,
    /// What happened.
    pub kind: EventKind,
    /// Why, for a trip.
    pub cause: Option<Cause>,
    /// Current at the event, A.
    pub current_a: Option<f64>,
    /// Case temperature at the event, Cel.
    pub case_c: Option<f64>,
    /// The rest, in words and figures.
    pub detail: String,
}

/// One row of the table `cycles`: an on-period with the off-period after it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CycleRow {
    /// When current began, or the first sample that had it.
    pub on_at: RecordTime,
    /// When current ended; null if that was not seen.
    pub off_at: Option<RecordTime>,
    /// When current was next there.
    pub next_on_at: Option<RecordTime>,
    /// Whether the beginning was seen.
    pub on_seen: bool,
    /// Length of the on-period, s.
    pub on_s: Option<f64>,
    /// Length of the off-period, s.
    pub off_s: Option<f64>,
    /// How it began.
    pub start: StartKind,
    /// What ended it; null while it has not ended.
    pub ended_by: Option<EndedBy>,
    /// Why the protector opened; null unless it did.
    pub cause: Option<Cause>,
    /// Largest reading, A.
    pub peak_a: Option<f64>,
    /// Square mean of the current once started, A; null if it never ran.
    pub run_a: Option<f64>,
    /// Square mean of the last second, A.
    pub end_a: Option<f64>,
    /// Integral of the squared current over the on-period, A²s.
    pub i2t_a2s: Option<f64>,
    /// Case temperature when current began, Cel.
    pub case_on_c: Option<f64>,
    /// Case temperature when current ended, Cel.
    pub case_off_c: Option<f64>,
    /// Highest case temperature of the on- and off-period, Cel.
    pub case_max_c: Option<f64>,
    /// Case temperature when current was back after a trip, Cel.
    pub case_reset_c: Option<f64>,
    /// Demand and supply are known to have held until the current came back.
    pub reset_exact: bool,
    /// The model's disc temperature at `off_at`, Cel; null without a model.
    pub disc_c: Option<f64>,
    /// Share of the expected samples that arrived, 0..1.
    pub valid: f64,
    /// What `ended_by` and `cause` rest on.
    pub basis: String,
    /// How long the start took until the current had come down to running, s, to a sample period; null unless the start
    /// was normal.
    pub start_s: Option<f64>,
    /// Mean supply over the five seconds before current began, V; null where it was not there or not seen.
    pub supply_before_v: Option<f64>,
    /// Lowest supply reading in the first five seconds of current, V. Of a start that is shorter than the sample period it
    /// shows only a part of the sag.
    pub supply_low_v: Option<f64>,
    /// Highest reading of the start lead in the first five seconds, A.
    pub start_lead_peak_a: Option<f64>,
    /// Square mean of the start lead's current over the last second of the first five, or of the on-period where that is
    /// shorter, A: what was left in the start winding when a start is over. Null if nothing was read from 1.5 s on.
    pub start_lead_a: Option<f64>,
    /// Square mean of the current from 30 to 90 s after the rotor came up to speed, A; null for runs under 180 s.
    pub run_first_a: Option<f64>,
    /// Square mean of the current over the last 60 s of the run, A; null for runs under 180 s.
    pub run_last_a: Option<f64>,
    /// Room air when current began, Cel.
    pub ambient_on_c: Option<f64>,
    /// What the clamp showed without current before the start, A.
    pub floor_a: Option<f64>,
    /// Standard deviation of that from sample to sample, A.
    pub noise_a: Option<f64>,
}

/// Takes the rows of a projection as they become final, in order.
pub trait Sink {
    /// A channel table is in force for a board; the samples that follow have its columns.
    fn table(&mut self, table: &Table);
    /// One sample of `board`.
    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>);
    /// One final event of a unit, or of a board under `board-ID`.
    fn event(&mut self, unit: &str, row: EventRow);
    /// One final cycle of a unit.
    fn cycle(&mut self, unit: &str, row: CycleRow);
    /// One final row of a unit's overview.
    fn overview(&mut self, _unit: &str, _row: &OverviewRow) {}
    /// A unit's disc by the model at the sample given last, Cel; only where it is known.
    fn disc(&mut self, _unit: &str, _time: RecordTime, _disc_c: f64) {}
}

/// Rows for two: the tables and a bench test, say.
#[derive(Debug)]
pub struct Both<'a, A, B>(pub &'a mut A, pub &'a mut B);

impl<A: Sink, B: Sink> Sink for Both<'_, A, B> {
    fn table(&mut self, table: &Table) {
        self.0.table(table);
        self.1.table(table);
    }

    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        self.0.sample(board, row);
        self.1.sample(board, row);
    }

    fn event(&mut self, unit: &str, row: EventRow) {
        self.0.event(unit, row.clone());
        self.1.event(unit, row);
    }

    fn cycle(&mut self, unit: &str, row: CycleRow) {
        self.0.cycle(unit, row.clone());
        self.1.cycle(unit, row);
    }

    fn overview(&mut self, unit: &str, row: &OverviewRow) {
        self.0.overview(unit, row);
        self.1.overview(unit, row);
    }

    fn disc(&mut self, unit: &str, time: RecordTime, disc_c: f64) {
        self.0.disc(unit, time, disc_c);
        self.1.disc(unit, time, disc_c);
    }
}

/// A sink that may not be there.
impl<S: Sink> Sink for Option<S> {
    fn table(&mut self, table: &Table) {
        if let Some(sink) = self {
            sink.table(table);
        }
    }

    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        if let Some(sink) = self {
            sink.sample(board, row);
        }
    }

    fn event(&mut self, unit: &str, row: EventRow) {
        if let Some(sink) = self {
            sink.event(unit, row);
        }
    }

    fn cycle(&mut self, unit: &str, row: CycleRow) {
        if let Some(sink) = self {
            sink.cycle(unit, row);
        }
    }

    fn overview(&mut self, unit: &str, row: &OverviewRow) {
        if let Some(sink) = self {
            sink.overview(unit, row);
        }
    }

    fn disc(&mut self, unit: &str, time: RecordTime, disc_c: f64) {
        if let Some(sink) = self {
            sink.disc(unit, time, disc_c);
        }
    }
}

/// The letter a fault is written as in the table `samples`.
pub const fn fault_letter(fault: Fault) -> &'static str {
    match fault {
        Fault::NotRead => "x",
        Fault::Open => "o",
        Fault::Shorted => "s",
        Fault::OutOfRange => "r",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Who reads a table knows every kind that the heart writes: one that is missing from `ALL` would be dropped in silence.
    #[test]
    fn whatever_is_written_by_name_is_read_by_name() {
        // Without `_`, so that nothing compiles here before a new kind has its place.
        let place = |kind: EventKind| match kind {
            EventKind::Start => 0,
            EventKind::Stop => 1,
            EventKind::Trip => 2,
            EventKind::Reset => 3,
            EventKind::SupplyLost => 4,
            EventKind::SupplyBack => 5,
            EventKind::GapBegin => 6,
            EventKind::GapEnd => 7,
            EventKind::Loss => 8,
            EventKind::Sensor => 9,
            EventKind::SensorBack => 10,
            EventKind::Late => 11,
            EventKind::ClockStep => 12,
            EventKind::Mark => 13,
        };
        assert_eq!(EventKind::ALL.map(place), core::array::from_fn(|n| n));
        for kind in EventKind::ALL {
            assert_eq!(EventKind::named(kind.as_str()), Some(kind));
        }
    }
}
