//! Rows of `samples` on their way from the projection into a file.
//!
//! Ten samples a second for months come this way, so a row costs one push a column and nothing else: every column has a
//! place for every row, and what is missing, which it hardly ever is, is noted aside. Once a file is full, a [`Frame`] is
//! made of it; where nothing is missing its columns are moved there as they are.

use nightclamp_analysis::rows::{SampleRow, fault_letter};
use nightclamp_protocol::{Fault, Reading, Table};
use parquet::data_type::ByteArray;

use crate::frame::{Column, Frame, Kind, Levels, Values};
use crate::parquet_file::text;

/// Rows of one board's samples that are not cut yet.
#[derive(Debug, Clone, Default)]
pub(crate) struct SampleRows {
    time: Vec<i64>,
    arrival: Vec<i64>,
    boot: Vec<i32>,
    seq: Vec<i32>,
    board_ms: Vec<i64>,
    /// Every place the board has named, in the order in which it did.
    places: Vec<Place>,
    /// For each channel of the table in force, which of the places it is.
    channels: Vec<usize>,
}

/// The columns of one place: all rows there are.
#[derive(Debug, Clone)]
struct Place {
    name: String,
    /// NaN where there is no value.
    values: Vec<f64>,
    /// What the board sent; 0 where it sent no number.
    sent: Vec<i32>,
    /// Some row has no value.
    has_nan: bool,
    /// The rows without a number, in order, and the fault; none where the board had no such channel.
    without: Vec<(usize, Option<Fault>)>,
}

impl SampleRows {
    /// None, with the columns of places that have been named before.
    pub fn of_places(names: &[String]) -> Self {
        let places = names.iter().map(|name| Place::absent_in(name.clone(), 0));
        Self {
            places: places.collect(),
            ..Self::default()
        }
    }

    /// The instant of the first row, µs.
    pub fn first_us(&self) -> Option<i64> {
        self.time.first().copied()
    }

    pub fn len(&self) -> usize {
        self.time.len()
    }

    /// A channel table is in force from the next row on; whether it names a place that is new.
    pub fn take_table(&mut self, table: &Table) -> bool {
        let before = self.places.len();
        self.channels.clear();
        for channel in table.channels() {
            let name = channel.place().replace('-', "_");
            let known = self.places.iter().position(|place| place.name == name);
            self.channels.push(known.unwrap_or(self.places.len()));
            if known.is_none() {
                self.places.push(Place::absent_in(name, self.len()));
            }
        }
        self.places.len() > before
    }

    pub fn push(&mut self, row: &SampleRow<'_>) {
        let at = self.len();
        self.time.push(row.time);
        self.arrival.push(row.arrival);
        self.boot.push(row.boot.cast_signed());
        self.seq.push(i32::from(row.seq));
        self.board_ms.push(row.board_ms.cast_signed());
        for ((&channel, &reading), &value) in self.channels.iter().zip(row.readings).zip(row.values)
        {
            if let Some(place) = self.places.get_mut(channel) {
                place.push(at, reading, value);
            }
        }
        if self.places.len() != self.channels.len().min(row.readings.len()) {
            // Places of an earlier table that this one does not have.
            let left_out = self
                .places
                .iter_mut()
                .filter(|place| place.sent.len() == at);
            left_out.for_each(|place| place.push_missing(at, None));
        }
    }

    /// The columns, without a row.
    pub fn columns(&self) -> Frame {
        let mut empty = Self {
            places: self.places.iter().map(Place::emptied).collect(),
            ..Self::default()
        };
        empty.take()
    }

    /// Takes all rows out; the places stay.
    pub fn take(&mut self) -> Frame {
        let rows = self.len();
        let mut columns = vec![
            Column::whole(
                "time",
                Kind::Time,
                Values::I64(std::mem::take(&mut self.time)),
            ),
            Column::whole(
                "arrival",
                Kind::Time,
                Values::I64(std::mem::take(&mut self.arrival)),
            ),
            Column::whole(
                "boot",
                Kind::U32,
                Values::I32(std::mem::take(&mut self.boot)),
            ),
            Column::whole("seq", Kind::U16, Values::I32(std::mem::take(&mut self.seq))),
            Column::whole(
                "board_ms",
                Kind::U64,
                Values::I64(std::mem::take(&mut self.board_ms)),
            ),
        ];
        for place in &mut self.places {
            let emptied = place.emptied();
            columns.extend(std::mem::replace(place, emptied).into_columns());
        }
        Frame { rows, columns }
    }

