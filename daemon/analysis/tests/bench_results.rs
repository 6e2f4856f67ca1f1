//! What a bench test comes to: the ohmmeter's word, limits that cannot be judged, risks of the guard band, and a run as the trade
//! describes one.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says so by panicking

mod bench_common;

use std::fs;
use std::path::Path;

use bench_common::{Person, Played, play};
use nightclamp_analysis::Projection;
use nightclamp_analysis::bench::{
    Bench, PARTIAL, Part, Resistance, Results, Step, Uncertain, Verdict, Window, decide,
    side_by_side,
};
use nightclamp_analysis::job::Job;
use nightclamp_simboard::bench::{BenchSpec, SensorLimits, Trouble, bench};
use nightclamp_simboard::dice::Dice;
use nightclamp_simboard::scenario::ProtectorKind;

const CLASSES: &str = "[bench.sensors]\nclamp_percent = 2.0\nbead_k = 1.5\ntime_s = 0.05\nmeter_percent = 1\nmeter_ohm = 0.02\n";

fn played(plan: &str, sheet: &str) -> Played {
    let spec = BenchSpec {
        kind: ProtectorKind::ExternalStrip,
        trouble: Trouble::Sound,
        sensors: SensorLimits {
            clamp_share: 0.0,
            bead_k: 0.0,
        },
        as_the_model: true,
        period_ms: 100,
        seed: 7,
    };
    let person = Person {
        plan: format!("[bench]\nload = \"locked-rotor\"\nrepeats = 4\n{plan}"),
        sheet: sheet.to_owned(),
        ..Person::default()
    };
    play(bench(&spec), &person)
}

fn fixture(name: &str) -> Vec<u8> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/bench");
    fs::read(folder.join(name)).unwrap()
}

/// The bench of the fixture, with its plan and its log changed.
fn of_the_trade(change: fn(String) -> String, change_log: fn(String) -> String) -> Results {
    let plan = change(String::from_utf8(fixture("strip-120v.toml")).unwrap());
    let log = change_log(String::from_utf8(fixture("strip-120v.raw")).unwrap());
    let job = Job::parse(&plan, "strip-120v.toml").unwrap();
    let mut bench = Bench::new(&job).unwrap();
    let mut projection = Projection::new(job);
    projection.feed(0, log.as_bytes(), &mut bench);
    projection.finish(&mut bench);
    bench.results()
}

/// Strip of 0.3 to 0.5 Ohm, near 7 A at 120 V with a locked rotor, sinking to about 6.6 A, near 200 °F outside when it opens:
/// common practice, no source. Times are the fixture's own.
#[test]
fn a_bench_test_as_the_trade_describes_it() {
    let results = of_the_trade(|plan| plan, |log| log);
    assert_eq!(results.step, Step::Finished);
    let openings: Vec<_> = results.runs.iter().filter(|run| run.is_opening()).collect();
    assert_eq!(openings.len(), 3);
    for (run, on_s) in openings.iter().zip([45.2, 21.1, 20.7]) {
        assert!((run.on_s.unwrap().s - on_s).abs() < 0.02, "{run:?}");
        assert!((run.start_a.unwrap() - 7.0).abs() < 0.1, "{run:?}");
        assert!((run.end_a.unwrap() - 6.6).abs() < 0.1, "{run:?}");
        let outside_f = run.case_trip_c.unwrap() * 1.8 + 32.0;
        assert!((outside_f - 200.0).abs() < 5.0, "{outside_f} °F");
    }
    assert!((openings[0].reset.unwrap().s - 129.8).abs() < 0.02);
    let judged = &results.judged;
    assert_eq!(judged.resistance.0, Resistance::Works);
    let functions: Vec<_> = judged.functions.iter().map(|f| f.verdict).collect();
    assert_eq!(
        functions,
        [Verdict::Pass, Verdict::Pass],
        "{:?}",
        judged.functions
    );
    assert_eq!(
        judged.limits[0].verdict,
        Verdict::Pass,
        "{:?}",
        judged.limits[0]
    );
    assert_eq!(judged.whole, Verdict::Pass);
    assert!(judged.sentence.ends_with(PARTIAL), "{}", judged.sentence);
    let cold = judged
        .statistics
        .iter()
        .find(|s| s.what == "time to trip from cold")
        .unwrap();
    assert_eq!((cold.values.len(), cold.of_scatter), (1, None));
}

