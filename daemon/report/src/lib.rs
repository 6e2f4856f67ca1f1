//! The evidence as documents: what a record shows, as one PDF and one HTML file that need nothing else.
//!
//! [`gather()`] reads and checks a record, [`compose()`] puts it in words, tables and charts without touching anything outside, and
//! [`pdf`] and [`html`] draw that. The same record gives the same bytes: nothing here asks for the time or for chance.

pub mod compose;
pub mod document;
pub mod drawing;
pub mod gather;
pub mod html;
mod instants;
pub mod material;
pub mod pdf;
mod rates;
mod samples;
mod scale;
pub mod scribe;
pub mod series;
mod typeface;
pub mod views;
pub mod words;

use std::path::Path;

use nightclamp_analysis::job::TemperatureScale;
use nightclamp_archive::VerifyReport;

pub use compose::compose;
pub use gather::{GatherError, Period, gather};

/// A size of paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// 210 by 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 by 11 in.
    Letter,
}

impl Paper {
    /// Width and height, points.
    pub const fn size(self) -> (f32, f32) {
        match self {
            Self::A4 => (595.276, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }
}

/// How a report is wanted.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// The part of the record it is on.
    pub period: Period,
    /// On which paper.
    pub paper: Paper,
    /// How temperatures are shown; as the job file says if not given.
    pub scale: Option<TemperatureScale>,
    /// The version of the software that makes it.
    pub software: String,
}

/// A report as files.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Files {
    /// The PDF.
    pub pdf: Vec<u8>,
    /// The HTML.
    pub html: String,
    /// What of the record did not hold when it was checked for the report; empty if all did.
    pub fails: Vec<String>,
    /// That check, for whoever hands the record on with the report.
    pub checked: VerifyReport,
}

/// Reads a record and makes its report.
///
/// # Errors
/// As [`gather()`]; or a typeface that cannot be embedded.
pub fn write(record: &Path, options: &Options) -> Result<Files, ReportError> {
    let material = gather(record, options.period, &options.software)?;
    let document = compose(&material, options.scale);
    Ok(Files {
        pdf: pdf::write(&document, options.paper)?,
        html: html::write(&document),
        fails: [&material.check.fails[..], &material.check.left_out[..]].concat(),
        checked: material.check.verified(),
    })
}

/// Why there is no report.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The record cannot be reported on.
    #[error(transparent)]
    Gather(#[from] GatherError),
    /// A typeface of the program cannot be embedded.
    #[error("the report's typeface cannot be embedded: {0}")]
    Typeface(String),
}
