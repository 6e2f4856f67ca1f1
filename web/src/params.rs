//! Query parameters: every one has a limit, an unknown one is an error, and the message names it.

use axum::extract::Query;
use axum::http::Uri;
use chrono::DateTime;
use nightclamp_analysis::rows::{Cause, CycleRow, EndedBy, RecordTime};
use serde::Deserialize;
use serde::de::DeserializeOwned;

use crate::problem::{Problem, named};

/// Longest query string, bytes.
const QUERY_BYTES_MAX: usize = 512;
/// Longest name of a unit or a board, bytes.
const NAME_BYTES_MAX: usize = 64;
/// Most points of a series.
pub const POINTS_MAX: usize = 4_000;
/// Points when none are asked for.
pub const POINTS_DEFAULT: usize = 1_000;
/// Most rows of a list.
pub const ROWS_LIMIT_MAX: usize = 2_000;
/// Rows when no limit is given.
pub const ROWS_LIMIT_DEFAULT: usize = 200;

/// How a cycle can have begun.
const STARTS: [&str; 3] = ["normal", "locked-rotor", "unknown"];
/// How one can have ended; `none`: it lasts.
const ENDS: [&str; 5] = ["protector", "control", "supply", "unknown", "none"];
/// Why its protector can have opened.
const CAUSES: [&str; 5] = [
    "locked-rotor",
    "overload",
    "overheat",
    "early",
    "undetermined",
];

/// What a query gives, unchecked.
#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Raw {
    /// See [`Params`], as all of them.
    pub unit: Option<String>,
    pub from: Option<String>,
    pub to: Option<String>,
    pub points: Option<String>,
    pub limit: Option<String>,
}

/// A checked query.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Params {
    /// The unit asked about.
    pub unit: String,
    /// Begin of the range, record time in µs, if given.
    pub from_us: Option<RecordTime>,
    /// End of the range (not counted in), record time in µs, if given.
    pub to_us: Option<RecordTime>,
    /// Most points of a series, 1 to [`POINTS_MAX`].
    pub points: usize,
    /// Most rows of a list, 1 to [`ROWS_LIMIT_MAX`].
    pub limit: usize,
}

impl Params {
    /// Reads and checks the query of `uri`.
    pub fn from_uri(uri: &Uri) -> Result<Self, Problem> {
        Self::checked(read(uri)?)
    }

    /// The same from what was given.
    pub fn checked(raw: Raw) -> Result<Self, Problem> {
        let unit = raw
            .unit
            .filter(|unit| !unit.is_empty() && unit.len() <= NAME_BYTES_MAX)
            .ok_or_else(|| {
                Problem::bad_query(format!(
                    "unit: a name of 1 to {NAME_BYTES_MAX} bytes is needed"
                ))
            })?;
        let params = Self {
            unit,
            from_us: instant("from", raw.from)?,
            to_us: instant("to", raw.to)?,
            points: count("points", raw.points, POINTS_DEFAULT, POINTS_MAX)?,
            limit: count("limit", raw.limit, ROWS_LIMIT_DEFAULT, ROWS_LIMIT_MAX)?,
        };
        match (params.from_us, params.to_us) {
            (Some(from), Some(to)) if from >= to => {
                Err(Problem::bad_query("from: has to be before to"))
            }
            _ => Ok(params),
        }
    }

    /// The range, from the beginning of time to its end where nothing is given.
    pub fn range(&self) -> (RecordTime, RecordTime) {
        (
            self.from_us.unwrap_or(i64::MIN),
            self.to_us.unwrap_or(i64::MAX),
        )
    }
}

/// Which cycles are chosen: those that began so, ended so, and of this cause; of what is not given any.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Chosen {
    start: Option<String>,
    ended_by: Option<String>,
    cause: Option<String>,
}

impl Chosen {
    /// From what a query gives.
    pub fn checked(
        start: Option<String>,
        ended_by: Option<String>,
        cause: Option<String>,
    ) -> Result<Self, Problem> {
        Ok(Self {
            start: one_of("start", start, &STARTS)?,
            ended_by: one_of("ended_by", ended_by, &ENDS)?,
            cause: one_of("cause", cause, &CAUSES)?,
        })
    }

    fn given(&self) -> impl Iterator<Item = (&'static str, &str)> {
        let all = [
            ("start", &self.start),
            ("ended_by", &self.ended_by),
            ("cause", &self.cause),
        ];
        all.into_iter()
            .filter_map(|(name, word)| Some((name, word.as_deref()?)))
    }

    /// The first that is given.
    pub fn first(&self) -> Option<&'static str> {
        self.given().next().map(|(name, _)| name)
    }

    /// The words that are asked for, each with its column in the table; `None`: none in it.
    pub fn columns(&self) -> Vec<(&'static str, Option<String>)> {
        let word = |word: &str| (word != "none").then(|| word.to_owned());
        self.given().map(|(name, of)| (name, word(of))).collect()
    }

    /// Whether a cycle is among them.
    pub fn takes(&self, row: &CycleRow) -> bool {
        self.given().all(|(name, word)| {
            let is = match name {
                "start" => Some(row.start.as_str()),
                "ended_by" => row.ended_by.map(EndedBy::as_str),
                _ => row.cause.map(Cause::as_str),
            };
            is.unwrap_or("none") == word
        })
    }
}

/// An instant of record time in UTC, as `format` has it; `None` of one that no calendar has.
pub fn stamp(us: RecordTime, format: &str) -> Option<String> {
    let at = DateTime::from_timestamp_micros(us)?;
    Some(at.format(format).to_string())
}

/// What a query gives, unchecked: a short one, of known parameters, each once.
pub fn read<T: DeserializeOwned>(uri: &Uri) -> Result<T, Problem> {
    if uri.query().unwrap_or_default().len() > QUERY_BYTES_MAX {
        let detail = format!("the query is longer than {QUERY_BYTES_MAX} bytes");
        return Err(Problem::bad_query(detail));
    }
    let Query(raw) = Query::try_from_uri(uri).map_err(|rejection| {
        let why = named(&rejection.body_text(), "parameter");
        Problem::bad_query(format!("the query: {why}"))
    })?;
    Ok(raw)
}

/// An instant that was given, or not.
pub fn instant(name: &str, given: Option<String>) -> Result<Option<RecordTime>, Problem> {
    let parse = |text: String| {
        text.parse::<RecordTime>().map_err(|_| {
            Problem::bad_query(format!(
                "{name}: microseconds since 1970 as a whole number are needed"
            ))
        })
    };
    given.map(parse).transpose()
}

/// A count from 1 to `most` that was given, or the default.
pub fn count(
    name: &str,
    given: Option<String>,
    default: usize,
    most: usize,
) -> Result<usize, Problem> {
    let Some(text) = given else {
        return Ok(default);
    };
    text.parse()
        .ok()
        .filter(|count| (1..=most).contains(count))
        .ok_or_else(|| {
            Problem::bad_query(format!("{name}: a whole number from 1 to {most} is needed"))
        })
}

/// One of some words that was given, or not.
pub fn one_of(
    name: &str,
    given: Option<String>,
    known: &[&str],
) -> Result<Option<String>, Problem> {
    match given {
        Some(given) if !known.contains(&given.as_str()) => Err(Problem::bad_query(format!(
            "{name}: one of {} is needed",
            known.join(", ")
        ))),
        given => Ok(given),
    }
}
