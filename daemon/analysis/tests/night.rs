//! A stretch in sentences, each on a pair of records drawn by hand: one where it must be said and one, as like it as can be,
//! where it must not. Every sentence is traced to the rows it rests on, and leads to a place in the stretch.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // tests stop where something is wrong

mod drawn;

use drawn::{BEGIN_US, Record};
use nightclamp_analysis::evidence::Span;
use nightclamp_analysis::findings::FindingKind as F;
use nightclamp_analysis::night::{Night, RowRef, Sentence, SentenceKind as K, Weight, night};
use nightclamp_analysis::reading::Reading;
use nightclamp_analysis::rows::{Cause, CycleRow, EndedBy, EventKind, RecordTime, StartKind};

fn at(s: f64) -> RecordTime {
    BEGIN_US + (s * 1e6) as i64
}

/// The stretch from one second of the record to another.
fn told(record: &Record, from_s: f64, until_s: f64) -> Night {
    let period = Span {
        from: at(from_s),
        until: at(until_s),
    };
    let night = record.with(|evidence| night(evidence, period));
    night
        .sentences
        .iter()
        .for_each(|said| trace(record, &night, said));
    night
}

fn whole(record: &Record) -> Night {
    told(record, 0.0, record.now_s)
}

/// Each row is there, and each place touches the stretch.
fn trace(record: &Record, night: &Night, said: &Sentence) {
    println!("[{}] {} {}", said.kind.as_str(), said.text, said.check);
    for row in &said.rows {
        assert!(record.has(row), "{row:?} of {said:?}");
    }
    assert!(!said.places.is_empty(), "{said:?} leads nowhere");
    for place in &said.places {
        let touches = place.from <= night.period.until && place.until >= night.period.from;
        assert!(
            place.from <= place.until && touches,
            "{place:?} of {said:?}"
        );
    }
}

fn said(night: &Night, kind: K) -> Option<&Sentence> {
    night.sentences.iter().find(|said| said.kind == kind)
}

fn text(night: &Night, kind: K) -> &str {
    said(night, kind).map_or("", |said| &said.text)
}

/// Ten sound cycles of ten minutes on and twenty off: five hours.
fn sound() -> Record {
    let mut record = Record::default();
    record.sound(10, 600.0, 1200.0);
    record
}

#[test]
fn a_sound_night_says_what_it_was_and_nothing_more() {
    let night = whole(&sound());
    assert_eq!(
        text(&night, K::Starts),
        "10 starts in 5 h 00 min. On for 1 h 40 min in all (33 % of the time observed)."
    );
    assert_eq!(text(&night, K::Trips), "The protector never opened.");
    assert_eq!(
        text(&night, K::OtherEnds),
        "On-periods ended: 10 by the control."
    );
    assert_eq!(
        text(&night, K::Coverage),
        "Readings cover all of it, without a gap."
    );
    assert_eq!(said(&night, K::Starts).unwrap().rows.len(), 10);
    for kind in [
        K::Late,
        K::TripsByCause,
        K::Changed,
        K::LongestOff,
        K::SupplyLost,
        K::Sensor,
        K::GapsHide,
        K::ClockStep,
        K::Mark,
        K::Finding(F::TermBroken),
        K::Finding(F::FailsFrom),
    ] {
        assert_eq!(said(&night, kind), None);
    }
}

#[test]
fn trips_are_counted_and_explained_by_their_own_rows() {
    let mut record = sound();
    for (n, basis) in ["12.1 A at the start, never down to running.", "the same"]
        .into_iter()
        .enumerate()
    {
        record.failed(300.0);
        let last = record.cycles.last_mut().unwrap();
        (last.basis, last.end_a) = (basis.into(), Some(10.9 + 0.4 * n as f64));
    }
    record.cycle(60.0, 600.0, |row| {
        (row.ended_by, row.cause) = (Some(EndedBy::Protector), Some(Cause::Overheat));
    });
    let night = whole(&record);
    let trips = said(&night, K::Trips).unwrap();
    assert!(
        trips
            .text
            .starts_with("The protector opened 3 times, first at 00:00:08 on 26 Nov")
    );
    assert_eq!(trips.weight, Weight::Look);
    let causes: Vec<&Sentence> = night
        .sentences
        .iter()
        .filter(|said| said.kind == K::TripsByCause)
        .collect();
    assert_eq!(
        causes[0].text,
        "Twice with a locked rotor, after 8.0 s on, at 10.9 to 11.3 A. The first, on at 00:00:00 on 26 Nov: 12.1 A at the \
         start, never down to running."
    );
    assert_eq!(causes[0].rows.len(), 2);
    assert_eq!(causes[0].places[0].from, record.cycles[10].on_at);
    assert!(causes[1].text.starts_with("Once hot, though"));
    assert_eq!(causes[1].rows, [RowRef::Cycle(record.cycles[12].on_at)]);
    assert_eq!(
        (night.counts.trips.total, night.counts.locked_starts),
        (3, 2)
    );
}

