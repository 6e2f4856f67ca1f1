//! Rows as columns: the common shape of the three tables between rows and Parquet.
//!
//! A column keeps its values packed (nulls hold no place) and, if it may be null, one definition level a row: that is how
//! Parquet writes them, so nothing is rearranged on the way to the file.

use parquet::data_type::ByteArray;

/// What a column is in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// TIMESTAMP(MICROS, UTC).
    Time,
    /// Unsigned 16-bit integer.
    U16,
    /// Unsigned 32-bit integer.
    U32,
    /// Unsigned 64-bit integer.
    U64,
    /// Signed 32-bit integer.
    I32,
    /// Double.
    F64,
    /// Boolean.
    Bool,
    /// UTF-8 text.
    Text,
}

/// Packed values of a column.
#[derive(Debug, Clone)]
pub(crate) enum Values {
    I32(Vec<i32>),
    I64(Vec<i64>),
    F64(Vec<f64>),
    Bool(Vec<bool>),
    Text(Vec<ByteArray>),
}

impl Values {
    fn of(kind: Kind) -> Self {
        match kind {
            Kind::Time | Kind::U64 => Self::I64(Vec::new()),
            Kind::U16 | Kind::U32 | Kind::I32 => Self::I32(Vec::new()),
            Kind::F64 => Self::F64(Vec::new()),
            Kind::Bool => Self::Bool(Vec::new()),
            Kind::Text => Self::Text(Vec::new()),
        }
    }

    /// Leaves those that are `kept`.
    fn keep(&mut self, kept: &[bool]) {
        fn keep<T>(values: &mut Vec<T>, kept: &[bool]) {
            let mut kept = kept.iter();
            values.retain(|_| kept.next().is_some_and(|kept| *kept));
        }
        match self {
            Self::I32(values) => keep(values, kept),
            Self::I64(values) => keep(values, kept),
            Self::F64(values) => keep(values, kept),
            Self::Bool(values) => keep(values, kept),
            Self::Text(values) => keep(values, kept),
        }
    }

    /// Whether there is no value: all rows are null.
    pub fn is_empty(&self) -> bool {
        match self {
            Self::I32(values) => values.is_empty(),
            Self::I64(values) => values.is_empty(),
            Self::F64(values) => values.is_empty(),
            Self::Bool(values) => values.is_empty(),
            Self::Text(values) => values.is_empty(),
        }
    }

    /// Whether `len` values from `at` are the same as those from `other_at`; doubles are compared bit by bit.
    fn same(&self, at: usize, other: &Self, other_at: usize, len: usize) -> bool {
        fn slice<T>(values: &[T], at: usize, len: usize) -> Option<&[T]> {
            values.get(at..at.checked_add(len)?)
        }
        match (self, other) {
            (Self::I32(a), Self::I32(b)) => slice(a, at, len) == slice(b, other_at, len),
            (Self::I64(a), Self::I64(b)) => slice(a, at, len) == slice(b, other_at, len),
            (Self::Bool(a), Self::Bool(b)) => slice(a, at, len) == slice(b, other_at, len),
            (Self::Text(a), Self::Text(b)) => slice(a, at, len) == slice(b, other_at, len),
            (Self::F64(a), Self::F64(b)) => match (slice(a, at, len), slice(b, other_at, len)) {
                (Some(a), Some(b)) => a.iter().zip(b).all(|(a, b)| a.to_bits() == b.to_bits()),
                _ => false,
            },
            _ => false,
        }
    }
}

/// Definition levels, 1 for a value, 0 for a null. Most columns of a file hold values only or nulls only: as long as all rows
/// are alike they are counted and not written down.
#[derive(Debug, Clone, Default)]
pub(crate) struct Levels {
    alike: i16,
    alike_rows: usize,
    /// The levels after those that are alike; not empty only once two rows have differed.
    rest: Vec<i16>,
}

impl Levels {
    pub fn nulls(rows: usize) -> Self {
        Self {
            alike: 0,
            alike_rows: rows,
            rest: Vec::new(),
        }
    }