#[test]
fn what_the_ohmmeter_says() {
    for (from, to, expected) in [
        ("value=0.41 Ohm", "value=OL", Resistance::Failed),
        ("value=0.42 Ohm", "value=OL", Resistance::Failed),
        ("value=OL", "value=0.4 Ohm", Resistance::ClosedHot),
        ("value=0.41 Ohm", "value=0 Ohm", Resistance::LookCloser),
        ("value=0.41 Ohm", "value=2.4 Ohm", Resistance::LookCloser),
        (
            "what=protector-hot value=OL",
            "what=ptc value=OL",
            Resistance::ClosedCold,
        ),
    ] {
        let log = String::from_utf8(fixture("strip-120v.raw")).unwrap();
        assert!(log.contains(from));
        let plan = String::from_utf8(fixture("strip-120v.toml")).unwrap();
        let job = Job::parse(&plan, "plan.toml").unwrap();
        let mut bench = Bench::new(&job).unwrap();
        let mut projection = Projection::new(job);
        projection.feed(0, log.replace(from, to).as_bytes(), &mut bench);
        let judged = bench.results().judged;
        assert_eq!(
            judged.resistance.0, expected,
            "{from} -> {to}: {}",
            judged.resistance.1
        );
        assert!(judged.whole != Verdict::Pass, "{}", judged.sentence);
        if expected == Resistance::Failed {
            assert_eq!(judged.whole, Verdict::Fail);
        }
    }
}

/// A record that was cut off passes nothing.
#[test]
fn nothing_passes_that_was_not_seen() {
    let log = String::from_utf8(fixture("strip-120v.raw")).unwrap();
    let plan = String::from_utf8(fixture("strip-120v.toml")).unwrap();
    for share in [0, 1, 3, 5, 8, 15, 30, 60, 90] {
        let job = Job::parse(&plan, "plan.toml").unwrap();
        let mut bench = Bench::new(&job).unwrap();
        let mut projection = Projection::new(job);
        projection.feed(0, &log.as_bytes()[..log.len() * share / 100], &mut bench);
        projection.finish(&mut bench);
        let judged = bench.results().judged;
        assert_eq!(
            judged.whole,
            Verdict::CannotSay,
            "{share} %: {}",
            judged.sentence
        );
    }
}

/// Without classes no figure is judged, and each says what it lacks.
#[test]
fn an_uncertainty_that_is_not_given_is_not_assumed() {
    let sheet = "opens_c = 115\nopens_tol_c = 10\ncloses_c = 69\ncloses_tol_c = 9\n";
    let plan = "[bench.trip]\nstart = \"warm\"\ncurrent_a = 6.2\nmost_s = 20\n[bench.reset]\nmost_s = 600\n\
                [bench.resistance]\nmost_ohm = 0.6\n";
    let judged = played(plan, sheet).bench.results().judged;
    assert_eq!(judged.limits.len(), 5);
    for limit in &judged.limits {
        assert_eq!(limit.verdict, Verdict::CannotSay, "{limit:?}");
        assert!(limit.why.contains("no class"), "{limit:?}");
    }
    assert_eq!(judged.whole, Verdict::CannotSay);
    let judged = played(&format!("{CLASSES}{plan}"), sheet)
        .bench
        .results()
        .judged;
    let of = |what: &str| judged.limits.iter().find(|l| l.what == what).unwrap();
    for what in [
        "time to trip, warm",
        "time to reset, warm",
        "cold resistance",
    ] {
        assert_eq!(of(what).verdict, Verdict::Pass, "{:?}", of(what));
    }
    // A limit that is not given is not judged at all.
    assert!(played("", "").bench.results().judged.limits.is_empty());
    // One trip from cold has no spread.
    let cold = plan.replace("warm", "cold");
    let judged = played(&format!("{CLASSES}{cold}"), sheet)
        .bench
        .results()
        .judged;
    assert_eq!(judged.limits[0].verdict, Verdict::CannotSay);
    assert!(
        judged.limits[0].why.contains("a spread needs 3"),
        "{:?}",
        judged.limits[0]
    );
}

/// What the bench measured goes into a job file, and beside itself it does not differ.
#[test]
fn the_curve_goes_into_a_job_file() {
    let results = played(CLASSES, "").bench.results();
    let curve = results.curve.as_ref().unwrap();
    let keys = results.to_job_keys();
    let job = format!(
        "[job]\nname = \"x\"\ntimezone = \"UTC\"\n[[unit]]\nname = \"freezer\"\nboard = \"7f3a91c2\"\nchannels.current = \"c\"\n\
         [unit.protector]\n{keys}"
    );
    let protector = Job::parse(&job, "job.toml")
        .unwrap()
        .units
        .remove(0)
        .protector;
    let close = |a: f64, b: f64| (a - b).abs() <= 0.005 * b.abs() + 0.05;
    if let Some(closes) = curve.fitted.closes_c.filter(|c| c.told) {
        assert!(close(protector.closes_c.unwrap(), closes.value), "{keys}");
    }
    assert_eq!(
        protector.heating_tau_s.is_some(),
        protector.heating_c_per_a2.is_some()
    );
    assert!(
        protector.opens_c.is_some() || protector.closes_c.is_some(),
        "{keys}"
    );
    let of_it = || results.constants(results.case_c());
    let same = side_by_side(&of_it(), &of_it());
    assert!(same.iter().all(|pair| !pair.differs()));
    assert!(same.iter().any(|pair| pair.difference == Some(0.0)));
    for pair in curve.points.windows(2) {
        assert!(
            pair[0].trip_s > pair[1].trip_s
                && pair[0].low_s < pair[0].trip_s
                && pair[0].trip_s < pair[0].high_s
        );
    }
}

