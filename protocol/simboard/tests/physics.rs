//! The simulated machine obeys what the trade knows of real ones.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says what it expected by failing

use nightclamp_simboard::scenario::{Happening, Scenario};
use nightclamp_simboard::{SimBoard, TrueCycle, emf};

/// Runs a scenario for so long and gives the lines.
fn run(board: &mut SimBoard, until_s: f64) -> Vec<String> {
    let mut lines = Vec::new();
    board.advance(until_s, &mut |e| {
        lines.push(String::from_utf8_lossy(e.line).trim_end().to_owned())
    });
    lines
}

/// Value `channel` of every sample, with its sequence number.
fn values(lines: &[String], channel: usize) -> Vec<f64> {
    let samples = lines.iter().filter(|l| l.starts_with("S "));
    samples
        .map(|l| {
            l.split(['~', ' '])
                .nth(3 + channel)
                .unwrap()
                .parse()
                .unwrap()
        })
        .collect()
}

fn cycles(name: &str, seed: u64, change: impl FnOnce(&mut Scenario)) -> Vec<TrueCycle> {
    let mut scenario = Scenario::by_name(name, seed).unwrap();
    change(&mut scenario);
    let until_s = scenario.record_s;
    let mut board = SimBoard::new(scenario);
    board.advance(until_s, &mut |_| {});
    board.truth().units[0].cycles.clone()
}

/// A protector that opens at 107 and closes at 71 Cel, as a household-refrigerator handbook has it.
fn handbook(s: &mut Scenario) {
    let p = &mut s.units[0].protector;
    (p.opens_c, p.closes_c, p.scatter_k) = (107.2, 71.1, 0.0);
    s.units[0].motor.winding_k_per_s = 2.0;
}

#[test]
fn first_trip_from_cold_takes_about_twice_as_long_as_the_later_ones() {
    let trips = cycles("locked", 3, handbook);
    let on_s = |c: &TrueCycle| c.off_s.unwrap() - c.on_s;
    let cold_s = on_s(&trips[0]);
    assert!((4.0..20.0).contains(&cold_s), "{cold_s}");
    for trip in &trips[1..4] {
        let ratio = cold_s / on_s(trip);
        assert!(
            (1.6..2.6).contains(&ratio),
            "cold {cold_s} s, later {} s",
            on_s(trip)
        );
    }
}

#[test]
fn locked_current_falls_smoothly_as_the_winding_heats() {
    let mut scenario = Scenario::by_name("locked", 5).unwrap();
    (scenario.channels[0].noise, scenario.channels[0].offset) = (0.0, 0.0);
    let mut board = SimBoard::new(scenario);
    let lines = run(&mut board, 60.0);
    let first = board.truth().units[0].cycles[0].clone();
    let (on, off) = (
        (first.on_s * 10.0) as usize + 2,
        (first.off_s.unwrap() * 10.0) as usize - 1,
    );
    let amps = values(&lines, 0)[on..off].to_vec();
    let fall = 1.0 - amps.last().unwrap() / amps[0];
    assert!((0.05..0.35).contains(&fall), "{fall}");
    // Flicker of the supply and noise are some tenths of a per cent; nothing else bends it.
    for pair in amps.windows(2) {
        assert!((pair[1] / pair[0] - 1.0).abs() < 0.02, "{pair:?}");
    }
    let second_half_falls = amps[amps.len() / 2..].windows(20).all(|w| w[19] < w[0]);
    assert!(second_half_falls);
}