#[test]
fn what_was_measured_by_hand_stands_beside_the_cause_it_bears_on() {
    let mut record = sound();
    record.failed(300.0);
    record.cycle(60.0, 600.0, |row| {
        (row.ended_by, row.cause) = (Some(EndedBy::Protector), Some(Cause::Early));
    });
    let checks = |record: &Record| {
        let night = whole(record);
        let causes = night
            .sentences
            .into_iter()
            .filter(|said| said.kind == K::TripsByCause);
        causes.map(|said| said.check).collect::<Vec<_>>()
    };
    assert_eq!(checks(&record), ["", ""]);
    for (what, shown) in [
        ("capacitor", "3.9"),
        ("capacitor", "2.1"),
        ("protector-cold", "0.4"),
        ("ptc", "12"),
    ] {
        let reading = Reading::new("freezer", what, shown, "J. Doe").unwrap();
        Record::event(&mut record.events, 3000.0, EventKind::Mark, &reading.note());
    }
    assert_eq!(
        checks(&record),
        [
            "Measured by hand: ptc 12 Ohm, capacitor 2.1 uF.",
            "Measured by hand: protector-cold 0.4 Ohm."
        ]
    );
}

#[test]
fn that_it_never_opened_is_said_only_if_nothing_was_missed() {
    let never = |record: &Record| text(&whole(record), K::Trips) == "The protector never opened.";
    assert!(never(&sound()));
    let mut unknown = sound();
    unknown.cycle(600.0, 600.0, |row| row.ended_by = Some(EndedBy::Unknown));
    assert_eq!(
        text(&whole(&unknown), K::Trips),
        "The protector was not seen to open; what ended 1 on-period is not known."
    );
    let mut gap = sound();
    gap.gap(1000.0, 1030.0);
    assert!(!never(&gap));
    let mut fallen = sound();
    Record::event(&mut fallen.events, 4000.0, EventKind::Sensor, "clamp: off");
    assert!(!never(&fallen));
}

#[test]
fn an_end_counts_where_it_falls_and_a_start_where_it_falls() {
    let mut record = sound();
    record.cycle(600.0, 600.0, |row| {
        (row.ended_by, row.cause) = (Some(EndedBy::Protector), Some(Cause::Overload));
    });
    // The stretch begins in the middle of the last on-period.
    let begins_s = (record.cycles[10].on_at - BEGIN_US) as f64 / 1e6 + 300.0;
    let night = told(&record, begins_s, record.now_s);
    assert_eq!((night.counts.starts, night.counts.trips.overload), (0, 1));
    assert_eq!(
        text(&night, K::Starts),
        "No start was seen in 15 min 00 s. On for 5 min 00 s in all (33 % of the time observed)."
    );
    let before = told(&record, 0.0, begins_s);
    assert_eq!((before.counts.starts, before.counts.trips.total), (11, 0));
}

#[test]
fn the_lengths_that_stand_out_and_where() {
    let mut record = sound();
    record.cycle(1900.0, 95.0, |_| {});
    record.sound(1, 600.0, 1200.0);
    let night = whole(&record);
    let shortest = said(&night, K::ShortestOff).unwrap();
    assert!(
        shortest
            .text
            .starts_with("Shortest off-time of 12 seen whole: 1 min 35 s, by the control, from ")
    );
    assert_eq!(shortest.places[0].from, record.cycles[10].off_at.unwrap());
    assert!(text(&night, K::LongestOn).starts_with("Longest on-time: 31 min 40 s"));
    let longest = said(&night, K::LongestOff).unwrap();
    assert!(
        longest
            .text
            .starts_with("Longest off-time of 12 seen whole: 20 min 00 s")
    );
    assert_eq!(longest.rows, [RowRef::Cycle(record.cycles[0].on_at)]);
    assert_eq!(said(&told(&record, 0.0, 0.0), K::LongestOn), None);
    // A gap in an off-time could hide a run: it is not the shortest then.
    record.gap(18_000.0 + 1900.0 + 20.0, 18_000.0 + 1900.0 + 60.0);
    assert!(text(&whole(&record), K::ShortestOff).contains("of 11 seen whole: 20 min 00 s"));
    assert_eq!(said(&told(&record, 0.0, 1000.0), K::LongestOff), None);
}