    /// Makes room for the rows to come out of a frame that is no longer needed: memory that is used again need not be
    /// asked for, and cleared, anew.
    pub fn reuse(&mut self, spare: Frame) {
        let (mut longs, mut ints, mut doubles) = (Vec::new(), Vec::new(), Vec::new());
        for column in spare.columns {
            match column.values {
                Values::I64(values) => longs.push(values),
                Values::I32(values) => ints.push(values),
                Values::F64(values) => doubles.push(values),
                Values::Bool(_) | Values::Text(_) => {}
            }
        }
        for column in [&mut self.time, &mut self.arrival, &mut self.board_ms] {
            take_room(column, &mut longs);
        }
        for column in [&mut self.boot, &mut self.seq] {
            take_room(column, &mut ints);
        }
        for place in &mut self.places {
            take_room(&mut place.sent, &mut ints);
            take_room(&mut place.values, &mut doubles);
        }
    }
}

fn take_room<T>(column: &mut Vec<T>, spares: &mut Vec<Vec<T>>) {
    if let Some(mut spare) = spares.pop().filter(|_| column.is_empty()) {
        spare.clear();
        *column = spare;
    }
}

impl Place {
    /// A place that the first `rows` rows did not have.
    fn absent_in(name: String, rows: usize) -> Self {
        Self {
            name,
            values: vec![f64::NAN; rows],
            sent: vec![0; rows],
            has_nan: rows > 0,
            without: (0..rows).map(|row| (row, None)).collect(),
        }
    }

    fn emptied(&self) -> Self {
        Self::absent_in(self.name.clone(), 0)
    }

    #[inline]
    fn push(&mut self, at: usize, reading: Reading, value: f64) {
        match reading {
            Reading::Number(sent) => {
                self.has_nan |= value.is_nan();
                self.values.push(value);
                self.sent.push(sent);
            }
            Reading::Fault(fault) => self.push_missing(at, Some(fault)),
        }
    }

    #[cold]
    fn push_missing(&mut self, at: usize, fault: Option<Fault>) {
        self.has_nan = true;
        self.values.push(f64::NAN);
        self.sent.push(0);
        self.without.push((at, fault));
    }

    /// `PLACE`, `PLACE_raw` and `PLACE_fault`.
    fn into_columns(self) -> [Column; 3] {
        let raw = format!("{}_raw", self.name);
        let fault = format!("{}_fault", self.name);
        let rows = self.sent.len();
        let (mut values, mut value_levels) = (self.values, Levels::ones(rows));
        if self.has_nan {
            value_levels = Levels::of(values.iter().map(|value| !value.is_nan()));
            values.retain(|value| !value.is_nan());
        }
        let (sent, sent_levels) = without_rows(self.sent, &self.without);
        let (faults, fault_levels) = faults(&self.without, rows);
        [
            Column::partly(&self.name, Kind::F64, value_levels, Values::F64(values)),
            Column::partly(&raw, Kind::I32, sent_levels, Values::I32(sent)),
            Column::partly(&fault, Kind::Text, fault_levels, Values::Text(faults)),
        ]
    }
}

/// Takes some rows, given in order, out of a column that has all.
fn without_rows(mut sent: Vec<i32>, without: &[(usize, Option<Fault>)]) -> (Vec<i32>, Levels) {
    if without.is_empty() {
        let levels = Levels::ones(sent.len());
        return (sent, levels);
    }
    let mut missing = without.iter().map(|&(row, _)| row).peekable();
    let present: Vec<bool> = (0..sent.len())
        .map(|row| missing.next_if_eq(&row).is_none())
        .collect();
    let mut is_there = present.iter();
    sent.retain(|_| is_there.next().copied().unwrap_or(true));
    (sent, Levels::of(present.into_iter()))
}

/// The letters of the faults, and in which rows they stand.
fn faults(without: &[(usize, Option<Fault>)], rows: usize) -> (Vec<ByteArray>, Levels) {
    let mut levels = Levels::nulls(0);
    let mut letters = Vec::new();
    let mut known: Vec<(Fault, ByteArray)> = Vec::new();
    for &(row, fault) in without {
        let Some(fault) = fault else { continue };
        levels.push_many(0, row - levels.len());
        levels.push(1);
        let letter = known.iter().find(|(other, _)| *other == fault);
        let letter = match letter {
            Some((_, letter)) => letter.clone(),
            None => {
                let letter = text(fault_letter(fault));
                known.push((fault, letter.clone()));
                letter
            }
        };
        letters.push(letter);
    }
    levels.push_many(0, rows - levels.len());
    (letters, levels)
}
