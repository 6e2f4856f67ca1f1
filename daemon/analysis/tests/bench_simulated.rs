//! Simulated protectors of both kinds with known truth, each on its bench from raw log to verdict: the error of every figure
//! against its stated uncertainty, and what is accepted and rejected against the true state.
//!
//! Half of them are what the fitted model says (one disc, a bead without lag), with sensors wrong within their classes: there the
//! stated uncertainty has to hold. Half are heater, disc and case as three lumps with a bead that lags: there the bias is printed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says so by panicking

mod bench_common;

use std::collections::BTreeMap;

use bench_common::{Person, play};
use nightclamp_analysis::bench::{Results, Statistic, Uncertain, Verdict, Window, decide};
use nightclamp_simboard::bench::{Bench, BenchSpec, SensorLimits, Trouble, bench};
use nightclamp_simboard::scenario::ProtectorKind;

/// Protectors, unless `BENCHES` says otherwise.
const BENCHES: u64 = 308;

const PLAN: &str = "[bench]\nload = \"locked-rotor\"\nrepeats = 4\nlongest_reset_s = 900\n\
                    [bench.sensors]\nclamp_percent = 2.0\nbead_k = 1.5\ntime_s = 0.05\nmeter_percent = 1\nmeter_ohm = 0.02\n";

/// One bench with what is true of it.
struct Seen {
    trouble: Trouble,
    as_the_model: bool,
    results: Results,
    truth: nightclamp_simboard::Truth,
    opens_c: f64,
    closes_c: f64,
    heating: (f64, f64),
    sheet: (f64, f64),
    /// Warm, at the plan's test current.
    trip_s: Option<f64>,
}

fn trouble(seed: u64) -> Trouble {
    match seed / 4 % 11 {
        0 => Trouble::Weak(25.0),
        1 => Trouble::Welded,
        2 => Trouble::Late(60.0),
        3 => Trouble::StaysOpen,
        4 => Trouble::Drifts(4.0),
        5 => Trouble::Scatters(5.0),
        _ => Trouble::Sound,
    }
}

/// Bench number `seed`, so many openings on it.
fn seen(seed: u64, repeats: u32) -> Seen {
    let spec = BenchSpec {
        kind: [ProtectorKind::ExternalStrip, ProtectorKind::ExternalRound][seed as usize % 2],
        trouble: trouble(seed),
        sensors: SensorLimits {
            clamp_share: 0.02,
            bead_k: 1.5,
        },
        as_the_model: (seed / 2).is_multiple_of(2),
        period_ms: 200,
        seed,
    };
    let sim = bench(&spec);
    let protector = sim.scenario.units[0].protector.clone();
    let sheet = (sim.sheet_opens_c, sim.sheet_closes_c);
    // What the sheet says is off what is true by up to 14 K, so that limits are met and missed.
    let off_c = 2.0 * (seed % 15) as f64 - 14.0;
    // A data sheet's test current is that of a cold winding: a warm one draws less, and has to be brought to it.
    let test_a = sim.scenario.units[0].motor.locked_a;
    let trip = format!("[bench.trip]\nstart = \"warm\"\ncurrent_a = {test_a:.3}\nmost_s = 60\n");
    let person = Person {
        plan: PLAN.replace("repeats = 4", &format!("repeats = {repeats}")) + &trip,
        sheet: format!(
            "opens_c = {:.2}\nopens_tol_c = 10\ncloses_c = {:.2}\ncloses_tol_c = 9\n",
            sheet.0 + off_c,
            sheet.1 + off_c
        ),
        patience_s: 3600.0,
        ..Person::default()
    };
    let trip_s = true_trip_s(sim.clone(), &person, spec.trouble);
    let played = play(sim, &person);
    Seen {
        trouble: spec.trouble,
        as_the_model: spec.as_the_model,
        results: played.bench.results(),
        truth: played.truth,
        opens_c: protector.opens_c - protector.weak_by_k,
        closes_c: protector.closes_c,
        heating: (protector.heating_k_per_a2, protector.tau_s()),
        sheet: (sheet.0 + off_c, sheet.1 + off_c),
        trip_s,
    }
}

