//! A stretch of a record in sentences: what happened while nobody was there.
//!
//! [`night`] makes them from rows alone, so that page, report and command line say the same of the same record. Each sentence
//! names the rows it rests on and the place on the time axis where they can be seen. A sentence claims no more than was
//! seen: what gaps could hide is said with its least and its most, and "never" only where nothing was hidden.
//!
//! Starts are those that began in the stretch; trips and other ends are those that fell into it, whenever their on-period
//! began. Cycling and findings are judged on the on-periods that began in it.

mod changed;
mod counts;
mod ends;
mod record;
mod words;

pub use counts::{Counts, Stretch, Trips};

use std::borrow::Cow;

use crate::cycling::{Cycling, Duty};
use crate::evidence::{Evidence, Span};
use crate::findings::{Finding, FindingKind, findings};
use crate::rows::{CycleRow, EventKind, EventRow, RecordTime};

/// A silence longer than this at the end of a stretch is a gap that has not been written down yet, µs: gaps up to here are
/// bridged (data contract).
const SILENCE_US: i64 = 10_000_000;

/// The detail of a gap that no row tells of yet.
const SILENT: &str = "silent: nothing since then";
/// A silence is followed for so long at most, µs: 31 days. What is asked beyond it is not answered for.
const SILENCE_US_MAX: i64 = 31 * 86_400 * 1_000_000;

/// What a sentence is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SentenceKind {
    /// The protector should have opened and had not.
    Late,
    /// How often it started, and how long it was on.
    Starts,
    /// How often the protector opened.
    Trips,
    /// Trips of one cause, with the evidence of the first.
    TripsByCause,
    /// What ended the other on-periods.
    OtherEnds,
    /// The shortest off-time.
    ShortestOff,
    /// The longest off-time.
    LongestOff,
    /// The longest on-time.
    LongestOn,
    /// What was different in the second half.
    Changed,
    /// The supply failed.
    SupplyLost,
    /// A sensor could no longer be believed.
    Sensor,
    /// How much of it was observed.
    Coverage,
    /// What the gaps could hide.
    GapsHide,
    /// The host's clock was set.
    ClockStep,
    /// Somebody marked an instant, or measured by hand.
    Mark,
    /// Something that cycling or findings show.
    Finding(FindingKind),
}

impl SentenceKind {
    /// A stable name, for machines.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Late => "late",
            Self::Starts => "starts",
            Self::Trips => "trips",
            Self::TripsByCause => "trips-by-cause",
            Self::OtherEnds => "other-ends",
            Self::ShortestOff => "shortest-off",
            Self::LongestOff => "longest-off",
            Self::LongestOn => "longest-on",
            Self::Changed => "changed",
            Self::SupplyLost => "supply-lost",
            Self::Sensor => "sensor",
            Self::Coverage => "coverage",
            Self::GapsHide => "gaps-hide",
            Self::ClockStep => "clock-step",
            Self::Mark => "mark",
            Self::Finding(kind) => kind.as_str(),
        }
    }
}

/// How much a sentence matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// Told for completeness.
    Plain,
    /// Something that a technician looks into.
    Look,
    /// The record is less than whole here: what it says is worth less.
    Doubt,
    /// Somebody could be hurt, or the machine.
    Danger,
}

impl Weight {
    /// A stable name, for machines.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Plain => "plain",
            Self::Look => "look",
            Self::Doubt => "doubt",
            Self::Danger => "danger",
        }
    }
}

/// A row that a sentence rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum RowRef {
    /// The cycle with this `on_at`.
    Cycle(RecordTime),
    /// An event of the unit or of its board at this `time`.
    Event(RecordTime),
}

/// Something to say of a stretch.
#[derive(Debug, Clone, PartialEq)]
pub struct Sentence {
    /// What it is about.
    pub kind: SentenceKind,
    /// How much it matters.
    pub weight: Weight,
    /// The words, with figures.
    pub text: String,
    /// What to check next; empty where nothing follows from it.
    pub check: String,
    /// Where it can be seen, the most telling place first: one place for each pair or row it speaks of.
    pub places: Vec<Span>,
    /// What it rests on.
    pub rows: Vec<RowRef>,
}

/// A stretch of a record.
#[derive(Debug, Clone, PartialEq)]
pub struct Night {
    /// The stretch, cut to what there is of the record.
    pub period: Span,
    /// Its counts.
    pub counts: Counts,
    /// Its sentences, in the order in which they are told.
    pub sentences: Vec<Sentence>,
}

