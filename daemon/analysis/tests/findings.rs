//! What is said around the cause, on pairs of nights drawn by hand: one where it must be said and one, as like it as can be,
//! where it must not; and on a few simulated ones. Every finding is traced to the rows it rests on.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // tests stop where something is wrong

mod drawn;

use drawn::{BEGIN_US, JOB, Record, S, job};
use nightclamp_analysis::Projection;
use nightclamp_analysis::cycling::{Cycling, TermKind, Whose};
use nightclamp_analysis::evidence::{Evidence, Span};
use nightclamp_analysis::findings::{Finding, FindingKind as K, findings, learned};
use nightclamp_analysis::job::Job;
use nightclamp_analysis::reading::{Reading, readings};
use nightclamp_analysis::rows::{
    Cause, CycleRow, EndedBy, EventKind, EventRow, SampleRow, Sink, StartKind,
};
use nightclamp_protocol::{BoardId, Table};
use nightclamp_simboard::{
    Arrivals, Happening as H, Scenario, SimBoard, StartCircuit, job_toml, write_raw_log,
};

const H_S: f64 = 3600.0;

fn value(finding: &Finding, name: &str) -> f64 {
    finding
        .values
        .iter()
        .find(|(of, _)| *of == name)
        .unwrap_or_else(|| panic!("no {name}"))
        .1
}

/// A wobble that repeats, -1 to 1.
fn wobble(n: usize) -> f64 {
    [0.3, -0.8, 0.9, -0.2, -0.6, 1.0, -1.0, 0.4, 0.1, -0.1][n % 10]
}

#[test]
fn starts_that_fail_after_short_off_times() {
    // Every short off-time of the control is followed by a failed start; long ones never are.
    let mut said = Record::default();
    for _ in 0..5 {
        said.sound(2, 600.0, 900.0);
        said.cycle(600.0, 100.0, |_| {});
        said.failed(400.0);
    }
    let found = said.finds(K::FailsAfterShortOff).unwrap();
    assert_eq!(
        (
            value(&found, "short_failed"),
            value(&found, "short_started")
        ),
        (5.0, 0.0)
    );
    assert_eq!(value(&found, "long_failed"), 0.0);
    assert_eq!(found.rows.len(), 5);
    assert!(found.rows.iter().all(|at| {
        said.cycles
            .iter()
            .any(|c| c.on_at == *at && c.start == StartKind::LockedRotor)
    }));

    // A bad start device: it fails after long off-times, and again and again after the protector's own short ones.
    let mut bad = Record::default();
    bad.sound(10, 600.0, 900.0);
    for _ in 0..4 {
        bad.failed(90.0);
        bad.failed(110.0);
        bad.failed(150.0);
        bad.cycle(600.0, 900.0, |_| {});
    }
    assert_eq!(bad.finds(K::FailsAfterShortOff), None);

    // Three of eight after short ones, one of eight after long ones: that happens by chance.
    let mut chance = Record::default();
    for n in 0..8 {
        chance.cycle(600.0, 100.0, |_| {});
        if n % 3 == 0 {
            chance.failed(350.0)
        } else {
            chance.cycle(600.0, 900.0, |_| {})
        }
        if n == 5 {
            chance.failed(350.0)
        } else {
            chance.cycle(600.0, 900.0, |_| {})
        }
    }
    assert_eq!(chance.finds(K::FailsAfterShortOff), None);
}

#[test]
fn starts_that_fail_only_from_some_time_on() {
    let mut said = Record::default();
    said.sound(15, 600.0, 900.0);
    for n in 0..6 {
        if n == 3 {
            said.sound(1, 600.0, 900.0)
        } else {
            said.failed(120.0);
            said.sound(1, 600.0, 900.0)
        }
    }
    let found = said.finds(K::FailsFrom).unwrap();
    assert_eq!(
        (
            value(&found, "before_started"),
            value(&found, "from_failed")
        ),
        (14.0, 5.0)
    );
    assert!(
        found.sentence.contains("01:15:00 on 26 Nov"),
        "{}",
        found.sentence
    );
    assert!(found.chance.unwrap() < 0.001);
    // The same number, here and there over the night.
    let mut spread = Record::default();
    for n in 0..20 {
        if n % 4 == 2 {
            spread.failed(120.0)
        }
        spread.sound(1, 600.0, 900.0);
    }
    assert_eq!(spread.finds(K::FailsFrom), None);
    // The same starts, but the supply was low at those that failed: that is not the start device's.
    let mut low = Record::default();
    low.sound(15, 600.0, 900.0);
    for _ in 0..5 {
        low.failed(120.0);
        low.sound(1, 600.0, 900.0)
    }
    for row in &mut low.cycles {
        row.supply_before_v = Some(if row.start == StartKind::LockedRotor {
            190.0
        } else {
            230.0
        });
    }
    assert_eq!(low.finds(K::FailsFrom), None);
}

