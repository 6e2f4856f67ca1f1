//! Ends of runs without a demand contact, and coarse clamps: short records drawn by hand, with what they carry and what not.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a failed test has to stop"
)]

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{
    Cause, CycleRow, EndedBy, EventKind, EventRow, SampleRow, Sink, StartKind,
};
use nightclamp_protocol::{BoardId, Table, line};

const BEGIN_US: i64 = 1_795_629_600_000_000;
const NAMEPLATE: &str = "rated_load_a = 1.9\nlocked_rotor_a = 12.4\n";
const PROTECTOR: &str = "[unit.protector]\nkind = \"external-strip\"\nopens_c = 120.0\nopens_tol_c = 5.0\ncloses_c = 61.0\n\
    closes_tol_c = 9.0\nlongest_trip_s = 60\n";

#[derive(Default)]
struct Rows {
    events: Vec<EventRow>,
    cycles: Vec<CycleRow>,
}

impl Sink for Rows {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {}
    fn event(&mut self, unit: &str, row: EventRow) {
        if unit == "freezer" {
            self.events.push(row);
        }
    }
    fn cycle(&mut self, _: &str, row: CycleRow) {
        self.cycles.push(row);
    }
}

/// For so many seconds: current from one value to another, A (not a number: out of the clamp's range), and the case, Cel.
type Leg = (f64, (f64, f64), (f64, f64));

/// What is made of legs that a board reports every `period_s`, its clamp in steps of `step_a`.
fn rows(legs: &[Leg], period_s: f64, step_a: f64, nameplate: &str) -> Rows {
    rows_of(legs, period_s, step_a, nameplate, PROTECTOR)
}

fn rows_of(legs: &[Leg], period_s: f64, step_a: f64, nameplate: &str, protector: &str) -> Rows {
    let job = format!(
        "[job]\nname = \"ends\"\ntimezone = \"UTC\"\n[[unit]]\nname = \"freezer\"\nboard = \"7f3a91c2\"\n{nameplate}\
         [unit.channels]\ncurrent = \"common\"\ncase = \"case\"\n{protector}"
    );
    let mut log = String::new();
    let mut put = |at_s: f64, body: String| {
        let at_us = BEGIN_US + (at_s * 1e6) as i64 + 3_000;
        log.push_str(&format!("@{at_us} {}", line(body)));
    };
    put(0.0, "N 0 boot power-on".into());
    put(
        0.0,
        format!("H 1 7f3a91c2 1 2 {} drawn", (period_s * 1e3) as u32),
    );
    put(0.0, "C 0 current A -3 common ct".into());
    put(0.0, "C 1 temperature Cel -2 case ic".into());
    let (mut seq, mut begin_s) = (0_u32, 0.0);
    for (for_s, current, case) in legs {
        loop {
            let end_s = f64::from(seq + 1) * period_s;
            let share = (end_s - begin_s) / for_s;
            if share > 1.0 + 1e-9 {
                break;
            }
            let between = |(from, to): &(f64, f64)| from + (to - from) * share;
            let amps = (between(current) / step_a).round() * step_a;
            let (milliamps, centi) = ((amps * 1e3).round(), (between(case) * 100.0).round());
            let reading = match milliamps {
                beyond if beyond.is_nan() => "r".to_owned(),
                milliamps => milliamps.to_string(),
            };
            put(
                end_s,
                format!(
                    "S {} {} {reading} {centi}",
                    seq % 65_536,
                    (end_s * 1e3).round()
                ),
            );
            seq += 1;
        }
        begin_s += for_s;
    }
    let mut rows = Rows::default();
    let mut projection = Projection::new(Job::parse(&job, "ends.toml").unwrap());
    projection.feed(0, log.as_bytes(), &mut rows);
    projection.finish(&mut rows);
    rows
}

/// A sound start and a run of `on_s`, and `off_s` after it: case at the end of the run, and when current is back.
fn cycle(on_s: f64, run_a: f64, off_s: f64, (end_c, back_c): (f64, f64)) -> [Leg; 3] {
    [
        (1.0, (11.0, 10.0), (back_c, back_c)),
        (on_s - 1.0, (1.1 * run_a, run_a), (back_c, end_c)),
        (off_s, (0.0, 0.0), (end_c, back_c)),
    ]
}

