//! A table of a record as CSV (RFC 4180): a header, commas, CRLF, quotes only where a comma, a quote or a line's end is in the
//! text. Nulls are empty. Times are RFC 3339 in UTC with six decimals. The board or unit, which in the record is a directory's
//! name, is the first column. Boards with other channels unite by name: what one does not have is empty.

use std::fmt::Write as _;
use std::io::Write;
use std::path::Path;

use nightclamp_analysis::excerpt::TableName;

use crate::disk::{self, Disk, RealDisk};
use crate::error::{ArchiveError, At, Result};
use crate::frame::{Column, Frame, Kind, Values};
use crate::manifest::instant;
use crate::parquet_file::decode;
use crate::segments::RAW;
use crate::tables::files_below;

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
    let (directory, by) = (table.as_str(), table.by());
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
    let mut csv = CsvRows::begin(to, header(dir, by, &files)?, dir)?;
    let mut rows = 0;
    for path in &files {
        let frame = read(dir, path)?;
        csv.write(&named(path).unwrap_or_default(), &frame)?;
        rows += frame.rows as u64;
    }
    csv.end()?;
    Ok(rows)
}

/// Rows that are being written as CSV.
pub(crate) struct CsvRows<'a, W: Write> {
    csv: csv::Writer<W>,
    header: Vec<String>,
    /// For errors only.
    dir: &'a Path,
}

impl<'a, W: Write> CsvRows<'a, W> {
    /// Writes the header, whose first column says whose a row is.
    pub fn begin(to: W, header: Vec<String>, dir: &'a Path) -> Result<Self> {
        let mut csv = csv::WriterBuilder::new()
            .terminator(csv::Terminator::CRLF)
            .from_writer(to);
        written(csv.write_record(&header), dir)?;
        Ok(Self { csv, header, dir })
    }

    /// Writes rows `of` somebody; a column that they do not have is empty.
    pub fn write(&mut self, of: &str, frame: &Frame) -> Result<()> {
        let columns = self
            .header
            .iter()
            .skip(1)
            .map(|column| frame.column(column));
        let mut columns: Vec<Option<Cells<'_>>> = columns
            .map(|column| column.map(|column| Cells::new(column, frame.rows)))
            .collect();
        let mut text = String::new();
        for _ in 0..frame.rows {
            written(self.csv.write_field(of), self.dir)?;
            for cells in &mut columns {
                text.clear();
                if let Some(cells) = cells {
                    cells.next(&mut text);
                }
                written(self.csv.write_field(&text), self.dir)?;
            }
            written(self.csv.write_record(None::<&[u8]>), self.dir)?;
        }
        Ok(())
    }

    /// Hands on what is still here.
    pub fn end(mut self) -> Result<()> {
        self.csv.flush().at(self.dir, "write a table of")
    }
}

fn written(done: csv::Result<()>, dir: &Path) -> Result<()> {
    done.map_err(std::io::Error::from)
        .at(dir, "write a table of")
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

    fn next(&mut self, to: &mut String) {
        let row = self.row;
        self.row += 1;
        let levels = self.levels.as_ref();
        if levels.is_some_and(|levels| levels.get(row) != Some(&1)) {
            return;
        }
        self.value += 1;
        put_text(self.column, self.value - 1, to);
    }
}

/// Puts a value's text; nothing where there is no value.
fn put_text(column: &Column, at: usize, to: &mut String) {
    let done = match &column.values {
        Values::I32(values) => values.get(at).map(|value| match column.kind {
            Kind::U16 | Kind::U32 => write!(to, "{}", value.cast_unsigned()),
            _ => write!(to, "{value}"),
        }),
        Values::I64(values) => values.get(at).map(|value| match column.kind {
            Kind::Time => write!(to, "{}", instant(*value).unwrap_or_default()),
            _ => write!(to, "{}", value.cast_unsigned()),
        }),
        Values::F64(values) => values.get(at).map(|value| write!(to, "{value}")),
        Values::Bool(values) => values.get(at).map(|value| write!(to, "{value}")),
        Values::Text(values) => values
            .get(at)
            .map(|value| write!(to, "{}", String::from_utf8_lossy(value.data()))),
    };
    // A string takes everything.
    done.unwrap_or(Ok(())).unwrap_or_default();
}
