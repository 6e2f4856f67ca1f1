//! What was different in the second half of a stretch.
//!
//! Medians of both halves are told where they differ by more than a machine does from cycle to cycle, and where chance alone
//! would seldom part them so: of each figure it is counted how many cycles of each half lie above the median of all (Mood's
//! median test: Fisher's exact test of that table, both ways, times the figures that are looked at). Why it changed is not told.

use super::words::length;
use super::{RowRef, Sentence, SentenceKind, Told, Weight};
use crate::cycling::is_whole;
use crate::evidence::Span;
use crate::findings::CHANCE_MOST;
use crate::rows::{CycleRow, EndedBy, StartKind};
use crate::statistics::{fisher_more, quantile_of, sorted};

/// Fewest cycles in each half.
const CYCLES_LEAST: usize = 5;
/// What is looked at: the figures, and how often the protector ended an on-period.
const LOOKED_AT: f64 = 1.0 + FIGURES.len() as f64;

/// A figure of a cycle.
struct Figure {
    words: &'static str,
    of: fn(&CycleRow) -> Option<f64>,
    /// Medians differ by so much of the smaller one at least ...
    share_least: f64,
    /// ... and by so much, in the figure's unit.
    least: f64,
    /// Two of them in words.
    shown: fn(f64, f64) -> String,
}

const FIGURES: [Figure; 5] = [
    Figure {
        words: "running current",
        of: |cycle| cycle.run_a.filter(|_| cycle.start == StartKind::Normal),
        share_least: 0.05,
        least: 0.05,
        shown: |before, after| format!("{before:.2} to {after:.2} A"),
    },
    Figure {
        words: "on-times that the control ended",
        of: |cycle| by_control(cycle).then_some(cycle.on_s).flatten(),
        share_least: 0.15,
        least: 10.0,
        shown: |before, after| format!("{} to {}", length(before), length(after)),
    },
    Figure {
        words: "off-times by the control",
        of: |cycle| by_control(cycle).then_some(cycle.off_s).flatten(),
        share_least: 0.15,
        least: 10.0,
        shown: |before, after| format!("{} to {}", length(before), length(after)),
    },
    Figure {
        words: "room",
        of: |cycle| cycle.ambient_on_c,
        share_least: 0.0,
        least: 2.0,
        shown: |before, after| format!("{before:.1} to {after:.1} °C"),
    },
    Figure {
        words: "supply before a start",
        of: |cycle| cycle.supply_before_v,
        share_least: 0.02,
        least: 3.0,
        shown: |before, after| format!("{before:.0} to {after:.0} V"),
    },
];

fn by_control(cycle: &CycleRow) -> bool {
    cycle.on_seen && cycle.ended_by == Some(EndedBy::Control)
}

/// A half of the stretch.
type Half<'a> = Vec<&'a CycleRow>;

impl Told<'_> {
    /// What was different in the second half.
    pub(super) fn changed(&self) -> Option<Sentence> {
        let span = self.began.span;
        let parted = span.from + (span.until - span.from) / 2;
        let mut cycles = self.doubting.believed();
        // In a gap within an off-time it may have been on.
        for cycle in &mut cycles {
            if !is_whole(cycle, &self.cycling.unseen) {
                cycle.off_s = None;
            }
        }
        let halves: (Half<'_>, Half<'_>) = cycles.iter().partition(|cycle| cycle.on_at < parted);
        let mut parts = Vec::new();
        let mut rows = Vec::new();
        let mut weight = Weight::Plain;
        if let Some(words) = trips(&halves) {
            weight = Weight::Look;
            parts.push(words);
            rows.extend(cycles.iter().filter(|cycle| is_ended(cycle)));
        }
        for figure in &FIGURES {
            if let Some(words) = figure.compared(&halves) {
                parts.push(words);
                rows.extend(cycles.iter().filter(|cycle| (figure.of)(cycle).is_some()));
            }
        }
        if parts.is_empty() {
            return None;
        }
        let mut rows: Vec<RowRef> = rows.iter().map(|row| RowRef::Cycle(row.on_at)).collect();
        rows.sort_unstable();
        rows.dedup();
        let half = |from, until| Span { from, until };
        Some(Sentence {
            kind: SentenceKind::Changed,
            weight,
            text: format!(
                "Different in its second half, from {} on: {}.",
                self.at(parted),
                parts.join("; ")
            ),
            check: String::new(),
            places: vec![half(parted, span.until), half(span.from, parted)],
            rows,
        })
    }
}

fn is_ended(cycle: &CycleRow) -> bool {
    cycle.ended_by.is_some_and(|by| by != EndedBy::Unknown)
}

/// Whether so many of the first half and so many of the second are parted by more than chance.
fn is_parted((a, of_a): (usize, usize), (b, of_b): (usize, usize)) -> bool {
    let table = |a: usize, of_a: usize, b: usize, of_b: usize| {
        fisher_more(a as u32, (of_a - a) as u32, b as u32, (of_b - b) as u32)
    };
    let chance = table(a, of_a, b, of_b).min(table(b, of_b, a, of_a));
    2.0 * chance * LOOKED_AT <= CHANCE_MOST
}

/// How often the protector ended an on-period, where that is not as before.
fn trips((before, after): &(Half<'_>, Half<'_>)) -> Option<String> {
    let count = |half: &Half<'_>| {
        let ended = half.iter().filter(|cycle| is_ended(cycle));
        let by_it = |cycle: &&&CycleRow| cycle.ended_by == Some(EndedBy::Protector);
        (ended.clone().filter(by_it).count(), ended.count())
    };
    let (before, after) = (count(before), count(after));
    is_parted(before, after).then(|| {
        format!(
            "the protector ended {} of {} on-periods, after {} of {}",
            after.0, after.1, before.0, before.1
        )
    })
}

impl Figure {
    /// Medians before and after in words, where they are parted.
    fn compared(&self, (before, after): &(Half<'_>, Half<'_>)) -> Option<String> {
        let of = |half: &Half<'_>| sorted(half.iter().filter_map(|cycle| (self.of)(cycle)));
        let (before, after) = (of(before), of(after));
        if before.len().min(after.len()) < CYCLES_LEAST {
            return None;
        }
        let all = sorted(before.iter().chain(&after).copied());
        let middle = quantile_of(&all, 0.5);
        let above = |half: &[f64]| {
            let above = half.iter().filter(|value| **value > middle);
            (above.count(), half.len())
        };
        let (was, is) = (quantile_of(&before, 0.5), quantile_of(&after, 0.5));
        let by = (is - was).abs();
        let is_much = by >= self.least && by >= self.share_least * was.abs().min(is.abs());
        let is_told = is_much && is_parted(above(&before), above(&after));
        is_told.then(|| format!("{} {}", self.words, (self.shown)(was, is)))
    }
}
