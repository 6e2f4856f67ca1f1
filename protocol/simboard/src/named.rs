//! Scenarios with names: each shows one thing, `demo` shows most of them in one night.

use crate::parts::{self, HOUR_S};
use crate::scenario::Happening as H;
use crate::scenario::{Scenario, SensorFault, StartCircuit};

/// A scenario's name, what it shows, and its maker.
type Named = (&'static str, &'static str, fn(u64) -> Scenario);

const NAMED: &[Named] = &[
    (
        "demo",
        "one night that shows most of what can happen, with a live part after it",
        demo,
    ),
    ("steady", "thermostat cycles only", steady),
];

/// Names with what each shows.
static NAMES: std::sync::LazyLock<Vec<(&'static str, &'static str)>> =
    std::sync::LazyLock::new(|| NAMED.iter().map(|n| (n.0, n.1)).collect());

impl Scenario {
    /// The scenario of that name.
    pub fn by_name(name: &str, seed: u64) -> Option<Self> {
        NAMED.iter().find(|n| n.0 == name).map(|n| (n.2)(seed))
    }

    /// All names, each with what it shows.
    pub fn names() -> &'static [(&'static str, &'static str)] {
        &NAMES
    }
}

fn steady(seed: u64) -> Scenario {
    parts::night("steady", seed, 8.0)
}

/// Length of the demo's recorded night, h; what comes after is its live part.
const DEMO_HOURS: f64 = 12.0;
/// The live part repeats after this, s.
const LIVE_EVERY_S: f64 = 2700.0;
/// How many times it is written down: two days.
const LIVE_TIMES: u32 = 64;

fn demo(seed: u64) -> Scenario {
    let mut s = parts::night("demo", seed, DEMO_HOURS);
    let h = |hours: f64| hours * HOUR_S;
    s.at(h(0.7), H::Mark);
    s.between(h(2.0), h(4.4), H::Warmer(6.0), H::Warmer(0.0));
    s.between(
        h(2.4),
        h(3.4),
        H::Start(0, StartCircuit::Weak(0.7)),
        H::Start(0, StartCircuit::Sound),
    );
    s.between(
        h(4.6),
        h(5.1),
        H::Start(0, StartCircuit::StaysIn(3.0)),
        H::Start(0, StartCircuit::Sound),
    );
    s.between(h(5.6), h(7.2), H::Fan(0, false), H::Fan(0, true));
    s.between(h(5.6), h(6.6), H::Door(0, true), H::Door(0, false));
    s.between(h(8.0), h(8.0) + 260.0, H::Supply(0.0), H::Supply(1.0));
    s.between(h(8.7), h(8.9), H::Supply(0.84), H::Supply(1.0));
    s.between(
        h(9.4),
        h(9.5),
        sensor("case", SensorFault::Letter('o')),
        sensor("case", SensorFault::Sound),
    );
    s.at(h(10.1), H::Boot("watchdog"));
    s.between(h(10.6), h(10.65), H::Damage(0.05), H::Damage(0.0));
    live(&mut s, h(DEMO_HOURS));
    s
}

fn sensor(place: &str, fault: SensorFault) -> H {
    H::Sensor(place.to_owned(), fault)
}

/// Something to see within minutes of the end of the record, again and again: an open start circuit, a few
/// trips with their resets, then a start.
fn live(s: &mut Scenario, end_s: f64) {
    s.at(end_s - 420.0, H::Control(0, Some(false)));
    for again in 0..LIVE_TIMES {
        let at_s = end_s + f64::from(again) * LIVE_EVERY_S;
        let stuck = StartCircuit::Open(0.85);
        s.between(
            at_s + 10.0,
            at_s + 150.0,
            H::Start(0, stuck),
            H::Start(0, StartCircuit::Sound),
        );
        s.between(
            at_s + 25.0,
            at_s + 900.0,
            H::Control(0, Some(true)),
            H::Control(0, None),
        );
    }
}