#[test]
fn case_goes_on_warming_after_a_trip_and_closes_where_it_should() {
    for (name, kinds) in [("locked", 5), ("overload", 1)] {
        let trips = cycles(name, 1, |_| {});
        let trips: Vec<_> = trips.iter().filter(|c| c.reclosed_s.is_some()).collect();
        assert!(trips.len() >= kinds, "{name}");
        for c in trips {
            let off_s = c.off_s.unwrap();
            assert!(
                c.case_max_c > c.case_off_c + 0.3 && c.case_max_s > off_s + 3.0,
                "{name}: {c:?}"
            );
            assert!((c.disc_off_c - c.opens_c).abs() < 0.5, "{name}: {c:?}");
            assert!(
                (c.disc_reset_c.unwrap() - 61.0).abs() < 4.0,
                "{name}: {c:?}"
            );
            assert!(c.reclosed_s.unwrap() > off_s + 20.0, "{name}: {c:?}");
        }
    }
}

#[test]
fn every_cause_happens_where_its_scenario_says() {
    for (name, cause) in [
        ("locked", "locked-rotor"),
        ("overload", "overload"),
        ("overheat", "overheat"),
        ("early", "early"),
        ("run-capacitor", "locked-rotor"),
    ] {
        for seed in 1..4 {
            let all = cycles(name, seed, |_| {});
            let causes: Vec<_> = all.iter().filter_map(|c| c.cause).collect();
            assert!(!causes.is_empty(), "{name} {seed} never trips");
            assert!(
                causes.iter().all(|c| *c == cause),
                "{name} {seed}: {causes:?}"
            );
        }
    }
    assert!(
        cycles("steady", 2, |_| {})
            .iter()
            .all(|c| c.cause.is_none())
    );
    let welded = cycles("welded", 1, |_| {});
    assert!(
        welded
            .iter()
            .any(|c| c.stalled_after_s.is_some() && c.ended_by == Some("supply"))
    );
    assert!(welded.iter().all(|c| c.cause.is_none()));
}

#[test]
fn demo_shows_each_kind_and_something_soon_after_its_record_ends() {
    for seed in 1..6 {
        let mut board = SimBoard::new(Scenario::by_name("demo", seed).unwrap());
        let record_s = board.scenario().record_s;
        board.advance(record_s, &mut |_| {});
        let recorded = board.truth().units[0].cycles.clone();
        for cause in ["locked-rotor", "overload", "overheat"] {
            assert!(
                recorded.iter().any(|c| c.cause == Some(cause)),
                "seed {seed}: no {cause}"
            );
        }
        assert!(
            recorded
                .iter()
                .filter(|c| c.ended_by == Some("control"))
                .count()
                > 5,
            "seed {seed}"
        );
        assert_eq!(board.truth().boots.len(), 2);
        board.advance(record_s + 300.0, &mut |_| {});
        let live = &board.truth().units[0].cycles[recorded.len()..];
        let tripped = live
            .iter()
            .find(|c| c.cause == Some("locked-rotor"))
            .expect("a trip");
        assert!(tripped.reclosed_s.is_some(), "seed {seed}: {tripped:?}");
    }
}

#[test]
fn current_for_half_a_period_reads_one_over_root_two() {
    let mut scenario = Scenario::by_name("slow", 1).unwrap();
    scenario.script.clear();
    scenario.board.drift_ppm = 0.0;
    scenario.supply.flicker_share = 0.0;
    scenario.supply.drift_share = 0.0;
    (scenario.channels[0].noise, scenario.channels[0].offset) = (0.0, 0.0);
    // Running since long, then the supply goes half-way through the period that ends at 900 s.
    scenario.at(895.0, Happening::Supply(0.0));
    let mut board = SimBoard::new(scenario);
    let amps = values(&run(&mut board, 915.0), 0);
    let (whole, half, none) = (amps[88], amps[89], amps[90]);
    assert!(whole > 1000.0, "{whole}");
    assert!(
        (half / whole - 0.5_f64.sqrt()).abs() < 0.004,
        "{half} of {whole}"
    );
    assert_eq!(none, 0.0);
    let volts = values(&run(&mut SimBoard::new(board.scenario().clone()), 915.0), 5);
    assert!(
        (volts[89] / volts[88] - 0.5_f64.sqrt()).abs() < 0.004,
        "{} of {}",
        volts[89],
        volts[88]
    );
}