/// How soon this very protector truly opens when warm, at the test current itself: the same bench with a load that draws exactly
/// that, and a disc that does not scatter. Nobody measures anything in it, and no law brings anything to anywhere.
fn true_trip_s(mut sim: Bench, person: &Person, trouble: Trouble) -> Option<f64> {
    if !matches!(trouble, Trouble::Sound | Trouble::Weak(_)) {
        return None;
    }
    let supply = &mut sim.scenario.supply;
    (supply.drift_share, supply.flicker_share, supply.sag_share) = (0.0, 0.0, 0.0);
    let unit = &mut sim.scenario.units[0];
    unit.motor.resistive_share = 0.0; // what it draws does not depend on how warm it is
    unit.protector.scatter_k = 0.0;
    let locked_a = unit.motor.locked_a;
    let truth = play(sim, person).truth;
    let cycles = truth.units[0].cycles.iter();
    let opened = cycles.filter(|cycle| cycle.ended_by == Some("protector"));
    let warm = opened.skip(1).map(|cycle| {
        let on_s = cycle.off_s.unwrap() - cycle.on_s;
        let rms_a = (cycle.i2t_a2s / on_s).sqrt();
        assert!(
            (rms_a / locked_a - 1.0).abs() < 1e-3,
            "{rms_a} A, not {locked_a}"
        );
        on_s
    });
    let warm: Vec<f64> = warm.collect();
    Some(warm.iter().sum::<f64>() / warm.len() as f64)
}

/// Ends of a window are put so far from the true value, as shares of it.
const APART: [f64; 25] = {
    let mut apart = [0.0; 25];
    let mut at = 0;
    while at < 25 {
        apart[at] = 0.012 * (at as f64 - 12.0);
        at += 1;
    }
    apart
};

/// Warm time to trip at the test current: what was measured, and what is true.
fn warm_trip(seen: &Seen) -> Option<(Uncertain, f64)> {
    let mut limits = seen.results.judged.limits.iter();
    let limit = limits.find(|limit| limit.what == "time to trip, warm")?;
    limit.measured.clone().zip(seen.trip_s)
}