/// A stretch of a record in counts and sentences. It begins no earlier than the record; it may end later than the last
/// sample, and the silence since then is a gap.
pub fn night(evidence: &Evidence<'_>, period: Span) -> Night {
    let most = evidence.span.until.saturating_add(SILENCE_US_MAX);
    let until = period.until.min(most);
    let board_events = with_silence(evidence, until);
    let span = Span {
        from: period.from.max(evidence.span.from),
        until: until.max(evidence.span.from),
    };
    let told = Told::of(evidence, span, &board_events);
    let sentences = told.sentences();
    Night {
        period: span,
        counts: told.counts,
        sentences,
    }
}

/// The board's events, with a gap from the last sample on if the stretch reaches beyond it.
fn with_silence<'a>(evidence: &Evidence<'a>, until: RecordTime) -> Cow<'a, [EventRow]> {
    let last = evidence.span.until;
    if until.saturating_sub(last) <= SILENCE_US {
        return Cow::Borrowed(evidence.board_events);
    }
    let mut events = evidence.board_events.to_vec();
    let is_told = events
        .iter()
        .rfind(|event| matches!(event.kind, EventKind::GapBegin | EventKind::GapEnd))
        .is_some_and(|event| event.kind == EventKind::GapBegin);
    if !is_told {
        events.push(EventRow {
            time: last,
            kind: EventKind::GapBegin,
            cause: None,
            current_a: None,
            case_c: None,
            detail: SILENT.to_owned(),
        });
    }
    Cow::Owned(events)
}

/// A stretch with everything the sentences are made of.
struct Told<'a> {
    /// On-periods that began in it.
    began: Evidence<'a>,
    /// The same and the one it was in when the stretch began.
    reaching: Evidence<'a>,
    /// The first of these with all events up to its end: a sensor may have been doubted before it.
    doubting: Evidence<'a>,
    counts: Counts,
    cycling: Cycling,
    duty: Duty,
}

impl<'a> Told<'a> {
    fn of(evidence: &Evidence<'a>, span: Span, board_events: &'a [EventRow]) -> Self {
        let events = within(evidence.events, span);
        let first = evidence
            .cycles
            .partition_point(|cycle| cycle.on_at < span.from);
        let end = evidence
            .cycles
            .partition_point(|cycle| cycle.on_at < span.until)
            .max(first);
        let reaches = |cycle: &CycleRow| cycle.off_at.is_none_or(|off_at| off_at > span.from);
        let before = first
            .checked_sub(1)
            .and_then(|n| evidence.cycles.get(n))
            .is_some_and(reaches);
        let cut = |from: usize| Evidence {
            span,
            cycles: evidence.cycles.get(from..end).unwrap_or_default(),
            events,
            board_events,
            ..*evidence
        };
        let began = cut(first);
        let reaching = cut(first - usize::from(before));
        let until = evidence
            .events
            .partition_point(|event| event.time < span.until);
        let doubting = Evidence {
            events: evidence.events.get(..until).unwrap_or_default(),
            ..began
        };
        let cycling = Cycling::of(&doubting);
        let duty = Duty::of(&reaching, &cycling.unseen);
        Self {
            counts: Counts::of(&reaching, &duty, &cycling.unseen),
            began,
            reaching,
            doubting,
            cycling,
            duty,
        }
    }

    fn sentences(&self) -> Vec<Sentence> {
        let mut said = Vec::new();
        said.extend(self.late());
        said.extend(self.starts());
        said.extend(self.trips());
        said.extend(self.trips_by_cause());
        said.extend(self.other_ends());
        said.extend(self.supply_lost());
        said.extend(self.sensors());
        said.extend(self.found());
        said.extend(self.changed());
        said.extend(self.lengths());
        said.extend(self.coverage());
        said.extend(self.gaps_hide());
        said.extend(self.clock_steps());
        said.extend(self.marks());
        said
    }

    /// What cycling and findings say.
    fn found(&self) -> Vec<Sentence> {
        let mut all = findings(&self.doubting);
        // What was measured before it is not of it.
        all.retain(|finding| {
            finding.kind != FindingKind::Reading
                || finding.rows.iter().all(|at| *at >= self.began.span.from)
        });
        all.extend(self.cycling.findings(&self.began));
        // One start is no busy hour.
        all.retain(|finding| finding.kind != FindingKind::BusiestHour || self.counts.starts > 1);
        all.into_iter()
            .map(|finding| self.of_finding(finding))
            .collect()
    }

