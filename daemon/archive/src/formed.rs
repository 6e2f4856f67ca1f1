//! Rows as a file of either form while they come: CSV as [`write_csv`](crate::write_csv) writes it, or Parquet with the same
//! columns, so also the one that in the record is a directory's name, and a row group for each part.

use std::io::Write;
use std::path::Path;

use nightclamp_analysis::excerpt::{Cells, Form, Made};

use crate::columns::{opt_f64, opt_text};
use crate::csv_text::CsvRows;
use crate::error::{At, Result};
use crate::frame::{Column, Frame, Kind};
use crate::parquet_file::Groups;

/// A file that is being written.
pub(crate) struct Formed<'a, W: Write + Send> {
    out: Out<'a, W>,
    /// The name of the first column.
    by: &'static str,
    rows: u64,
    /// For errors only.
    root: &'a Path,
}

enum Out<'a, W: Write + Send> {
    Csv(Box<CsvRows<'a, W>>),
    Parquet(Box<Groups<W>>),
}

impl<'a, W: Write + Send> Formed<'a, W> {
    /// One whose first column, `by`, says whose a row is; the others are those of `columns`.
    pub fn begin(
        form: Form,
        to: W,
        by: &'static str,
        columns: &Frame,
        root: &'a Path,
    ) -> Result<Self> {
        let out = match form {
            Form::Csv => {
                let names = columns.columns.iter().map(|column| column.name.clone());
                let header = std::iter::once(by.to_owned()).chain(names).collect();
                Out::Csv(Box::new(CsvRows::begin(to, header, root)?))
            }
            Form::Parquet => {
                let mut whole = columns.clone();
                whole.columns.insert(0, Column::required(by, Kind::Text));
                Out::Parquet(Box::new(Groups::begin(to, &whole).at(root, "write")?))
            }
        };
        Ok(Self {
            out,
            by,
            rows: 0,
            root,
        })
    }

    /// Writes rows of somebody.
    pub fn write(&mut self, of: &str, mut frame: Frame) -> Result<()> {
        if frame.rows == 0 {
            return Ok(());
        }
        self.rows += frame.rows as u64;
        match &mut self.out {
            Out::Csv(csv) => csv.write(of, &frame),
            Out::Parquet(groups) => {
                let whose = Column::same(self.by, of, frame.rows);
                frame.columns.insert(0, whose);
                groups.write(&frame).at(self.root, "write")
            }
        }
    }

    /// Hands on what is still here; how many rows it were.
    pub fn end(self) -> Result<u64> {
        match self.out {
            Out::Csv(csv) => csv.end()?,
            Out::Parquet(groups) => groups.end().at(self.root, "write")?,
        }
        Ok(self.rows)
    }
}

/// A table that was made for a page: whose, and as columns, any of whose values may be null.
pub(crate) fn framed(made: Made) -> (String, Frame) {
    let columns = made.columns.into_iter().map(|(name, cells)| match cells {
        Cells::Instants(cells) => column(&name, Kind::Time, cells, Column::i64),
        Cells::Figures(cells) => {
            let mut column = Column::optional(&name, Kind::F64, 0);
            cells.iter().for_each(|cell| opt_f64(&mut column, *cell));
            column
        }
        Cells::Counts(cells) => {
            let cells = cells.into_iter().map(|cell| cell.map(u64::cast_signed));
            column(&name, Kind::U64, cells, Column::i64)
        }
        Cells::Words(cells) => {
            let mut column = Column::optional(&name, Kind::Text, 0);
            cells
                .iter()
                .for_each(|cell| opt_text(&mut column, cell.as_deref()));
            column
        }
        Cells::Truths(cells) => column(&name, Kind::Bool, cells, Column::bool),
    });
    let frame = Frame {
        rows: made.rows,
        columns: columns.collect(),
    };
    (made.unit, frame)
}

fn column<T>(
    name: &str,
    kind: Kind,
    cells: impl IntoIterator<Item = Option<T>>,
    put: fn(&mut Column, T),
) -> Column {
    let mut column = Column::optional(name, kind, 0);
    for cell in cells {
        match cell {
            Some(cell) => put(&mut column, cell),
            None => column.null(),
        }
    }
    column
}
