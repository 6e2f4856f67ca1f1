//! What somebody typed on the set-up page: keys of the job file and the texts put into their fields.

use std::collections::BTreeMap;

use nightclamp_analysis::job::TemperatureScale;
use serde::{Deserialize, Serialize};

/// Most boards or units a form may have: more than a job file may, so that the job file's own check says what is too many.
pub const ENTRIES_MAX: usize = 128;
/// Longest text of one field, bytes; the job file's own limits are tighter.
const FIELD_BYTES_MAX: usize = 1_000;

/// A whole form.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Form {
    /// SHA-256 of the job file the form was made from; absent if there was none.
    #[serde(default)]
    pub based_on: Option<String>,
    /// In what temperatures are typed.
    #[serde(default)]
    pub degrees: Degrees,
    /// Fields of `[job]`.
    #[serde(default)]
    pub job: Fields,
    /// `[[board]]`, in order.
    #[serde(default)]
    pub boards: Vec<Entry>,
    /// `[[unit]]`, in order.
    #[serde(default)]
    pub units: Vec<Entry>,
    /// Fields of `[bench]`, where a bench test is planned; absent elsewhere.
    #[serde(default)]
    pub bench: Option<Fields>,
}

/// One `[[board]]` or `[[unit]]`.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    /// Which one of the job file this is, counted from 0; absent if it is new.
    #[serde(default)]
    pub was: Option<usize>,
    /// Its fields.
    #[serde(default)]
    pub fields: Fields,
}

/// Key, with the tables below the entry (`protector.opens_c`), to the text of its field; empty means not given. Keys that
/// are not there stay in the file as they are.
pub type Fields = BTreeMap<String, String>;

/// In what temperatures are typed. The file has them in degrees Celsius always.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Degrees {
    /// °C
    #[default]
    Celsius,
    /// °F
    Fahrenheit,
}

impl From<TemperatureScale> for Degrees {
    fn from(scale: TemperatureScale) -> Self {
        match scale {
            TemperatureScale::Celsius => Self::Celsius,
            TemperatureScale::Fahrenheit => Self::Fahrenheit,
        }
    }
}

/// How a field's text becomes a value of the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A text.
    Text,
    /// A number.
    Number,
    /// A temperature, typed in the form's [`Degrees`].
    Temperature,
    /// A difference of temperatures, likewise.
    Difference,
    /// `true` or `false`.
    Flag,
}

/// Fields of `[job]`.
pub const JOB: [(&str, Kind); 5] = [
    ("name", Kind::Text),
    ("site", Kind::Text),
    ("timezone", Kind::Text),
    ("temperature", Kind::Text),
    ("clock_s", Kind::Number),
];

/// Fields of a `[[board]]`. Thermistors are written by hand: [`Fields`] says that they stay.
pub const BOARD: [(&str, Kind); 2] = [("id", Kind::Text), ("port", Kind::Text)];

/// Fields of a `[[unit]]`.
pub const UNIT: [(&str, Kind); 34] = [
    ("name", Kind::Text),
    ("board", Kind::Text),
    ("rated_load_a", Kind::Number),
    ("locked_rotor_a", Kind::Number),
    ("clamp_on", Kind::Text),
    ("clamp_turns", Kind::Number),
    ("channels.current", Kind::Text),
    ("channels.case", Kind::Text),
    ("channels.ambient", Kind::Text),
    ("channels.supply", Kind::Text),
    ("channels.demand", Kind::Text),
    ("channels.start_current", Kind::Text),
    ("channels.dome", Kind::Text),
    ("channels.box", Kind::Text),
    ("protector.kind", Kind::Text),
    ("protector.model", Kind::Text),
    ("protector.opens_c", Kind::Temperature),
    ("protector.opens_tol_c", Kind::Difference),
    ("protector.closes_c", Kind::Temperature),
    ("protector.closes_tol_c", Kind::Difference),
    ("protector.longest_trip_s", Kind::Number),
    ("protector.heating_c_per_a2", Kind::Number),
    ("protector.heating_tau_s", Kind::Number),
    ("limits.starts_per_hour", Kind::Number),
    ("limits.starts_per_hour_from", Kind::Text),
    ("limits.min_off_s", Kind::Number),
    ("limits.min_off_from", Kind::Text),
    ("limits.min_run_s", Kind::Number),
    ("limits.min_run_from", Kind::Text),
    ("sensors.clamp_percent", Kind::Number),
    ("sensors.clamp_range_percent", Kind::Number),
    ("sensors.clamp_range_a", Kind::Number),
    ("sensors.clamp_a", Kind::Number),
    ("sensors.bead_k", Kind::Difference),
];

/// Fields of `[bench]`: every key of a plan, in the order of its documentation.
pub const BENCH: [(&str, Kind); 26] = [
    ("load", Kind::Text),
    ("repeats", Kind::Number),
    ("rest_s", Kind::Number),
    ("longest_reset_s", Kind::Number),
    ("hot_reading", Kind::Flag),
    ("cooled_reading", Kind::Flag),
    ("sensors.clamp_percent", Kind::Number),
    ("sensors.clamp_range_percent", Kind::Number),
    ("sensors.clamp_range_a", Kind::Number),
    ("sensors.clamp_a", Kind::Number),
    ("sensors.bead_k", Kind::Difference),
    ("sensors.time_s", Kind::Number),
    ("sensors.meter_percent", Kind::Number),
    ("sensors.meter_ohm", Kind::Number),
    ("trip.start", Kind::Text),
    ("trip.current_a", Kind::Number),
    ("trip.ambient_c", Kind::Temperature),
    ("trip.least_s", Kind::Number),
    ("trip.most_s", Kind::Number),
    ("trip.stands_in", Kind::Text),
    ("reset.least_s", Kind::Number),
    ("reset.most_s", Kind::Number),
    ("reset.stands_in", Kind::Text),
    ("resistance.least_ohm", Kind::Number),
    ("resistance.most_ohm", Kind::Number),
    ("resistance.stands_in", Kind::Text),
];

impl Form {
    /// What no form of ours sends: a field that there is not, or more than there is room for.
    ///
    /// # Errors
    /// What that is, in words.
    pub fn check(&self) -> Result<(), String> {
        if self.boards.len() > ENTRIES_MAX || self.units.len() > ENTRIES_MAX {
            return Err(format!(
                "a form has at most {ENTRIES_MAX} boards and as many compressors"
            ));
        }
        let boards = self.boards.iter().map(|entry| (&entry.fields, &BOARD[..]));
        let units = self.units.iter().map(|entry| (&entry.fields, &UNIT[..]));
        let bench = self.bench.iter().map(|fields| (fields, &BENCH[..]));
        let mut all = std::iter::once((&self.job, &JOB[..]))
            .chain(bench)
            .chain(boards)
            .chain(units);
        all.try_for_each(|(fields, known)| {
            fields.iter().try_for_each(|(key, text)| {
                if !known.iter().any(|(name, _)| name == key) {
                    Err(format!("{key:?} is no field of a job"))
                } else if text.len() > FIELD_BYTES_MAX {
                    Err(format!("{key}: longer than {FIELD_BYTES_MAX} bytes"))
                } else {
                    Ok(())
                }
            })
        })
    }
}