    fn of_finding(&self, finding: Finding) -> Sentence {
        let Finding {
            kind,
            sentence: text,
            check,
            rows,
            ..
        } = finding;
        let (mut places, mut rests_on) = (Vec::new(), Vec::new());
        for at in rows {
            let Some((place, row)) = self.row_at(at) else {
                continue;
            };
            places.push(place);
            rests_on.push(row);
        }
        match kind {
            // The hour, not its first start.
            FindingKind::BusiestHour => {
                if let Some(rolling) = self.cycling.rolling {
                    places = vec![hour_from(rolling.from)];
                    let starts = self.cycling.starts.seen.iter().map(|start| start.at);
                    let in_hour = |at: &RecordTime| places[0].holds(*at);
                    rests_on = starts.filter(in_hour).map(RowRef::Cycle).collect();
                }
            }
            FindingKind::Parabola => {
                places = vec![self.began.span];
                rests_on = self.cycles_by_control();
            }
            FindingKind::TermBroken | FindingKind::NotEqualised => {
                places = self.pairs_of(&rests_on, places);
            }
            _ => {}
        }
        let weight = match kind {
            FindingKind::BusiestHour | FindingKind::Parabola => Weight::Plain,
            _ => Weight::Look,
        };
        Sentence {
            kind: SentenceKind::Finding(kind),
            weight,
            text,
            check,
            places,
            rows: rests_on,
        }
    }

    /// A pair that breaks a term is seen from its first instant to its second: what the cycling has of it.
    fn pairs_of(&self, rests_on: &[RowRef], places: Vec<Span>) -> Vec<Span> {
        let terms = self
            .cycling
            .terms
            .iter()
            .chain([&self.cycling.equalised])
            .flat_map(|term| &term.judged);
        let pairs = terms.map(|judged| &judged.violations).find(|violations| {
            let firsts = violations.iter().map(|pair| self.row_at(pair.first_at));
            firsts
                .flatten()
                .map(|(_, row)| row)
                .eq(rests_on.iter().copied())
        });
        pairs.map_or(places, |pairs| {
            let span = |pair: &crate::cycling::Violation| Span {
                from: pair.first_at,
                until: pair.second_at,
            };
            pairs.iter().map(span).collect()
        })
    }

    fn cycles_by_control(&self) -> Vec<RowRef> {
        let by_control = |cycle: &&CycleRow| cycle.ended_by == Some(crate::rows::EndedBy::Control);
        let cycles = self.began.cycles.iter().filter(by_control);
        cycles.map(|cycle| RowRef::Cycle(cycle.on_at)).collect()
    }

    /// The row that an instant of a finding is of: the cycle that began or ended then, or the event.
    fn row_at(&self, at: RecordTime) -> Option<(Span, RowRef)> {
        let cycles = self.reaching.cycles;
        let next = cycles.partition_point(|cycle| cycle.on_at <= at);
        let cycle = next.checked_sub(1).and_then(|n| cycles.get(n));
        if let Some(cycle) = cycle.filter(|c| c.on_at == at || c.off_at == Some(at)) {
            return Some((self.on_span(cycle), RowRef::Cycle(cycle.on_at)));
        }
        let events = self.began.events.iter().chain(self.began.board_events);
        let mut of_it = events.filter(|event| event.time == at);
        of_it.next().map(|_| (Span::at(at), RowRef::Event(at)))
    }

    /// Where an on-period can be seen.
    fn on_span(&self, cycle: &CycleRow) -> Span {
        let until = cycle.off_at.or(cycle.next_on_at);
        Span {
            from: cycle.on_at,
            until: until.unwrap_or(self.began.span.until).max(cycle.on_at),
        }
    }

    /// Events of unit and board in the stretch of one kind, in order.
    fn events(&self, kind: EventKind) -> Vec<&'a EventRow> {
        let board = within(self.began.board_events, self.began.span);
        let mut events: Vec<&EventRow> = self.began.events.iter().chain(board).collect();
        events.retain(|event| event.kind == kind);
        events.sort_by_key(|event| event.time);
        events
    }

    fn at(&self, time: RecordTime) -> String {
        self.began.words(time)
    }
}

/// The hour from an instant on.
const fn hour_from(from: RecordTime) -> Span {
    Span {
        from,
        until: from.saturating_add(3_600_000_000),
    }
}

/// The events that fall into a stretch.
fn within(events: &[EventRow], span: Span) -> &[EventRow] {
    let from = events.partition_point(|event| event.time < span.from);
    let until = events.partition_point(|event| event.time < span.until);
    events.get(from..until.max(from)).unwrap_or_default()
}
