//! Least squares, means and deviations against certified values: the NIST Statistical Reference Datasets (NIST/ITL), of which
//! files lie in `fixtures/nist-strd/`. Each set for nonlinear regression is fitted from both of NIST's starting points, and
//! parameters, their standard deviations and the residual standard deviation have to be NIST's.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says so by panicking

use nightclamp_analysis::fit::{FitError, Residuals, Solution, least_squares};
use nightclamp_analysis::statistics::summary;

/// Relative disagreement allowed: of parameters, and of standard deviations.
const PARAM: f64 = 5e-7;
const SD: f64 = 5e-7;

type Model = fn(&[f64], f64) -> f64;

/// The models as the files' headers write them.
const SETS: [(&str, Model); 14] = [
    ("Misra1a", |b, x| b[0] * (1.0 - (-b[1] * x).exp())),
    ("Misra1b", |b, x| {
        b[0] * (1.0 - (1.0 + b[1] * x / 2.0).powi(-2))
    }),
    ("Chwirut2", |b, x| (-b[0] * x).exp() / (b[1] + b[2] * x)),
    ("DanWood", |b, x| b[0] * x.powf(b[1])),
    ("Roszman1", |b, x| {
        b[0] - b[1] * x - (b[2] / (x - b[3])).atan() / std::f64::consts::PI
    }),
    ("Lanczos3", |b, x| {
        b[0] * (-b[1] * x).exp() + b[2] * (-b[3] * x).exp() + b[4] * (-b[5] * x).exp()
    }),
    ("MGH09", |b, x| {
        b[0] * (x * x + x * b[1]) / (x * x + x * b[2] + b[3])
    }),
    ("MGH10", |b, x| b[0] * (b[1] / (x + b[2])).exp()),
    ("MGH17", |b, x| {
        b[0] + b[1] * (-x * b[3]).exp() + b[2] * (-x * b[4]).exp()
    }),
    ("Thurber", thurber),
    ("Rat42", |b, x| b[0] / (1.0 + (b[1] - b[2] * x).exp())),
    ("Rat43", |b, x| {
        b[0] / (1.0 + (b[1] - b[2] * x).exp()).powf(1.0 / b[3])
    }),
    ("Eckerle4", |b, x| {
        b[0] / b[1] * (-0.5 * ((x - b[2]) / b[1]).powi(2)).exp()
    }),
    ("BoxBOD", |b, x| b[0] * (1.0 - (-b[1] * x).exp())),
];

fn thurber(b: &[f64], x: f64) -> f64 {
    let over = b[0] + x * (b[1] + x * (b[2] + x * b[3]));
    over / (1.0 + x * (b[4] + x * (b[5] + x * b[6])))
}

struct Certified {
    starts: [Vec<f64>; 2],
    params: Vec<f64>,
    sds: Vec<f64>,
    residual_sd: f64,
    points: Vec<(f64, f64)>,
}

fn fixture(file: &str) -> String {
    let path = format!(
        "{}/../../fixtures/nist-strd/{file}",
        env!("CARGO_MANIFEST_DIR")
    );
    std::fs::read_to_string(path).expect("the fixture is there")
}

fn numbers(of: &str) -> Vec<f64> {
    of.split_whitespace()
        .map(|n| n.parse().expect("a number"))
        .collect()
}

fn read(name: &str) -> Certified {
    let text = fixture(&format!("{name}.dat"));
    let mut c = Certified {
        starts: [vec![], vec![]],
        params: vec![],
        sds: vec![],
        residual_sd: f64::NAN,
        points: vec![],
    };
    let mut in_data = false;
    for line in text.lines().skip(40) {
        let line = line.trim();
        if let Some(of) = line.strip_prefix("Residual Standard Deviation:") {
            c.residual_sd = numbers(of)[0];
        } else if let Some((_, of)) = line.split_once('=').filter(|(b, _)| b.starts_with('b')) {
            let row = numbers(of);
            c.starts[0].push(row[0]);
            c.starts[1].push(row[1]);
            c.params.push(row[2]);
            c.sds.push(row[3]);
        } else if line.starts_with("Data:") {
            in_data = true;
        } else if in_data && !line.is_empty() {
            let row = numbers(line);
            c.points.push((row[1], row[0]));
        }
    }
    c
}

