//! The rows of a stretch, or a table made of them, as one file, CSV or Parquet, while the record goes on.
//!
//! What is sealed and what is open is looked at once ([`Sealing`](crate::sealing::Sealing)); then the files are read one after
//! the other, for a sealed one keeps its rows.

use std::io::{self, Write};
use std::ops::Range;
use std::path::Path;

use nightclamp_analysis::excerpt::{Excerpt, ExcerptError, Form, Made, TableName};

use crate::columns::{cycle_columns, event_columns, overview_columns};
use crate::disk;
use crate::error::{ArchiveError, At, Result};
use crate::formed::{Formed, framed};
use crate::frame::{Column, Frame};
use crate::parquet_file::{columns_of, decode, rows_of};
use crate::readback::{Readback, Sealed};
use crate::samples::SampleRows;
use crate::tables::{DAY_US, day_of_samples, unit_directory};
use crate::worker::OPEN;

/// Everything that belongs to an excerpt, as it stood at one instant.
#[derive(Default)]
struct Found {
    files: Vec<File>,
    /// Rows of these files: those of the excerpt, and some around them.
    rows: u64,
    /// Where the columns can be read that a table has by now, of each that is asked for.
    newest: Vec<Source>,
}

/// A file of a table, and whose rows it holds.
struct File {
    of: String,
    source: Source,
}

/// A sealed file, by its path from the record directory; or the bytes of an open one, which is replaced as time goes on.
#[derive(Clone)]
enum Source {
    Sealed(String),
    Open(String, Vec<u8>),
}

impl Readback {
    pub(crate) fn write_excerpt(
        &self,
        wanted: &Excerpt,
        to: &mut (dyn Write + Send),
    ) -> std::result::Result<u64, ExcerptError> {
        let unreadable = |error: ArchiveError| ExcerptError::Unreadable(error.to_string());
        let found = self
            .sealing
            .undisturbed(|| self.find(wanted))
            .ok_or(ExcerptError::Busy)?
            .map_err(unreadable)?;
        if found.rows > wanted.rows_max {
            return Err(ExcerptError::TooLong {
                rows: found.rows,
                rows_max: wanted.rows_max,
            });
        }
        let mut to = Taker { to, is_gone: false };
        let written = self.write(wanted, &found, &mut to);
        written.map_err(|error| to.why(error))
    }

    pub(crate) fn write_made(
        &self,
        parts: &mut dyn Iterator<Item = std::result::Result<Made, ExcerptError>>,
        form: Form,
        to: &mut (dyn Write + Send),
    ) -> std::result::Result<u64, ExcerptError> {
        let mut to = Taker { to, is_gone: false };
        let written = self.write_parts(parts, form, &mut to);
        written.map_err(|broken| match broken {
            Broken::Part(error) => error,
            Broken::File(error) => to.why(error),
        })
    }

    fn write_parts(
        &self,
        parts: &mut dyn Iterator<Item = std::result::Result<Made, ExcerptError>>,
        form: Form,
        to: &mut Taker<'_>,
    ) -> std::result::Result<u64, Broken> {
        let none = || ExcerptError::Unreadable("nothing was made".to_owned());
        let (unit, first) = framed(parts.next().ok_or_else(none)??);
        let mut formed = Formed::begin(form, to, "unit", &first, &self.root)?;
        formed.write(&unit, first)?;
        for part in parts {
            let (unit, frame) = framed(part?);
            formed.write(&unit, frame)?;
        }
        Ok(formed.end()?)
    }

    fn find(&self, wanted: &Excerpt) -> Result<Found> {
        let mut found = Found::default();
        let mut of = wanted.of.clone();
        of.sort();
        for of in of {
            let directories = self.directories(wanted.table, &of)?;
            let mut newest = None;
            for (directory, day) in directories {
                let open = format!("{directory}/{OPEN}");
                let whole = self.root.join(&open);
                let open = match self.disk.len(&whole) {
                    Ok(_) => Some(Source::Open(open, disk::read(&*self.disk, &whole)?)),
                    Err(_) => None,
                };
                let sealed = self.sealed(&directory);
                let last = sealed.last().map(|file| Source::Sealed(file.path.clone()));
                newest = open.clone().or(last).or(newest);
                if day.is_some_and(|day| !reaches(day * DAY_US, (day + 1) * DAY_US - 1, wanted)) {
                    continue;
                }
                for file in touching(&sealed, wanted) {
                    let source = Source::Sealed(file.path.clone());
                    found.add(&of, source, file.rows);
                }
                if let Some(source) = open {
                    let rows = source.open_rows();
                    found.add(&of, source, rows);
                }
            }
            found.newest.extend(newest);
        }
        Ok(found)
    }

    /// The directories of a table's rows, in order, each with the day it is for, if it is for one.
    fn directories(&self, table: TableName, of: &str) -> Result<Vec<(String, Option<i64>)>> {
        if table != TableName::Samples {
            return Ok(vec![(unit_directory(table.as_str(), of), None)]);
        }
        let board = format!("samples/board=b-{of}");
        let whole = self.root.join(&board);
        let days = self.disk.list(&whole).at(&whole, "list")?;
        let days = days.into_iter().filter(|found| found.is_dir);
        let dated = days.filter_map(|found| {
            let day = day_of_samples(&found.name)?;
            Some((format!("{board}/{}", found.name), Some(day)))
        });
        Ok(dated.collect())
    }