#[test]
fn each_cause_and_each_other_end_is_told_of_its_own_rows_and_of_no_others() {
    let causes = [
        (Cause::LockedRotor, "Once with a locked rotor"),
        (Cause::Overload, "Once on overload, running"),
        (Cause::Overheat, "Once hot, though"),
        (Cause::Early, "Once early: neither"),
        (Cause::Undetermined, "Once for a cause that the evidence"),
    ];
    for (cause, words) in causes {
        let mut record = sound();
        record.cycle(600.0, 600.0, |row| {
            (row.ended_by, row.cause) = (Some(EndedBy::Protector), Some(cause));
        });
        let night = whole(&record);
        let of_it = said(&night, K::TripsByCause).unwrap();
        assert!(of_it.text.starts_with(words), "{}", of_it.text);
        assert_eq!(of_it.rows, [RowRef::Cycle(record.cycles[10].on_at)]);
        for (_, others) in causes.iter().filter(|(other, _)| *other != cause) {
            assert!(
                night
                    .sentences
                    .iter()
                    .all(|said| !said.text.starts_with(others))
            );
        }
    }
    let mut record = sound();
    record.cycle(600.0, 600.0, |row| row.ended_by = Some(EndedBy::Supply));
    record.cycle(600.0, 600.0, |row| row.ended_by = Some(EndedBy::Unknown));
    assert_eq!(
        text(&whole(&record), K::OtherEnds),
        "On-periods ended: 10 by the control, 1 by a failing supply and 1 by something not known."
    );
    let mut failing = Record::default();
    (0..3).for_each(|_| failing.failed(300.0));
    assert_eq!(said(&whole(&failing), K::OtherEnds), None);
}

/// Cycles of ten minutes on and fifteen off with what else is in them, those of the first half and of the second apart.
fn halves(count: usize, more: impl Fn(usize, bool, &mut CycleRow)) -> Record {
    let mut record = Record::default();
    for n in 0..2 * count {
        record.cycle(600.0, 900.0, |row| more(n, n >= count, row));
    }
    record
}

/// A wobble that repeats, -1 to 1.
fn wobble(n: usize) -> f64 {
    [0.3, -0.8, 0.9, -0.2, -0.6, 1.0, -1.0, 0.4, 0.1, -0.1][n % 10]
}

#[test]
fn what_was_different_in_the_second_half() {
    type Put = fn(&mut CycleRow, f64);
    let current: Put = |row, a| row.run_a = Some(a);
    let room: Put = |row, c| row.ambient_on_c = Some(c);
    let supply: Put = |row, v| row.supply_before_v = Some(v);
    // What it is, before, after, its scatter; and after it a difference that is none.
    let figures = [
        (
            current,
            1.40,
            1.62,
            0.03,
            "running current 1.40 to 1.62 A",
            1.43,
        ),
        (room, 21.0, 24.5, 0.4, "room 21.0 to 24.5 °C", 22.2),
        (
            supply,
            231.0,
            222.0,
            1.5,
            "supply before a start 231 to 222 V",
            229.0,
        ),
    ];
    for (put, before, after, scatter, words, hardly) in figures {
        let drawn = |count, after: f64| {
            halves(count, |n, is_second, row| {
                let figure = if is_second { after } else { before };
                put(row, figure + scatter * wobble(n));
            })
        };
        let record = drawn(10, after);
        let night = whole(&record);
        let changed = said(&night, K::Changed).unwrap();
        let expected =
            format!("Different in its second half, from 23:10:00 on 25 Nov on: {words}.");
        assert_eq!(changed.text, expected);
        assert_eq!((changed.weight, changed.rows.len()), (Weight::Plain, 20));
        assert_eq!(changed.places[0].from, record.cycles[10].on_at);
        assert_eq!(
            said(&whole(&drawn(10, hardly)), K::Changed),
            None,
            "{words}"
        );
        assert_eq!(said(&whole(&drawn(4, after)), K::Changed), None, "{words}");
        // The same figures, here and there over the night.
        let mixed = halves(10, |n, _, row| {
            put(row, if n % 2 == 0 { before } else { after });
        });
        assert_eq!(said(&whole(&mixed), K::Changed), None, "{words}");
    }
    let times = |after_s: f64| {
        let mut record = Record::default();
        for n in 0..24 {
            let on_s = if n >= 12 { after_s } else { 600.0 };
            record.cycle(on_s + 20.0 * wobble(n), 900.0, |_| {});
        }
        record
    };
    let longer = whole(&times(900.0));
    let words = "on-times that the control ended 10 min 0";
    assert!(
        text(&longer, K::Changed).contains(words),
        "{}",
        text(&longer, K::Changed)
    );
    assert_eq!(said(&whole(&times(640.0)), K::Changed), None);
    // Trips in the second half alone, or as often in both.
    let trips = |is_trip: fn(usize) -> bool| {
        halves(12, |n, _, row| {
            if is_trip(n) {
                (row.ended_by, row.cause) = (Some(EndedBy::Protector), Some(Cause::Overload));
            }
        })
    };
    let later = whole(&trips(|n| n >= 14));
    let changed = said(&later, K::Changed).unwrap();
    let words = ": the protector ended 10 of 12 on-periods, after 0 of 12.";
    assert!(changed.text.ends_with(words), "{}", changed.text);
    assert_eq!(changed.weight, Weight::Look);
    assert_eq!(said(&whole(&trips(|n| n % 3 == 0)), K::Changed), None);
}