    pub fn ones(rows: usize) -> Self {
        Self {
            alike: 1,
            ..Self::nulls(rows)
        }
    }

    pub fn of(present: impl Iterator<Item = bool>) -> Self {
        let mut levels = Self::nulls(0);
        present.for_each(|present| levels.push(i16::from(present)));
        levels
    }

    pub fn push_many(&mut self, level: i16, rows: usize) {
        if self.rest.is_empty() && (level == self.alike || self.alike_rows == 0) {
            self.alike = level;
            self.alike_rows += rows;
        } else {
            self.rest.extend(std::iter::repeat_n(level, rows));
        }
    }

    #[inline]
    pub fn push(&mut self, level: i16) {
        if self.rest.is_empty() && (level == self.alike || self.alike_rows == 0) {
            self.alike = level;
            self.alike_rows += 1;
        } else {
            self.rest.push(level);
        }
    }

    pub fn extend(&mut self, levels: &[i16]) {
        levels.iter().for_each(|&level| self.push(level));
    }

    pub fn len(&self) -> usize {
        self.alike_rows + self.rest.len()
    }

    /// The levels of the rows `from..to`, as far as there are such rows.
    pub fn slice(&self, from: usize, to: usize) -> Vec<i16> {
        let to = to.min(self.len());
        let alike = to.min(self.alike_rows).saturating_sub(from);
        let mut levels = vec![self.alike; alike];
        let from = from.max(self.alike_rows) - self.alike_rows;
        levels.extend_from_slice(
            self.rest
                .get(from..to.saturating_sub(self.alike_rows))
                .unwrap_or_default(),
        );
        levels
    }

    /// Runs of equal levels in the rows `from..to`: the level, and how many rows.
    pub fn runs(&self, from: usize, to: usize, mut each: impl FnMut(i16, usize)) {
        let alike = to.min(self.alike_rows).saturating_sub(from);
        if alike > 0 {
            each(self.alike, alike);
        }
        let from = from.max(self.alike_rows) - self.alike_rows;
        let rest = self.rest.get(from..to.saturating_sub(self.alike_rows));
        for run in rest.unwrap_or_default().chunk_by(|a, b| a == b) {
            run.first()
                .into_iter()
                .for_each(|&level| each(level, run.len()));
        }
    }

    /// Values in the rows `from..to`.
    pub fn values_in(&self, from: usize, to: usize) -> usize {
        let alike = to.min(self.alike_rows).saturating_sub(from) * usize::from(self.alike == 1);
        let from = from.max(self.alike_rows) - self.alike_rows;
        let rest = self
            .rest
            .get(from..to.saturating_sub(self.alike_rows))
            .unwrap_or_default();
        alike + rest.iter().filter(|&&level| level == 1).count()
    }
}

/// One column.
#[derive(Debug, Clone)]
pub(crate) struct Column {
    pub name: String,
    pub kind: Kind,
    /// 1 for a value, 0 for a null, one a row; `None` where a null cannot be.
    pub levels: Option<Levels>,
    pub values: Values,
}

impl Column {
    pub fn required(name: &str, kind: Kind) -> Self {
        Self {
            name: name.to_owned(),
            kind,
            levels: None,
            values: Values::of(kind),
        }
    }

    /// A column that may be null, and is so in the first `nulls` rows.
    pub fn optional(name: &str, kind: Kind, nulls: usize) -> Self {
        Self {
            levels: Some(Levels::nulls(nulls)),
            ..Self::required(name, kind)
        }
    }

    /// A required column with all its values.
    pub fn whole(name: &str, kind: Kind, values: Values) -> Self {
        Self {
            values,
            ..Self::required(name, kind)
        }
    }

    /// A column that may be null, with its values.
    pub fn partly(name: &str, kind: Kind, levels: Levels, values: Values) -> Self {
        Self {
            levels: Some(levels),
            ..Self::whole(name, kind, values)
        }
    }

    fn level(&mut self, present: bool) {
        if let Some(levels) = &mut self.levels {
            levels.push(i16::from(present));
        }
    }