/// Standard normal density.
fn density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt()
}

/// Risks of accepting within `accept` what is only right within `tolerance`, by numerical integration over true values of standard
/// deviation `u0` about `y0`, measured with standard uncertainty `um` (JCGM 106:2012, 9.5): (consumer's, producer's).
fn risks(y0: f64, u0: f64, um: f64, tolerance: (f64, f64), accept: (f64, f64)) -> (f64, f64) {
    let phi = nightclamp_analysis::fit::normal_cdf;
    // Piece by piece, so that no step straddles a limit.
    let limits = [y0 - 8.0 * u0, tolerance.0, tolerance.1, y0 + 8.0 * u0];
    let (mut consumer, mut producer) = (0.0, 0.0);
    for (piece, ends) in limits.windows(2).enumerate() {
        let step = (ends[1] - ends[0]) / 4000.0;
        for n in 0..4000 {
            let truth = ends[0] + step * (f64::from(n) + 0.5);
            let weight = density((truth - y0) / u0) * step / u0;
            let accepted = phi((accept.1 - truth) / um) - phi((accept.0 - truth) / um);
            if piece == 1 {
                producer += weight * (1.0 - accepted);
            } else {
                consumer += weight * accepted;
            }
        }
    }
    (consumer, producer)
}

/// JCGM 106, resistors of 1500 Ohm ± 0.2 Ohm: u0 = 0.12, um = 0.04, accepted within ± 0.18 and within ± 0.2. The inputs are the
/// example's; the risks to seven places were computed by quadrature in another language (the standard rounds them to 1 % and 7 %:
/// from memory).
#[test]
fn risks_of_the_resistors_of_jcgm_106() {
    let tolerance = (1499.8, 1500.2);
    for (accept, consumer, producer) in [
        ((1499.82, 1500.18), 0.009_878_3, 0.069_026_5),
        ((1499.8, 1500.2), 0.018_942_2, 0.037_207_8),
    ] {
        let got = risks(1500.0, 0.12, 0.04, tolerance, accept);
        assert!(
            (got.0 - consumer).abs() < 2e-6 && (got.1 - producer).abs() < 2e-6,
            "{got:?}"
        );
    }
}

/// A normal number, exactly (Box and Muller).
fn normal(dice: &mut Dice) -> f64 {
    let angle = 2.0 * std::f64::consts::PI * dice.unit();
    (-2.0 * (1.0 - dice.unit()).ln()).sqrt() * angle.cos()
}

/// Our own verdicts on many drawn protectors, against those risks: what truly does not conform and passes, what truly conforms and
/// does not pass. The guard band is U = 2 um.
#[test]
fn false_accepts_and_rejects_are_what_jcgm_106_expects() {
    let mut dice = Dice::new(106);
    let window = Window {
        least: Some(56.0),
        most: Some(74.0),
    };
    let n = 100_000;
    for (y0, u0, um) in [(65.0, 6.0, 1.5), (70.0, 4.0, 1.0), (65.0, 9.0, 3.0)] {
        let (mut accepts, mut rejects, mut fails) = (0, 0, 0);
        for _ in 0..n {
            let truth = y0 + u0 * normal(&mut dice);
            let part = Part {
                from: "",
                u: um,
                degrees_of_freedom: f64::INFINITY,
            };
            let verdict = decide(
                &Uncertain::new(truth + um * normal(&mut dice), vec![part]),
                &window,
            );
            let conforms = (56.0..=74.0).contains(&truth);
            accepts += i32::from(!conforms && verdict == Verdict::Pass);
            rejects += i32::from(conforms && verdict != Verdict::Pass);
            fails += i32::from(conforms && verdict == Verdict::Fail);
        }
        let guarded = (56.0 + 2.0 * um, 74.0 - 2.0 * um);
        let (consumer, producer) = risks(y0, u0, um, (56.0, 74.0), guarded);
        let share = |count: i32| f64::from(count) / f64::from(n);
        println!(
            "{y0} ± {u0}, um {um}: false accepts {:.5} (JCGM 106 {consumer:.5}), not passed though good {:.4} ({producer:.4}), failed \
             though good {:.5}",
            share(accepts),
            share(rejects),
            share(fails)
        );
        let sd = |p: f64| (p * (1.0 - p) / f64::from(n)).sqrt();
        assert!((share(accepts) - consumer).abs() < 4.0 * sd(consumer) + 1e-5);
        assert!((share(rejects) - producer).abs() < 4.0 * sd(producer));
        assert!(share(accepts) < 0.025 && share(fails) < 0.025);
    }
}