struct Fit<'a>(Model, &'a [(f64, f64)]);

impl Residuals for Fit<'_> {
    fn count(&self) -> usize {
        self.1.len()
    }
    fn residuals(&self, at: &[f64], out: &mut [f64]) {
        for (r, &(x, y)) in out.iter_mut().zip(self.1) {
            *r = self.0(at, x) - y;
        }
    }
}

/// Largest relative disagreement of parameters and of standard deviations.
fn disagreement(found: &Solution, c: &Certified) -> (f64, f64) {
    let relative = |is: f64, certified: f64| ((is - certified) / certified).abs();
    let mut worst = (
        0.0_f64,
        relative(found.residual_sd().unwrap(), c.residual_sd),
    );
    for (i, (&param, &sd)) in c.params.iter().zip(&c.sds).enumerate() {
        worst.0 = worst.0.max(relative(found.params[i], param));
        worst.1 = worst
            .1
            .max(relative(found.param_sd(i).unwrap_or(f64::NAN), sd));
    }
    worst
}

#[test]
fn certified_values_are_found() {
    let mut wrong = Vec::new();
    for (name, model) in SETS {
        let certified = read(name);
        for (index, start) in certified.starts.iter().enumerate() {
            let found: Result<Solution, FitError> =
                least_squares(&Fit(model, &certified.points), start);
            let (param, sd) = found
                .as_ref()
                .map_or((f64::NAN, f64::NAN), |f| disagreement(f, &certified));
            println!(
                "{name:9} start {}: parameters to {param:.1e}, standard deviations to {sd:.1e}",
                index + 1
            );
            let reached = param <= PARAM && sd <= SD; // false for NaN
            if !reached {
                wrong.push(format!(
                    "{name} from start {}: {param:e}, {sd:e}, {:?}",
                    index + 1,
                    found.err()
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

fn off(got: f64, certified: f64) -> f64 {
    ((got - certified) / certified).abs()
}

/// Univariate summary statistics: readings and the certified mean and standard deviation as the crate statrs 0.15.0 carries
/// them (`data/nist/` and the tests of `src/statistics/iter_statistics.rs`); the made sets NumAcc1 to NumAcc4 by their rule,
/// which those files show.
#[test]
fn means_and_deviations_are_those_certified() {
    let alternating = |base: f64| {
        let pairs = (0..1000).map(move |n| base + if n % 2 == 0 { -0.1 } else { 0.1 });
        core::iter::once(base).chain(pairs).collect::<Vec<_>>()
    };
    let observed = |name: &str| numbers(&fixture(&format!("{name}.txt")));
    // How far a deviation may be off is what the readings' own last bit costs it.
    for (name, values, mean, sd, within) in [
        ("Lew", observed("lew"), -177.435, 277.332_168_044_316, 1e-14),
        (
            "Lottery",
            observed("lottery"),
            518.958_715_596_330,
            291.699_727_470_969,
            1e-14,
        ),
        (
            "Mavro",
            observed("mavro"),
            2.001_856,
            0.000_429_123_454_003_053,
            1e-12,
        ),
        (
            "Michelso",
            observed("michelso"),
            299.852_4,
            0.079_010_547_819_051_8,
            1e-12,
        ),
        (
            "NumAcc1",
            vec![10_000_001.0, 10_000_003.0, 10_000_002.0],
            10_000_002.0,
            1.0,
            1e-15,
        ),
        ("NumAcc2", alternating(1.2), 1.2, 0.1, 1e-13),
        ("NumAcc3", alternating(1_000_000.2), 1_000_000.2, 0.1, 1e-8),
        (
            "NumAcc4",
            alternating(10_000_000.2),
            10_000_000.2,
            0.1,
            1e-7,
        ),
    ] {
        let got = summary(values).unwrap();
        let (mean_off, sd_off) = (off(got.mean, mean), off(got.sd, sd));
        println!("{name:9} mean to {mean_off:.1e}, standard deviation to {sd_off:.1e}");
        assert!(mean_off <= 1e-14 && sd_off <= within, "{name}: {got:?}");
    }
    assert_eq!(summary([f64::NAN]), None);
}
