//! Starts, what ended the on-periods, and how long they were.

use super::counts::whole_off_s;
use super::words::{length, list, many, percent, range, times, trimmed};
use super::{RowRef, Sentence, SentenceKind, Stretch, Told, Weight};
use crate::evidence::Span;
use crate::findings::measured_for;
use crate::rows::{Cause, CycleRow, EndedBy};

/// Nothing was missed.
const OBSERVED: f64 = 1.0 - 1e-9;

/// Each cause with the words for it, the gravest for the machine first.
const CAUSES: [(Cause, &str); 5] = [
    (Cause::LockedRotor, "with a locked rotor"),
    (Cause::Overload, "on overload, running"),
    (
        Cause::Overheat,
        "hot, though the current was not above rated load",
    ),
    (
        Cause::Early,
        "early: neither current nor temperature explains it",
    ),
    (
        Cause::Undetermined,
        "for a cause that the evidence does not decide",
    ),
];

impl<'a> Told<'a> {
    fn sentence(&self, kind: SentenceKind, text: String, cycles: &[&CycleRow]) -> Sentence {
        Sentence {
            kind,
            weight: Weight::Plain,
            text,
            check: String::new(),
            places: cycles.iter().map(|cycle| self.on_span(cycle)).collect(),
            rows: cycles
                .iter()
                .map(|cycle| RowRef::Cycle(cycle.on_at))
                .collect(),
        }
    }

    /// How often it started, and how long it was on.
    pub(super) fn starts(&self) -> Option<Sentence> {
        let span = self.began.span;
        if span.length_s() <= 0.0 {
            return None;
        }
        let duty = &self.duty;
        let share = if duty.share.is_finite() {
            format!(" ({} of the time observed)", percent(duty.share))
        } else {
            String::new()
        };
        let starts = match self.counts.starts {
            0 => "No start was seen".to_owned(),
            count => many(count, "start"),
        };
        let failed = match self.counts.locked_starts {
            0 => String::new(),
            count => format!("; {count} of them did not come down to running"),
        };
        let text = format!(
            "{starts} in {}{failed}. On for {} in all{share}.",
            length(span.length_s()),
            length(duty.on_s),
        );
        let cycles: Vec<&CycleRow> = self.reaching.cycles.iter().collect();
        let mut sentence = self.sentence(SentenceKind::Starts, text, &cycles);
        sentence.places = vec![span];
        Some(sentence)
    }