#[test]
fn a_long_run_far_above_rated_load_is_the_protectors_only_if_it_had_time_to_close() {
    // Rated load 1.9 A, the protector opens from 115 Cel and closes at 70 Cel at the most.
    for (run_a, off_s, end_c, back_c, ended_by, cause) in [
        (
            3.5,
            885.0,
            105.0,
            63.0,
            EndedBy::Protector,
            Some(Cause::Overload),
        ),
        // Back while the case was still hot: a control held it off, the protector was closed.
        (3.5, 885.0, 105.0, 90.0, EndedBy::Control, None),
        // Back within half a minute.
        (3.5, 30.0, 105.0, 63.0, EndedBy::Unknown, None),
        // What a protector may carry for ever does not decide, nor does a case no hotter than one at which it closes.
        (2.6, 885.0, 105.0, 63.0, EndedBy::Unknown, None),
        (3.5, 885.0, 76.0, 63.0, EndedBy::Unknown, None),
    ] {
        let legs: Vec<Leg> = [(60.0, (0.0, 0.0), (back_c, back_c))]
            .into_iter()
            .chain((0..3).flat_map(|_| cycle(1_000.0, run_a, off_s, (end_c, back_c))))
            .collect();
        let rows = rows(&legs, 0.5, 0.01, NAMEPLATE);
        let seen: Vec<_> = rows
            .cycles
            .iter()
            .map(|row| (row.ended_by, row.cause))
            .collect();
        assert_eq!(seen.len(), 3, "{seen:?}");
        for (row, seen) in rows.cycles.iter().zip(&seen).take(2) {
            assert_eq!(*seen, (Some(ended_by), cause), "{}", row.basis);
        }
    }
}

#[test]
fn a_stall_far_longer_than_the_protector_was_to_need_was_not_ended_by_it_for_certain() {
    for (stall_s, ended_by, late) in [
        (12.0, EndedBy::Protector, 0),
        (90.0, EndedBy::Protector, 1),
        (400.0, EndedBy::Unknown, 1),
    ] {
        let legs = [
            (60.0, (0.0, 0.0), (40.0, 40.0)),
            (stall_s, (11.5, 10.2), (40.0, 60.0)),
            (300.0, (0.0, 0.0), (60.0, 50.0)),
            (60.0, (11.5, 11.0), (50.0, 55.0)),
        ];
        let rows = rows(&legs, 0.5, 0.01, NAMEPLATE);
        let first = &rows.cycles[0];
        assert_eq!(first.start, StartKind::LockedRotor);
        assert_eq!(
            first.ended_by,
            Some(ended_by),
            "{stall_s} s: {}",
            first.basis
        );
        let said = rows
            .events
            .iter()
            .filter(|event| event.kind == EventKind::Late);
        assert_eq!(said.count(), late, "{stall_s} s");
    }
}

#[test]
fn one_step_of_a_coarse_clamp_is_no_current() {
    // A floor of 0.2 A that now and then reads one step of 0.05 A more; nothing is known of the compressor.
    let mut legs: Vec<Leg> = vec![(80.0, (0.2, 0.2), (38.0, 38.0))];
    for round in 0..12 {
        legs.push((8.0, (2.6, 2.6), (38.0, 38.0)));
        legs.push((32.0, (1.5, 1.5), (38.0, 39.0)));
        legs.push((32.0, (0.2, 0.2), (39.0, 38.0)));
        if round % 3 == 0 {
            legs.push((8.0, (0.25, 0.25), (38.0, 38.0)));
        }
        legs.push((24.0, (0.2, 0.2), (38.0, 38.0)));
    }
    let rows = rows(&legs, 8.0, 0.05, "");
    assert_eq!(rows.cycles.len(), 12, "{:?}", rows.cycles);
}

#[test]
fn a_current_from_the_first_sample_on_in_coarse_steps_is_one_run() {
    // 3.5 A that reads 3.6 A for a while is no start upon a floor of 3.5 A.
    let legs = [
        (300.0, (3.5, 3.5), (44.0, 90.0)),
        (60.0, (3.6, 3.6), (90.0, 95.0)),
        (300.0, (3.5, 3.5), (95.0, 107.0)),
        (900.0, (0.0, 0.0), (107.0, 63.0)),
        (10.0, (4.6, 4.6), (63.0, 63.0)),
        (600.0, (3.5, 3.5), (63.0, 100.0)),
    ];
    let rows = rows(&legs, 5.0, 0.1, "");
    let runs: Vec<_> = rows
        .cycles
        .iter()
        .map(|row| (row.on_seen, row.on_s.map(f64::round)))
        .collect();
    assert_eq!(runs.len(), 2, "{runs:?}");
    assert!(
        !runs[0].0 && runs[0].1.is_some_and(|on_s| (on_s - 655.0).abs() <= 5.0),
        "{runs:?}"
    );
}

