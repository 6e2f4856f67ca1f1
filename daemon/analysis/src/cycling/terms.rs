//! The terms of the job file, judged pair by pair: every pair of cycles that breaks one is named.
//!
//! Off-times and starts that the protector's own opening makes are judged apart from the control's: a protector's reset is no
//! fault of a control, and a claim that counts starts may count them either way.

use super::EQUALISED_S;
use super::starts::{Start, Starts};
use super::times::{is_whole, off_span};
use crate::evidence::{Evidence, Span, micros};
use crate::rows::{CycleRow, EndedBy, RecordTime};

/// Which term.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TermKind {
    /// Most starts an hour.
    StartsPerHour,
    /// Shortest off-time, s.
    LeastOff,
    /// Shortest on-time, s.
    LeastRun,
    /// Off for long enough that pressures can equalise, s: common practice, in no job file.
    Equalised,
}

impl TermKind {
    /// A stable name, for machines.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::StartsPerHour => "starts-per-hour",
            Self::LeastOff => "least-off",
            Self::LeastRun => "least-run",
            Self::Equalised => "equalised",
        }
    }
}

/// Whose cycles are judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Whose {
    /// All of them.
    All,
    /// Those of the control: what the protector made is left out.
    Control,
    /// Those that the protector ended.
    Protector,
    /// Those that the supply ended.
    Supply,
    /// Those of which it is not known what ended them.
    Unknown,
}

impl Whose {
    /// A stable name, for machines.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::All => "all",
            Self::Control => "control",
            Self::Protector => "protector",
            Self::Supply => "supply",
            Self::Unknown => "unknown",
        }
    }

    const fn of(by: EndedBy) -> Self {
        match by {
            EndedBy::Control => Self::Control,
            EndedBy::Protector => Self::Protector,
            EndedBy::Supply => Self::Supply,
            EndedBy::Unknown => Self::Unknown,
        }
    }
}

/// A pair of instants that breaks a term.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Violation {
    /// The first: of starts an hour the first start, of an off-time its stop, of an on-time its start.
    pub first_at: RecordTime,
    /// The second: the last start in the hour, the next start, the stop.
    pub second_at: RecordTime,
    /// What it is: starts in the hour from the first on, or s.
    pub value: f64,
    /// What it may be.
    pub limit: f64,
}

/// One group of cycles under one term.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// Whose cycles.
    pub whose: Whose,
    /// How many pairs could be judged.
    pub pairs: usize,
    /// Those that break the term.
    pub violations: Vec<Violation>,
    /// Pairs that could break it: what they rest on was not seen whole.
    pub open: usize,
}

/// One term and how the record stands to it.
#[derive(Debug, Clone, PartialEq)]
pub struct Term {
    /// Which.
    pub kind: TermKind,
    /// What it says: starts an hour, or s.
    pub limit: f64,
    /// Where it stands, as the job file cites it.
    pub citation: Option<String>,
    /// Each group judged apart, those without a cycle left out.
    pub judged: Vec<Judged>,
}

impl Term {
    /// How many pairs of all groups but [`Whose::All`]'s subsets break it: of starts an hour the group of all starts.
    pub fn violations(&self) -> usize {
        let counted =
            |judged: &&Judged| self.kind != TermKind::StartsPerHour || judged.whose == Whose::All;
        self.judged
            .iter()
            .filter(counted)
            .map(|judged| judged.violations.len())
            .sum()
    }
}

pub(super) fn of(evidence: &Evidence<'_>, starts: &Starts) -> Vec<Term> {
    let limits = &evidence.unit.limits;
    let mut terms = Vec::new();
    if let Some(limit) = limits.starts_per_hour {
        terms.push(Term {
            kind: TermKind::StartsPerHour,
            limit,
            citation: limits.starts_per_hour_from.clone(),
            judged: vec![
                starts_judged(starts, limit, Whose::All),
                starts_judged(starts, limit, Whose::Control),
            ],
        });
    }
    if let Some(limit) = limits.min_off_s {
        terms.push(Term {
            kind: TermKind::LeastOff,
            limit,
            citation: limits.min_off_from.clone(),
            judged: by_end(evidence, limit, |cycle| off_time(cycle, &starts.unseen)),
        });
    }
    if let Some(limit) = limits.min_run_s {
        terms.push(Term {
            kind: TermKind::LeastRun,
            limit,
            citation: limits.min_run_from.clone(),
            judged: by_end(evidence, limit, on_time),
        });
    }
    terms
}

