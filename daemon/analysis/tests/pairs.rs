//! Every kind of sentence that a night can say, on a pair of records: one where it must be said and one, as like it as can be,
//! where it must not. What is said is traced to its rows. A kind that is added does not compile before it has its pair.
#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

mod drawn;

use drawn::{JOB, Record, job};
use nightclamp_analysis::evidence::Span;
use nightclamp_analysis::findings::FindingKind as F;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::night::{Sentence, SentenceKind as K, night};
use nightclamp_analysis::reading::Reading;
use nightclamp_analysis::rows::{Cause, CycleRow, EndedBy, EventKind};

const KINDS: [K; 29] = [
    K::Late,
    K::Starts,
    K::Trips,
    K::TripsByCause,
    K::OtherEnds,
    K::ShortestOff,
    K::LongestOff,
    K::LongestOn,
    K::Changed,
    K::SupplyLost,
    K::Sensor,
    K::Coverage,
    K::GapsHide,
    K::ClockStep,
    K::Mark,
    K::Finding(F::BusiestHour),
    K::Finding(F::TermBroken),
    K::Finding(F::NotEqualised),
    K::Finding(F::Parabola),
    K::Finding(F::FailsAfterShortOff),
    K::Finding(F::FailsFrom),
    K::Finding(F::StartLeadStays),
    K::Finding(F::SupplySags),
    K::Finding(F::CurrentRises),
    K::Finding(F::CurrentFallsHot),
    K::Finding(F::OpeningDrifts),
    K::Finding(F::TripsByHour),
    K::Finding(F::TripsByAmbient),
    K::Finding(F::Reading),
];

/// Ten sound cycles, and what is drawn after them.
fn after(draw: impl FnOnce(&mut Record)) -> Record {
    let mut record = Record::default();
    record.sound(10, 600.0, 1200.0);
    draw(&mut record);
    record
}

/// So many cycles of ten minutes on and a quarter of an hour off with what else is in them.
fn cycles(count: usize, more: impl Fn(usize, &mut CycleRow)) -> Record {
    let mut record = Record::default();
    (0..count).for_each(|n| record.cycle(600.0, 900.0, |row| more(n, row)));
    record
}

fn trip(row: &mut CycleRow, cause: Cause) {
    (row.ended_by, row.cause) = (Some(EndedBy::Protector), Some(cause));
}

fn unit_event(kind: EventKind, detail: &str) -> Record {
    after(|record| Record::event(&mut record.events, 3_000.0, kind, detail))
}

/// A wobble that repeats, -1 to 1.
fn wobble(n: usize) -> f64 {
    [0.3, -0.8, 0.9, -0.2, -0.6, 1.0, -1.0, 0.4, 0.1, -0.1][n % 10]
}

/// Days of cycles, half an hour each; `trips(hour of the record)` says which overheat, `room_c(hour)` how warm it is.
fn days(count: u32, trips: impl Fn(f64) -> bool, room_c: impl Fn(f64) -> f64) -> Record {
    let mut record = Record::default();
    for hour in (0..48 * count).map(|n| f64::from(n) / 2.0) {
        record.cycle(800.0, 1000.0, |row| {
            row.ambient_on_c = Some(room_c(hour));
            if trips(hour) {
                trip(row, Cause::Overheat);
            }
        });
    }
    record
}

/// Ten starts, of which those fail that come so long after a stop.
fn failing(after_s: f64) -> Record {
    let mut record = Record::default();
    for _ in 0..5 {
        record.sound(2, 600.0, 900.0);
        record.cycle(600.0, after_s, |_| {});
        record.failed(400.0);
    }
    record
}