#[test]
fn what_gaps_could_hide_has_its_least_and_its_most() {
    let mut record = sound();
    record.gap(700.0, 1600.0);
    let night = whole(&record);
    let coverage = said(&night, K::Coverage).unwrap();
    assert_eq!(
        coverage.text,
        "Readings cover 95 % of it: one gap of 15 min 00 s from 19:11:40 on 25 Nov (nothing came from the board)."
    );
    assert_eq!(
        coverage.rows,
        [RowRef::Event(at(700.0)), RowRef::Event(at(1600.0))]
    );
    assert_eq!(
        coverage.places[0],
        Span {
            from: at(700.0),
            until: at(1600.0)
        }
    );
    let hide = text(&night, K::GapsHide);
    // No shorter spacing than the 1800 s from start to start is seen: the ceiling of what is assumed is 600 s, so one fits.
    assert_eq!(
        hide,
        "With what the gaps could hide it was 10 to 11 starts and on for 33 % to 38 % of the time."
    );
    // Ten seconds are bridged by the rows: nothing is hidden.
    let mut short = sound();
    short.gap(700.0, 709.0);
    assert_eq!(said(&whole(&short), K::GapsHide), None);
    assert!(text(&whole(&short), K::Coverage).starts_with("Readings cover 99.95 % of it"));
}

#[test]
fn a_silence_that_lasts_is_a_gap_though_no_row_says_so_yet() {
    let record = sound();
    let night = told(&record, 0.0, record.now_s + 3600.0);
    assert!(
        text(&night, K::Coverage)
            .ends_with("one gap of 1 h 00 min from 00:00:00 on 26 Nov (nothing since then).")
    );
    assert_eq!(night.counts.gaps, 1);
    assert_eq!(told(&record, 0.0, record.now_s + 5.0).counts.gaps, 0);
}

#[test]
fn dangers_sensors_supply_and_clock_each_with_their_event() {
    let (late, sensor, clock) = (EventKind::Late, EventKind::Sensor, EventKind::ClockStep);
    for (kind, event, of_board, expected, weight) in [
        (
            K::Late,
            late,
            false,
            "At 19:50:00 on 25 Nov the protector should have opened",
            Weight::Danger,
        ),
        (
            K::Sensor,
            sensor,
            false,
            "At 19:50:00 on 25 Nov a sensor was found",
            Weight::Doubt,
        ),
        (
            K::ClockStep,
            clock,
            true,
            "The recorder's clock was set once",
            Weight::Doubt,
        ),
    ] {
        let mut record = sound();
        let events = if of_board {
            &mut record.board_events
        } else {
            &mut record.events
        };
        Record::event(events, 3000.0, event, "as it was said");
        let night = whole(&record);
        let said_of = said(&night, kind).unwrap();
        assert!(said_of.text.starts_with(expected), "{}", said_of.text);
        assert!(said_of.text.contains("as it was said"));
        assert_eq!(said_of.weight, weight);
        assert_eq!(said_of.rows, [RowRef::Event(at(3000.0))]);
        // Of the hour before it nothing is said.
        assert_eq!(said(&told(&record, 0.0, 2999.0), kind), None);
    }
    let mut record = sound();
    Record::event(&mut record.events, 3000.0, EventKind::SupplyLost, "");
    Record::event(&mut record.events, 3120.0, EventKind::SupplyBack, "");
    assert_eq!(
        text(&whole(&record), K::SupplyLost),
        "The supply failed once, for 2 min 00 s in all, first at 19:50:00 on 25 Nov."
    );
}