#[test]
fn of_an_internal_protector_the_case_says_nothing() {
    // Less than rated current under a case as hot as an external protector opens at, with a model's disc long far above its
    // opening; then a stalled rotor, which the current alone tells.
    let hot = cycle(600.0, 1.8, 900.0, (118.0, 60.0));
    let stalled = [
        (12.0, (11.5, 10.2), (60.0, 80.0)),
        (300.0, (0.0, 0.0), (80.0, 60.0)),
    ];
    let legs: Vec<Leg> = [(60.0, (0.0, 0.0), (60.0, 60.0))]
        .into_iter()
        .chain(hot)
        .chain(stalled)
        .chain(cycle(60.0, 1.8, 60.0, (60.0, 60.0)))
        .collect();
    let model = "heating_c_per_a2 = 20.0\nheating_tau_s = 30.0\n";
    for (kind, ends, late) in [
        (
            "external-strip",
            [
                (EndedBy::Protector, Some(Cause::Overheat)),
                (EndedBy::Protector, Some(Cause::LockedRotor)),
            ],
            true,
        ),
        (
            "unknown",
            [
                (EndedBy::Protector, Some(Cause::Undetermined)),
                (EndedBy::Protector, Some(Cause::LockedRotor)),
            ],
            true,
        ),
        (
            "internal",
            [
                (EndedBy::Unknown, None),
                (EndedBy::Protector, Some(Cause::LockedRotor)),
            ],
            false,
        ),
    ] {
        let protector = PROTECTOR.replace("external-strip", kind) + model;
        let rows = rows_of(&legs, 0.5, 0.01, NAMEPLATE, &protector);
        for (row, (ended_by, cause)) in rows.cycles.iter().zip(ends) {
            let seen = (row.ended_by, row.cause);
            assert_eq!(seen, (Some(ended_by), cause), "{kind}: {}", row.basis);
            assert_eq!(row.disc_c.is_none(), kind == "internal", "{kind}");
        }
        let is_late = rows.events.iter().any(|e| e.kind == EventKind::Late);
        assert_eq!(is_late, late, "{kind}");
    }
}

#[test]
fn a_stall_that_a_control_may_have_ended_is_not_the_protectors() {
    // A stall of four seconds in a cool case. A protector that opened would have closed within minutes: the case is 30 K below
    // where it closes. Power came back half an hour later.
    let stall = |for_s: f64, off_s: f64, (from_c, high_c): (f64, f64)| {
        let [start, run, pause] = cycle(700.0, 1.4, 800.0, (from_c + 4.0, from_c));
        [
            (300.0, (0.0, 0.0), (from_c, from_c)),
            start,
            run,
            pause,
            (for_s, (11.0, 10.0), (from_c, from_c + 1.0)),
            (60.0_f64.min(off_s), (0.0, 0.0), (from_c + 1.0, high_c)),
            ((off_s - 60.0).max(0.0), (0.0, 0.0), (high_c, from_c)),
            start,
            run,
            pause,
        ]
    };
    for (for_s, off_s, case, told) in [
        (4.0, 1_800.0, (24.0, 26.0), EndedBy::Unknown),
        // Back as soon as a disc in a cool case has closed.
        (9.0, 90.0, (24.0, 33.0), EndedBy::Protector),
        // The case was warmed to where it closes: it takes its time.
        (9.0, 1_800.0, (52.0, 66.0), EndedBy::Protector),
        // As warm, but power came back only when the case was long cooler than where it closes.
        (9.0, 1_800.0, (27.0, 66.0), EndedBy::Unknown),
    ] {
        let legs: Vec<Leg> = stall(for_s, off_s, case).to_vec();
        let rows = rows(&legs, 0.5, 0.01, NAMEPLATE);
        let row = &rows.cycles[1];
        assert_eq!(row.ended_by, Some(told), "{off_s} s: {}", row.basis);
        let trips = rows.events.iter().filter(|row| row.kind == EventKind::Trip);
        assert_eq!(trips.count(), usize::from(told == EndedBy::Protector));
    }
}

#[test]
fn a_short_run_is_no_trip_where_the_protector_has_always_taken_far_more_heat() {
    // 1.8 times rated load opens it after a quarter of an hour, and the thermostat is satisfied soon after it has closed.
    for (trips, told) in [(2, EndedBy::Unknown), (0, EndedBy::Protector)] {
        let trip = cycle(1_000.0, 3.4, 885.0, (116.0, 63.0));
        let legs: Vec<Leg> = [(60.0, (0.0, 0.0), (63.0, 63.0))]
            .into_iter()
            .chain((0..trips).flat_map(|_| trip))
            .chain(cycle(12.0, 3.4, 885.0, (72.0, 63.0)))
            .chain(trip)
            .collect();
        let rows = rows(&legs, 0.5, 0.01, NAMEPLATE);
        let row = &rows.cycles[trips];
        assert_eq!(row.ended_by, Some(told), "{}", row.basis);
    }
}