pub(super) fn equalised(evidence: &Evidence<'_>, unseen: &[Span]) -> Term {
    Term {
        kind: TermKind::Equalised,
        limit: EQUALISED_S,
        citation: None,
        judged: by_end(evidence, EQUALISED_S, |cycle| off_time(cycle, unseen)),
    }
}

/// At most `limit` starts an hour: the start that comes as the first beyond what one hour may have, too soon after the
/// first of them. Of less than one an hour, two starts have to lie 1 / `limit` hours apart.
fn starts_judged(starts: &Starts, limit: f64, whose: Whose) -> Judged {
    let is_of_it = |start: &&Start| whose == Whose::All || !start.is_reset;
    let of_it: Vec<RecordTime> = starts
        .seen
        .iter()
        .filter(is_of_it)
        .map(|start| start.at)
        .collect();
    let may = limit.floor().max(1.0);
    let window_us = micros(3600.0 * (1.0 / limit).max(1.0));
    let beyond = may as usize;
    let pairs = of_it.iter().zip(of_it.iter().skip(beyond));
    let violations: Vec<Violation> = pairs
        .filter(|(first, last)| last.saturating_sub(**first) < window_us)
        .map(|(&first_at, &second_at)| {
            let until = first_at.saturating_add(window_us);
            let value = of_it
                .iter()
                .filter(|at| (first_at..until).contains(*at))
                .count() as f64;
            Violation {
                first_at,
                second_at,
                value,
                limit,
            }
        })
        .collect();
    let hides = |from: RecordTime| {
        let window = Span {
            from,
            until: from.saturating_add(window_us),
        };
        let control = whose != Whose::All;
        f64::from(starts.most_in(window, control)) > may
            && f64::from(starts.seen_in(window, control)) <= may
    };
    let begins = of_it
        .iter()
        .copied()
        .chain(starts.unseen.iter().map(|gap| gap.from));
    Judged {
        whose,
        pairs: of_it.len(),
        open: begins.filter(|&from| hides(from)).count(),
        violations,
    }
}

/// What is known of a length of time.
enum Length {
    /// All.
    Known(Span, f64),
    /// At most so much.
    AtMost(Span, f64),
    /// At least so much.
    AtLeast(f64),
}

fn off_time(cycle: &CycleRow, unseen: &[Span]) -> Option<Length> {
    let span = off_span(cycle)?;
    match cycle.off_s {
        Some(off_s) if is_whole(cycle, unseen) => Some(Length::Known(span, off_s)),
        // What began in a gap began no later than it was seen; a gap in the off-time could hide a run.
        _ => Some(Length::AtMost(span, span.length_s())),
    }
}

fn on_time(cycle: &CycleRow) -> Option<Length> {
    let span = Span {
        from: cycle.on_at,
        until: cycle.off_at?,
    };
    let on_s = cycle.on_s.unwrap_or_else(|| span.length_s());
    Some(if cycle.on_seen {
        Length::Known(span, on_s)
    } else {
        Length::AtLeast(on_s)
    })
}

fn by_end(
    evidence: &Evidence<'_>,
    limit: f64,
    length: impl Fn(&CycleRow) -> Option<Length>,
) -> Vec<Judged> {
    let groups = [
        EndedBy::Control,
        EndedBy::Protector,
        EndedBy::Supply,
        EndedBy::Unknown,
    ];
    let of = |by: EndedBy| {
        let mut judged = Judged {
            whose: Whose::of(by),
            pairs: 0,
            violations: Vec::new(),
            open: 0,
        };
        let cycles = evidence
            .cycles
            .iter()
            .filter(|cycle| cycle.ended_by == Some(by));
        for length in cycles.filter_map(&length) {
            match length {
                Length::Known(span, value) | Length::AtMost(span, value) if value < limit => {
                    judged.pairs += 1;
                    let (first_at, second_at) = (span.from, span.until);
                    judged.violations.push(Violation {
                        first_at,
                        second_at,
                        value,
                        limit,
                    });
                }
                Length::Known(..) => judged.pairs += 1,
                Length::AtLeast(value) if value >= limit => judged.pairs += 1,
                Length::AtMost(..) | Length::AtLeast(_) => judged.open += 1,
            }
        }
        judged
    };
    let any = |judged: &Judged| judged.pairs + judged.open > 0;
    groups.into_iter().map(of).filter(any).collect()
}