#[test]
fn a_start_winding_that_stays_in() {
    let night = |stays: usize, drops: usize, run_a: f64| {
        let mut record = Record::default();
        for n in 0..stays + drops {
            record.cycle(600.0, 900.0, |row| {
                row.start_lead_peak_a = Some(6.1);
                row.start_lead_a = Some(if n < stays { 1.3 } else { 0.012 });
                row.run_a = Some(if n < stays { run_a } else { 1.4 });
            });
        }
        record
    };
    let some = night(4, 9, 3.6).finds(K::StartLeadStays).unwrap();
    assert_eq!((value(&some, "stays"), value(&some, "drops")), (4.0, 9.0));
    // Never out, and the compressor draws far more than its rated load.
    assert!(night(8, 0, 3.6).finds(K::StartLeadStays).is_some());
    // A run capacitor is wired: some current stays in the start lead by right.
    assert_eq!(night(8, 0, 1.4).finds(K::StartLeadStays), None);
    assert_eq!(night(0, 12, 1.4).finds(K::StartLeadStays), None);
}

#[test]
fn a_supply_that_sags() {
    let night = |sag: &dyn Fn(usize) -> f64| {
        let mut record = Record::default();
        for n in 0..9 {
            record.cycle(600.0, 900.0, |row| {
                row.supply_before_v = Some(230.0);
                row.supply_low_v = Some(230.0 * (1.0 - sag(n)));
            });
        }
        record
    };
    let found = night(&|n| 0.13 + 0.01 * wobble(n))
        .finds(K::SupplySags)
        .unwrap();
    assert_eq!(found.rows.len(), 9);
    assert!((value(&found, "sag_share") - 0.13).abs() < 0.01);
    assert_eq!(
        night(&|n| 0.05 + 0.02 * wobble(n)).finds(K::SupplySags),
        None
    );
    // A brown-out fell into three starts; the line is sound.
    assert_eq!(
        night(&|n| if n < 3 { 0.2 } else { 0.03 }).finds(K::SupplySags),
        None
    );
}

#[test]
fn a_current_that_rises_through_a_run() {
    let night = |ratio: &dyn Fn(usize) -> f64| {
        let mut record = Record::default();
        for n in 0..12 {
            record.cycle(600.0, 900.0, |row| {
                row.run_first_a = Some(1.45);
                row.run_last_a = Some(1.45 * ratio(n));
            });
        }
        record
    };
    let found = night(&|n| if n >= 8 { 1.11 } else { 0.96 })
        .finds(K::CurrentRises)
        .unwrap();
    assert_eq!((value(&found, "risen"), value(&found, "runs")), (4.0, 12.0));
    assert!(night(&|_| 1.14).finds(K::CurrentRises).is_some());
    assert_eq!(
        night(&|n| 1.03 + 0.03 * wobble(n)).finds(K::CurrentRises),
        None
    );
    assert_eq!(
        night(&|n| if n >= 10 { 1.3 } else { 0.96 }).finds(K::CurrentRises),
        None,
        "twice is not often"
    );
}

#[test]
fn a_current_that_falls_while_the_case_gets_hot() {
    let night = |last_a: f64, case_c: f64| {
        let mut record = Record::default();
        for n in 0..8 {
            record.cycle(1600.0, 900.0, |row| {
                row.run_first_a = Some(1.5);
                row.run_last_a = Some(last_a + 0.02 * wobble(n));
                row.case_off_c = Some(case_c + wobble(n));
            });
        }
        record
    };
    let found = night(1.25, 108.0).finds(K::CurrentFallsHot).unwrap();
    assert_eq!(found.rows.len(), 8);
    assert_eq!(
        night(1.25, 58.0).finds(K::CurrentFallsHot),
        None,
        "every run falls as the suction pressure comes down"
    );
    assert_eq!(
        night(1.48, 108.0).finds(K::CurrentFallsHot),
        None,
        "hot, but not from little load"
    );
}

