//! Scenarios with names: each shows one thing, `demo` shows most of them in one night.

use crate::parts::{self, HOUR_S, Sizes, channel};
use crate::scenario::Happening as H;
use crate::scenario::{
    ApplianceSpec, DefrostSpec, Measured, Scenario, SensorFault, Source, StartCircuit, StartKind,
};

/// A scenario's name, what it shows, and its maker.
type Named = (&'static str, &'static str, fn(u64) -> Scenario);

const NAMED: &[Named] = &[
    (
        "demo",
        "one night that shows most of what can happen, with a live part after it",
        demo,
    ),
    ("steady", "thermostat cycles only", steady),
    (
        "locked",
        "seized rotor from cold: trip after trip, as on a bench",
        locked,
    ),
    (
        "overheat",
        "condenser fan stopped: opens hot at near-normal current",
        overheat,
    ),
    (
        "overload",
        "start winding stays in: opens at several times running current",
        overload,
    ),
    (
        "early",
        "tired protector that opens although nothing explains it",
        early,
    ),
    (
        "welded",
        "protector that never opens on a seized rotor; somebody pulls the plug",
        welded,
    ),
    (
        "short-cycling",
        "thermostat with far too narrow a band",
        short_cycling,
    ),
    (
        "brownout",
        "low supply: starts that fail, a stall, outages",
        brownout,
    ),
    (
        "two-units",
        "two compressors out of step on one board",
        two_units,
    ),
    (
        "appliance",
        "clamp on the appliance's lead: lamp, fan, defrost heater, spikes",
        appliance,
    ),
    ("slow", "a sample every ten seconds", slow),
    ("fast", "a sample every 20 ms", fast),
    (
        "run-capacitor",
        "permanent run capacitor, with a clamp on the start lead",
        run_capacitor,
    ),
    (
        "wrap",
        "board clock and sample counter both wrap in mid-run",
        wrap,
    ),
    (
        "offset",
        "clamp with a strong pick-up, to be zeroed",
        offset,
    ),
    ("sensors", "sensors that fail one after the other", sensors),
    (
        "rough-line",
        "damaged lines, lost stretches and reboots",
        rough_line,
    ),
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

const fn h(hours: f64) -> f64 {
    hours * HOUR_S
}

fn circuit(s: &mut Scenario, from_h: f64, to_h: f64, fault: StartCircuit) {
    s.between(
        h(from_h),
        h(to_h),
        H::Start(0, fault),
        H::Start(0, StartCircuit::Sound),
    );
}

fn sensor(s: &mut Scenario, from_h: f64, to_h: f64, place: &str, fault: SensorFault) {
    let set = |fault| H::Sensor(place.to_owned(), fault);
    s.between(h(from_h), h(to_h), set(fault), set(SensorFault::Sound));
}

/// Length of the demo's recorded night, h; what comes after is its live part.
const DEMO_HOURS: f64 = 12.0;
/// The live part repeats after this, s.
const LIVE_EVERY_S: f64 = 2700.0;
/// How many times it is written down: two days.
const LIVE_TIMES: u32 = 64;

fn demo(seed: u64) -> Scenario {
    let mut s = parts::night("demo", seed, DEMO_HOURS);
    s.at(h(0.7), H::Mark);
    s.between(h(2.0), h(4.4), H::Warmer(6.0), H::Warmer(0.0));
    circuit(&mut s, 2.4, 3.4, StartCircuit::Weak(0.7));
    circuit(&mut s, 4.6, 5.0, StartCircuit::StaysIn(3.0));
    s.between(h(5.6), h(7.2), H::Fan(0, false), H::Fan(0, true));
    s.between(h(5.6), h(6.6), H::Door(0, true), H::Door(0, false));
    s.between(h(8.0), h(8.0) + 260.0, H::Supply(0.0), H::Supply(1.0));
    s.between(h(8.7), h(8.9), H::Supply(0.84), H::Supply(1.0));
    sensor(&mut s, 9.4, 9.5, "case", SensorFault::Letter('o'));
    s.at(h(10.1), H::Boot("watchdog"));
    s.between(h(10.6), h(10.65), H::Damage(0.05), H::Damage(0.0));
    live(&mut s, h(DEMO_HOURS));
    s
}

/// Something to see within minutes of the end of the record, again and again: an open start circuit, a trip
/// or two with their resets, then a start.
fn live(s: &mut Scenario, end_s: f64) {
    for again in 0..LIVE_TIMES {
        let at_s = end_s + f64::from(again) * LIVE_EVERY_S;
        s.at(at_s - 420.0, H::Control(0, Some(false)));
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

fn steady(seed: u64) -> Scenario {
    parts::night("steady", seed, 8.0)
}

fn locked(seed: u64) -> Scenario {
    let mut s = parts::night("locked", seed, 1.5);
    s.between(0.0, h(1.3), H::Seized(0, true), H::Seized(0, false));
    s.between(
        0.0,
        20.0,
        H::Control(0, Some(false)),
        H::Control(0, Some(true)),
    );
    s
}

fn overheat(seed: u64) -> Scenario {
    let mut s = parts::night("overheat", seed, 6.0);
    s.between(h(0.6), h(4.5), H::Fan(0, false), H::Fan(0, true));
    s.between(h(0.6), h(4.5), H::Warmer(5.0), H::Warmer(0.0));
    s.between(h(0.6), h(3.5), H::Door(0, true), H::Door(0, false));
    s
}

fn overload(seed: u64) -> Scenario {
    let mut s = parts::night("overload", seed, 5.0);
    circuit(&mut s, 0.6, 2.6, StartCircuit::StaysIn(2.8));
    s
}

fn early(seed: u64) -> Scenario {
    let mut s = parts::night("early", seed, 6.0);
    s.at(h(1.2), H::Weak(0, 62.0));
    s.between(h(4.0), h(6.0), H::Weak(0, 0.0), H::Weak(0, 0.0));
    s.between(h(4.0), h(6.0), H::Chatter(0, 6.0), H::Chatter(0, 0.0));
    s
}

fn welded(seed: u64) -> Scenario {
    let mut s = parts::night("welded", seed, 4.0);
    s.at(h(1.0), H::Welded(0, true));
    s.between(
        h(1.0),
        h(1.5),
        H::Control(0, Some(true)),
        H::Control(0, None),
    );
    s.between(h(1.1), h(1.4), H::Seized(0, true), H::Seized(0, false));
    s.between(h(1.1) + 210.0, h(1.6), H::Supply(0.0), H::Supply(1.0));
    s.at(h(1.5), H::Welded(0, false));
    s
}

fn short_cycling(seed: u64) -> Scenario {
    let mut s = parts::night("short-cycling", seed, 3.0);
    let unit = &mut s.units[0];
    (unit.cabinet.band_k, unit.cabinet.on_s, unit.cabinet.off_s) = (0.5, 60.0, 80.0);
    unit.cabinet.doors_per_hour = 0.0;
    unit.motor.equalise_s = 20.0;
    s
}

fn brownout(seed: u64) -> Scenario {
    let mut s = parts::night("brownout", seed, 5.0);
    s.between(h(0.8), h(1.8), H::Supply(0.86), H::Supply(1.0));
    s.between(
        h(2.0),
        h(2.6),
        H::Control(0, Some(true)),
        H::Control(0, None),
    );
    s.between(h(2.1), h(2.3), H::Supply(0.55), H::Supply(0.74));
    s.at(h(2.5), H::Supply(1.0));
    s.between(h(3.2), h(3.2) + 0.6, H::Supply(0.0), H::Supply(1.0));
    s.between(h(3.8), h(4.1), H::Supply(0.0), H::Supply(1.0));
    s
}

fn two_units(seed: u64) -> Scenario {
    let mut s = parts::night("two-units", seed, 6.0);
    let sizes = Sizes {
        rated_a: 3.6,
        locked_a: 19.5,
        run_a: 2.6,
        opens_c: 112.0,
        closes_c: 64.0,
        trip_s: 8.0,
        fall: 0.22,
        disc_s: 19.0,
    };
    let mut cooler = parts::unit("cooler", sizes);
    (cooler.cabinet.set_c, cooler.cabinet.begin_c) = (3.0, 4.2);
    (cooler.cabinet.on_s, cooler.cabinet.off_s) = (410.0, 700.0);
    s.units.push(cooler);
    let mut common = channel("common-b", Measured::Current, -3, "ct", Source::Line(1));
    common.gain = 0.985;
    let mut case = channel("case-b", Measured::Emf, -6, "tc-K", Source::Case(1));
    case.seat_loss = 0.06;
    s.channels.extend([
        common,
        case,
        channel("demand-b", Measured::Contact, 0, "opto", Source::Demand(1)),
    ]);
    let weak = StartCircuit::Weak(0.6);
    s.between(
        h(1.5),
        h(3.0),
        H::Start(1, weak),
        H::Start(1, StartCircuit::Sound),
    );
    circuit(&mut s, 3.5, 4.5, StartCircuit::StaysIn(3.0));
    s
}

fn appliance(seed: u64) -> Scenario {
    let mut s = parts::night("appliance", seed, 8.0);
    let unit = &mut s.units[0];
    unit.appliance = Some(ApplianceSpec {
        lamp_w: 40.0,
        fan_w: 12.0,
        heater_w: 350.0,
        spikes_per_hour: 3.0,
    });
    unit.cabinet.defrost = Some(DefrostSpec {
        every_s: h(3.0),
        first_s: h(1.2),
        for_s: 900.0,
    });
    unit.cabinet.doors_per_hour = 5.0;
    s.channels
        .retain(|c| !matches!(c.source, Source::Demand(_)));
    circuit(&mut s, 4.0, 7.5, StartCircuit::Weak(0.7));
    s
}

fn slow(seed: u64) -> Scenario {
    let mut s = parts::night("slow", seed, 10.0);
    s.board.period_ms = 10_000;
    circuit(&mut s, 3.0, 5.0, StartCircuit::Weak(0.6));
    circuit(&mut s, 6.0, 7.0, StartCircuit::StaysIn(2.5));
    s
}

fn fast(seed: u64) -> Scenario {
    let mut s = parts::night("fast", seed, 1.5);
    s.board.period_ms = 20;
    circuit(&mut s, 0.3, 0.9, StartCircuit::Open(0.8));
    s
}

fn run_capacitor(seed: u64) -> Scenario {
    let mut s = parts::night("run-capacitor", seed, 5.0);
    let sizes = Sizes {
        rated_a: 4.4,
        locked_a: 20.0,
        run_a: 3.5,
        trip_s: 14.0,
        fall: 0.10,
        ..parts::FREEZER
    };
    s.units[0] = parts::unit("freezer", sizes);
    let motor = &mut s.units[0].motor;
    (motor.start, motor.start_s, motor.start_lead_run_share) =
        (StartKind::RunCapacitor, 0.15, 0.45);
    s.channels.push(channel(
        "start",
        Measured::Current,
        -3,
        "ct",
        Source::StartLead(0),
    ));
    s.channels.push(channel(
        "dome",
        Measured::Temperature,
        -2,
        "ic",
        Source::Dome(0),
    ));
    s.between(h(2.0), h(2.7), H::Seized(0, true), H::Seized(0, false));
    s
}

fn wrap(seed: u64) -> Scenario {
    let mut s = parts::night("wrap", seed, 5.0);
    s.board.ms_start = u32::MAX - 2 * 3_600_000;
    s.board.drift_ppm = -180.0;
    circuit(&mut s, 1.6, 2.4, StartCircuit::Weak(0.7));
    s
}

fn offset(seed: u64) -> Scenario {
    let mut s = parts::night("offset", seed, 5.0);
    (s.channels[0].offset, s.channels[0].noise) = (0.35, 0.08);
    s.channels[0].gain = 0.97;
    circuit(&mut s, 2.0, 2.8, StartCircuit::Weak(0.7));
    s
}

fn sensors(seed: u64) -> Scenario {
    let mut s = parts::night("sensors", seed, 8.0);
    sensor(&mut s, 1.0, 1.2, "case", SensorFault::Letter('o'));
    sensor(&mut s, 2.0, 3.0, "common", SensorFault::ClampOff);
    sensor(&mut s, 4.0, 5.0, "case", SensorFault::BeadOff);
    sensor(&mut s, 5.5, 6.3, "case", SensorFault::Frozen);
    sensor(&mut s, 6.5, 7.8, "common", SensorFault::Creeping(0.4));
    s
}

fn rough_line(seed: u64) -> Scenario {
    let mut s = parts::night("rough-line", seed, 4.0);
    s.board.damage_share = 0.01;
    s.between(h(0.5), h(0.5) + 7.0, H::Mute(true), H::Mute(false));
    s.between(h(1.0), h(1.0) + 95.0, H::Mute(true), H::Mute(false));
    s.at(h(1.5), H::Boot("brown-out"));
    s.at(h(2.2), H::Boot("external"));
    s.between(h(2.6), h(2.62), H::Damage(0.6), H::Damage(0.01));
    circuit(&mut s, 2.8, 3.5, StartCircuit::Weak(0.7));
    s
}