    /// Its doubles, NaN for a null; none if it holds something else.
    pub fn doubles(&self) -> Vec<f64> {
        let Values::F64(values) = &self.values else {
            return Vec::new();
        };
        let Some(levels) = &self.levels else {
            return values.clone();
        };
        let (mut doubles, mut rest) = (Vec::with_capacity(levels.len()), values.as_slice());
        levels.runs(0, levels.len(), |level, rows| {
            let (run, after) = rest.split_at_checked(rows).unwrap_or((rest, &[]));
            if level == 1 {
                doubles.extend_from_slice(run);
                rest = after;
            } else {
                doubles.resize(doubles.len() + rows, f64::NAN);
            }
        });
        doubles
    }

    /// Its integers or instants; none if it holds something else.
    pub fn longs(&self) -> &[i64] {
        match &self.values {
            Values::I64(values) => values,
            _ => &[],
        }
    }

    pub fn null(&mut self) {
        self.level(false);
    }

    pub fn i64(&mut self, value: i64) {
        self.level(true);
        if let Values::I64(values) = &mut self.values {
            values.push(value);
        }
    }

    pub fn i32(&mut self, value: i32) {
        self.level(true);
        if let Values::I32(values) = &mut self.values {
            values.push(value);
        }
    }

    pub fn f64(&mut self, value: f64) {
        self.level(true);
        if let Values::F64(values) = &mut self.values {
            values.push(value);
        }
    }

    pub fn bool(&mut self, value: bool) {
        self.level(true);
        if let Values::Bool(values) = &mut self.values {
            values.push(value);
        }
    }

    pub fn text(&mut self, value: ByteArray) {
        self.level(true);
        if let Values::Text(values) = &mut self.values {
            values.push(value);
        }
    }

    /// Its instants or integers, one a row; none if it holds something else.
    pub fn instants(&self) -> Vec<Option<i64>> {
        match &self.values {
            Values::I64(values) => self.each_row(values.iter().copied()),
            _ => Vec::new(),
        }
    }

    /// Its texts, one a row; none if it holds something else, or no text.
    pub fn words(&self) -> Vec<Option<&str>> {
        let text = |text| str::from_utf8(ByteArray::data(text)).unwrap_or_default();
        match &self.values {
            Values::Text(values) => self.each_row(values.iter().map(text)),
            _ => Vec::new(),
        }
    }

    fn each_row<T>(&self, mut values: impl Iterator<Item = T>) -> Vec<Option<T>> {
        match &self.levels {
            None => values.map(Some).collect(),
            Some(levels) => levels
                .slice(0, levels.len())
                .into_iter()
                .map(|level| (level == 1).then(|| values.next()).flatten())
                .collect(),
        }
    }

    /// A text that is the same in each of these rows.
    pub fn same(name: &str, text: &str, rows: usize) -> Self {
        let values = Values::Text(vec![ByteArray::from(text); rows]);
        Self::whole(name, Kind::Text, values)
    }

    /// Leaves those rows that are `kept`, one for each there is.
    fn keep(&mut self, kept: &[bool]) {
        let Some(levels) = &self.levels else {
            self.values.keep(kept);
            return;
        };
        let levels = levels.slice(0, kept.len());
        let rows = || levels.iter().zip(kept);
        let of_values: Vec<bool> = rows()
            .filter(|(level, _)| **level == 1)
            .map(|(_, kept)| *kept)
            .collect();
        let of_rows = rows().filter(|(_, kept)| **kept);
        self.levels = Some(Levels::of(of_rows.map(|(level, _)| *level == 1)));
        self.values.keep(&of_values);
    }

    /// Values in the rows `from..to`.
    fn values_in(&self, from: usize, to: usize) -> usize {
        match &self.levels {
            None => to.saturating_sub(from),
            Some(levels) => levels.values_in(from, to),
        }
    }
}

/// Rows of one table.
#[derive(Debug, Clone, Default)]
pub(crate) struct Frame {
    pub rows: usize,
    pub columns: Vec<Column>,
}

