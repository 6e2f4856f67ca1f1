//! The document on paper: a PDF with its typefaces inside, no date, and an identity that follows from what it shows.

mod file;
mod layout;
mod sheet;
mod table;

use crate::document::Document;
use crate::typeface::Typefaces;
use crate::{Paper, ReportError};

/// The bytes of a PDF.
///
/// # Errors
/// A typeface of the program cannot be opened or embedded.
pub fn write(document: &Document, paper: Paper) -> Result<Vec<u8>, ReportError> {
    let faces = Typefaces::open().map_err(ReportError::Typeface)?;
    let laid = layout::lay_out(document, paper, &faces);
    file::write(document, paper, &faces, laid).map_err(ReportError::Typeface)
}
