//! Least squares against certified values: the NIST Statistical Reference Datasets for nonlinear regression (NIST/ITL), whose
//! files lie in `fixtures/nist-strd/` as NIST publishes them. Each is fitted from both of NIST's starting points, and
//! parameters, their standard deviations and the residual standard deviation have to be NIST's.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says so by panicking

use nightclamp_analysis::fit::{FitError, Residuals, Solution, least_squares};

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

fn read(name: &str) -> Certified {
    let path = format!(
        "{}/../../fixtures/nist-strd/{name}.dat",
        env!("CARGO_MANIFEST_DIR")
    );
    let text = std::fs::read_to_string(&path).expect("the fixture is there");
    let numbers = |of: &str| -> Vec<f64> {
        of.split_whitespace()
            .map(|n| n.parse().expect("a number"))
            .collect()
    };
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