impl Frame {
    pub fn new(columns: Vec<Column>) -> Self {
        Self { rows: 0, columns }
    }

    /// The same columns without rows.
    pub fn emptied(&self) -> Self {
        let column = |column: &Column| match column.levels {
            None => Column::required(&column.name, column.kind),
            Some(_) => Column::optional(&column.name, column.kind, 0),
        };
        Self::new(self.columns.iter().map(column).collect())
    }

    pub fn column(&self, name: &str) -> Option<&Column> {
        self.columns.iter().find(|column| column.name == name)
    }

    /// Puts the columns in the order of `other` and adds those it does not have, all null. A column that `other` does not
    /// have stays, at the end.
    pub fn grow_to(&mut self, other: &Self) {
        let mut mine = std::mem::take(&mut self.columns);
        for wanted in &other.columns {
            self.columns.push(
                match mine.iter().position(|column| column.name == wanted.name) {
                    Some(at) => mine.remove(at),
                    None => Column::optional(&wanted.name, wanted.kind, self.rows),
                },
            );
        }
        self.columns.append(&mut mine);
    }

    /// Takes the columns of `other` in that it does not have, all null.
    pub fn take_columns(&mut self, other: &Self) {
        for wanted in &other.columns {
            if self.column(&wanted.name).is_none() {
                let null = Column::optional(&wanted.name, wanted.kind, self.rows);
                self.columns.push(null);
            }
        }
    }

    /// Gives it exactly the columns of `other`, null where it has none; the name of one that cannot be.
    pub fn fit_to(&mut self, other: &Self) -> Result<(), String> {
        self.grow_to(other);
        if let Some(more) = self.columns.get(other.columns.len()) {
            return Err(more.name.clone());
        }
        for (mine, wanted) in self.columns.iter_mut().zip(&other.columns) {
            let is_full = mine.values_in(0, self.rows) == self.rows;
            if mine.kind != wanted.kind || (wanted.levels.is_none() && !is_full) {
                return Err(mine.name.clone());
            }
            match (&mine.levels, &wanted.levels) {
                (None, Some(_)) => mine.levels = Some(Levels::ones(self.rows)),
                (Some(_), None) => mine.levels = None,
                _ => {}
            }
        }
        Ok(())
    }

    /// Leaves those rows that are `kept`, one for each there is.
    pub fn keep(&mut self, kept: &[bool]) {
        if kept.len() == self.rows && kept.iter().all(|kept| *kept) {
            return;
        }
        self.columns.iter_mut().for_each(|column| column.keep(kept));
        self.rows = kept.iter().filter(|kept| **kept).count();
    }

    /// Samples as the raw log itself says them: without what is worked out of it.
    pub fn by_arrival(mut self) -> Self {
        self.columns
            .retain(|column| column.name != "time" && column.name != "board_ms");
        self
    }

    /// The row in which it has the arrival, boot and counter of the first row of `other`.
    pub fn place_of(&self, other: &Self) -> Option<usize> {
        let of = |frame: &Self, at: usize| {
            let long = |name: &str| match &frame.column(name)?.values {
                Values::I64(values) => values.get(at).copied(),
                Values::I32(values) => values.get(at).map(|value| i64::from(*value)),
                _ => None,
            };
            Some((long("arrival")?, long("boot")?, long("seq")?))
        };
        let wanted = of(other, 0)?;
        (0..self.rows).find(|at| of(self, *at) == Some(wanted))
    }

    /// The times of the first column: smallest and largest, µs.
    pub fn time_range(&self) -> Option<(i64, i64)> {
        match self.columns.first().map(|column| &column.values) {
            Some(Values::I64(times)) => Some((*times.iter().min()?, *times.iter().max()?)),
            _ => None,
        }
    }
}

/// Where a comparison stands in the packed values of a frame's columns.
#[derive(Debug, Default)]
struct Cursor {
    row: usize,
    values: Vec<usize>,
}

