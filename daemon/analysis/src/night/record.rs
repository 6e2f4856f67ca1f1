//! What of the record can be trusted, dangers, the supply, and what people put in.

use super::words::{length, list, percent, times, trimmed};
use super::{RowRef, SILENT, Sentence, SentenceKind, Told, Weight};
use crate::doubt::Said;
use crate::evidence::Span;
use crate::reading::Reading;
use crate::rows::{EventKind, EventRow};

/// Sentences of one kind at most: beyond it the rest is counted.
const TOLD_MAX: usize = 12;
/// The share of time on, and of starts, in bounds closer than this is not worth a sentence.
const BOUNDS_LEAST: f64 = 0.005;

impl Told<'_> {
    fn of_event(
        &self,
        kind: SentenceKind,
        weight: Weight,
        text: String,
        at: &EventRow,
    ) -> Sentence {
        Sentence {
            kind,
            weight,
            text,
            check: String::new(),
            places: vec![Span::at(at.time)],
            rows: vec![RowRef::Event(at.time)],
        }
    }

    /// A sentence for each event, as far as [`TOLD_MAX`]; then the rest in one.
    fn each(
        &self,
        kind: SentenceKind,
        weight: Weight,
        events: &[&EventRow],
        words: impl Fn(&EventRow) -> String,
    ) -> Vec<Sentence> {
        let (told, rest) = events.split_at(events.len().min(TOLD_MAX));
        let mut said: Vec<Sentence> = told
            .iter()
            .map(|event| self.of_event(kind, weight, words(event), event))
            .collect();
        if let Some(next) = rest.first() {
            let text = format!(
                "{} more of the same, from {} on: see the chart.",
                rest.len(),
                self.at(next.time)
            );
            said.push(Sentence {
                places: rest.iter().map(|event| Span::at(event.time)).collect(),
                rows: rest.iter().map(|event| RowRef::Event(event.time)).collect(),
                ..self.of_event(kind, weight, text, next)
            });
        }
        said
    }

    /// The protector should have opened and had not.
    pub(super) fn late(&self) -> Vec<Sentence> {
        let words = |event: &EventRow| {
            format!(
                "At {} the protector should have opened and had not: {}.",
                self.at(event.time),
                trimmed(&event.detail)
            )
        };
        let mut said = self.each(
            SentenceKind::Late,
            Weight::Danger,
            &self.events(EventKind::Late),
            words,
        );
        for sentence in &mut said {
            sentence.check = "Switch it off at its isolator and lock it out before anything else. Its protector may be welded, \
                              bridged or of the wrong type: test it on the bench."
                .to_owned();
        }
        said
    }

    /// Sensors that could no longer be believed.
    pub(super) fn sensors(&self) -> Vec<Sentence> {
        let words = |event: &EventRow| {
            let found = self.at(event.time);
            match Said::of(event) {
                Some(Said {
                    sensor, why, since, ..
                }) => format!(
                    "At {found} a sensor was found not to be believed: {}: {}. It may hold since {}.",
                    sensor.as_str(),
                    trimmed(why),
                    self.at(since)
                ),
                None => {
                    let detail = trimmed(&event.detail);
                    format!("At {found} a sensor was found not to be believed: {detail}.")
                }
            }
        };
        let mut said = self.each(
            SentenceKind::Sensor,
            Weight::Doubt,
            &self.events(EventKind::Sensor),
            words,
        );
        for sentence in &mut said {
            sentence.check = "No cause is claimed from it after that. With the supply off and locked out, look where clamp and \
                              beads sit before you trust this record further."
                .to_owned();
        }
        said
    }

    /// Failures of the supply.
    pub(super) fn supply_lost(&self) -> Option<Sentence> {
        let lost = self.events(EventKind::SupplyLost);
        let back = self.events(EventKind::SupplyBack);
        let first = lost.first()?;
        let until = |event: &EventRow| {
            let back = back.iter().find(|back| back.time >= event.time);
            back.map_or(self.began.span.until, |back| back.time)
        };
        let places: Vec<Span> = lost
            .iter()
            .map(|event| Span {
                from: event.time,
                until: until(event),
            })
            .collect();
        let all_s: f64 = places.iter().map(Span::length_s).sum();
        Some(Sentence {
            places,
            rows: lost.iter().map(|event| RowRef::Event(event.time)).collect(),
            ..self.of_event(
                SentenceKind::SupplyLost,
                Weight::Look,
                format!(
                    "The supply failed {}, for {} in all, first at {}.",
                    times(lost.len()),
                    length(all_s),
                    self.at(first.time)
                ),
                first,
            )
        })
    }

    /// How much was observed.
    pub(super) fn coverage(&self) -> Option<Sentence> {
        let span = self.began.span;
        let gaps = self.began.gaps();
        if span.length_s() <= 0.0 {
            return None;
        }
        let Some(longest) = gaps
            .iter()
            .copied()
            .max_by(|a, b| a.length_s().total_cmp(&b.length_s()))
        else {
            return Some(Sentence {
                kind: SentenceKind::Coverage,
                weight: Weight::Plain,
                text: "Readings cover all of it, without a gap.".to_owned(),
                check: String::new(),
                places: vec![span],
                rows: Vec::new(),
            });
        };
        let which = match gaps.len() {
            1 => "one gap".to_owned(),
            count => format!("{count} gaps, the longest"),
        };
        let text = format!(
            "Readings cover {} of it: {which} of {} from {}{}.",
            percent(self.counts.coverage),
            length(longest.length_s()),
            self.at(longest.from),
            self.why(longest)
        );
        let rows = gaps.iter().flat_map(|gap| self.ends_of(*gap)).collect();
        let others = gaps.into_iter().filter(|gap| *gap != longest);
        Some(Sentence {
            kind: SentenceKind::Coverage,
            weight: Weight::Doubt,
            text,
            check: String::new(),
            places: core::iter::once(longest).chain(others).collect(),
            rows,
        })
    }

    /// The rows of a gap's ends; one that still lasts, or began before the stretch, has one or none in it.
    fn ends_of(&self, gap: Span) -> impl Iterator<Item = RowRef> {
        let is_end = move |event: &&EventRow| {
            (event.kind == EventKind::GapBegin && event.time == gap.from)
                || (event.kind == EventKind::GapEnd && event.time == gap.until)
        };
        self.began
            .board_events
            .iter()
            .filter(move |event| is_end(event) && event.detail != SILENT)
            .map(|event| RowRef::Event(event.time))
    }

    /// The cause of a gap in words, as far as its rows tell.
    fn why(&self, gap: Span) -> String {
        let mut ends = self.began.board_events.iter().filter(|event| {
            matches!(event.kind, EventKind::GapBegin | EventKind::GapEnd)
                && (event.time == gap.from || event.time == gap.until)
        });
        let word = ends
            .next()
            .and_then(|event| event.detail.split([':', ' ']).next());
        match word {
            Some("unplugged") => " (the board was unplugged)",
            Some("recorder-down") => " (the recorder was not running)",
            Some("disk") => " (the disk took nothing)",
            Some("board-restarted") => " (the board restarted)",
            Some("line-damage") => " (damage on the line)",
            Some("nothing-came") => " (nothing came from the board)",
            Some("silent") => " (nothing since then)",
            _ => "",
        }
        .to_owned()
    }

    /// What gaps could hide: the least and the most that it can have been.
    pub(super) fn gaps_hide(&self) -> Option<Sentence> {
        let (starts, span) = (&self.cycling.starts, self.began.span);
        let (least, most) = (starts.least_in(span, false), starts.most_in(span, false));
        let duty = &self.duty;
        let mut parts = Vec::new();
        if most > least {
            parts.push(format!("{least} to {most} starts"));
        }
        if duty.most - duty.least >= BOUNDS_LEAST {
            parts.push(format!(
                "on for {} to {} of the time",
                percent(duty.least),
                percent(duty.most)
            ));
        }
        if parts.is_empty() {
            return None;
        }
        let rows: Vec<RowRef> = starts
            .unseen
            .iter()
            .flat_map(|gap| self.ends_of(*gap))
            .collect();
        Some(Sentence {
            kind: SentenceKind::GapsHide,
            weight: Weight::Doubt,
            text: format!("With what the gaps could hide it was {}.", list(&parts)),
            check: String::new(),
            places: starts.unseen.clone(),
            rows,
        })
    }

    /// Steps of the host's clock.
    pub(super) fn clock_steps(&self) -> Option<Sentence> {
        let steps = self.events(EventKind::ClockStep);
        let first = steps.first()?;
        let text = format!(
            "The recorder's clock was set {}, first at {}: {}. Lengths are true all the same; times are by the clock as last \
             set.",
            times(steps.len()),
            self.at(first.time),
            trimmed(&first.detail)
        );
        Some(Sentence {
            places: steps.iter().map(|step| Span::at(step.time)).collect(),
            rows: steps.iter().map(|step| RowRef::Event(step.time)).collect(),
            ..self.of_event(SentenceKind::ClockStep, Weight::Doubt, text, first)
        })
    }

    /// What people marked and measured, as said.
    pub(super) fn marks(&self) -> Vec<Sentence> {
        let words = |event: &EventRow| {
            let at = self.at(event.time);
            match Reading::from_event(event) {
                Some(reading) => {
                    let by = match reading.by.as_str() {
                        "" => String::new(),
                        by => format!(" ({by})"),
                    };
                    format!(
                        "At {at} measured by hand: {} {}{by}.",
                        reading.what.words(),
                        reading.shown()
                    )
                }
                None => format!("At {at} {}.", trimmed(&event.detail)),
            }
        };
        self.each(
            SentenceKind::Mark,
            Weight::Plain,
            &self.events(EventKind::Mark),
            words,
        )
    }
}