#[test]
fn marks_and_readings_are_told_as_said_and_the_hundredth_is_counted() {
    let mut record = sound();
    let reading = Reading::new("freezer", "common-run", "4.8", "J. Doe, cold").unwrap();
    Record::event(&mut record.events, 3000.0, EventKind::Mark, &reading.note());
    Record::event(
        &mut record.board_events,
        3060.0,
        EventKind::Mark,
        "marked by a person: opened the door",
    );
    let night = whole(&record);
    let marks: Vec<&str> = night
        .sentences
        .iter()
        .filter(|s| s.kind == K::Mark)
        .map(|s| s.text.as_str())
        .collect();
    assert_eq!(
        marks,
        [
            "At 19:50:00 on 25 Nov measured by hand: winding from common to run 4.8 Ohm (J. Doe, cold).",
            "At 19:51:00 on 25 Nov marked by a person: opened the door.",
        ]
    );
    for n in 0..98 {
        Record::event(
            &mut record.events,
            4000.0 + f64::from(n),
            EventKind::Mark,
            "again",
        );
    }
    let night = whole(&record);
    let mut marks = night.sentences.iter().filter(|s| s.kind == K::Mark);
    assert!(
        marks
            .next_back()
            .unwrap()
            .text
            .starts_with("88 more of the same")
    );
}

#[test]
fn a_broken_term_leads_to_each_pair_and_a_finding_to_each_row() {
    let mut record = sound();
    record.cycle(600.0, 100.0, |_| {});
    record.cycle(600.0, 120.0, |_| {});
    record.sound(1, 600.0, 600.0);
    let night = whole(&record);
    let broken = |night: &Night, text: &str| {
        let mut terms = night
            .sentences
            .iter()
            .filter(|s| s.kind == K::Finding(F::TermBroken));
        terms.find(|said| said.text.starts_with(text)).cloned()
    };
    let least_off = broken(&night, "Off for less than 180 s (claim, page 2)").unwrap();
    let offs: Vec<Span> = record.cycles[10..12]
        .iter()
        .map(|c| Span {
            from: c.off_at.unwrap(),
            until: c.next_on_at.unwrap(),
        })
        .collect();
    assert_eq!(least_off.places, offs);
    assert_eq!(
        least_off.rows,
        [10, 11].map(|n: usize| RowRef::Cycle(record.cycles[n].on_at))
    );
    assert_eq!(broken(&whole(&sound()), "Off for less than"), None);
    // The busiest hour is an hour.
    let busiest = said(&night, K::Finding(F::BusiestHour)).unwrap();
    assert_eq!(busiest.places[0].length_s(), 3600.0);
    assert!(busiest.rows.len() >= 3);

    // Starts that fail from some time on: each that failed.
    let mut failing = sound();
    for _ in 0..5 {
        failing.failed(600.0);
    }
    let night = whole(&failing);
    let fails = said(&night, K::Finding(F::FailsFrom)).unwrap();
    assert_eq!(fails.rows.len(), 5);
    assert!(
        failing
            .cycles
            .iter()
            .filter(|c| c.start == StartKind::LockedRotor)
            .map(|c| RowRef::Cycle(c.on_at))
            .eq(fails.rows.iter().copied())
    );
    assert!(!fails.check.is_empty());
}

#[test]
fn a_stretch_of_nothing_says_nothing_and_does_no_harm() {
    let record = sound();
    assert!(told(&record, -9_000.0, -1_000.0).sentences.is_empty());
    let empty = Record::default();
    assert!(whole(&empty).sentences.is_empty());
    for (from, until) in [(i64::MIN, i64::MAX), (i64::MAX, i64::MIN), (0, 0)] {
        let _ = record.with(|evidence| night(evidence, Span { from, until }));
    }
}

#[test]
fn where_clocks_change_each_time_has_its_offset() {
    // Madrid, 25 October 2026, 01:00 UTC: half past two comes twice. The record is drawn a month later and shown earlier.
    let mut record = sound();
    record.failed(300.0);
    let back_us = 31 * 86_400_000_000_i64 + 3_600_000_000 * 17 + 1_800_000_000;
    let night = record.with(|evidence| {
        let evidence = nightclamp_analysis::evidence::Evidence {
            shown_offset_us: -back_us - 2 * 3_600_000_000,
            ..*evidence
        };
        night(&evidence, evidence.span)
    });
    println!("{}", text(&night, K::Trips));
    assert!(text(&night, K::Trips).contains(" (UTC+01:00)"));
    assert!(!text(&whole(&record), K::Trips).contains("UTC"));
}