/// Area of the standard normal density up to `z`, by Simpson's rule: not by the code that is judged.
fn area(z: f64) -> f64 {
    let (steps, z) = (200, z.clamp(-8.0, 8.0));
    let width = z / f64::from(steps);
    let density = |x: f64| (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt();
    let weight = |at: u32| match at {
        0 => 1.0,
        at if at == steps => 1.0,
        at if at % 2 == 1 => 4.0,
        _ => 2.0,
    };
    let sum: f64 = (0..=steps)
        .map(|at| weight(at) * density(width * f64::from(at)))
        .sum();
    0.5 + width / 3.0 * sum
}

/// How what is measured is distributed about what is true where the protector is the model: a clamp whose error is anywhere within its
/// class, and all else, normal. What is stated for a protector of several lumps is not at work in one of one disc.
struct About {
    truth: f64,
    clamp: f64,
    rest_u: f64,
}

impl About {
    fn new(measured: &Uncertain, truth: f64) -> Self {
        let square = |from: &str| -> f64 {
            let parts = measured.parts.iter().filter(|part| part.from == from);
            parts.map(|part| part.u * part.u).sum()
        };
        let clamp = square("class of the clamp");
        let lumps = square("one disc for a protector of several lumps");
        assert!(clamp > 0.0 && lumps > 0.0, "{measured:?}");
        Self {
            truth,
            clamp: (3.0 * clamp).sqrt(),
            rest_u: (measured.u * measured.u - clamp - lumps).sqrt(),
        }
    }

    /// Probability that no more than `value` is measured.
    fn below(&self, value: f64) -> f64 {
        let places = 20;
        let wrong = |at: i32| self.clamp * (f64::from(2 * at + 1) / f64::from(places) - 1.0);
        let each = |at: i32| area((value - self.truth - wrong(at)) / self.rest_u);
        (0..places).map(each).sum::<f64>() / f64::from(places)
    }
}

/// Each bench's share of windows, and the share that is to be expected of it.
type Shares = (Vec<f64>, Vec<f64>);

/// What share of the windows has each verdict, false accepts and false rejects apart, and what JCGM 106:2012, 9.5 makes it: what is
/// measured is distributed about what is true as [`About`] says, and acceptance begins where the rule says.
#[derive(Default)]
struct Risks {
    /// By (conforms, verdict).
    shares: BTreeMap<(bool, &'static str), Shares>,
}

impl Risks {
    fn add(&mut self, measured: &Uncertain, truth: f64) {
        let mut seen = BTreeMap::<(bool, &'static str), (f64, f64)>::new();
        let each = 1.0 / APART.len() as f64;
        let about = About::new(measured, truth);
        for apart in APART {
            // Not later than so much: it conforms if that is above what is true.
            let most = truth * (1.0 + apart);
            let window = Window {
                least: None,
                most: Some(most),
            };
            let conforms = truth <= most;
            seen.entry((conforms, decide(measured, &window).as_str()))
                .or_default()
                .0 += each;
            let guard = measured.expanded();
            let below = |by: f64| about.below(most + by);
            for (verdict, share) in [
                ("pass", below(-guard)),
                ("conditional pass", below(0.0) - below(-guard)),
                ("conditional fail", below(guard) - below(0.0)),
                ("fail", 1.0 - below(guard)),
            ] {
                seen.entry((conforms, verdict)).or_default().1 += each * share;
            }
        }
        for (cell, (share, expected)) in seen {
            let shares = self.shares.entry(cell).or_default();
            shares.0.push(share);
            shares.1.push(expected);
        }
    }

    /// Prints the table; with `holds` every share has to be what is expected.
    fn hold(&self, kind: &str, holds: bool) {
        for ((conforms, verdict), (shares, expected)) in &self.shares {
            let n = shares.len() as f64;
            let mean = |all: &[f64]| all.iter().sum::<f64>() / n;
            let (share, expected) = (mean(shares), mean(expected));
            let squares: f64 = shares.iter().map(|one| (one - share).powi(2)).sum();
            let standard_error = (squares / (n - 1.0) / n).sqrt();
            println!(
                "time to trip, {kind}, truly {:14} {verdict:18} {:5.2} % of {n} benches' windows, by JCGM 106 {:5.2} %",
                if *conforms {
                    "conforming"
                } else {
                    "not conforming"
                },
                100.0 * share,
                100.0 * expected
            );
            let apart = (share - expected).abs();
            assert!(
                !holds || apart <= 3.5 * standard_error + 0.006,
                "{verdict}: {share:.4} and not {expected:.4}"
            );
        }
    }
}

/// Errors of one figure against its stated uncertainty.
#[derive(Default)]
struct Errors {
    held: u32,
    all: Vec<f64>,
}

impl Errors {
    fn add(&mut self, error: f64, holds: bool) {
        self.held += u32::from(holds);
        self.all.push(error);
    }
    fn share(&self) -> f64 {
        f64::from(self.held) / self.all.len() as f64
    }
    fn bias(&self) -> f64 {
        self.all.iter().sum::<f64>() / self.all.len() as f64
    }
}

#[derive(Default)]
struct Table {
    errors: BTreeMap<(&'static str, bool), Errors>,
    /// (what, conforms, verdict) to how many.
    verdicts: BTreeMap<(&'static str, bool, &'static str), u32>,
}

impl Table {
    fn error(&mut self, what: &'static str, model: bool, error: f64, holds: bool) {
        self.errors
            .entry((what, model))
            .or_default()
            .add(error, holds);
    }
}

fn within(error: f64, parts: &[f64]) -> bool {
    error.abs() <= 2.0 * parts.iter().map(|u| u * u).sum::<f64>().sqrt()
}

fn compare(seen: &Seen, table: &mut Table) {
    let model = seen.as_the_model;
    let third = 3.0_f64.sqrt();
    let cycles = &seen.truth.units[0].cycles;
    for (run, cycle) in seen
        .results
        .runs
        .iter()
        .zip(cycles)
        .filter(|(run, _)| run.is_opening())
    {
        let on_s = cycle.off_s.unwrap() - cycle.on_s;
        let on = run.on_s.unwrap();
        table.error(
            "time to trip, s",
            model,
            on.s - on_s,
            within(on.s - on_s, &[on.u_s, 0.05 / third]),
        );
        let rms_a = (cycle.i2t_a2s / on_s).sqrt();
        let error = run.rms_a.unwrap() - rms_a;
        table.error(
            "square mean, A",
            model,
            error,
            within(error, &[0.02 * rms_a / third]),
        );
        let error = run.i2t_a2s.unwrap() / cycle.i2t_a2s - 1.0;
        table.error(
            "I²t, share",
            model,
            error,
            within(error, &[2.0 * 0.02 / third]),
        );
        let error = run.case_trip_c.unwrap() - cycle.case_off_c;
        table.error(
            "case when it opened, K",
            model,
            error,
            within(error, &[1.5 / third, 0.1]),
        );
        if let (Some(reset), Some(next_s)) = (run.reset, cycle.next_on_s) {
            let reset_s = next_s - cycle.off_s.unwrap();
            let error = reset.s - reset_s;
            table.error(
                "time to reset, s",
                model,
                error,
                within(error, &[reset.u_s, 0.05 / third]),
            );
        }
    }
    curve(seen, table);
    for limit in &seen.results.judged.limits {
        let (what, truth, (sheet, tol)) = match limit.what {
            "time to trip, warm" => continue,
            "opening temperature" => ("opening", seen.opens_c, (seen.sheet.0, 10.0)),
            _ => ("closing", seen.closes_c, (seen.sheet.1, 9.0)),
        };
        let steady = !matches!(seen.trouble, Trouble::Drifts(_) | Trouble::StaysOpen);
        if let Some(measured) = limit.measured.as_ref().filter(|_| steady) {
            let name = ["opening temperature, K", "closing temperature, K"]
                [usize::from(what == "closing")];
            table.error(
                name,
                model,
                measured.value - truth,
                Uncertain::holds(measured, truth),
            );
        }
        if steady {
            let conforms = (truth - sheet).abs() <= tol;
            *table
                .verdicts
                .entry((what, conforms, limit.verdict.as_str()))
                .or_default() += 1;
        }
    }
}

fn curve(seen: &Seen, table: &mut Table) {
    if !matches!(seen.trouble, Trouble::Sound | Trouble::Weak(_)) {
        return;
    }
    let Ok(curve) = &seen.results.curve else {
        return;
    };
    let model = seen.as_the_model;
    let (k, tau_s) = seen.heating;
    let fitted = &curve.fitted;
    let mut compare = |what, estimate: nightclamp_analysis::protector::Estimate, truth: f64| {
        if estimate.told {
            table.error(
                what,
                model,
                estimate.value / truth - 1.0,
                estimate.holds(truth),
            );
        }
    };
    compare("k, share", fitted.heating_c_per_a2, k);
    compare("tau, share", fitted.tau_s, tau_s);
    if let Some(ultimate) = curve.ultimate_a {
        compare(
            "ultimate current, share",
            ultimate,
            ((seen.opens_c - curve.case_c) / k).sqrt(),
        );
    }
}

#[test]
fn many_protectors_are_measured_and_judged_by_what_is_true() {
    let benches = std::env::var("BENCHES").map_or(BENCHES, |n| n.parse().expect("a number"));
    let (mut table, mut wholes) = (Table::default(), BTreeMap::<(&str, &str), u32>::new());
    let mut risks = [Risks::default(), Risks::default()];
    for seed in 0..benches {
        let seen = seen(seed, 4);
        compare(&seen, &mut table);
        if let Some((measured, truth)) = warm_trip(&seen) {
            let of = usize::from(!seen.as_the_model);
            let holds = measured.holds(truth);
            table.error(
                "warm time to trip at the test current, share",
                of == 0,
                measured.value / truth - 1.0,
                holds,
            );
            risks[of].add(&measured, truth);
        }
        let drifts = |of: &Statistic| of.drift.is_some_and(|drift| drift.stands_out);
        let judged = &seen.results.judged;
        assert!(
            !judged.statistics.iter().any(drifts),
            "of three: {judged:?}"
        );
        let opens = judged.functions[0].verdict;
        let closes = judged.functions[1].verdict;
        *wholes
            .entry((seen.trouble.as_str(), judged.whole.as_str()))
            .or_default() += 1;
        match seen.trouble {
            Trouble::Welded => {
                assert_eq!(
                    (opens, judged.whole),
                    (Verdict::Fail, Verdict::Fail),
                    "seed {seed}"
                );
            }
            Trouble::StaysOpen => {
                assert_eq!(
                    (closes, judged.whole),
                    (Verdict::Fail, Verdict::Fail),
                    "seed {seed}"
                );
            }
            Trouble::Late(_) => {}
            _ => assert_eq!(
                (opens, closes),
                (Verdict::Pass, Verdict::Pass),
                "seed {seed}: {judged:?}"
            ),
        }
    }
    println!("{benches} protectors");
    for ((what, model), errors) in &table.errors {
        println!(
            "{what:26} {:22} {:5} figures, bias {:+.4}, {:5.1} % within their U",
            if *model {
                "as the model"
            } else {
                "three lumps"
            },
            errors.all.len(),
            errors.bias(),
            100.0 * errors.share()
        );
    }
    for ((trouble, whole), count) in &wholes {
        println!("{trouble:12} {whole:18} {count}");
    }
    for ((what, conforms, verdict), count) in &table.verdicts {
        println!(
            "{what:8} truly {:14} {verdict:18} {count}",
            if *conforms {
                "conforming"
            } else {
                "not conforming"
            }
        );
    }
    let few = benches < BENCHES;
    risks[0].hold("as the model", !few);
    risks[1].hold("three lumps", false);
    for ((what, model), errors) in &table.errors {
        assert!(
            few || !model || errors.share() >= 0.93,
            "{what}: {:.3}",
            errors.share()
        );
    }
    // A false accept is a pass of one that truly does not conform: the guard band keeps it under 2.5 %.
    for what in ["opening", "closing"] {
        let of = |conforms, verdict| {
            table
                .verdicts
                .get(&(what, conforms, verdict))
                .copied()
                .unwrap_or(0)
        };
        let all: u32 = table
            .verdicts
            .iter()
            .filter(|((w, ..), _)| *w == what)
            .map(|(_, n)| n)
            .sum();
        let (accepts, rejects) = (of(false, "pass"), of(true, "fail"));
        println!("{what}: {accepts} false accepts and {rejects} false rejects of {all}");
        assert!(
            f64::from(accepts) <= 0.025 * f64::from(all)
                && f64::from(rejects) <= 0.025 * f64::from(all)
        );
    }
}

/// Figures that are the disc's own. Case, reset and current also drift while the bench warms up, which no disc is to blame for.
const OF_THE_DISC: [&str; 3] = [
    "time to trip, warm",
    "I²t, warm",
    "modelled disc when it opened, warm",
];

#[test]
fn six_openings_tell_a_disc_that_tires_from_a_bench_that_warms_up() {
    let (mut tiring, mut sound) = ((0, 0), (0, 0));
    for seed in 0..BENCHES {
        let count = match trouble(seed) {
            Trouble::Drifts(_) => &mut tiring,
            Trouble::Sound => &mut sound,
            _ => continue,
        };
        let results = seen(seed, 6).results;
        let mut drifting = results.judged.statistics.iter().filter(|of| {
            OF_THE_DISC.contains(&of.what) && of.drift.is_some_and(|drift| drift.stands_out)
        });
        *count = (count.0 + u32::from(drifting.next().is_some()), count.1 + 1);
    }
    println!(
        "of six openings a drift of the disc's own figures is said of {} in {} that drift, of {} in {} sound ones",
        tiring.0, tiring.1, sound.0, sound.1
    );
    assert!(4 * tiring.0 >= 3 * tiring.1, "{tiring:?}");
    assert!(20 * sound.0 <= sound.1, "{sound:?}");
}
