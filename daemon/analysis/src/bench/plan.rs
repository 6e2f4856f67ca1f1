//! The plan of a bench test: the table `[bench]` of a job file. `daemon/BENCHPLAN.md` describes every key.
//!
//! A plan is a job file with one unit, so that a bench test runs on the very capture, record and projection that a night does,
//! and is kept, replayed and verified with it. A limit that is not given is not judged, and an uncertainty that is not given is
//! not assumed: what would need it cannot be said.

use crate::job::section::Section;
use crate::job::{ProtectorKind, Unit};

const BENCH_KEYS: [&str; 10] = [
    "load",
    "repeats",
    "rest_s",
    "longest_reset_s",
    "hot_reading",
    "cooled_reading",
    "sensors",
    "trip",
    "reset",
    "resistance",
];
const SENSOR_KEYS: [&str; 8] = [
    "clamp_percent",
    "clamp_range_percent",
    "clamp_range_a",
    "clamp_a",
    "bead_k",
    "time_s",
    "meter_percent",
    "meter_ohm",
];
const TRIP_KEYS: [&str; 6] = [
    "start",
    "current_a",
    "ambient_c",
    "least_s",
    "most_s",
    "stands_in",
];
const RESET_KEYS: [&str; 3] = ["least_s", "most_s", "stands_in"];
const RESISTANCE_KEYS: [&str; 3] = ["least_ohm", "most_ohm", "stands_in"];

const LOADS: [(&str, Load); 2] = [
    ("locked-rotor", Load::LockedRotor),
    ("safe-load", Load::SafeLoad),
];
const STARTS: [(&str, Start); 2] = [("cold", Start::Cold), ("warm", Start::Warm)];

/// What draws the current.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Load {
    /// A compressor whose rotor cannot turn: its start winding is not fed.
    LockedRotor,
    /// Something that may draw this current for as long as it takes.
    SafeLoad,
}

impl Load {
    /// As written in the plan.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::LockedRotor => "locked-rotor",
            Self::SafeLoad => "safe-load",
        }
    }
}

/// From where a run begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Start {
    /// Disc and case as warm as the room, no current for long.
    Cold,
    /// Soon after a reset.
    Warm,
}

impl Start {
    /// As written in the plan.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Cold => "cold",
            Self::Warm => "warm",
        }
    }
}

/// The clamp's class: limits of error, within which any value is as likely.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ClampClass {
    /// Per cent of the reading.
    pub percent: f64,
    /// Per cent of the range.
    pub range_percent: f64,
    /// The range, A; only with the former.
    pub range_a: f64,
    /// A, whatever the reading.
    pub amps: f64,
}

impl ClampClass {
    /// Limit of error at `amps`, ± A.
    pub fn limit_a(&self, amps: f64) -> f64 {
        (self.percent * amps.abs() + self.range_percent * self.range_a) / 100.0 + self.amps
    }

    /// What a table says of the clamp; `None` if it says nothing.
    pub(crate) fn read(section: &Section<'_>) -> Option<Self> {
        let percent = section.number("clamp_percent", 0.0..=50.0, "%");
        let range_percent = section.number("clamp_range_percent", 0.0..=50.0, "%");
        let range_a = section.number("clamp_range_a", 0.1..=5000.0, "A");
        let amps = section.number("clamp_a", 0.0..=100.0, "A");
        let go_together =
            "clamp_range_percent and clamp_range_a go together: a per cent of which range?";
        match (range_percent, range_a) {
            (Some(_), None) => section.note("clamp_range_a", go_together),
            (None, Some(_)) => section.note("clamp_range_percent", go_together),
            _ => {}
        }
        let given = percent.is_some() || range_percent.is_some() || amps.is_some();
        given.then(|| Self {
            percent: percent.unwrap_or(0.0),
            range_percent: range_percent.unwrap_or(0.0),
            range_a: range_a.unwrap_or(0.0),
            amps: amps.unwrap_or(0.0),
        })
    }
}

/// The ohmmeter's class, likewise.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct MeterClass {
    /// Per cent of the reading.
    pub percent: f64,
    /// Digits and leads, Ohm.
    pub ohm: f64,
}