#[test]
fn an_opening_temperature_that_drifts() {
    let night = |cause: Cause, opened_c: &dyn Fn(usize) -> f64| {
        let mut record = Record::default();
        for n in 0..12 {
            record.cycle(900.0, 900.0, |row| {
                row.ended_by = Some(EndedBy::Protector);
                row.cause = Some(cause);
                row.end_a = Some(1.6 + 0.02 * wobble(n + 3));
                row.case_off_c = Some(opened_c(n));
            });
        }
        record
    };
    let tired = night(Cause::Overheat, &|n| 118.0 - 0.7 * n as f64 + wobble(n));
    let found = tired.finds(K::OpeningDrifts).unwrap();
    let (low, high) = (
        value(&found, "slope_low_c_per_trip"),
        value(&found, "slope_high_c_per_trip"),
    );
    assert!(low < -0.7 && -0.7 < high && high < 0.0, "{low} to {high}");
    assert_eq!(found.rows.len(), 12);
    // A sound disc scatters by a kelvin.
    assert_eq!(
        night(Cause::Overheat, &|n| 118.0 + wobble(n)).finds(K::OpeningDrifts),
        None
    );
    // It drifts, but by less than anybody should be told of.
    assert_eq!(
        night(Cause::Overheat, &|n| 118.0 - 0.1 * n as f64
            + 0.1 * wobble(n))
        .finds(K::OpeningDrifts),
        None
    );
    // A stalled rotor's case warms from trip to trip whatever the disc does.
    assert_eq!(
        night(Cause::LockedRotor, &|n| 60.0 + 3.0 * n as f64).finds(K::OpeningDrifts),
        None
    );
}

/// A `sensor` or `sensor-back` event as the record has it.
fn sensor(record: &mut Record, kind: EventKind, at_s: f64, what: &str, since_s: f64) {
    let since = chrono::DateTime::from_timestamp_micros(BEGIN_US + (since_s * 1e6) as i64).unwrap();
    let again = match kind {
        EventKind::SensorBack => "believed again",
        _ => "may hold",
    };
    let detail = format!(
        "{what}; {again} since {}",
        since.format("%Y-%m-%dT%H:%M:%SZ")
    );
    Record::event(&mut record.events, at_s, kind, &detail);
}

#[test]
fn what_a_bead_showed_that_had_fallen_goes_into_no_finding() {
    // Opening lower and lower, but from the third trip on the bead hangs in the air beside the case.
    let night = || {
        let mut record = Record::default();
        for n in 0..12 {
            record.cycle(900.0, 900.0, |row| {
                row.ended_by = Some(EndedBy::Protector);
                row.cause = Some(if n < 2 { Cause::Overheat } else { Cause::Early });
                row.end_a = Some(1.6);
                row.case_off_c = Some(118.0 - 0.7 * n as f64 + wobble(n));
            });
        }
        record
    };
    assert!(night().finds(K::OpeningDrifts).is_some());
    let mut fallen = night();
    sensor(
        &mut fallen,
        EventKind::Sensor,
        8000.0,
        "case: bead off",
        3700.0,
    );
    assert_eq!(fallen.finds(K::OpeningDrifts), None);
    let causes = |record: &Record| -> Vec<Option<Cause>> {
        record.with(|evidence| evidence.believed().iter().map(|row| row.cause).collect())
    };
    // The third run ended at 4500 s: with a bead that had fallen nothing is said of why.
    let told = causes(&fallen);
    assert_eq!(told[..2], [Some(Cause::Overheat); 2]);
    assert_eq!(told[2..], [Some(Cause::Undetermined); 10]);
    // Believed again: from then on it counts.
    sensor(
        &mut fallen,
        EventKind::SensorBack,
        15_000.0,
        "case: it follows",
        15_000.0,
    );
    assert_eq!(causes(&fallen)[8..], [Some(Cause::Early); 4]);
    let once = fallen.with(|evidence| evidence.believed());
    fallen.cycles.clone_from(&once);
    assert_eq!(
        fallen.with(|evidence| evidence.believed()),
        once,
        "twice is once"
    );
}

