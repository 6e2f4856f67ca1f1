//! Nights drawn at random, widely: to find where a judge is wrong. Every throw comes from the seed.

use crate::dice::Dice;
use crate::parts::{self, HOUR_S, Sizes, channel};
use crate::scenario::Happening as H;
use crate::scenario::{
    AmbientSpec, ApplianceSpec, BoardSpec, ChannelSpec, DefrostSpec, Measured, ProtectorKind,
    Scenario, SensorFault, Source, StartCircuit, StartKind, SupplySpec, UnitSpec,
};
use crate::sizing;

/// Sample periods, short ones more often, ms.
const PERIODS_MS: &[u32] = &[
    20, 50, 100, 100, 100, 200, 200, 500, 1000, 1000, 2000, 5000, 10_000,
];
/// Room that a sound protector keeps between normal running and opening, K.
const MARGIN_K: f64 = 12.0;

impl Scenario {
    /// A night with everything drawn from the seed: sizes, sensors, what is wired and known, and what happens.
    pub fn random(seed: u64) -> Self {
        let mut dice = Dice::new(seed ^ 0x5EED_0FA1_1CE5);
        let dice = &mut dice;
        let mut s = parts::night("random", seed, 1.0);
        s.name = format!("random-{seed}");
        s.board = board(dice);
        s.supply = supply(dice);
        s.ambient = ambient(dice);
        s.record_s = dice.between(2.5, 8.0) * HOUR_S;
        if s.board.period_ms < 100 {
            s.record_s = s.record_s.min(2.5 * HOUR_S);
        }
        s.units = vec![unit("freezer", &s, dice)];
        if s.board.period_ms >= 100 && dice.chance(0.1) {
            s.units.push(unit("cooler", &s, dice));
        }
        s.channels = channels(&s, dice);
        s.job.nameplate = dice.chance(0.75);
        s.job.protector = dice.chance(0.75);
        s.job.limits = dice.chance(0.5);
        happenings(&mut s, dice);
        s.job.heating = dice.chance(0.4).then(|| dice.between(0.9, 1.1));
        s
    }
}

fn board(dice: &mut Dice) -> BoardSpec {
    let mut board = parts::board(PERIODS_MS[dice.below(PERIODS_MS.len())]);
    board.id = dice.bits() as u32;
    board.boot = dice.below(500) as u32;
    board.drift_ppm = dice.between(-300.0, 300.0);
    board.stamp_jitter_ms = dice.below(3) as u32;
    board.hello_every_s = dice.between(20.0, 59.0);
    board.boot_time_s = dice.between(0.2, 8.0);
    board.self_heating_k = dice.between(0.0, 8.0);
    if dice.chance(0.3) {
        board.ms_start = u32::MAX - dice.below(5 * 3_600_000) as u32;
    }
    if dice.chance(0.25) {
        board.damage_share = dice.between_decades(1e-4, 0.03);
    }
    board
}

fn supply(dice: &mut Dice) -> SupplySpec {
    SupplySpec {
        nominal_v: [115.0, 120.0, 208.0, 230.0, 230.0, 240.0][dice.below(6)],
        drift_share: dice.between(0.002, 0.03),
        drift_period_s: dice.between(2.0, 12.0) * HOUR_S,
        flicker_share: dice.between(0.0005, 0.005),
        sag_share: dice.between(0.002, 0.06),
    }
}

fn ambient(dice: &mut Dice) -> AmbientSpec {
    AmbientSpec {
        mean_c: dice.between(15.0, 34.0),
        swing_k: dice.between(0.0, 6.0),
        warmest_at_s: dice.between(0.0, 24.0) * HOUR_S,
    }
}

fn sizes(dice: &mut Dice) -> Sizes {
    let rated_a = dice.between_decades(0.2, 40.0);
    let opens_c = dice.between(105.0, 125.0);
    Sizes {
        rated_a,
        locked_a: rated_a * dice.between(3.2, 8.0),
        run_a: rated_a * dice.between(0.5, 0.92),
        opens_c,
        closes_c: opens_c - dice.between(40.0, 62.0),
        trip_s: dice.between_decades(4.0, 28.0),
        fall: dice.between(0.05, 0.33),
        disc_s: dice.between(10.0, 45.0),
    }
}