#[test]
fn squares_of_the_samples_add_up_to_the_heat_of_the_whole_cycle() {
    for period_ms in [20, 100, 1000, 7000] {
        let mut scenario = Scenario::by_name("overload", 4).unwrap();
        scenario.board.period_ms = period_ms;
        scenario.board.drift_ppm = 0.0;
        let clamp = &mut scenario.channels[0];
        (clamp.noise, clamp.offset, clamp.gain) = (0.0, 0.0, 1.0);
        let mut board = SimBoard::new(scenario);
        let amps = values(&run(&mut board, 3600.0), 0);
        let ended = board.truth().units[0]
            .cycles
            .iter()
            .filter(|c| c.off_s.is_some());
        let heat: f64 = ended.map(|c| c.i2t_a2s).sum();
        let until = board.truth().units[0]
            .cycles
            .iter()
            .filter_map(|c| c.off_s)
            .fold(0.0, f64::max);
        let period_s = f64::from(period_ms) / 1000.0;
        let samples = (until / period_s).ceil() as usize;
        let summed: f64 = amps[..samples]
            .iter()
            .map(|ma| ma * ma / 1e6 * period_s)
            .sum();
        assert!(
            (summed / heat - 1.0).abs() < 0.003,
            "{period_ms} ms: {summed} of {heat}"
        );
    }
}

#[test]
fn locked_current_goes_with_the_voltage() {
    let first = |share: f64| {
        cycles("locked", 1, |s| {
            s.at(0.0, Happening::Supply(share));
        })[0]
            .clone()
    };
    let (full, low) = (first(1.0), first(0.9));
    assert!(
        (low.peak_a / full.peak_a - 0.9).abs() < 0.01,
        "{} of {}",
        low.peak_a,
        full.peak_a
    );
    assert!(low.off_s.unwrap() - low.on_s > full.off_s.unwrap() - full.on_s);
}

/// NIST Monograph 175 (SRD 60), type K, reference junction at 0 Cel, mV.
#[test]
fn type_k_gives_the_table_of_the_standard() {
    for (t_c, mv) in [
        (-200.0, -5.891),
        (-100.0, -3.554),
        (-40.0, -1.527),
        (0.0, 0.0),
        (20.0, 0.798),
        (25.0, 1.000),
        (50.0, 2.023),
        (100.0, 4.096),
        (120.0, 4.920),
        (150.0, 6.138),
        (300.0, 12.209),
    ] {
        assert!(
            (emf::type_k_v(t_c) * 1000.0 - mv).abs() <= 0.000_51,
            "{t_c}"
        );
    }
}

#[test]
fn drawn_nights_stay_within_what_is_physical() {
    let (mut trips, mut causes) = (0, std::collections::BTreeSet::new());
    for seed in 0..40 {
        let mut scenario = Scenario::random(seed);
        scenario.board.period_ms = scenario.board.period_ms.max(1000);
        let until_s = scenario.record_s;
        assert!((1..=12).contains(&scenario.channels.len()), "seed {seed}");
        let mut board = SimBoard::new(scenario);
        board.advance(until_s, &mut |_| {});
        for (unit, spec) in board.truth().units.iter().zip(&board.scenario().units) {
            assert!(!unit.cycles.is_empty(), "seed {seed} never ran");
            for c in &unit.cycles {
                assert!(c.peak_a < spec.motor.locked_a * 1.2, "seed {seed}: {c:?}");
                assert!((-40.0..330.0).contains(&c.case_max_c), "seed {seed}: {c:?}");
                assert!(c.off_s.is_none_or(|o| o > c.on_s), "seed {seed}: {c:?}");
                trips += u32::from(c.cause.is_some());
                causes.extend(c.cause);
            }
        }
    }
    assert!(trips > 40, "{trips}");
    assert_eq!(causes.len(), 4, "{causes:?}");
}