#[test]
fn while_the_clamp_lay_beside_its_lead_nothing_is_known_of_the_current() {
    let night = |fell: bool| {
        let mut record = Record::default();
        record.sound(4, 600.0, 1200.0);
        // It falls in the middle of a run, and two hours later it is put back.
        record.cycle(300.0, 7500.0, |row| row.ended_by = Some(EndedBy::Unknown));
        record.sound(4, 600.0, 1200.0);
        if fell {
            sensor(
                &mut record,
                EventKind::Sensor,
                9000.0,
                "current: clamp off",
                7500.0,
            );
            sensor(
                &mut record,
                EventKind::SensorBack,
                15_060.0,
                "current: it moves",
                15_000.0,
            );
        }
        record
    };
    let whole = night(false).with(Cycling::of);
    let fallen = night(true).with(Cycling::of);
    assert_eq!((whole.observed, whole.duty.least), (1.0, whole.duty.most));
    let unseen = 7500.0 / night(true).now_s;
    assert!(
        (fallen.observed - (1.0 - unseen)).abs() < 1e-4,
        "{fallen:?}"
    );
    assert!((fallen.duty.most - fallen.duty.least - unseen).abs() < 1e-4);
    assert_eq!(
        whole.off_times.unknown.count, 1,
        "seven thousand seconds off"
    );
    assert_eq!(
        fallen.off_times.unknown.count, 0,
        "nobody knows how long it was off"
    );
    assert_eq!(
        fallen.on_times.count,
        whole.on_times.count - 2,
        "nor how long these two ran"
    );
    assert_eq!(whole.starts.seen.len() - fallen.starts.seen.len(), 1);
    assert!(fallen.rolling.unwrap().most > fallen.rolling.unwrap().least);
}

/// Days of cycles, half an hour each; `trips(hour of the record)` says which overheat, `room_c(hour)` how warm it is.
fn days(count: u32, trips: impl Fn(f64) -> bool, room_c: impl Fn(f64) -> f64) -> Record {
    let mut record = Record::default();
    for n in 0..48 * count {
        let hour = f64::from(n) / 2.0;
        record.cycle(800.0, 1000.0, |row| {
            row.ambient_on_c = Some(room_c(hour));
            if trips(hour) {
                row.ended_by = Some(EndedBy::Protector);
                row.cause = Some(Cause::Overheat);
            }
        });
    }
    record
}

#[test]
fn trips_at_certain_hours() {
    // The record begins at 19:00 of the place: its hour 20 is three in the afternoon.
    let found = days(4, |hour| (20.5..22.0).contains(&(hour % 24.0)), |_| 25.0)
        .finds(K::TripsByHour)
        .unwrap();
    assert_eq!(
        (
            value(&found, "from_h"),
            value(&found, "until_h"),
            value(&found, "days")
        ),
        (15.0, 18.0, 4.0)
    );
    assert_eq!(found.rows.len(), 12);
    // The same number of trips on one bad afternoon.
    assert_eq!(
        days(4, |hour| (44.0..50.0).contains(&hour), |_| 25.0).finds(K::TripsByHour),
        None
    );
    // On every day, but at another hour each.
    assert_eq!(
        days(4, |hour| (hour % 29.0) < 1.5, |_| 25.0).finds(K::TripsByHour),
        None
    );
}

#[test]
fn trips_when_the_room_is_warm() {
    let room_c = |hour: f64| {
        let day = (hour / 24.0).floor();
        26.0 + (2.0 + day % 3.0) * (core::f64::consts::TAU * (hour - 14.0 - day) / 24.0).cos()
    };
    let found = days(5, |hour| room_c(hour) > 27.9, room_c)
        .finds(K::TripsByAmbient)
        .unwrap();
    assert!(value(&found, "tripped_c") - value(&found, "others_c") > 2.0);
    // As many trips in one stretch that happened to be warm.
    assert_eq!(
        days(5, |hour| (12.0..18.0).contains(&hour), room_c).finds(K::TripsByAmbient),
        None
    );
    // Here and there, whatever the room.
    assert_eq!(
        days(5, |hour| (hour % 17.0) < 2.0, room_c).finds(K::TripsByAmbient),
        None
    );
}

