//! What open cycles were said to be before: the verdict of a cycle may be revised until its row is final.
//!
//! It is kept from when the view is live, in bounded memory, and is lost with the program: the record holds the final row
//! and, in `open.parquet`, the newest revision, none before. The page says so.

use std::collections::{BTreeMap, BTreeSet};

use nightclamp_analysis::rows::{Cause, CycleRow, EndedBy, RecordTime, StartKind};

use crate::rows::Rows;

/// Cycles whose verdicts are kept at most, the newest.
const CYCLES_MAX: usize = 1_000;
/// Verdicts of one cycle at most: the first, and the newest.
const VERDICTS_MAX: usize = 12;

/// What a cycle was said to be.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// Record time of the newest sample when it was first seen to say so, µs.
    pub at_us: RecordTime,
    /// How it began.
    pub start: StartKind,
    /// What ended it.
    pub ended_by: Option<EndedBy>,
    /// Why the protector opened.
    pub cause: Option<Cause>,
    /// What that rests on.
    pub basis: String,
    /// The row was final then.
    pub is_final: bool,
}

impl Verdict {
    fn of(row: &CycleRow, at_us: RecordTime, is_final: bool) -> Self {
        Self {
            at_us,
            start: row.start,
            ended_by: row.ended_by,
            cause: row.cause,
            basis: row.basis.clone(),
            is_final,
        }
    }

    /// Whether it says something else than another.
    fn differs(&self, other: &Self) -> bool {
        (self.start, self.ended_by, self.cause) != (other.start, other.ended_by, other.cause)
            || self.basis != other.basis
            || self.is_final != other.is_final
    }
}

/// The verdicts of a unit's newest cycles.
#[derive(Debug, Default)]
pub struct Verdicts {
    of: BTreeMap<RecordTime, Vec<Verdict>>,
    /// Cycles that were open when last looked at.
    open: BTreeSet<RecordTime>,
    since_us: Option<RecordTime>,
}

impl Verdicts {
    /// Looks at the cycles that are open, and at those that were and are final now. `at_us`: the newest sample.
    pub fn watch(&mut self, at_us: RecordTime, cycles: &Rows<CycleRow>) {
        self.since_us.get_or_insert(at_us);
        let open: BTreeSet<RecordTime> = cycles.open().iter().map(|row| row.on_at).collect();
        for row in cycles.open() {
            self.see(row, at_us, false);
        }
        for on_at in std::mem::take(&mut self.open) {
            if open.contains(&on_at) {
                continue;
            }
            let final_row = cycles.iter().rev().find(|row| row.on_at == on_at);
            if let Some(row) = final_row {
                self.see(row, at_us, true);
            }
        }
        self.open = open;
        while self.of.len() > CYCLES_MAX {
            self.of.pop_first();
        }
    }

    fn see(&mut self, row: &CycleRow, at_us: RecordTime, is_final: bool) {
        let said = self.of.entry(row.on_at).or_default();
        let verdict = Verdict::of(row, at_us, is_final);
        if said.last().is_some_and(|last| !verdict.differs(last)) {
            return;
        }
        if said.len() == VERDICTS_MAX {
            said.remove(1);
        }
        said.push(verdict);
    }

    /// What a cycle was said to be, oldest first; nothing of one that has been final since before the view was live.
    pub fn of(&self, on_at: RecordTime) -> &[Verdict] {
        self.of.get(&on_at).map_or(&[], Vec::as_slice)
    }

    /// What the cycles that began in a stretch were said to be, oldest first, each with when it began.
    pub fn within(
        &self,
        from_us: RecordTime,
        to_us: RecordTime,
    ) -> impl Iterator<Item = (RecordTime, &Verdict)> {
        let of_it = self.of.range(from_us..to_us.max(from_us));
        of_it.flat_map(|(on_at, said)| said.iter().map(|said| (*on_at, said)))
    }

    /// From when on they are kept, record time; `None` before the view is live.
    pub const fn since_us(&self) -> Option<RecordTime> {
        self.since_us
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(on_at: i64, ended_by: Option<EndedBy>, basis: &str) -> CycleRow {
        CycleRow {
            on_at,
            ended_by,
            basis: basis.into(),
            ..CycleRow::default()
        }
    }

    #[test]
    fn a_verdict_that_is_revised_is_kept_with_when_and_the_last_is_the_final_one() {
        let (mut verdicts, mut cycles) = (Verdicts::default(), Rows::default());
        let shown = [
            (row(5, None, ""), 10),
            (row(5, Some(EndedBy::Control), "cool"), 20),
            (row(5, Some(EndedBy::Control), "cool"), 21),
            (row(5, Some(EndedBy::Protector), "demand was closed"), 30),
        ];
        for (row, at_us) in shown {
            cycles.set_open(vec![row]);
            verdicts.watch(at_us, &cycles);
        }
        cycles.seal([row(5, Some(EndedBy::Protector), "demand was closed")].into_iter());
        cycles.set_open(vec![row(50, None, "")]);
        verdicts.watch(60, &cycles);
        let said: Vec<_> = verdicts
            .of(5)
            .iter()
            .map(|v| (v.at_us, v.ended_by, v.is_final))
            .collect();
        assert_eq!(
            said,
            [
                (10, None, false),
                (20, Some(EndedBy::Control), false),
                (30, Some(EndedBy::Protector), false),
                (60, Some(EndedBy::Protector), true),
            ]
        );
        assert_eq!(verdicts.since_us(), Some(10));
        assert!(verdicts.of(6).is_empty());
    }

    #[test]
    fn a_cycle_that_never_comes_to_rest_and_a_record_of_years_stay_bounded() {
        let (mut verdicts, mut cycles) = (Verdicts::default(), Rows::default());
        for n in 0..3_000_i64 {
            cycles.set_open(vec![row(5, None, &n.to_string()), row(n + 6, None, "")]);
            verdicts.watch(n, &cycles);
        }
        assert!(verdicts.of.len() <= CYCLES_MAX);
        let mut one = Rows::default();
        let mut of_one = Verdicts::default();
        for n in 0..100_i64 {
            one.set_open(vec![row(5, None, &n.to_string())]);
            of_one.watch(n, &one);
        }
        let kept: Vec<i64> = of_one.of(5).iter().map(|verdict| verdict.at_us).collect();
        assert_eq!((kept.len(), kept[0], kept[11]), (VERDICTS_MAX, 0, 99));
    }
}