impl MeterClass {
    /// Limit of error at `ohm`, ± Ohm.
    pub fn limit_ohm(&self, ohm: f64) -> f64 {
        self.percent * ohm.abs() / 100.0 + self.ohm
    }
}

/// `[bench.sensors]`: limits of error by class or calibration. What is not given is not known.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Classes {
    /// Clamp.
    pub clamp: Option<ClampClass>,
    /// Bead on the case with its place and its reference junction, ± K.
    pub bead_k: Option<f64>,
    /// An instant, ± s: how well an edge of the current is dated, beyond what the sample period costs.
    pub time_s: Option<f64>,
    /// Ohmmeter.
    pub meter: Option<MeterClass>,
}

/// A window; at least one end is there.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Window {
    /// Not below.
    pub least: Option<f64>,
    /// Not above.
    pub most: Option<f64>,
}

/// `[bench.trip]`: how soon it has to open.
#[derive(Debug, Clone, PartialEq)]
pub struct TripLimit {
    /// From where.
    pub start: Start,
    /// At this current, A.
    pub current_a: f64,
    /// In a room at this temperature, Cel.
    pub ambient_c: Option<f64>,
    /// Within, s.
    pub window: Window,
    /// Where that stands.
    pub stands_in: Option<String>,
}

/// `[bench.reset]` (s) and `[bench.resistance]` (Ohm, cold).
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    /// Within.
    pub window: Window,
    /// Where that stands.
    pub stands_in: Option<String>,
}

/// `[bench]`.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// What draws the current.
    pub load: Load,
    /// Openings to be timed.
    pub repeats: u32,
    /// No current for so long between a reset and the next run, s. Without it the power stays on and each reset begins the
    /// next run, which then is a warm one.
    pub rest_s: Option<f64>,
    /// Longer with current and without opening is a danger, s (`unit.protector.longest_trip_s`).
    pub longest_trip_s: f64,
    /// Longer open than this, and it has failed to close again, s.
    pub longest_reset_s: Option<f64>,
    /// The resistance is measured after the last opening, while it is open.
    pub hot_reading: bool,
    /// The resistance is measured again when all has cooled.
    pub cooled_reading: bool,
    /// Limits of error.
    pub sensors: Classes,
    /// How soon it has to open.
    pub trip: Option<TripLimit>,
    /// How soon it has to close again.
    pub reset: Option<Limit>,
    /// What it has to read when cold.
    pub resistance: Option<Limit>,
}

impl Plan {
    /// Reads `[bench]`, whose unit is `units`' only one. `None` means that a problem was noted.
    pub(crate) fn read(root: &Section<'_>, units: Option<&[Unit]>) -> Option<Self> {
        let section = root.table("bench", &BENCH_KEYS);
        let longest_trip_s = unit(root, &section, units);
        let load = section.required(
            "load",
            section.word("load", &LOADS),
            "what draws the current, \"locked-rotor\" or \"safe-load\",",
        );
        let repeats = section.required(
            "repeats",
            section.whole("repeats", 1..=20),
            "how many openings are to be timed, 1 to 20,",
        );
        let rest_s = section.number("rest_s", 0.0..=86_400.0, "s");
        let longest_reset_s = section.number("longest_reset_s", 1.0..=86_400.0, "s");
        let hot_reading = section.flag("hot_reading");
        let cooled_reading = section.flag("cooled_reading");
        let sensors = classes(&section.table("sensors", &SENSOR_KEYS));
        let trip = trip(&section.table("trip", &TRIP_KEYS));
        let reset = limit(
            &section.table("reset", &RESET_KEYS),
            ["least_s", "most_s"],
            86_400.0,
            "s",
        );
        let resistance = limit(
            &section.table("resistance", &RESISTANCE_KEYS),
            ["least_ohm", "most_ohm"],
            1000.0,
            "Ohm",
        );
        Some(Self {
            load: load?,
            repeats: repeats?,
            rest_s,
            longest_trip_s: longest_trip_s?,
            longest_reset_s,
            hot_reading: hot_reading.unwrap_or(false),
            cooled_reading: cooled_reading.unwrap_or(false),
            sensors,
            trip,
            reset,
            resistance,
        })
    }
}