/// Words of the sentence, the record where they must be said, and the one where they must not.
fn pair(kind: K) -> (&'static str, Record, Record) {
    let sound = || after(|_| {});
    match kind {
        K::Late => (
            "should have opened and had not",
            unit_event(EventKind::Late, "74 s"),
            unit_event(EventKind::Mark, "74 s"),
        ),
        K::Starts => ("10 starts in", sound(), Record::default()),
        K::Trips => (
            "opened once, at",
            after(|record| record.failed(300.0)),
            sound(),
        ),
        K::TripsByCause => (
            "Once on overload, running",
            after(|record| record.cycle(600.0, 300.0, |row| trip(row, Cause::Overload))),
            after(|record| record.cycle(600.0, 300.0, |row| trip(row, Cause::Overheat))),
        ),
        K::OtherEnds => (
            "1 by a failing supply",
            after(|record| record.cycle(600.0, 300.0, |row| row.ended_by = Some(EndedBy::Supply))),
            sound(),
        ),
        // A gap in it: it was not seen whole.
        K::ShortestOff => (
            "Shortest off-time of 11 seen whole: 5 min 00 s",
            after(|record| record.cycle(600.0, 300.0, |_| {})),
            after(|record| {
                record.cycle(600.0, 300.0, |_| {});
                record.gap(18_700.0, 18_760.0);
            }),
        ),
        K::LongestOff => (
            "Longest off-time of 11 seen whole: 1 h 00 min",
            after(|record| record.cycle(600.0, 3_600.0, |_| {})),
            after(|record| {
                record.cycle(600.0, 3_600.0, |_| {});
                record.gap(19_000.0, 19_060.0);
            }),
        ),
        K::LongestOn => (
            "Longest on-time: 30 min 00 s",
            after(|record| record.cycle(1_800.0, 900.0, |_| {})),
            after(|record| record.cycle(1_800.0, 900.0, |row| row.on_seen = false)),
        ),
        K::Changed => (
            "running current 1.40 to 1.62 A",
            cycles(20, |n, row| {
                row.run_a = Some(if n < 10 { 1.40 } else { 1.62 })
            }),
            cycles(20, |n, row| {
                row.run_a = Some(if n % 2 == 0 { 1.40 } else { 1.62 })
            }),
        ),
        K::SupplyLost => (
            "The supply failed once",
            unit_event(EventKind::SupplyLost, ""),
            unit_event(EventKind::SupplyBack, ""),
        ),
        K::Sensor => (
            "was found not to be believed",
            unit_event(EventKind::Sensor, "case: bead off"),
            unit_event(EventKind::SensorBack, "case: bead off"),
        ),
        K::Coverage => (
            "one gap of 15 min 00 s",
            after(|record| record.gap(700.0, 1_600.0)),
            sound(),
        ),
        // Ten seconds are bridged by the rows.
        K::GapsHide => (
            "With what the gaps could hide it was",
            after(|record| record.gap(700.0, 1_600.0)),
            after(|record| record.gap(700.0, 709.0)),
        ),
        K::ClockStep => (
            "clock was set once",
            after(|record| {
                let events = &mut record.board_events;
                Record::event(events, 3_000.0, EventKind::ClockStep, "+3600 s");
            }),
            sound(),
        ),
        K::Mark => (
            "opened the door",
            unit_event(EventKind::Mark, "marked by a person: opened the door"),
            sound(),
        ),
        K::Finding(kind) => finding(kind),
    }
}