    fn write(&self, wanted: &Excerpt, found: &Found, to: &mut Taker<'_>) -> Result<u64> {
        let mut columns = first_columns(wanted.table);
        for source in &found.newest {
            columns.take_columns(&columns_of(source.path(), self.bytes(source)?)?);
        }
        let by = wanted.table.by();
        let mut formed = Formed::begin(wanted.form, &mut *to, by, &columns, &self.root)?;
        self.each(wanted, found, &columns, |of, frame| formed.write(of, frame))?;
        formed.end()
    }

    /// Hands on the rows of each file that are wanted, in these columns, with whose they are.
    fn each(
        &self,
        wanted: &Excerpt,
        found: &Found,
        columns: &Frame,
        mut each: impl FnMut(&str, Frame) -> Result<()>,
    ) -> Result<()> {
        for File { of, source } in &found.files {
            let mut frame = decode(source.path(), self.bytes(source)?)?;
            frame.keep(&kept(&frame, wanted));
            if frame.rows > 0 {
                frame
                    .fit_to(columns)
                    .map_err(|column| bad(source.path(), &column))?;
                each(of, frame)?;
            }
        }
        Ok(())
    }

    fn bytes(&self, source: &Source) -> Result<Vec<u8>> {
        match source {
            Source::Open(_, bytes) => Ok(bytes.clone()),
            Source::Sealed(path) => disk::read(&*self.disk, &self.root.join(path)),
        }
    }
}

/// Why a file of parts is none.
enum Broken {
    Part(ExcerptError),
    File(ArchiveError),
}

impl From<ExcerptError> for Broken {
    fn from(error: ExcerptError) -> Self {
        Self::Part(error)
    }
}

impl From<ArchiveError> for Broken {
    fn from(error: ArchiveError) -> Self {
        Self::File(error)
    }
}

impl Source {
    fn path(&self) -> &Path {
        match self {
            Self::Sealed(path) | Self::Open(path, _) => Path::new(path),
        }
    }

    /// Rows of an open file; the manifest has those of the others.
    fn open_rows(&self) -> u64 {
        match self {
            Self::Sealed(_) => 0,
            Self::Open(_, bytes) => rows_of(self.path(), bytes.clone()),
        }
    }
}

impl Found {
    fn add(&mut self, of: &str, source: Source, rows: u64) {
        self.rows += rows;
        let of = of.to_owned();
        self.files.push(File { of, source });
    }
}

/// Of the sealed files those with rows that are wanted. Cycles follow on each other, so of those that began before the stretch
/// only the last one can reach into it; it may be the last one of a file.
fn touching<'a>(sealed: &'a [Sealed], wanted: &Excerpt) -> impl Iterator<Item = &'a Sealed> {
    let Range { start, end } = wanted.times;
    let is_cycles = wanted.table == TableName::Cycles;
    let next = sealed.iter().skip(1).map(Some).chain([None]);
    let of_it = sealed.iter().zip(next).filter(move |(file, next)| {
        let reaches_in = is_cycles && next.is_none_or(|next| next.ends_since(start));
        file.begins_before(end) && (file.ends_since(start) || reaches_in)
    });
    of_it.map(|(file, _)| file)
}

/// Whether something from `first` to `last` has a part in the stretch.
const fn reaches(first: i64, last: i64, wanted: &Excerpt) -> bool {
    first < wanted.times.end && last >= wanted.times.start
}

/// Which rows of a file are wanted.
fn kept(frame: &Frame, wanted: &Excerpt) -> Vec<bool> {
    let instants = |name| frame.column(name).map(Column::instants).unwrap_or_default();
    let is_cycles = wanted.table == TableName::Cycles;
    let first = instants(if is_cycles { "on_at" } else { "time" });
    let (off, next) = (instants("off_at"), instants("next_on_at"));
    let in_it = |(row, first): (usize, Option<i64>)| {
        let Some(first) = first else { return false };
        let at = |column: &[Option<i64>]| column.get(row).copied().flatten();
        let last = at(&next).or(at(&off)).unwrap_or(first);
        reaches(first, last, wanted)
    };
    let mut kept: Vec<bool> = first.into_iter().enumerate().map(in_it).collect();
    for (name, word) in &wanted.only {
        let words = frame.column(name).map(Column::words).unwrap_or_default();
        for (kept, found) in kept.iter_mut().zip(words) {
            *kept &= found == word.as_deref();
        }
    }
    kept
}

/// The columns that a table has anyhow.
fn first_columns(table: TableName) -> Frame {
    match table {
        TableName::Samples => SampleRows::default().columns(),
        TableName::Events => Frame::new(event_columns()),
        TableName::Cycles => Frame::new(cycle_columns()),
        TableName::Overview => Frame::new(overview_columns()),
    }
}

fn bad(path: &Path, column: &str) -> ArchiveError {
    ArchiveError::BadTable {
        path: path.to_path_buf(),
        why: format!("column {column} is not as the table has it"),
    }
}

/// Where the bytes go; remembers that they are not taken any more, which the libraries between may word in their own way.
struct Taker<'a> {
    to: &'a mut (dyn Write + Send),
    is_gone: bool,
}

impl Taker<'_> {
    fn why(&self, error: ArchiveError) -> ExcerptError {
        match self.is_gone {
            true => ExcerptError::NotTaken,
            false => ExcerptError::Unreadable(error.to_string()),
        }
    }
}

impl Write for Taker<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.to.write(bytes);
        self.is_gone |= written.is_err();
        written
    }

    fn flush(&mut self) -> io::Result<()> {
        let flushed = self.to.flush();
        self.is_gone |= flushed.is_err();
        flushed
    }
}
