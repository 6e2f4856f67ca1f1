//! A table of a record as CSV (RFC 4180): a header, commas, CRLF, quotes only where a comma, a quote or a line's end is in the
//! text. Nulls are empty. Times are RFC 3339 in UTC with six decimals. The board or unit, which in the record is a directory's
//! name, is the first column. Boards with other channels unite by name: what one does not have is empty.

use std::io::Write;
use std::path::Path;

use crate::disk::{self, Disk, RealDisk};
use crate::error::{ArchiveError, At, Result};
use crate::frame::{Column, Frame, Kind, Values};
use crate::manifest::instant;
use crate::parquet_file::decode;
use crate::segments::RAW;
use crate::tables::files_below;

/// Which table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TableName {
    /// One row a sample line of a board.
    Samples,
    /// One row an event of a unit, or of a board.
    Events,
    /// One row an on-period of a unit with the off-period after it.
    Cycles,
}

impl TableName {
    /// Its directory, and what the directories in it are named by.
    const fn directory(self) -> (&'static str, &'static str) {
        match self {
            Self::Samples => ("samples", "board"),
            Self::Events => ("events", "unit"),
            Self::Cycles => ("cycles", "unit"),
        }
    }
}

/// Writes a table as CSV, all of it or of one unit or board (`only`: its name, or the board's id); how many rows it has. Rows come
/// unit by unit, in the order in which the record has them.
///
/// # Errors
/// There is no record, nothing is called `only`, a file cannot be read, or `to` does not take what is written.
pub fn write_csv(dir: &Path, table: TableName, only: Option<&str>, to: impl Write) -> Result<u64> {
    let disk = RealDisk;
    if !disk.is_dir(&dir.join(RAW)) {
        return Err(ArchiveError::NoRecord {
            path: dir.to_path_buf(),
            missing: "raw/",
        });
    }
    let (directory, by) = table.directory();
    let named = |path: &str| named_in(path, by).map(str::to_owned);
    let mut files = files_below(&disk, dir, &[directory])?;
    files.retain(|path| path.ends_with(".parquet"));
    if let Some(only) = only {
        files.retain(|path| named(path).is_some_and(|name| name == only));
        if files.is_empty() {
            return Err(ArchiveError::BadName {
                path: dir.join(directory).join(format!("{by}={only}")),
                why: "there is no such board or unit in this table",
            });
        }
    }
    let header = header(dir, by, &files)?;
    let mut writer = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(to);
    let written = |done: csv::Result<()>| {
        done.map_err(std::io::Error::from)
            .at(dir, "write a table of")
    };
    written(writer.write_record(&header))?;
    let mut rows = 0;
    for path in &files {
        let frame = read(dir, path)?;
        let name = named(path).unwrap_or_default();
        let columns = header.iter().skip(1).map(|column| frame.column(column));
        let mut columns: Vec<Option<Cells<'_>>> = columns
            .map(|column| column.map(|column| Cells::new(column, frame.rows)))
            .collect();
        for _ in 0..frame.rows {
            let cells = columns
                .iter_mut()
                .map(|column| column.as_mut().map_or_else(String::new, Cells::next));
            written(writer.write_record(std::iter::once(name.clone()).chain(cells)))?;
        }
        rows += frame.rows as u64;
    }
    writer.flush().at(dir, "write a table of")?;
    Ok(rows)
}

/// `freezer` of `cycles/unit=freezer/000001.parquet`, `7f3a91c2` of `samples/board=b-7f3a91c2/...`.
fn named_in<'a>(path: &'a str, by: &str) -> Option<&'a str> {
    let part = path.split('/').nth(1)?;
    let name = part.strip_prefix(by)?.strip_prefix('=')?;
    Some(
        name.strip_prefix("b-")
            .filter(|_| by == "board")
            .unwrap_or(name),
    )
}

fn read(dir: &Path, path: &str) -> Result<Frame> {
    let whole = dir.join(path);
    decode(&whole, disk::read(&RealDisk, &whole)?)
}

/// The columns of all files, in the order in which they are first met.
fn header(dir: &Path, by: &str, files: &[String]) -> Result<Vec<String>> {
    let mut header = vec![by.to_owned()];
    let mut known = None;
    for path in files {
        // All files of a directory have the same columns.
        let directory = path.rsplit_once('/').map(|(directory, _)| directory);
        if directory != known {
            for column in read(dir, path)?.columns {
                if !header.contains(&column.name) {
                    header.push(column.name);
                }
            }
        }
        known = directory;
    }
    Ok(header)
}

/// The rows of a column, one after the other.
struct Cells<'a> {
    column: &'a Column,
    /// Whether each row has a value; `None` if all have.
    levels: Option<Vec<i16>>,
    row: usize,
    value: usize,
}

impl<'a> Cells<'a> {
    fn new(column: &'a Column, rows: usize) -> Self {
        let levels = column.levels.as_ref();
        Self {
            column,
            levels: levels.map(|levels| levels.slice(0, rows)),
            row: 0,
            value: 0,
        }
    }

    fn next(&mut self) -> String {
        let row = self.row;
        self.row += 1;
        let levels = self.levels.as_ref();
        if levels.is_some_and(|levels| levels.get(row) != Some(&1)) {
            return String::new();
        }
        self.value += 1;
        text(self.column, self.value - 1).unwrap_or_default()
    }
}

fn text(column: &Column, at: usize) -> Option<String> {
    Some(match &column.values {
        Values::I32(values) => {
            let value = *values.get(at)?;
            match column.kind {
                Kind::U16 | Kind::U32 => value.cast_unsigned().to_string(),
                _ => value.to_string(),
            }
        }
        Values::I64(values) => {
            let value = *values.get(at)?;
            match column.kind {
                Kind::Time => instant(value)?,
                _ => value.cast_unsigned().to_string(),
            }
        }
        Values::F64(values) => values.get(at)?.to_string(),
        Values::Bool(values) => values.get(at)?.to_string(),
        Values::Text(values) => String::from_utf8_lossy(values.get(at)?.data()).into_owned(),
    })
}
