//! What gives a sensor away, each on a pair of nights that differ in nothing else: one where it has to be said, one where it
//! must not.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a failed test has to stop"
)]

use nightclamp_analysis::Projection;
use nightclamp_analysis::doubt::{Said, Sensor, Word};
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventKind, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table, line};

/// 2026-11-25 18:00 UTC, µs.
const BEGIN_US: i64 = 1_795_629_600_000_000;
const PERIOD_S: f64 = 0.2;
const NIGHT_S: f64 = 5.0 * 3_600.0;
/// A run and the pause after it, s.
const CYCLE_S: (f64, f64) = (600.0, 900.0);
const ROOM_C: f64 = 28.0;
const JOB: &str = "[job]\nname = \"pairs\"\ntimezone = \"UTC\"\n[[unit]]\nname = \"freezer\"\nboard = \"7f3a91c2\"\n\
    rated_load_a = 1.9\nlocked_rotor_a = 12.4\n[unit.channels]\ncurrent = \"common\"\ncase = \"case\"\nambient = \"room\"\n\
    demand = \"demand\"\n[unit.protector]\nkind = \"external-strip\"\nopens_c = 120.0\n";

/// What the board reads.
#[derive(Debug, Clone, Copy)]
struct Seen {
    /// Since the beginning of the night, s.
    at_s: f64,
    /// Since the compressor started or stopped, s.
    since_s: f64,
    runs: bool,
    amps: f64,
    case_c: f64,
    demand: bool,
}

/// A sound night: ten minutes of 1.5 A, a quarter of an hour without, the case between 36 and 60 °C.
fn sound(at_s: f64) -> Seen {
    let in_cycle_s = at_s.rem_euclid(CYCLE_S.0 + CYCLE_S.1);
    let runs = in_cycle_s >= CYCLE_S.1;
    let since_s = if runs {
        in_cycle_s - CYCLE_S.1
    } else {
        in_cycle_s
    };
    let amps = match since_s {
        _ if !runs => 0.02,
        s if s < 0.8 => 9.0 - s,
        s => 1.5 + 0.1 * (-s / 60.0).exp(),
    };
    let case_c = if runs {
        62.0 - 26.0 * (-since_s / 240.0).exp()
    } else {
        ROOM_C + 6.0 + 26.0 * (-since_s / 300.0).exp()
    };
    Seen {
        at_s,
        since_s,
        runs,
        amps,
        case_c,
        demand: runs,
    }
}

/// The last digit of a reading moves, as it does on every board.
fn dither(seq: u32, of: u32) -> f64 {
    f64::from((seq.wrapping_mul(2_654_435_761).rotate_left(of * 7) >> 16) & 7) - 3.5
}

/// What is said of sensors in a night.
fn said(reads: impl Fn(Seen) -> Seen) -> Vec<EventRow> {
    let mut log = String::new();
    let mut put = |at_s: f64, body: String| {
        let at_us = BEGIN_US + (at_s * 1e6) as i64 + 3_000;
        log.push_str(&format!("@{at_us} {}", line(body)));
    };
    put(0.0, "N 0 boot power-on".into());
    let period_ms = (PERIOD_S * 1e3) as u32;
    put(0.0, format!("H 1 7f3a91c2 1 4 {period_ms} drawn"));
    put(0.0, "C 0 current A -3 common ct".into());
    put(0.0, "C 1 temperature Cel -2 case ic".into());
    put(0.0, "C 2 temperature Cel -2 room ic".into());
    put(0.0, "C 3 contact 1 0 demand dry".into());
    for seq in 0..(NIGHT_S / PERIOD_S) as u32 {
        let end_s = f64::from(seq + 1) * PERIOD_S;
        let seen = reads(sound(end_s));
        let milliamps = (seen.amps * 1e3 + dither(seq, 0)).max(0.0).round();
        // A clamp's end of range is one number.
        let milliamps = milliamps.min((CLIP_A * 1e3).round());
        let case = match seen.case_c {
            STUCK => 5_455.0,
            case_c => (case_c * 100.0 + dither(seq, 1)).round(),
        };
        let room = (ROOM_C * 100.0 + dither(seq, 2)).round();
        put(
            end_s,
            format!(
                "S {} {} {milliamps} {case} {room} {}",
                seq % 65_536,
                (end_s * 1e3).round(),
                u8::from(seen.demand)
            ),
        );
    }
    let mut rows = Rows::default();
    let mut projection = Projection::new(Job::parse(JOB, "pairs.toml").unwrap());
    projection.feed(0, log.as_bytes(), &mut rows);
    projection.finish(&mut rows);
    rows.0
}

/// A case that always reads the same to the last digit.
const STUCK: f64 = f64::INFINITY;
/// No reading of these nights but the one of the clipped clamp comes so high.
const CLIP_A: f64 = 20.0;

#[derive(Default)]
struct Rows(Vec<EventRow>);

impl Sink for Rows {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {}
    fn event(&mut self, unit: &str, row: EventRow) {
        if unit == "freezer" && matches!(row.kind, EventKind::Sensor | EventKind::SensorBack) {
            self.0.push(row);
        }
    }
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}