fn unit(name: &str, s: &Scenario, dice: &mut Dice) -> UnitSpec {
    let sizes = sizes(dice);
    let mut unit = parts::unit(name, sizes);
    motor(&mut unit, dice);
    protector(&mut unit, sizes, dice);
    keep_margin(&mut unit, sizes, s);
    cabinet(&mut unit, dice);
    if sizes.rated_a < 0.6 && dice.chance(0.6) {
        unit.clamp_turns = [2, 3, 5, 10][dice.below(4)];
    }
    if (0.5..12.0).contains(&sizes.rated_a) && dice.chance(0.15) {
        unit.appliance = Some(ApplianceSpec {
            lamp_w: dice.between(15.0, 60.0),
            fan_w: if dice.chance(0.5) {
                dice.between(4.0, 30.0)
            } else {
                0.0
            },
            heater_w: dice.between(100.0, 600.0),
            spikes_per_hour: dice.between(0.0, 8.0),
        });
    }
    unit
}

fn motor(unit: &mut UnitSpec, dice: &mut Dice) {
    let m = &mut unit.motor;
    m.start = [StartKind::Relay, StartKind::Ptc, StartKind::RunCapacitor][dice.below(3)];
    m.start_s = dice.between_decades(0.1, 0.8);
    m.settle_s = dice.between_decades(0.04, 0.25);
    m.pulldown_share = dice.between(0.0, 0.4);
    m.pulldown_s = dice.between(20.0, 300.0);
    m.volt_power = dice.between(-0.6, 1.0);
    m.load_per_k = dice.between(0.002, 0.01);
    m.resistive_share = dice.between(0.6, 0.92);
    m.winding_s = dice.between(50.0, 180.0);
    m.winding_run_k = dice.between(8.0, 30.0);
    m.dome_rise_k = dice.between(20.0, 45.0);
    m.dome_s = dice.between(700.0, 2600.0);
    m.fan_off_factor = dice.between(2.0, 3.2);
    m.equalise_s = dice.between(20.0, 300.0);
    m.short_off_fails = dice.between(0.1, 1.0);
    m.start_min_v = dice.between(0.72, 0.85);
    m.stall_v = dice.between(0.55, 0.68);
    m.start_lead_share = dice.between(0.3, 0.8);
    m.start_lead_run_share = match m.start {
        StartKind::RunCapacitor => dice.between(0.3, 0.6),
        StartKind::Ptc => dice.between(0.005, 0.02),
        StartKind::Relay => 0.0,
    };
}

fn protector(unit: &mut UnitSpec, sizes: Sizes, dice: &mut Dice) {
    let round = dice.chance(if sizes.rated_a > 6.0 { 0.8 } else { 0.25 });
    let p = &mut unit.protector;
    p.kind = if round {
        ProtectorKind::ExternalRound
    } else {
        ProtectorKind::ExternalStrip
    };
    p.scatter_k = dice.between(0.3, 2.0);
    p.tires_by_k = if dice.chance(0.2) {
        dice.between(0.0, 1.5)
    } else {
        0.0
    };
    p.heater_s = dice.between(0.3, 2.5);
    p.case_share = dice.between(0.1, 0.5);
    p.case_s = dice.between(40.0, 200.0);
    p.dome_weight = if round {
        dice.between(0.9, 1.0)
    } else {
        dice.between(0.6, 0.95)
    };
}

/// Makes the protector one that a sound machine on a warm day does not trip.
fn keep_margin(unit: &mut UnitSpec, sizes: Sizes, s: &Scenario) {
    for _ in 0..40 {
        sizing::size(
            &mut unit.protector,
            &mut unit.motor,
            sizes.trip_s,
            sizes.fall,
        );
        let (p, m) = (&mut unit.protector, &mut unit.motor);
        let room_c = s.ambient.mean_c + s.ambient.swing_k;
        let load_a = m.run_a * (1.0 + m.load_per_k * (room_c - 25.0).max(0.0)) * 1.04;
        let around_c = room_c + p.dome_weight * m.dome_rise_k * load_a / m.run_a;
        let over_case_k = p.heating_k_per_a2 * load_a * load_a;
        let case_c = around_c + p.case_share * p.case_s / p.disc_s * over_case_k;
        if case_c + over_case_k < p.opens_c - MARGIN_K {
            return;
        }
        p.case_share *= 0.75;
        m.dome_rise_k *= 0.93;
    }
}