#[test]
fn readings_by_hand_stand_beside_what_they_bear_on() {
    let mut record = Record::default();
    record.sound(15, 600.0, 900.0);
    for _ in 0..5 {
        record.failed(120.0);
        record.sound(1, 600.0, 900.0)
    }
    for (what, shown) in [
        ("ptc", "OL"),
        ("capacitor", "2.1"),
        ("common-start", "16.2"),
        ("insulation", "OL"),
    ] {
        let reading = Reading::new("freezer", what, shown, "J. Doe").unwrap();
        Record::event(
            &mut record.events,
            8.0 * H_S,
            EventKind::Mark,
            &reading.detail(),
        );
    }
    let before = record.with(Cycling::of);
    assert_eq!(record.with(|evidence| readings(evidence.events)).len(), 4);
    let found = record.finds(K::FailsFrom).unwrap();
    assert!(
        found
            .check
            .ends_with("Measured by hand: ptc OL, capacitor 2.1 uF, common-start 16.2 Ohm."),
        "{}",
        found.check
    );
    let by_hand: Vec<Finding> = record
        .with(findings)
        .into_iter()
        .filter(|finding| finding.kind == K::Reading)
        .collect();
    assert_eq!(
        by_hand.iter().map(|f| f.values[0].0).collect::<Vec<_>>(),
        ["ptc-open"]
    );
    record.events.clear();
    assert_eq!(
        record.with(Cycling::of),
        before,
        "what a person says changes nothing else"
    );
}

#[test]
fn terms_are_judged_pair_by_pair_with_their_citation() {
    let mut record = Record::default();
    record.sound(3, 700.0, 900.0); // 2.25 an hour
    record.cycle(100.0, 170.0, |_| {}); // short run, short off
    record.failed(100.0); // the protector's own off-time
    record.failed(175.0);
    record.sound(2, 700.0, 900.0);
    let cycling = record.with(Cycling::of);
    let term = |kind| cycling.terms.iter().find(|term| term.kind == kind).unwrap();
    let of = |kind, whose| {
        term(kind)
            .judged
            .iter()
            .find(|j| j.whose == whose)
            .cloned()
            .unwrap()
    };
    let control = of(TermKind::LeastOff, Whose::Control);
    assert_eq!((control.pairs, control.violations.len()), (6, 1));
    assert_eq!(
        (control.violations[0].value, control.violations[0].limit),
        (170.0, 180.0)
    );
    assert_eq!(
        control.violations[0].first_at,
        record.cycles[3].off_at.unwrap()
    );
    assert_eq!(control.violations[0].second_at, record.cycles[4].on_at);
    assert_eq!(of(TermKind::LeastOff, Whose::Protector).violations.len(), 2);
    assert_eq!(
        of(TermKind::LeastRun, Whose::Control).violations[0].value,
        100.0
    );
    assert_eq!(of(TermKind::LeastRun, Whose::Protector).violations.len(), 2);
    // Starts at 0, 1600, 3200, 4800, 5070, 5178, 5361, 6961 and 8561 s: the fourth from each of these on comes within an hour.
    let all = of(TermKind::StartsPerHour, Whose::All);
    let begins: Vec<i64> = all
        .violations
        .iter()
        .map(|v| (v.first_at - BEGIN_US) / S)
        .collect();
    assert_eq!(begins, [1600, 3200, 4800, 5070]);
    assert_eq!(
        all.violations.iter().map(|v| v.value).collect::<Vec<_>>(),
        [5.0, 5.0, 5.0, 4.0]
    );
    // Without those at 5178 and 5361 s, after the protector's openings.
    let alone = of(TermKind::StartsPerHour, Whose::Control);
    let begins: Vec<i64> = alone
        .violations
        .iter()
        .map(|v| (v.first_at - BEGIN_US) / S)
        .collect();
    assert_eq!((begins, alone.violations[0].value), (vec![1600], 4.0));
    assert_eq!(
        term(TermKind::StartsPerHour).citation.as_deref(),
        Some("claim, page 2")
    );
    assert_eq!(term(TermKind::LeastRun).citation, None);
    let words = record.with(|evidence| cycling.findings(evidence));
    words
        .iter()
        .for_each(|f| println!("[{}] {} -> {}", f.kind.as_str(), f.sentence, f.check));
    assert!(words.iter().any(|f| f.sentence.starts_with(
        "Off for less than 180 s (claim, page 2) by the control: 1 of 6 (170 s from"
    )));
    // A night that keeps every term: nothing is said of them.
    let mut kept = Record::default();
    kept.sound(10, 600.0, 900.0);
    let said = kept.with(|evidence| Cycling::of(evidence).findings(evidence));
    assert!(said.iter().all(|f| f.kind != K::TermBroken), "{said:?}");
}

