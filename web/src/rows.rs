//! The newest events and cycles of a unit or a board: the final ones, and those that may still be revised.

use std::collections::VecDeque;

use nightclamp_analysis::rows::{CycleRow, EventRow, RecordTime};

/// Rows of each sort kept per unit; older ones are in the tables on disk.
pub const ROWS_MAX: usize = 40_000;

/// A row and whether it is final.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept<T> {
    /// The row.
    pub row: T,
    /// It will not be revised any more.
    pub is_final: bool,
}

/// A row that happens at an instant.
pub trait Timed {
    /// The instant it is listed under.
    fn time(&self) -> RecordTime;

    /// The last instant it says something about.
    fn until(&self) -> RecordTime {
        self.time()
    }
}

impl Timed for EventRow {
    fn time(&self) -> RecordTime {
        self.time
    }
}

impl Timed for CycleRow {
    fn time(&self) -> RecordTime {
        self.on_at
    }

    fn until(&self) -> RecordTime {
        self.next_on_at.unwrap_or(self.off_at.unwrap_or(self.on_at))
    }
}

/// Final rows, the newest [`ROWS_MAX`], and the open ones after them.
#[derive(Debug)]
pub struct Rows<T> {
    sealed: VecDeque<T>,
    open: Vec<T>,
    /// The last instant of the newest row that was let go of.
    cut_us: Option<RecordTime>,
}

impl<T> Default for Rows<T> {
    fn default() -> Self {
        Self {
            sealed: VecDeque::new(),
            open: Vec::new(),
            cut_us: None,
        }
    }
}

impl<T: Timed + Clone + PartialEq> Rows<T> {
    /// Takes final rows in.
    pub fn seal(&mut self, rows: impl Iterator<Item = T>) {
        for row in rows {
            self.sealed.push_back(row);
            if self.sealed.len() > ROWS_MAX {
                let gone_us = self.sealed.pop_front().map(|row| row.until());
                self.cut_us = self.cut_us.max(gone_us);
            }
        }
    }

    /// Replaces the rows that may still be revised; the newest [`ROWS_MAX`] of them.
    pub fn set_open(&mut self, mut rows: Vec<T>) {
        rows.drain(..rows.len().saturating_sub(ROWS_MAX));
        self.open = rows;
    }

    /// The newest rows that reach into `from_us..to_us`, newest first, at most `limit`.
    pub fn newest(&self, from_us: RecordTime, to_us: RecordTime, limit: usize) -> Vec<Kept<T>> {
        let sealed = self.sealed.iter().rev().map(|row| (row, true));
        let open = self.open.iter().rev().map(|row| (row, false));
        let mut kept: Vec<Kept<T>> = open
            .chain(sealed)
            .filter(|(row, _)| row.until() >= from_us && row.time() < to_us)
            .take(limit)
            .map(|(row, is_final)| Kept {
                row: row.clone(),
                is_final,
            })
            .collect();
        // An event becomes final when its cause is: a later one may be sealed before an earlier one.
        kept.sort_by_key(|kept| std::cmp::Reverse(kept.row.time()));
        kept
    }

    /// Up to here rows were let go of; `None` while all are kept.
    pub const fn cut_us(&self) -> Option<RecordTime> {
        self.cut_us
    }

    /// The rows that may still be revised, oldest first.
    pub fn open(&self) -> &[T] {
        &self.open
    }

    /// The rows that reach into `from_us..to_us` and whether each is final, oldest first.
    pub fn reaching(
        &self,
        from_us: RecordTime,
        to_us: RecordTime,
    ) -> impl Iterator<Item = (&T, bool)> {
        let sealed = self.sealed.iter().map(|row| (row, true));
        let open = self.open.iter().map(|row| (row, false));
        sealed
            .chain(open)
            .filter(move |(row, _)| row.until() >= from_us && row.time() < to_us)
    }

    /// All rows, oldest first.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = &T> + Clone {
        self.sealed.iter().chain(&self.open)
    }

    /// The newest row.
    pub fn last(&self) -> Option<&T> {
        self.open.last().or_else(|| self.sealed.back())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// From, until.
    #[derive(Debug, Clone, Copy, PartialEq)]
    struct Stay(i64, i64);

    impl Timed for Stay {
        fn time(&self) -> RecordTime {
            self.0
        }

        fn until(&self) -> RecordTime {
            self.1
        }
    }

    fn newest(rows: &Rows<Stay>, from_us: i64, to_us: i64, limit: usize) -> Vec<i64> {
        rows.newest(from_us, to_us, limit)
            .iter()
            .map(|kept| kept.row.0)
            .collect()
    }

    #[test]
    fn what_reaches_into_the_range_is_listed_newest_first() {
        let mut rows = Rows::default();
        rows.seal([Stay(0, 10), Stay(10, 20), Stay(20, 30)].into_iter());
        rows.set_open(vec![Stay(30, 40)]);
        assert_eq!(newest(&rows, 15, 25, 9), [20, 10]);
        assert_eq!(newest(&rows, i64::MIN, i64::MAX, 2), [30, 20]);
        rows.set_open(Vec::new());
        assert_eq!(newest(&rows, i64::MIN, i64::MAX, 9), [20, 10, 0]);
    }

    #[test]
    fn a_row_that_was_sealed_late_still_stands_in_its_place() {
        let mut rows = Rows::default();
        rows.seal([Stay(0, 0), Stay(20, 20), Stay(10, 10)].into_iter());
        assert_eq!(newest(&rows, 0, 100, 9), [20, 10, 0]);
    }

    #[test]
    fn years_of_rows_stay_bounded() {
        let mut rows = Rows::default();
        rows.seal((0..ROWS_MAX as i64 + 5).map(|n| Stay(n, n)));
        assert_eq!(rows.iter().count(), ROWS_MAX);
        assert_eq!(rows.iter().next(), Some(&Stay(5, 5)));
        assert_eq!(rows.cut_us(), Some(4));
    }
}
