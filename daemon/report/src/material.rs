//! What a report is made from: rows of the record with what is known of how they came about.

use nightclamp_analysis::bench::Results;
use nightclamp_analysis::evidence::{Evidence, Span};
use nightclamp_analysis::job::{self, Job};
use nightclamp_analysis::protector::Own;
use nightclamp_analysis::rows::{CycleRow, EventRow};
use nightclamp_archive::{Listed, VerifyReport};

use crate::series::Series;
use crate::views::View;

/// Everything that a report says, before it is put in words.
#[derive(Debug, Clone)]
pub struct Material {
    /// The version of the software that makes the report.
    pub software: String,
    /// The newest job file.
    pub job: Job,
    /// The job files that were in force, each with the SHA-256 of its bytes.
    pub job_files: Vec<(String, String)>,
    /// The units of the job.
    pub units: Vec<UnitMaterial>,
    /// What came of it, if it is a bench test.
    pub bench: Option<Results>,
    /// The boards that spoke.
    pub boards: Vec<BoardMaterial>,
    /// What holds of the record and what does not.
    pub check: Check,
    /// Its files.
    pub manifest: Manifest,
    /// The period that was asked for, record time; none for the whole record.
    pub asked: Option<Span>,
}

/// The rows of one unit within the period.
#[derive(Debug, Clone)]
pub struct UnitMaterial {
    /// Its section of the job file.
    pub unit: job::Unit,
    /// From its first sample within the period to its last; nothing if there is none.
    pub span: Option<Span>,
    /// Added to record time where instants are named, µs.
    pub shown_offset_us: i64,
    /// Its cycles that began within the period.
    pub cycles: Vec<CycleRow>,
    /// Its events within the period.
    pub events: Vec<EventRow>,
    /// The events of its board within the period.
    pub board_events: Vec<EventRow>,
    /// Samples, as the charts draw them.
    pub charts: Vec<(View, Series)>,
    /// How many samples there are within the period.
    pub samples: u64,
    /// The protector's constants by its own trips within the period, where they can be told.
    pub own: Option<Own>,
}

impl UnitMaterial {
    /// The rows as the heart takes them.
    pub fn evidence(&self, zone: chrono_tz::Tz) -> Evidence<'_> {
        Evidence {
            unit: &self.unit,
            zone,
            shown_offset_us: self.shown_offset_us,
            span: self.span.unwrap_or(Span { from: 0, until: 0 }),
            cycles: &self.cycles,
            events: &self.events,
            board_events: &self.board_events,
        }
    }
}

/// A board and what it measures with.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct BoardMaterial {
    /// Its id.
    pub id: String,
    /// Its firmware's name for itself.
    pub firmware: String,
    /// Nominal sample period, ms.
    pub period_ms: u32,
    /// Its channels.
    pub channels: Vec<Channel>,
    /// How fast its clock ran, if it ran long enough to tell.
    pub rate: Option<ClockRate>,
}

/// How fast a board's clock ran against the host's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockRate {
    /// So much faster, millionths; slower if negative.
    pub fast_ppm: f64,
    /// Over this stretch, s.
    pub over_s: f64,
}

/// A channel as the board declared it.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// Where it measures.
    pub place: String,
    /// What it measures.
    pub quantity: &'static str,
    /// In which unit, UCUM.
    pub unit: &'static str,
    /// The last digit it sends: a power of ten of that unit.
    pub exp: i8,
    /// With what.
    pub sensor: String,
}

/// What holds of a record.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Check {
    /// What holds.
    pub holds: Vec<String>,
    /// What does not.
    pub fails: Vec<String>,
    /// What was not looked at.
    pub notes: Vec<String>,
    /// Table files that the report leaves out.
    pub left_out: Vec<String>,
    /// Raw logs that were removed on purpose, as the manifest announced.
    pub removed: usize,
    /// It was being recorded into.
    pub is_live: bool,
}

impl Check {
    /// What `verify` would say, without saying it again.
    pub fn verified(&self) -> VerifyReport {
        VerifyReport {
            holds: self.holds.clone(),
            fails: self.fails.clone(),
            notes: self.notes.clone(),
            live: self.is_live,
        }
    }

    /// Whether everything agrees.
    pub fn is_whole(&self) -> bool {
        self.fails.is_empty() && self.left_out.is_empty()
    }
}

/// The record's files.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Manifest {
    /// The chain of its last line.
    pub chain: String,
    /// How many lines it has.
    pub lines: usize,
    /// The files in force.
    pub files: Vec<Listed>,
    /// Whether the record has ended and all of it is sealed.
    pub has_ended: bool,
}