#[test]
fn gaps_give_the_least_and_the_most_it_can_have_been() {
    let mut record = Record::default();
    record.sound(6, 300.0, 300.0);
    // Silent from within the off-time at 3400 s to within the on-time at 4300 s: it has started in between.
    record.gap(3400.0, 4300.0);
    record.now_s = 4300.0;
    record.cycle(200.0, 400.0, |row| row.on_seen = false);
    record.sound(2, 300.0, 300.0);
    let before = record.cycles.len() - 4;
    record.cycles[before].next_on_at = Some(BEGIN_US + 4300 * S);
    record.cycles[before].off_s = None;
    let cycling = record.with(Cycling::of);
    let busiest = cycling.rolling.unwrap();
    assert_eq!((busiest.seen, busiest.least, busiest.most), (6, 6, 6));
    let said = record.with(|evidence| cycling.findings(evidence));
    println!("{}", said[0].sentence);
    // Seen at 3000 and 4900, surely one between 3400 and 4300; starts here lie 600 s apart at the closest, so a second fits
    // only if the first is at 3600 and the second at 4200.
    let window = Span {
        from: BEGIN_US + 3000 * S,
        until: BEGIN_US + 4950 * S,
    };
    assert_eq!(cycling.starts.least_in(window, false), 3);
    assert_eq!(cycling.starts.most_in(window, false), 4);
    assert!((cycling.duty.most - cycling.duty.least - 900.0 / (record.now_s)).abs() < 1e-9);
    let open = &cycling.terms[1].judged[0];
    assert_eq!(
        (open.whose, open.open),
        (Whose::Control, 1),
        "an off-time that ran into a gap is not judged"
    );
    assert_eq!(cycling.off_times.left_out, 1);
}

#[test]
fn times_share_and_parabola_of_six_minutes_on_and_twenty_four_off() {
    let mut record = Record::default();
    record.sound(16, 360.0, 1440.0);
    let cycling = record.with(Cycling::of);
    assert!((cycling.duty.share - 0.2).abs() < 1e-9);
    let fit = cycling.parabola.unwrap();
    assert!((fit.peak_per_hour - 3.125).abs() < 1e-9 && (fit.per_hour - 2.0).abs() < 1e-9);
    assert_eq!(
        (
            cycling.on_times.median_s(),
            cycling.off_times.control.median_s()
        ),
        (Some(360.0), Some(1440.0))
    );
    // 300 to 600 s, and 1200 to 1800 s.
    assert_eq!(
        (cycling.on_times.bins[5], cycling.off_times.control.bins[7]),
        (16, 16)
    );
    assert_eq!(
        cycling.rolling.map(|r| (r.seen, r.least, r.most)),
        Some((2, 2, 2))
    );
    assert_eq!(cycling.hours.len(), 8);
    assert_eq!(cycling.hours[0].local, "2026-11-25 19:00");
    assert!(
        cycling
            .hours
            .iter()
            .all(|hour| hour.seen == 2 && (hour.observed - 1.0).abs() < 1e-9)
    );
    assert_eq!(cycling.hours_of_day[19].seen, 2);
}

#[test]
fn restarts_before_pressures_equalise_where_no_term_says_how_long() {
    let terms_of_none = JOB.split("[unit.limits]").next().unwrap();
    let job = Job::parse(terms_of_none, "pairs.toml").unwrap();
    let said = |off_s: f64| {
        let mut record = Record::default();
        record.sound(4, 600.0, 900.0);
        record.cycle(600.0, off_s, |_| {});
        record.sound(4, 600.0, 900.0);
        let found = record.under(&job, |evidence| Cycling::of(evidence).findings(evidence));
        let found = found.into_iter().find(|of| of.kind == K::NotEqualised);
        (found, record.cycles[4].off_at)
    };
    let (found, off_at) = said(100.0);
    let found = found.expect("said");
    assert!(found.sentence.contains("1 of 9 (100 s from"), "{found:?}");
    assert_eq!(found.rows.first().copied(), off_at);
    assert_eq!(said(400.0).0, None);
}

