//! Sensors that fail on purpose: what has to be said within which time, on compressors, clamps and beads drawn widely.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // tests stop where something is wrong

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventKind, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table};
use nightclamp_simboard::{
    Arrivals, Happening, Scenario, SensorFault, SimBoard, Source, job_toml, write_raw_log,
};

/// 2026-11-25 18:00 UTC, µs.
const BEGIN_US: i64 = 1_795_629_600_000_000;

#[derive(Default)]
struct Rows(Vec<EventRow>);

impl Sink for Rows {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {}
    fn event(&mut self, unit: &str, row: EventRow) {
        if unit == "freezer" {
            self.0.push(row);
        }
    }
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}

/// A night of nothing but sound cycles, drawn from the seed; with the place of a channel of its first unit.
fn quiet(seed: u64, place: impl Fn(&Source) -> bool) -> Option<(Scenario, String)> {
    let mut scenario = Scenario::random(seed);
    scenario.script.clear();
    scenario.units.truncate(1);
    let own = |source: &Source| {
        !matches!(
            source,
            Source::Line(1..) | Source::Case(1..) | Source::Demand(1..)
        )
    };
    scenario
        .channels
        .retain(|c| own(&c.source) && !matches!(c.source, Source::StartLead(_)));
    scenario.record_s = 6.0 * 3600.0;
    let place = scenario
        .channels
        .iter()
        .find(|c| place(&c.source))?
        .place
        .clone();
    Some((scenario, place))
}

/// Events of the unit after a fault that begins at `at_s`, and the first run after it that is at least `run_s` long.
fn play(
    mut scenario: Scenario,
    at_s: f64,
    fault: Happening,
    run_s: f64,
) -> Option<(Vec<EventRow>, f64)> {
    scenario.at(at_s, fault);
    let job = Job::parse(&job_toml(&scenario), "job.toml").expect("the simulator's job is good");
    let (seed, until_s) = (scenario.seed, scenario.record_s);
    let mut board = SimBoard::new(scenario);
    let mut raw = Vec::new();
    let mut arrivals = Arrivals::random(seed, until_s / 3600.0);
    let rate = 1.0 + arrivals.spec().host_ppm * 1e-6;
    write_raw_log(&mut board, BEGIN_US, until_s, &mut arrivals, &mut raw, true)
        .expect("memory takes it");
    let (mut projection, mut rows) = (Projection::new(job), Rows::default());
    projection.feed(0, &raw, &mut rows);
    projection.finish(&mut rows);
    for row in &mut rows.0 {
        row.time = ((row.time - BEGIN_US) as f64 / rate) as i64;
    }
    let long = |c: &&nightclamp_simboard::TrueCycle| {
        c.on_s > at_s && c.off_s.unwrap_or(until_s) - c.on_s >= run_s
    };
    let run = board.truth().units[0].cycles.iter().find(long)?.on_s;
    Some((rows.0, run))
}

fn told(events: &[EventRow], sensor: &str, from_s: f64, to_s: f64) -> Option<f64> {
    let of = events
        .iter()
        .filter(|e| e.kind == EventKind::Sensor && e.detail.starts_with(sensor));
    of.map(|e| e.time as f64 / 1e6)
        .find(|at| (from_s..to_s).contains(at))
}

/// A kind of fault, and how it went over the nights.
struct Kind {
    name: &'static str,
    sensor: &'static str,
    fault: SensorFault,
    source: fn(&Source) -> bool,
    /// Said so long after the start of the next run of at least that length, s.
    within_s: (f64, f64),
    /// With the room's temperature or demand wired, or with neither.
    helped: bool,
    /// Of a hundred at the least.
    found_least: usize,
}

const KINDS: [Kind; 4] = [
    Kind {
        name: "clamp off",
        sensor: "current",
        fault: SensorFault::ClampOff,
        source: |s| matches!(s, Source::Line(0)),
        within_s: (1800.0, 600.0),
        helped: true,
        found_least: 95,
    },
    Kind {
        name: "bead off",
        sensor: "case",
        fault: SensorFault::BeadOff,
        source: |s| matches!(s, Source::Case(0)),
        within_s: (900.0, 450.0),
        helped: true,
        found_least: 95,
    },
    Kind {
        name: "bead off, neither room nor demand wired",
        sensor: "case",
        fault: SensorFault::BeadOff,
        source: |s| matches!(s, Source::Case(0)),
        within_s: (900.0, 450.0),
        helped: false,
        // What falls before two runs have been seen, or hangs where the case was no warmer, is not told.
        found_least: 80,
    },
    Kind {
        name: "bead frozen",
        sensor: "case",
        fault: SensorFault::Frozen,
        source: |s| matches!(s, Source::Case(0)),
        within_s: (900.0, 0.0),
        helped: true,
        found_least: 95,
    },
];