#[test]
fn a_stall_far_shorter_than_any_trip_before_it_may_have_been_ended_by_a_control() {
    let stall = |for_s: f64| -> [Leg; 2] {
        [
            (for_s, (11.0, 10.0), (56.0, 60.0)),
            (300.0, (0.0, 0.0), (62.0, 56.0)),
        ]
    };
    for (for_s, told) in [(2.5, EndedBy::Unknown), (6.0, EndedBy::Protector)] {
        let legs: Vec<Leg> = [(60.0, (0.0, 0.0), (56.0, 56.0))]
            .into_iter()
            .chain([stall(9.0), stall(9.0), stall(for_s), stall(9.0)].concat())
            .collect();
        let rows = rows(&legs, 0.5, 0.01, NAMEPLATE);
        let row = &rows.cycles[2];
        assert_eq!(row.ended_by, Some(told), "{}", row.basis);
    }
}

#[test]
fn where_no_opening_is_given_a_hot_case_is_the_protectors_only_from_the_middle_of_the_trades_range_on()
 {
    let bare = "[unit.protector]\nkind = \"external-strip\"\n";
    for (case_c, told) in [(103.0, EndedBy::Unknown), (112.0, EndedBy::Protector)] {
        let legs: Vec<Leg> = [(60.0, (0.0, 0.0), (63.0, 63.0))]
            .into_iter()
            .chain((0..3).flat_map(|_| cycle(1_000.0, 1.8, 885.0, (case_c, 63.0))))
            .collect();
        let rows = rows_of(&legs, 0.5, 0.01, NAMEPLATE, bare);
        for row in rows.cycles.iter().take(2) {
            assert_eq!(row.ended_by, Some(told), "{}", row.basis);
        }
    }
}

#[test]
fn a_welded_protector_is_said_without_a_longest_time_in_the_job() {
    let bare = "[unit.protector]\nkind = \"external-round\"\n";
    let late_s = |legs: &[Leg], nameplate: &str| {
        let rows = rows_of(legs, 0.1, 0.01, nameplate, bare);
        let late = rows.events.iter().find(|row| row.kind == EventKind::Late);
        late.map(|row| (row.time - BEGIN_US) as f64 / 1e6)
    };
    let after = |stall: Leg| -> Vec<Leg> {
        let mut legs = vec![(60.0, (0.0, 0.0), (24.0, 24.0))];
        for _ in 0..3 {
            legs.extend(cycle(700.0, 1.4, 800.0, (40.0, 30.0)));
        }
        legs.push(stall);
        legs.push((60.0, (0.0, 0.0), (60.0, 60.0)));
        legs
    };
    let began_s = 60.0 + 3.0 * 1_500.0;
    let welded = after((200.0, (11.0, 8.0), (30.0, 90.0)));
    for nameplate in [NAMEPLATE, ""] {
        let at_s = late_s(&welded, nameplate).expect("a danger has to be said") - began_s;
        assert!((75.0..90.0).contains(&at_s), "{at_s} s after the start");
    }
    // Sound ones: twenty seconds of locked rotor; a minute, where the protector is a slow one; a minute of a stall at half the voltage, which heats a quarter; and a start
    // winding that stays in for three minutes.
    for sound in [
        (20.0, (12.0, 9.0), (30.0, 60.0)),
        (60.0, (12.0, 9.5), (30.0, 60.0)),
        (60.0, (6.4, 6.0), (30.0, 60.0)),
        (180.0, (5.0, 4.2), (30.0, 80.0)),
    ] {
        for nameplate in [NAMEPLATE, ""] {
            assert_eq!(late_s(&after(sound), nameplate), None, "{sound:?}");
        }
    }
    // Two thirds of nameplate make that heat later: but this protector has opened a stall within nine seconds before, or its
    // case is far hotter than any protector opens at.
    let open = (150.0, (0.0, 0.0), (90.0, 60.0));
    let weak = (200.0, (7.8, 6.3), (30.0, 90.0));
    let hot = (200.0, (7.8, 6.3), (80.0, 260.0));
    let since = |before: &[Leg], stall: Leg| {
        let mut legs = after(stall);
        let at = legs.len() - 2;
        legs.splice(at..at, before.iter().copied());
        let before_s: f64 = before.iter().map(|leg| leg.0).sum();
        late_s(&legs, NAMEPLATE).map(|at_s| at_s - began_s - before_s)
    };
    for (before, stall, told_s) in [
        (
            &[(9.0, (12.0, 11.0), (30.0, 90.0)), open][..],
            weak,
            75.0..90.0,
        ),
        (&[], hot, 75.0..90.0),
        // A slow one has taken more; and nothing is known of this one.
        (
            &[(24.0, (12.0, 10.0), (30.0, 90.0)), open],
            weak,
            90.0..150.0,
        ),
        (&[], weak, 90.0..150.0),
    ] {
        let at_s = since(before, stall).expect("a danger has to be said");
        assert!(
            told_s.contains(&at_s),
            "{at_s} s after the start, {before:?}"
        );
    }
    // A case that stays far above any opening while current flows; and one that a sound protector may have.
    for (case_c, is_late) in [(150.0, true), (128.0, false)] {
        let hot = after((400.0, (1.5, 1.5), (case_c, case_c)));
        for nameplate in [NAMEPLATE, ""] {
            assert_eq!(late_s(&hot, nameplate).is_some(), is_late, "{case_c} Cel");
        }
    }
}