impl Cursor {
    fn advance(&mut self, frame: &Frame, rows: usize) {
        self.values.resize(frame.columns.len(), 0);
        for (column, at) in frame.columns.iter().zip(&mut self.values) {
            *at += column.values_in(self.row, self.row + rows);
        }
        self.row += rows;
    }

    fn value(&self, column: usize) -> usize {
        self.values.get(column).copied().unwrap_or(0)
    }
}

/// A frame that is compared piece by piece.
#[derive(Debug, Default)]
pub(crate) struct Compared {
    pub frame: Frame,
    cursor: Cursor,
}

impl Compared {
    pub fn new(frame: Frame) -> Self {
        Self {
            frame,
            cursor: Cursor::default(),
        }
    }

    pub fn left(&self) -> usize {
        self.frame.rows.saturating_sub(self.cursor.row)
    }

    /// Compares as many rows as both have left and passes over those that agree; the name of a column that differs in the
    /// next one, and how many agreed before it.
    pub fn compare(&mut self, other: &mut Self) -> Result<usize, (String, usize)> {
        let rows = self.left().min(other.left());
        if self.differing(other, rows).is_none() {
            self.advance(rows);
            other.advance(rows);
            return Ok(rows);
        }
        // Halves, so that one row that differs among many costs little.
        let (mut agreed, mut step) = (0, rows.next_power_of_two());
        while step > 0 {
            if agreed + step < rows && self.differing(other, step).is_none() {
                self.advance(step);
                other.advance(step);
                agreed += step;
            }
            step /= 2;
        }
        let column = self.differing(other, 1).unwrap_or_default();
        Err((column, agreed))
    }

    /// The row that comes next, counted in its frame, and its instant, µs.
    pub fn at(&self) -> (usize, i64) {
        let time = match self.frame.columns.first().map(|column| &column.values) {
            Some(Values::I64(times)) => times.get(self.cursor.row).copied(),
            _ => None,
        };
        (self.cursor.row, time.unwrap_or(i64::MAX))
    }

    /// Passes over rows.
    pub fn advance(&mut self, rows: usize) {
        let rows = rows.min(self.left());
        self.cursor.advance(&self.frame, rows);
    }

    fn differing(&self, other: &Self, rows: usize) -> Option<String> {
        let differs_there = |name: &str| !same_column(self, other, name, rows);
        let mine = self.frame.columns.iter().map(|column| column.name.as_str());
        let only_theirs = other
            .frame
            .columns
            .iter()
            .map(|column| column.name.as_str());
        mine.chain(only_theirs.filter(|name| self.frame.column(name).is_none()))
            .find(|name| differs_there(name))
            .map(str::to_owned)
    }
}

/// Whether a column is the same in both for the next `rows`; a column that one does not have is null there.
fn same_column(a: &Compared, b: &Compared, name: &str, rows: usize) -> bool {
    let find = |side: &Compared| {
        side.frame
            .columns
            .iter()
            .position(|column| column.name == name)
    };
    let all_null = |side: &Compared, index: usize| {
        side.frame.columns.get(index).is_some_and(|column| {
            column.levels.is_some()
                && column.values_in(side.cursor.row, side.cursor.row + rows) == 0
        })
    };
    let (index_a, index_b) = match (find(a), find(b)) {
        (Some(index_a), Some(index_b)) => (index_a, index_b),
        (Some(index), None) => return all_null(a, index),
        (None, Some(index)) => return all_null(b, index),
        (None, None) => return true,
    };
    let (Some(column_a), Some(column_b)) =
        (a.frame.columns.get(index_a), b.frame.columns.get(index_b))
    else {
        return false;
    };
    let levels = |side: &Compared, column: &Column| {
        column
            .levels
            .as_ref()
            .map(|levels| levels.slice(side.cursor.row, side.cursor.row + rows))
    };
    let values = column_a.values_in(a.cursor.row, a.cursor.row + rows);
    column_a.kind == column_b.kind
        && levels(a, column_a) == levels(b, column_b)
        && column_a.values.same(
            a.cursor.value(index_a),
            &column_b.values,
            b.cursor.value(index_b),
            values,
        )
}
