//! Lengths of on- and off-periods, and the share of time on.

use crate::evidence::{Evidence, Span};
use crate::rows::{CycleRow, EndedBy};
use crate::statistics::{quantile_of, sorted};

/// Edges of the histogram's bins, s: a bin holds what is at least its edge and less than the next; the last has no end.
pub const BIN_EDGES_S: [f64; 11] = [
    0.0, 30.0, 60.0, 120.0, 180.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0, 7200.0,
];

/// Some lengths of time.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Times {
    /// How many.
    pub count: usize,
    /// Quantiles 0, 0.1, 0.5, 0.9 and 1, s; `None` of nothing.
    pub quantiles_s: Option<[f64; 5]>,
    /// How many fall into each bin of [`BIN_EDGES_S`].
    pub bins: [u32; BIN_EDGES_S.len()],
}

impl Times {
    /// Counts and orders lengths in s.
    pub fn of(lengths_s: impl IntoIterator<Item = f64>) -> Self {
        let sorted = sorted(lengths_s);
        let mut bins = [0; BIN_EDGES_S.len()];
        for &length_s in &sorted {
            let at = BIN_EDGES_S.partition_point(|&edge_s| edge_s <= length_s);
            if let Some(bin) = bins.get_mut(at.saturating_sub(1)) {
                *bin += 1;
            }
        }
        Self {
            count: sorted.len(),
            quantiles_s: (!sorted.is_empty())
                .then(|| [0.0, 0.1, 0.5, 0.9, 1.0].map(|share| quantile_of(&sorted, share))),
            bins,
        }
    }

    /// The median, s.
    pub fn median_s(&self) -> Option<f64> {
        self.quantiles_s.map(|quantiles_s| quantiles_s[2])
    }
}

/// On-times that were seen from beginning to end, s.
pub(super) fn on_times_s<'a>(evidence: &Evidence<'a>) -> impl Iterator<Item = f64> + use<'a> {
    let seen = |cycle: &&CycleRow| cycle.on_seen && cycle.off_at.is_some();
    evidence
        .cycles
        .iter()
        .filter(seen)
        .filter_map(|cycle| cycle.on_s)
}

/// Off-times by what ended the on-period before: a protector's are made by its own cooling, a control's are the control's.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct OffTimes {
    /// After a control.
    pub control: Times,
    /// After the protector.
    pub protector: Times,
    /// After the supply failed.
    pub supply: Times,
    /// Where it is not known what ended it.
    pub unknown: Times,
    /// Off-times that are not counted: not seen to their end, or with a gap in them that could hide a run.
    pub left_out: usize,
}

impl OffTimes {
    pub(super) fn of(evidence: &Evidence<'_>, unseen: &[Span]) -> Self {
        let by = |by: EndedBy| {
            let of_it = evidence
                .cycles
                .iter()
                .filter(move |c| c.ended_by == Some(by));
            Times::of(
                of_it
                    .filter(|c| is_whole(c, unseen))
                    .filter_map(|c| c.off_s),
            )
        };
        let off = evidence.cycles.iter().filter(|c| c.off_at.is_some());
        Self {
            control: by(EndedBy::Control),
            protector: by(EndedBy::Protector),
            supply: by(EndedBy::Supply),
            unknown: by(EndedBy::Unknown),
            left_out: off
                .filter(|c| !is_whole(c, unseen) || c.off_s.is_none())
                .count(),
        }
    }
}

/// The off-period after a cycle, as far as it is known.
pub(super) fn off_span(cycle: &CycleRow) -> Option<Span> {
    let (from, until) = (cycle.off_at?, cycle.next_on_at?);
    Some(Span { from, until })
}

/// Whether no gap lies in the off-period after a cycle.
pub(crate) fn is_whole(cycle: &CycleRow, unseen: &[Span]) -> bool {
    off_span(cycle).is_some_and(|off| unseen.iter().all(|gap| gap.common(&off).is_none()))
}

/// Share of time on.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Duty {
    /// Time known on, s.
    pub on_s: f64,
    /// Time known off, s.
    pub off_s: f64,
    /// Time that was not observed, s.
    pub unseen_s: f64,
    /// Share of the observed time on, 0..1; NaN where nothing was observed.
    pub share: f64,
    /// The share had it been off in every gap.
    pub least: f64,
    /// The share had it been on in every gap.
    pub most: f64,
}

impl Duty {
    /// Of the cycles that reach into the record, with the gaps that could hide something.
    pub(crate) fn of(evidence: &Evidence<'_>, unseen: &[Span]) -> Self {
        let hidden_s = |span: &Span| -> f64 {
            unseen
                .iter()
                .filter_map(|gap| gap.common(span))
                .map(|c| c.length_s())
                .sum()
        };
        let ends = evidence.cycles.iter().enumerate().map(|(n, cycle)| {
            let next = evidence.cycles.get(n + 1).map(|next| next.on_at);
            // One that ran into a gap is on up to the gap, and what comes then was not seen.
            Span {
                from: cycle.on_at,
                until: cycle.off_at.or(next).unwrap_or(evidence.span.until),
            }
        });
        let spans: Vec<Span> = ends.filter_map(|on| on.common(&evidence.span)).collect();
        let on_s: f64 = spans.iter().map(|on| on.length_s() - hidden_s(on)).sum();
        let unseen_s = hidden_s(&evidence.span) + 0.0; // an empty sum is -0
        let length_s = evidence.span.length_s();
        let off_s = (length_s - unseen_s - on_s).max(0.0);
        Self {
            on_s,
            off_s,
            unseen_s,
            share: on_s / (on_s + off_s),
            least: on_s / length_s,
            most: (on_s + unseen_s) / length_s,
        }
    }
}