#[test]
fn a_clamp_out_of_its_range_shows_that_current_flows_and_not_how_much() {
    // A clamp for 3 A on a compressor that stands at 11 A: the board calls it out of range.
    let beyond = (f64::NAN, f64::NAN);
    let sound = |case_c: f64| {
        [
            (0.6, beyond, (case_c, case_c)),
            (700.0, (1.5, 1.4), (case_c, case_c + 10.0)),
            (800.0, (0.0, 0.0), (case_c + 10.0, case_c)),
        ]
    };
    let mut legs: Vec<Leg> = vec![(60.0, (0.0, 0.0), (30.0, 30.0))];
    legs.extend((0..3).flat_map(|_| sound(30.0)));
    legs.extend([
        (8.0, beyond, (30.0, 33.0)),
        (150.0, (0.0, 0.0), (33.0, 50.0)),
    ]);
    legs.extend(sound(40.0));
    for nameplate in [NAMEPLATE, ""] {
        let rows = rows(&legs, 0.2, 0.01, nameplate);
        let on_s: Vec<f64> = rows.cycles.iter().filter_map(|row| row.on_s).collect();
        assert_eq!(on_s.len(), 5, "{on_s:?}");
        let first = usize::from(nameplate.is_empty()); // Nothing is known of the range before the first reading in it.
        for (row, due_s) in rows
            .cycles
            .iter()
            .zip([700.6, 700.6, 700.6, 8.0, 700.6])
            .skip(first)
        {
            assert!(
                row.on_seen && (row.on_s.unwrap() - due_s).abs() < 0.5,
                "{row:?}"
            );
            assert!(row.basis.contains("out of its range in"), "{}", row.basis);
        }
        let stood = &rows.cycles[3];
        assert_eq!(stood.start, StartKind::Unknown);
        assert!(
            !matches!(
                stood.cause,
                Some(Cause::LockedRotor | Cause::Overload | Cause::Early)
            ),
            "{}",
            stood.basis
        );
        assert_ne!(stood.ended_by, Some(EndedBy::Control), "{}", stood.basis);
        for sound in [1, 2, 4] {
            assert_eq!(rows.cycles[sound].start, StartKind::Normal);
            assert!((rows.cycles[sound].run_a.unwrap() - 1.45).abs() < 0.1);
        }
        let told = rows
            .events
            .iter()
            .filter(|row| row.kind == EventKind::Sensor);
        assert_eq!(told.count(), 1, "that the clamp is too small is said once");
    }
    // The letter for good is no current: the clamp is wrong.
    let wrong: Vec<Leg> = vec![
        (60.0, (0.0, 0.0), (30.0, 30.0)),
        (700.0, (1.5, 1.4), (30.0, 40.0)),
        (800.0, (0.0, 0.0), (40.0, 30.0)),
        (900.0, beyond, (30.0, 30.0)),
        (600.0, (0.0, 0.0), (30.0, 30.0)),
    ];
    let rows = rows(&wrong, 0.2, 0.01, NAMEPLATE);
    let last = rows.cycles.last().unwrap();
    assert_eq!(
        (last.ended_by, last.on_s),
        (Some(EndedBy::Unknown), None),
        "{last:?}"
    );
}