fn cabinet(unit: &mut UnitSpec, dice: &mut Dice) {
    let c = &mut unit.cabinet;
    c.set_c = if dice.chance(0.5) {
        dice.between(-28.0, -12.0)
    } else {
        dice.between(-2.0, 8.0)
    };
    c.band_k = dice.between(1.5, 6.0);
    c.begin_c = c.set_c + dice.between(-0.5, 0.6) * c.band_k;
    if dice.chance(0.15) {
        c.begin_c = c.set_c + dice.between(2.0, 15.0); // still being pulled down
    }
    c.on_s = dice.between_decades(90.0, 1500.0);
    c.off_s = c.on_s * dice.between(0.7, 3.5);
    c.doors_per_hour = dice.between(0.0, 6.0);
    c.door_open_s = dice.between(5.0, 40.0);
    if dice.chance(0.3) {
        let every_s = dice.between(2.0, 8.0) * HOUR_S;
        let first_s = dice.between(0.2, 1.0) * every_s;
        c.defrost = Some(DefrostSpec {
            every_s,
            first_s,
            for_s: dice.between(300.0, 1500.0),
        });
    }
}

fn channels(s: &Scenario, dice: &mut Dice) -> Vec<ChannelSpec> {
    let mut list = Vec::new();
    let kind = dice.below(4);
    let wired_case = dice.chance(0.85);
    for (u, unit) in s.units.iter().enumerate() {
        let place = |name: &str| {
            if u == 0 {
                name.to_owned()
            } else {
                format!("{name}-b")
            }
        };
        list.push(clamp(&place("common"), Source::Line(u), unit, dice));
        if wired_case {
            list.push(bead(&place("case"), kind, Source::Case(u), dice));
        }
        if unit.appliance.is_none() && dice.chance(0.5) {
            list.push(channel(
                &place("demand"),
                Measured::Contact,
                0,
                "opto",
                Source::Demand(u),
            ));
        }
        if dice.chance(0.2) {
            list.push(clamp(&place("start"), Source::StartLead(u), unit, dice));
        }
    }
    if list.iter().any(|c| c.measured == Measured::Emf) {
        let mut junction = channel(
            "cold-junction",
            Measured::Temperature,
            -2,
            "ic",
            Source::ColdJunction,
        );
        junction.offset = dice.between(-0.4, 0.4);
        list.push(junction);
    }
    if dice.chance(0.8) {
        list.push(bead("ambient", 2, Source::Ambient, dice));
    }
    if dice.chance(0.6) {
        let mut supply = channel("supply", Measured::Voltage, -1, "vt", Source::Supply);
        (supply.gain, supply.noise) = (dice.between(0.985, 1.015), dice.between(0.05, 0.6));
        list.push(supply);
    }
    if dice.chance(0.2) {
        list.push(bead("dome", 2, Source::Dome(0), dice));
    }
    if dice.chance(0.2) {
        list.push(bead("box", 2, Source::Cabinet(0), dice));
    }
    list
}

fn clamp(place: &str, source: Source, unit: &UnitSpec, dice: &mut Dice) -> ChannelSpec {
    let through_a = unit.motor.rated_a * f64::from(unit.clamp_turns);
    let mut c = channel(
        place,
        Measured::Current,
        if through_a > 20.0 { -2 } else { -3 },
        "ct",
        source,
    );
    c.gain = dice.between(0.97, 1.03);
    let much = if dice.chance(0.15) { 0.12 } else { 0.02 };
    c.offset = through_a * dice.between(0.0, much);
    c.noise = through_a * dice.between_decades(0.002, 0.04);
    c
}

/// A temperature channel: 0 and 1 are thermocouples, 2 a converted one, 3 a Pt100.
fn bead(place: &str, kind: usize, source: Source, dice: &mut Dice) -> ChannelSpec {
    let (measured, exp, sensor) = match kind {
        0 | 1 => (Measured::Emf, -6, "tc-K"),
        3 => (Measured::Resistance, -3, "pt100"),
        _ => (Measured::Temperature, -2, "ic"),
    };
    let mut c = channel(place, measured, exp, sensor, source);
    c.offset = dice.between(-1.5, 1.5);
    c.noise = dice.between(0.01, 0.15);
    c.lag_s = dice.between(1.0, 12.0);
    c.seat_loss = if source == Source::Ambient {
        0.0
    } else {
        dice.between(0.0, 0.12)
    };
    c
}