/// From the third hour on.
fn late(seen: &Seen) -> bool {
    seen.at_s > 2.0 * 3_600.0
}

type Reads = fn(Seen) -> Seen;

/// What is wrong; how the board reads then; and a night much like it in which nothing is.
const PAIRS: [(&str, Sensor, Word, Reads, Reads); 7] = [
    (
        "drifting zero",
        Sensor::Current,
        Word::Doubted,
        |seen| drifts(seen, 0.9),
        |seen| drifts(seen, 0.1),
    ),
    (
        "saturated",
        Sensor::Current,
        Word::Saturated,
        // Inrush beyond the end of the range, a second long.
        |seen| {
            let begins = seen.runs && seen.since_s < 1.6;
            with_amps(seen, if begins { CLIP_A + 2.0 } else { seen.amps })
        },
        |seen| {
            let begins = seen.runs && seen.since_s < 1.6;
            with_amps(
                seen,
                if begins {
                    CLIP_A - 1.0 - seen.since_s
                } else {
                    seen.amps
                },
            )
        },
    ),
    (
        "clamp on another lead",
        Sensor::Current,
        Word::Doubted,
        // The fan's lead: its current goes on.
        |seen| {
            let amps = if late(&seen) { 1.4 } else { seen.amps };
            with_amps(seen, amps)
        },
        // A fan that shares the lead runs on for two minutes.
        |seen| {
            let runs_on = late(&seen) && !seen.runs && seen.since_s < 120.0;
            with_amps(seen, if runs_on { 0.2 } else { seen.amps })
        },
    ),
    (
        "clamp off, or the circuit is open",
        Sensor::Current,
        Word::Doubted,
        // Bead and clamp lie beside the box; the thermostat goes on calling.
        |seen| {
            let mut off = with_amps(seen, if late(&seen) { 0.02 } else { seen.amps });
            if late(&seen) {
                off.case_c = ROOM_C + 1.0;
            }
            off
        },
        // Unplugged for two cycles: the thermostat does not call.
        |seen| {
            let away = (2.0..2.9).contains(&(seen.at_s / 3_600.0));
            let mut away_seen = with_amps(seen, if away { 0.02 } else { seen.amps });
            if away {
                (away_seen.demand, away_seen.case_c) = (false, ROOM_C + 6.0);
            }
            away_seen
        },
    ),
    (
        "bead on a wrong place",
        Sensor::Case,
        Word::Doubted,
        // On the suction line: colder than the room while it runs.
        |seen| {
            let cold_c = if seen.runs { 14.0 } else { 4.0 };
            let tends = (-seen.since_s / 200.0).exp();
            with_case(
                seen,
                ROOM_C - cold_c * if seen.runs { 1.0 - tends } else { tends },
            )
        },
        // A cool shell that hardly warms.
        |seen| {
            let tends = (-seen.since_s / 300.0).exp();
            with_case(
                seen,
                ROOM_C + 4.0 + 5.0 * if seen.runs { 1.0 - tends } else { tends },
            )
        },
    ),
    (
        "mains pick-up",
        Sensor::Case,
        Word::Doubted,
        |seen| with_case(seen, seen.case_c + if seen.runs { 4.0 } else { 0.0 }),
        // The heater under the bead cools within seconds, but not within a sample.
        |seen| {
            let tends = (-seen.since_s / 20.0).exp();
            let heater_c = 8.0 * if seen.runs { 1.0 - tends } else { tends };
            with_case(seen, seen.case_c + heater_c)
        },
    ),
    (
        "frozen",
        Sensor::Case,
        Word::Doubted,
        |seen| {
            let case_c = if late(&seen) { STUCK } else { seen.case_c };
            with_case(seen, case_c)
        },
        |seen| seen,
    ),
];

fn with_amps(seen: Seen, amps: f64) -> Seen {
    Seen { amps, ..seen }
}

fn with_case(seen: Seen, case_c: f64) -> Seen {
    Seen { case_c, ..seen }
}

/// A clamp whose zero goes up by so much within the third hour, and stays there.
fn drifts(seen: Seen, by_a: f64) -> Seen {
    let share = ((seen.at_s - 2.0 * 3_600.0) / 3_600.0).clamp(0.0, 1.0);
    with_amps(seen, seen.amps + by_a * share)
}

#[test]
fn each_fault_of_a_sensor_is_said_where_it_is_and_not_where_it_is_not() {
    for (what, sensor, word, wrong, right) in PAIRS {
        let events = said(wrong);
        let first = events
            .first()
            .unwrap_or_else(|| panic!("{what}: nothing is said"));
        println!(
            "{:5.0} s  {}",
            (first.time - BEGIN_US) as f64 / 1e6,
            first.detail
        );
        let of = Said::of(first).expect("it is about a sensor");
        assert_eq!((of.sensor, of.word), (sensor, word), "{what}: {events:#?}");
        assert!(first.detail.contains(what), "{what}: {}", first.detail);
        let events = said(right);
        assert!(events.is_empty(), "{what}, and it is sound: {events:#?}");
    }
}