/// Plays many nights in which the fault begins half-way.
fn check(kind: &Kind) {
    let (mut due, mut found, mut wrong, mut late_s) = (0, 0, 0, 0.0_f64);
    for seed in 1000..1080 {
        let Some((mut scenario, place)) = quiet(seed, kind.source) else {
            continue;
        };
        if !kind.helped {
            let helps = |s: &Source| matches!(s, Source::Ambient | Source::Demand(0));
            scenario.channels.retain(|c| !helps(&c.source));
        }
        let wired =
            |source: fn(&Source) -> bool| scenario.channels.iter().any(|c| source(&c.source));
        let bead = wired(|s| matches!(s, Source::Case(0)));
        let helped = wired(|s| matches!(s, Source::Ambient | Source::Demand(0)));
        let shared = scenario.units[0].appliance.is_some();
        if !bead || helped != kind.helped || shared || scenario.board.period_ms > 2000 {
            continue;
        }
        let (at_s, until_s) = (0.5 * scenario.record_s, scenario.record_s);
        let Some((events, run_s)) = play(
            scenario,
            at_s,
            Happening::Sensor(place, kind.fault),
            kind.within_s.1,
        ) else {
            continue;
        };
        // Said once, and not again and again while it lasts.
        let words = events.iter().filter(|e| e.kind == EventKind::Sensor);
        let words: Vec<f64> = words.map(|e| e.time as f64 / 1e6).collect();
        let hasty = words.windows(2).filter(|pair| pair[1] - pair[0] < 300.0);
        assert_eq!(hasty.count(), 0, "{}: seed {seed}: {words:?}", kind.name);
        if told(&events, "", 0.0, at_s).is_some() {
            wrong += 1;
            println!("{}: seed {seed}, false before {at_s:.0} s", kind.name);
        }
        if run_s + kind.within_s.0 > until_s {
            continue;
        }
        due += 1;
        match told(&events, kind.sensor, at_s, run_s + kind.within_s.0 + 5.0) {
            Some(at) => {
                found += 1;
                late_s = late_s.max(at - run_s);
            }
            None => println!("{}: seed {seed}, not said", kind.name),
        }
    }
    println!(
        "{}: {found} of {due} said, the last {late_s:.0} s after the start; {wrong} false",
        kind.name
    );
    assert!(due >= 15, "{}: {due} nights", kind.name);
    assert_eq!(wrong, 0, "{}", kind.name);
    assert!(
        100 * found >= kind.found_least * due,
        "{}: {found} of {due}",
        kind.name
    );
}

#[test]
fn a_fallen_clamp_is_said_within_half_an_hour_of_the_next_start() {
    check(&KINDS[0]);
}

#[test]
fn a_fallen_bead_is_said_within_a_quarter_of_an_hour_of_the_next_start() {
    check(&KINDS[1]);
}

#[test]
fn a_fallen_bead_is_mostly_said_by_case_and_current_alone() {
    check(&KINDS[2]);
}

#[test]
fn a_frozen_bead_is_said_within_a_quarter_of_an_hour_of_the_next_start() {
    check(&KINDS[3]);
}

#[test]
fn a_welded_protector_is_said_within_ninety_seconds_of_the_start() {
    let (mut due, mut found) = (0, 0);
    for seed in 1000..1040 {
        let Some((mut scenario, _)) = quiet(seed, |s| matches!(s, Source::Line(0))) else {
            continue;
        };
        let known = scenario.job.nameplate && scenario.job.protector;
        if scenario.units[0].appliance.is_some() || !known || scenario.board.period_ms > 2000 {
            continue;
        }
        let at_s = 0.4 * scenario.record_s;
        scenario.at(at_s, Happening::Welded(0, true));
        let Some((events, run_s)) = play(scenario, at_s, Happening::Seized(0, true), 95.0) else {
            continue;
        };
        due += 1;
        let late = events
            .iter()
            .filter(|e| e.kind == EventKind::Late)
            .map(|e| e.time as f64 / 1e6);
        found += usize::from(late.clone().any(|at| (run_s..run_s + 90.0).contains(&at)));
        assert!(
            late.clone().all(|at| at > at_s),
            "late too early: seed {seed}"
        );
    }
    println!("welded: {found} of {due} said within 90 s");
    assert!(due >= 10 && found == due, "{found} of {due}");
}