/// What a bench test needs of the unit: the longest time to trip.
fn unit(root: &Section<'_>, section: &Section<'_>, units: Option<&[Unit]>) -> Option<f64> {
    let [unit] = units? else {
        let what =
            "a bench test is of one protector: exactly one [[unit]] is needed beside [bench]";
        section.note("", what);
        return None;
    };
    let protector = &unit.protector;
    if matches!(
        protector.kind,
        ProtectorKind::Internal | ProtectorKind::Unknown
    ) {
        let what = "for a bench test \"external-strip\" or \"external-round\" is needed: an internal one is in the winding \
                    and is not judged on the bench";
        root.note_below(&["unit", "protector", "kind"], what);
    }
    let longest = ["unit", "protector", "longest_trip_s"];
    // One that is written and wrong has been told already.
    if protector.longest_trip_s.is_none() && !root.is_written(&longest) {
        let what = "missing; a bench test needs the time after which a protector that has not opened is a danger";
        root.note_below(&longest, what);
    }
    protector.longest_trip_s
}

fn classes(section: &Section<'_>) -> Classes {
    let meter_percent = section.number("meter_percent", 0.0..=50.0, "%");
    let meter_ohm = section.number("meter_ohm", 0.0..=100.0, "Ohm");
    let meter = (meter_percent.is_some() || meter_ohm.is_some()).then(|| MeterClass {
        percent: meter_percent.unwrap_or(0.0),
        ohm: meter_ohm.unwrap_or(0.0),
    });
    Classes {
        clamp: ClampClass::read(section),
        bead_k: section.number("bead_k", 0.0..=50.0, "K"),
        time_s: section.number("time_s", 0.0..=60.0, "s"),
        meter,
    }
}

fn trip(section: &Section<'_>) -> Option<TripLimit> {
    let ambient_c = section.number("ambient_c", -40.0..=80.0, "Cel");
    let start = section.word("start", &STARTS);
    let current_a = section.number("current_a", 0.05..=2000.0, "A");
    let limit = limit(section, ["least_s", "most_s"], 3600.0, "s");
    if !section.is_present() {
        return None;
    }
    let rule = "\"cold\" or \"warm\", from where the run begins,";
    let start = section.required("start", start, rule);
    let rule = "the current for which the time holds, 0.05 to 2000 A,";
    let current_a = section.required("current_a", current_a, rule);
    let limit = limit?;
    Some(TripLimit {
        start: start?,
        current_a: current_a?,
        ambient_c,
        window: limit.window,
        stands_in: limit.stands_in,
    })
}

/// A table with a window in it, if it is there.
fn limit(
    section: &Section<'_>,
    [least_key, most_key]: [&str; 2],
    most_of_all: f64,
    unit: &str,
) -> Option<Limit> {
    let least = section.number(least_key, 0.0..=most_of_all, unit);
    let most = section.number(most_key, 0.0..=most_of_all, unit);
    let stands_in = section.text("stands_in").map(str::to_owned);
    if !section.is_present() {
        return None;
    }
    if section
        .keys()
        .iter()
        .all(|key| ![least_key, most_key].contains(key))
    {
        section.note(
            least_key,
            format!("{least_key} or {most_key} or both are needed"),
        );
        return None;
    }
    if let (Some(least), Some(most)) = (least, most)
        && least >= most
    {
        section.note(
            most_key,
            format!("{most} is not above {least_key}, {least}; are they exchanged?"),
        );
    }
    Some(Limit {
        window: Window { least, most },
        stands_in,
    })
}

impl Window {
    /// Both ends as they are told.
    pub fn shown(&self, unit: &str) -> String {
        match (self.least, self.most) {
            (Some(least), Some(most)) => format!("{least} to {most} {unit}"),
            (Some(least), None) => format!("at least {least} {unit}"),
            (None, Some(most)) => format!("at most {most} {unit}"),
            (None, None) => "no limit".to_owned(),
        }
    }
}