    /// On-periods that ended in the stretch by one thing.
    fn ended(&self, by: EndedBy) -> Vec<&'a CycleRow> {
        let in_it = |cycle: &&CycleRow| {
            cycle.ended_by == Some(by) && self.began.span.holds(cycle.off_at.unwrap_or(cycle.on_at))
        };
        self.reaching.cycles.iter().filter(in_it).collect()
    }

    /// How often the protector opened. That it never did is said only if nothing was missed and every end is known.
    pub(super) fn trips(&self) -> Option<Sentence> {
        let trips = self.ended(EndedBy::Protector);
        let kind = SentenceKind::Trips;
        let Some((first, last)) = trips.first().zip(trips.last()) else {
            return self.no_trip();
        };
        let at = |cycle: &CycleRow| self.at(cycle.off_at.unwrap_or(cycle.on_at));
        let when = match trips.len() {
            1 => format!(", at {}", at(first)),
            _ => format!(", first at {}, last at {}", at(first), at(last)),
        };
        let text = format!("The protector opened {}{when}.", times(trips.len()));
        Some(Sentence {
            weight: Weight::Look,
            ..self.sentence(kind, text, &trips)
        })
    }

    fn no_trip(&self) -> Option<Sentence> {
        let cycles: Vec<&CycleRow> = self.reaching.cycles.iter().collect();
        if cycles.is_empty() && self.counts.coverage <= 0.0 {
            return None;
        }
        let mut why_not = Vec::new();
        if self.counts.by_unknown > 0 {
            why_not.push(format!(
                "what ended {} is not known",
                many(self.counts.by_unknown, "on-period")
            ));
        }
        if self.counts.coverage < OBSERVED {
            why_not.push(format!(
                "{} was not observed",
                percent(1.0 - self.counts.coverage)
            ));
        }
        if self.counts.sensor_events > 0 {
            why_not.push("a sensor could not be believed all the time".to_owned());
        }
        let text = if why_not.is_empty() {
            "The protector never opened.".to_owned()
        } else {
            format!("The protector was not seen to open; {}.", list(&why_not))
        };
        let mut sentence = self.sentence(SentenceKind::Trips, text, &cycles);
        sentence.places = vec![self.began.span];
        Some(sentence)
    }

    /// Trips of each cause, the most frequent first, with the evidence of the first.
    pub(super) fn trips_by_cause(&self) -> Vec<Sentence> {
        let trips = self.ended(EndedBy::Protector);
        let cause_of = |cycle: &CycleRow| cycle.cause.unwrap_or(Cause::Undetermined);
        let mut groups: Vec<(Cause, &str, Vec<&CycleRow>)> = CAUSES
            .iter()
            .map(|(cause, words)| {
                let of_it = trips.iter().filter(|cycle| cause_of(cycle) == *cause);
                (*cause, *words, of_it.copied().collect())
            })
            .filter(|(_, _, of_it): &(_, _, Vec<&CycleRow>)| !of_it.is_empty())
            .collect();
        groups.sort_by_key(|(_, _, of_it)| core::cmp::Reverse(of_it.len()));
        groups
            .iter()
            .filter_map(|(cause, words, of_it)| self.one_cause(*cause, words, of_it))
            .collect()
    }

    fn one_cause(&self, cause: Cause, words: &str, of_it: &[&CycleRow]) -> Option<Sentence> {
        let first = of_it.first()?;
        let count = match of_it.len() {
            1 => "Once".to_owned(),
            2 => "Twice".to_owned(),
            count => format!("{count} times"),
        };
        let figures = match (of_it.len(), figures(of_it)) {
            (1, _) | (_, None) => String::new(),
            (_, Some(figures)) => format!(", {figures}"),
        };
        let basis = match trimmed(&first.basis) {
            "" => String::new(),
            basis if of_it.len() == 1 => format!(". At {}: {basis}", self.at(first.on_at)),
            basis => format!(". The first, on at {}: {basis}", self.at(first.on_at)),
        };
        Some(Sentence {
            weight: Weight::Look,
            check: measured_for(cause, self.doubting.events).unwrap_or_default(),
            ..self.sentence(
                SentenceKind::TripsByCause,
                format!("{count} {words}{figures}{basis}."),
                of_it,
            )
        })
    }

    /// What ended the other on-periods.
    pub(super) fn other_ends(&self) -> Option<Sentence> {
        let groups = [
            (EndedBy::Control, "by the control"),
            (EndedBy::Supply, "by a failing supply"),
            (EndedBy::Unknown, "by something not known"),
        ];
        let (mut parts, mut cycles) = (Vec::new(), Vec::new());
        for (by, words) in groups {
            let of_it = self.ended(by);
            if !of_it.is_empty() {
                parts.push(format!("{} {words}", of_it.len()));
            }
            cycles.extend(of_it);
        }
        if parts.is_empty() {
            return None;
        }
        let also = if self.counts.trips.total > 0 {
            "Other on-periods ended"
        } else {
            "On-periods ended"
        };
        cycles.sort_by_key(|cycle| cycle.on_at);
        Some(self.sentence(
            SentenceKind::OtherEnds,
            format!("{also}: {}.", list(&parts)),
            &cycles,
        ))
    }

    /// The lengths that stand out.
    pub(super) fn lengths(&self) -> Vec<Sentence> {
        let counts = &self.counts;
        let mut said = Vec::new();
        said.extend(self.off_time(SentenceKind::ShortestOff, "Shortest", counts.shortest_off));
        let is_one = |a: Stretch, b: Stretch| a.from_us == b.from_us;
        let longest = counts
            .longest_off
            .filter(|longest| !counts.shortest_off.is_some_and(|off| is_one(off, *longest)));
        said.extend(self.off_time(SentenceKind::LongestOff, "Longest", longest));
        said.extend(counts.longest_on.and_then(|on| self.on_time(on)));
        said
    }

    fn off_time(&self, kind: SentenceKind, word: &str, off: Option<Stretch>) -> Option<Sentence> {
        let off = off?;
        let cycle = self
            .reaching
            .cycles
            .iter()
            .find(|cycle| cycle.off_at == Some(off.from_us))?;
        let counted = |cycle: &&CycleRow| whole_off_s(cycle, &self.cycling.unseen).is_some();
        let of = self.reaching.cycles.iter().filter(counted).count();
        let after = match cycle.ended_by {
            Some(EndedBy::Protector) => "after the protector had opened",
            Some(EndedBy::Control) => "by the control",
            Some(EndedBy::Supply) => "after the supply had failed",
            Some(EndedBy::Unknown) | None => "after an end of which the cause is not known",
        };
        let text = format!(
            "{word} off-time of {of} seen whole: {}, {after}, from {}.",
            length(off.length_s),
            self.at(off.from_us)
        );
        let mut sentence = self.sentence(kind, text, &[cycle]);
        sentence.places = vec![Span {
            from: off.from_us,
            until: cycle.next_on_at.unwrap_or(off.from_us),
        }];
        Some(sentence)
    }

    fn on_time(&self, on: Stretch) -> Option<Sentence> {
        let of_it = |cycle: &&CycleRow| cycle.on_at == on.from_us;
        let cycle = self.reaching.cycles.iter().find(of_it)?;
        let text = format!(
            "Longest on-time: {}, from {}.",
            length(on.length_s),
            self.at(on.from_us)
        );
        Some(self.sentence(SentenceKind::LongestOn, text, &[cycle]))
    }
}

/// What trips of one cause have in common, in figures.
fn figures(of_it: &[&CycleRow]) -> Option<String> {
    let column = |pick: fn(&CycleRow) -> Option<f64>, decimals| {
        range(of_it.iter().filter_map(|cycle| pick(cycle)), decimals)
    };
    let parts: Vec<String> = [
        column(|c| c.on_s, 1).map(|s| format!("after {s} s on")),
        column(|c| c.end_a, 1).map(|amps| format!("at {amps} A")),
        column(|c| c.case_off_c, 0).map(|case_c| format!("the case at {case_c} °C")),
    ]
    .into_iter()
    .flatten()
    .collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}