#[test]
fn cycles_that_follow_a_thermostats_parabola_and_cycles_that_something_else_makes() {
    let said = |times: &[(f64, f64)]| {
        let mut record = Record::default();
        for (on_s, off_s) in times.iter().cycle().take(24) {
            record.sound(1, *on_s, *off_s);
        }
        let found = record.with(|evidence| Cycling::of(evidence).findings(evidence));
        found.into_iter().find(|of| of.kind == K::Parabola)
    };
    // A band of 3.1 starts an hour at most, by N = 4 Nmax X (1 - X): on for 20, 33 and 50 % of the time.
    let band = |share: f64| {
        let per_hour = 4.0 * 3.1 * share * (1.0 - share);
        (
            3_600.0 * share / per_hour,
            3_600.0 * (1.0 - share) / per_hour,
        )
    };
    let follows = said(&[band(0.2), band(0.33), band(0.5)]).expect("said");
    assert!(follows.sentence.contains("cycles follow"), "{follows:?}");
    assert!(
        (value(&follows, "peak_per_hour") - 3.1).abs() < 0.1,
        "{follows:?}"
    );
    // A timer: ten minutes from start to start, whatever the load.
    let other = said(&[(60.0, 540.0), (180.0, 420.0), (480.0, 120.0)]).expect("said");
    assert!(other.sentence.contains("do not follow"), "{other:?}");
}

// ---- simulated

#[derive(Default)]
struct Rows {
    span: Option<(i64, i64)>,
    board_events: Vec<EventRow>,
    record: Record,
}

impl Sink for Rows {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, row: &SampleRow<'_>) {
        self.span = Some((self.span.map_or(row.time, |span| span.0), row.time));
    }
    fn event(&mut self, unit: &str, row: EventRow) {
        if unit == "freezer" {
            self.record.events.push(row)
        } else {
            self.board_events.push(row)
        }
    }
    fn cycle(&mut self, _: &str, row: CycleRow) {
        self.record.cycles.push(row);
    }
}

/// What is said of a simulated night, and what was learned of it; `notes` are put in before its last line.
fn simulated(scenario: Scenario, note: &str) -> (Vec<Finding>, Rows, Vec<String>) {
    let job = Job::parse(&job_toml(&scenario), "job.toml").unwrap();
    let until_s = scenario.record_s;
    let mut board = SimBoard::new(scenario);
    let mut raw = Vec::new();
    write_raw_log(
        &mut board,
        BEGIN_US,
        until_s,
        &mut Arrivals::calm(1),
        &mut raw,
        true,
    )
    .unwrap();
    raw.extend_from_slice(note.as_bytes());
    let (mut projection, mut rows) = (Projection::new(job.clone()), Rows::default());
    projection.feed(0, &raw, &mut rows);
    projection.finish(&mut rows);
    let span = rows.span.unwrap();
    let evidence = Evidence {
        unit: &job.units[0],
        zone: job.timezone,
        shown_offset_us: 0,
        span: Span {
            from: span.0,
            until: span.1,
        },
        cycles: &rows.record.cycles,
        events: &rows.record.events,
        board_events: &rows.board_events,
    };
    let (said, learned) = (findings(&evidence), learned(&evidence).words());
    said.iter()
        .for_each(|f| println!("[{}] {} -> {}", f.kind.as_str(), f.sentence, f.check));
    (said, rows, learned)
}

fn steady(hours: f64) -> Scenario {
    let mut s = Scenario::by_name("steady", 5).unwrap();
    s.record_s = hours * H_S;
    s.board.period_ms = 200;
    s
}

fn has(said: &[Finding], kind: K) -> bool {
    said.iter().any(|finding| finding.kind == kind)
}

#[test]
fn a_steady_night_has_nothing_said_of_it_and_a_reading_in_its_log_stands_among_its_events() {
    let at = BEGIN_US + 10 * 3600 * S;
    let note = format!(
        "#{at} reading unit=freezer what=common-run value=4.8 Ohm by=J. Doe\n#{at} reading unit=other what=x\n"
    );
    let (said, rows, learned) = simulated(steady(10.0), &note);
    assert!(said.is_empty(), "{said:?}");
    let mark = rows
        .record
        .events
        .iter()
        .find(|e| e.kind == EventKind::Mark)
        .unwrap();
    assert_eq!(
        mark.detail,
        "reading unit=freezer what=common-run value=4.8 Ohm by=J. Doe"
    );
    assert!((mark.time - at).abs() < S);
    assert!(
        rows.board_events
            .iter()
            .any(|e| e.detail == "a reading that fits no unit of the job: unit=other what=x")
    );
    learned.iter().for_each(|line| println!("{line}"));
    assert_eq!(learned.len(), 5);
    let (silent, _, _) = simulated(steady(10.0), "");
    assert_eq!(silent, said);
}