fn finding(kind: F) -> (&'static str, Record, Record) {
    match kind {
        F::BusiestHour => (
            "The busiest hour had 2 starts",
            after(|_| {}),
            cycles(1, |_, _| {}),
        ),
        F::TermBroken => (
            "Off for less than 180 s (claim, page 2)",
            after(|record| record.cycle(600.0, 100.0, |_| {})),
            after(|record| record.cycle(600.0, 200.0, |_| {})),
        ),
        F::NotEqualised => (
            "equalise",
            after(|record| {
                record.cycle(600.0, 100.0, |_| {});
                record.sound(1, 600.0, 900.0);
            }),
            after(|record| {
                record.cycle(600.0, 400.0, |_| {});
                record.sound(1, 600.0, 900.0);
            }),
        ),
        F::Parabola => {
            let timer = [(60.0, 540.0), (180.0, 420.0), (480.0, 120.0)];
            let mut by_timer = Record::default();
            for (on_s, off_s) in timer.iter().cycle().take(24) {
                by_timer.sound(1, *on_s, *off_s);
            }
            (
                "do not follow the parabola",
                by_timer,
                cycles(24, |_, _| {}),
            )
        }
        F::FailsAfterShortOff => ("", failing(100.0), failing(900.0)),
        F::FailsFrom => {
            let night = |fails: fn(usize) -> bool| {
                let mut record = Record::default();
                for n in 0..20 {
                    if fails(n) {
                        record.failed(120.0);
                    }
                    record.sound(1, 600.0, 900.0);
                }
                record
            };
            ("", night(|n| n >= 15), night(|n| n % 4 == 2))
        }
        F::StartLeadStays => {
            let night = |lead_a: f64| {
                cycles(12, |n, row| {
                    row.start_lead_peak_a = Some(6.1);
                    row.start_lead_a = Some(if n < 4 { lead_a } else { 0.012 });
                    row.run_a = Some(if n < 4 { 3.6 } else { 1.4 });
                })
            };
            ("", night(1.3), night(0.012))
        }
        F::SupplySags => {
            let night = |sag: f64| {
                cycles(9, |n, row| {
                    row.supply_before_v = Some(230.0);
                    row.supply_low_v = Some(230.0 * (1.0 - sag - 0.01 * wobble(n)));
                })
            };
            ("", night(0.13), night(0.05))
        }
        F::CurrentRises => {
            let night = |ratio: f64| {
                cycles(12, |_, row| {
                    row.run_first_a = Some(1.45);
                    row.run_last_a = Some(1.45 * ratio);
                })
            };
            ("", night(1.14), night(1.03))
        }
        F::CurrentFallsHot => {
            let night = |case_c: f64| {
                let mut record = Record::default();
                for n in 0..8 {
                    record.cycle(1_600.0, 900.0, |row| {
                        row.run_first_a = Some(1.5);
                        row.run_last_a = Some(1.25 + 0.02 * wobble(n));
                        row.case_off_c = Some(case_c + wobble(n));
                    });
                }
                record
            };
            ("", night(108.0), night(58.0))
        }
        F::OpeningDrifts => {
            let night = |slope_c: f64| {
                cycles(12, |n, row| {
                    trip(row, Cause::Overheat);
                    row.end_a = Some(1.6 + 0.02 * wobble(n + 3));
                    row.case_off_c = Some(118.0 + slope_c * n as f64 + wobble(n));
                })
            };
            ("opens lower from trip to trip", night(-0.7), night(0.0))
        }
        F::TripsByHour => (
            "",
            days(4, |hour| (20.5..22.0).contains(&(hour % 24.0)), |_| 25.0),
            days(4, |hour| (44.0..50.0).contains(&hour), |_| 25.0),
        ),
        F::TripsByAmbient => {
            let room_c = |hour: f64| {
                let day = (hour / 24.0).floor();
                let turn = core::f64::consts::TAU * (hour - 14.0 - day) / 24.0;
                26.0 + (2.0 + day % 3.0) * turn.cos()
            };
            (
                "",
                days(5, |hour| room_c(hour) > 27.9, room_c),
                days(5, |hour| (hour % 17.0) < 2.0, room_c),
            )
        }
        F::Reading => {
            let by_hand = |shown: &str| {
                let reading = Reading::new("freezer", "ptc", shown, "J. Doe").unwrap();
                unit_event(EventKind::Mark, &reading.detail())
            };
            ("", by_hand("OL"), by_hand("24.1"))
        }
    }
}

/// The sentence of a kind with these words, if the whole of a record has it.
fn said(record: &Record, kind: K, words: &str, job: &Job) -> Option<Sentence> {
    let sentences = record.under(job, |evidence| night(evidence, evidence.span).sentences);
    let is_it = |said: &Sentence| said.kind == kind && said.text.contains(words);
    sentences.into_iter().find(is_it)
}

#[test]
fn each_kind_of_sentence_is_said_of_one_record_and_not_of_its_twin() {
    let without_terms = JOB.split("[unit.limits]").next().unwrap();
    let without_terms = Job::parse(without_terms, "pairs.toml").unwrap();
    for kind in KINDS {
        let job = match kind {
            K::Finding(F::NotEqualised) => without_terms.clone(),
            _ => job(),
        };
        let (words, record, twin) = pair(kind);
        let name = kind.as_str();
        let found = said(&record, kind, words, &job);
        let found = found.unwrap_or_else(|| panic!("{name} is not said"));
        println!("[{name}] {}", found.text);
        trace(&record, &found);
        assert_eq!(said(&twin, kind, words, &job), None, "{name}, of its twin");
    }
}

/// It rests on rows that are there, each once, and leads to a place in the record.
fn trace(record: &Record, said: &Sentence) {
    let mut rows = said.rows.clone();
    rows.sort_unstable();
    rows.dedup();
    assert!(!rows.is_empty(), "{said:?} rests on nothing");
    assert_eq!(rows.len(), said.rows.len(), "{said:?}: a row twice");
    for row in &rows {
        assert!(record.has(row), "{row:?} of {said:?}");
    }
    let whole: Span = record.with(|evidence| evidence.span);
    assert!(!said.places.is_empty(), "{said:?} leads nowhere");
    for place in &said.places {
        let is_in =
            place.from <= place.until && place.from <= whole.until && place.until >= whole.from;
        assert!(is_in, "{place:?} of {said:?}");
    }
}
