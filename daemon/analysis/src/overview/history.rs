//! What lies on disk, as far as a chart or a download wants it: a page looks further back, and closer, than memory does. The
//! heart reads nothing; this is what its shell offers.

use std::io;
use std::ops::Range;

use nightclamp_protocol::BoardId;

use super::row::{Line, OverviewRow};
use crate::excerpt::{Excerpt, ExcerptError, Form, Made};
use crate::rows::RecordTime;

/// Reads a stretch of the record's tables back. Called from a thread that may wait for a disk, by few at a time.
///
/// What is not written yet may be missing at the end: the live view has it.
pub trait History: Send + Sync {
    /// The rows of a unit's overview that begin within `times`, in order; of the ranges those of `lines`, the others empty.
    ///
    /// # Errors
    /// Says in words which file cannot be read, and why.
    fn overview(
        &self,
        unit: &str,
        lines: &[Line],
        times: Range<RecordTime>,
        each: &mut dyn FnMut(&OverviewRow),
    ) -> Result<(), String>;

    /// The samples of a board within `times`, in order: the instant, and a value for each of `places`, NaN where there is
    /// none. Values are as the board's channels have them.
    ///
    /// # Errors
    /// As [`Self::overview`].
    fn samples(
        &self,
        board: BoardId,
        places: &[&str],
        times: Range<RecordTime>,
        each: &mut dyn FnMut(RecordTime, &[f64]),
    ) -> Result<(), String>;

    /// Writes the rows that are wanted as a file; how many there are. They are those of the tables as they stood at one
    /// instant, each once. It takes as long as `to` takes its bytes, and holds nothing meanwhile that anybody waits for.
    ///
    /// # Errors
    /// What was written is no whole file then; of [`ExcerptError::TooLong`] nothing was.
    fn excerpt(
        &self,
        wanted: &Excerpt,
        to: &mut (dyn io::Write + Send),
    ) -> Result<u64, ExcerptError>;

    /// Writes a table that was made elsewhere as a file, part by part; how many rows it has. All parts have the same columns,
    /// and there is one at least.
    ///
    /// # Errors
    /// That of the part which is none; and as [`Self::excerpt`].
    fn write(
        &self,
        parts: &mut dyn Iterator<Item = Result<Made, ExcerptError>>,
        form: Form,
        to: &mut (dyn io::Write + Send),
    ) -> Result<u64, ExcerptError>;
}