/// Up to five things happen, each for a while; one night in four also has its sensors or line fail.
fn happenings(s: &mut Scenario, dice: &mut Dice) {
    let count = dice.below(6);
    for _ in 0..count {
        let from_s = dice.between(0.1, 0.85) * s.record_s;
        let to_s = from_s + dice.between(0.1, 0.35) * s.record_s;
        let unit = dice.below(s.units.len());
        trouble(s, unit, from_s, to_s, dice);
    }
    if dice.chance(0.25) {
        for _ in 0..=dice.below(3) {
            let from_s = dice.between(0.1, 0.9) * s.record_s;
            let to_s = from_s + dice.between_decades(0.002, 0.3) * s.record_s;
            instrument_trouble(s, from_s, to_s, dice);
        }
    }
    if dice.chance(0.2) {
        let at_s = dice.between(0.05, 0.95) * s.record_s;
        s.at(at_s, H::Mark);
    }
}

fn trouble(s: &mut Scenario, u: usize, from_s: f64, to_s: f64, dice: &mut Dice) {
    let start = match dice.below(12) {
        0 | 1 => StartCircuit::Weak(dice.between(0.3, 0.95)),
        2 => StartCircuit::Open(dice.between(0.6, 0.9)),
        3 | 4 => StartCircuit::StaysIn(dice.between(1.5, 4.0)),
        5 => StartCircuit::Slow(dice.between(0.8, 2.5)),
        other => return machine_trouble(s, u, other, (from_s, to_s), dice),
    };
    s.between(
        from_s,
        to_s,
        H::Start(u, start),
        H::Start(u, StartCircuit::Sound),
    );
}

fn machine_trouble(
    s: &mut Scenario,
    u: usize,
    which: usize,
    (from_s, to_s): (f64, f64),
    dice: &mut Dice,
) {
    match which {
        6 => {
            s.between(from_s, to_s, H::Seized(u, true), H::Seized(u, false));
        }
        7 | 8 => {
            let hotter_k = dice.between(2.0, 9.0);
            s.between(from_s, to_s, H::Fan(u, false), H::Fan(u, true));
            s.between(from_s, to_s, H::Warmer(hotter_k), H::Warmer(0.0));
            s.between(from_s, to_s, H::Door(u, true), H::Door(u, false));
        }
        9 => {
            let by_k = dice.between(20.0, 70.0);
            s.between(from_s, to_s, H::Weak(u, by_k), H::Weak(u, 0.0));
        }
        10 => supply_trouble(s, from_s, to_s, dice),
        _ => {
            let per_hour = dice.between(1.0, 10.0);
            s.between(from_s, to_s, H::Chatter(u, per_hour), H::Chatter(u, 0.0));
        }
    }
}

fn supply_trouble(s: &mut Scenario, from_s: f64, to_s: f64, dice: &mut Dice) {
    if dice.chance(0.5) {
        let for_s = dice.between_decades(0.3, 2400.0);
        s.between(from_s, from_s + for_s, H::Supply(0.0), H::Supply(1.0));
    } else {
        let level = dice.between(0.6, 0.93);
        s.between(from_s, to_s, H::Supply(level), H::Supply(1.0));
    }
}

fn instrument_trouble(s: &mut Scenario, from_s: f64, to_s: f64, dice: &mut Dice) {
    let place = s.channels[dice.below(s.channels.len())].clone();
    let current = place.measured == Measured::Current;
    let fault = match dice.below(7) {
        0 => SensorFault::Letter(['o', 'x', 's', 'r'][dice.below(4)]),
        1 | 2 if current => SensorFault::ClampOff,
        1 | 2 => SensorFault::BeadOff,
        3 => SensorFault::Frozen,
        4 => SensorFault::Creeping(if current {
            0.1 * s.units[0].motor.rated_a
        } else {
            8.0
        }),
        5 => {
            s.at(
                from_s,
                H::Boot(["brown-out", "watchdog", "external", "power-on"][dice.below(4)]),
            );
            return;
        }
        _ => {
            s.between(
                from_s,
                from_s + dice.between_decades(1.0, 900.0),
                H::Mute(true),
                H::Mute(false),
            );
            return;
        }
    };
    let set = |fault| H::Sensor(place.place.clone(), fault);
    s.between(from_s, to_s, set(fault), set(SensorFault::Sound));
}