#[test]
fn a_start_device_that_fails_from_the_middle_of_a_simulated_night_on() {
    let mut s = steady(12.0);
    s.at(6.0 * H_S, H::Start(0, StartCircuit::Weak(0.9)));
    let (said, rows, _) = simulated(s, "");
    let found = said.iter().find(|f| f.kind == K::FailsFrom).unwrap();
    assert!(found.rows.iter().all(|at| *at > BEGIN_US + 6 * 3600 * S));
    assert!(
        found
            .rows
            .iter()
            .all(|at| rows.record.cycles.iter().any(|c| c.on_at == *at))
    );
}

#[test]
fn a_supply_a_condenser_and_a_start_winding_in_simulated_nights() {
    let mut weak = steady(5.0);
    weak.supply.sag_share = 0.16;
    assert!(has(&simulated(weak, "").0, K::SupplySags));

    let mut hot = steady(8.0);
    hot.at(3.0 * H_S, H::Fan(0, false));
    let (said, _, _) = simulated(hot, "");
    assert!(has(&said, K::CurrentRises), "{said:?}");

    let with_lead = |stays: bool| {
        let mut s = steady(6.0);
        let clamp = s.channels[0].clone();
        let source = nightclamp_simboard::Source::StartLead(0);
        s.channels.push(nightclamp_simboard::scenario::ChannelSpec {
            place: "start".to_owned(),
            source,
            ..clamp
        });
        if stays {
            s.between(
                2.0 * H_S,
                5.0 * H_S,
                H::Start(0, StartCircuit::StaysIn(2.2)),
                H::Start(0, StartCircuit::Sound),
            );
        }
        simulated(s, "").0
    };
    assert!(has(&with_lead(true), K::StartLeadStays));
    assert!(!has(&with_lead(false), K::StartLeadStays));
}

#[test]
fn a_disc_that_tires_in_a_simulated_day_and_one_that_does_not() {
    let day = |tires_by_k: f64| {
        let mut s = steady(30.0);
        s.board.period_ms = 1000;
        s.units[0].protector.tires_by_k = tires_by_k;
        s.at(1.0 * H_S, H::Fan(0, false));
        s.at(1.0 * H_S, H::Warmer(6.0));
        let (said, _, _) = simulated(s, "");
        said.into_iter()
            .find(|found| found.kind == K::OpeningDrifts)
    };
    let slope = value(&day(1.2).unwrap(), "slope_c_per_trip");
    assert!((slope + 1.2).abs() < 0.1, "{slope}");
    assert_eq!(day(0.0), None);
}

/// Rows that somebody has made up, with any instants: nothing falls over and nothing runs on for ever.
#[test]
fn rows_with_impossible_instants_do_no_harm() {
    let edges = [
        i64::MIN,
        i64::MIN + 1,
        -1,
        0,
        BEGIN_US,
        i64::MAX - 1,
        i64::MAX,
    ];
    for from in edges {
        for until in edges {
            let mut record = Record::default();
            record.sound(4, 600.0, 900.0);
            for (n, row) in record.cycles.iter_mut().enumerate() {
                row.on_at = edges[(n * 3) % 7];
                row.off_at = Some(edges[(n * 5 + 1) % 7]);
                row.next_on_at = Some(edges[(n + 2) % 7]);
                row.on_seen = n % 2 == 0;
                row.off_s = Some(f64::NAN);
                row.on_s = Some(f64::INFINITY);
                row.ended_by = Some(EndedBy::Protector);
                row.ambient_on_c = Some(f64::NAN);
            }
            for at in edges {
                let (time, cause, current_a, case_c, detail) =
                    (at, None, None, None, String::new());
                let kind = if at % 2 == 0 {
                    EventKind::GapBegin
                } else {
                    EventKind::GapEnd
                };
                record.board_events.push(EventRow {
                    time,
                    kind,
                    cause,
                    current_a,
                    case_c,
                    detail,
                });
            }
            let job = job();
            let evidence = Evidence {
                unit: &job.units[0],
                zone: job.timezone,
                shown_offset_us: i64::MAX,
                span: Span { from, until },
                cycles: &record.cycles,
                events: &[],
                board_events: &record.board_events,
            };
            let cycling = Cycling::of(&evidence);
            let said = cycling
                .findings(&evidence)
                .into_iter()
                .chain(findings(&evidence));
            assert!(said.count() < 100);
        }
    }
}
