//! The bench run that is drawn in the numbers of the trade (common practice, no source), `fixtures/bench/strip-120v.raw`: how each
//! of its lines is made. `bench_results.rs` says what has to come of it.
//!
//!     cargo test -p nightclamp-analysis --test bench_drawn -- --ignored     writes it anew
#![allow(clippy::unwrap_used)] // a test says so by panicking

use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};

use nightclamp_protocol::crc16_xmodem;

/// The first instant, µs: 27 November 2026, 08:00 UTC.
const BEGIN_US: u64 = 1_795_766_400_000_000;
/// A line is read so long after its sample, µs.
const LATE_US: u64 = 2_000;
const PERIOD_MS: u64 = 500;
const END_MS: u64 = 1_300_000;
/// What the board says of itself, before the first sample and again with every so many, so long before it, ms.
const HELLO: [&str; 5] = [
    "H 1 7f3a91c2 3 4 500 drawn-1",
    "C 0 current A -3 common ct",
    "C 1 temperature Cel -1 case tc",
    "C 2 temperature Cel -1 ambient ic",
    "C 3 contact 1 0 demand opto",
];
const HELLO_EVERY: u64 = 100;
const HELLO_BEFORE_MS: u64 = 100;
/// An empty clamp, A; the room, Cel.
const EMPTY_A: f64 = 0.020;
const ROOM_C: f64 = 24.0;
/// The switch is on from here on, and off from there on, s.
const SWITCHED_S: (f64, f64) = (30.0, 374.0);

/// A run of current: near 7 A that sink to about 6.6 A, and the case on the outside near 93 °C (200 °F) when it opens.
struct Drawn {
    on_s: f64,
    off_s: f64,
    case_on_c: f64,
    case_off_c: f64,
    /// The case where it cools to, Cel, and how fast, s.
    cools_to_c: f64,
    tau_s: f64,
}

/// The case goes on warming for so long, s, by so much, K.
const OVERSHOOT: (f64, f64) = (8.0, 4.0);

/// Three openings. It closes at 71 and 71.5 °C by itself; after the last it cools down to the room.
fn runs() -> [Drawn; 3] {
    // What falls towards 4 K below where it closes reaches that after so long.
    let tau_s =
        |from_s: f64, until_s: f64, fall: f64| (until_s - from_s - OVERSHOOT.0) / (fall / 4.0).ln();
    [
        Drawn {
            on_s: 30.0,
            off_s: 75.2,
            case_on_c: ROOM_C,
            case_off_c: 93.3,
            cools_to_c: 67.0,
            tau_s: tau_s(75.2, 205.0, 97.3 - 67.0),
        },
        Drawn {
            on_s: 205.0,
            off_s: 226.1,
            case_on_c: 71.0,
            case_off_c: 93.5,
            cools_to_c: 67.5,
            tau_s: tau_s(226.1, 352.0, 97.5 - 67.5),
        },
        Drawn {
            on_s: 352.0,
            off_s: 372.7,
            case_on_c: 71.5,
            case_off_c: 93.1,
            cools_to_c: ROOM_C,
            tau_s: 150.0,
        },
    ]
}

impl Drawn {
    fn amps(&self, at_s: f64) -> f64 {
        if !(self.on_s..self.off_s).contains(&at_s) {
            return 0.0;
        }
        let share = (at_s - self.on_s) / (self.off_s - self.on_s);
        6.6 + 0.4 * (-3.2 * share).exp()
    }

    fn case_c(&self, at_s: f64) -> f64 {
        if at_s <= self.off_s {
            let share = (at_s - self.on_s) / (self.off_s - self.on_s);
            return self.case_on_c + (self.case_off_c - self.case_on_c) * share.powf(1.3);
        }
        let (for_s, by_k) = OVERSHOOT;
        let since_s = at_s - self.off_s;
        if since_s <= for_s {
            return self.case_off_c + by_k * since_s / for_s;
        }
        let most_c = self.case_off_c + by_k;
        self.cools_to_c + (most_c - self.cools_to_c) * (-(since_s - for_s) / self.tau_s).exp()
    }
}

/// Root of the mean square of the period before `at_s`.
fn square_mean_a(at_s: f64) -> f64 {
    let (steps, period_s) = (200, 0.001 * PERIOD_MS as f64);
    let runs = runs();
    let at = |step: i32| at_s - period_s + period_s * f64::from(step) / f64::from(steps);
    let amps = |at_s: f64| runs.iter().map(|run| run.amps(at_s)).sum::<f64>();
    let sum: f64 = (0..steps).map(|step| amps(at(step)).powi(2)).sum();
    (sum / f64::from(steps)).sqrt().max(EMPTY_A)
}

fn case_c(at_s: f64) -> f64 {
    let runs = runs();
    let begun = runs.iter().rfind(|run| run.on_s <= at_s);
    begun.map_or(ROOM_C, |run| run.case_c(at_s))
}

fn notes() -> [(u64, &'static str); 5] {
    [
        (2_000, "bench acknowledged by=J. Doe"),
        (
            8_000,
            "reading unit=protector what=protector-cold value=0.41 Ohm by=J. Doe",
        ),
        (
            384_000,
            "reading unit=protector what=protector-hot value=OL by=J. Doe",
        ),
        (
            1_280_000,
            "reading unit=protector what=protector-cold value=0.42 Ohm by=J. Doe",
        ),
        (END_MS, "stopped"),
    ]
}

fn drawn() -> String {
    let mut log = format!(
        "#{BEGIN_US} began wall={BEGIN_US} boot=0 host-boot=bench stream=drawn segment=1\n#{BEGIN_US} started\n"
    );
    let line = |log: &mut String, us: u64, text: &str| {
        writeln!(log, "@{us} {text}~{:04X}", crc16_xmodem(text.as_bytes())).unwrap();
    };
    for at in 1..=END_MS / PERIOD_MS {
        let ms = at * PERIOD_MS;
        if at == 1 || at % HELLO_EVERY == 0 {
            let before_us = BEGIN_US + 1000 * (ms - HELLO_BEFORE_MS) + LATE_US;
            HELLO
                .iter()
                .for_each(|text| line(&mut log, before_us, text));
        }
        if ms < END_MS {
            let at_s = 0.001 * ms as f64;
            let milliamps = (1000.0 * square_mean_a(at_s)).round();
            let (case, ambient) = ((10.0 * case_c(at_s)).round(), 10.0 * ROOM_C);
            let demand = u8::from((SWITCHED_S.0..SWITCHED_S.1).contains(&at_s));
            let text = format!("S {} {ms} {milliamps} {case} {ambient} {demand}", at - 1);
            line(&mut log, BEGIN_US + 1000 * ms + LATE_US, &text);
        }
        for (_, note) in notes().iter().filter(|(when, _)| *when == ms) {
            writeln!(log, "#{} {note}", BEGIN_US + 1000 * ms).unwrap();
        }
    }
    log
}

fn fixture() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/bench/strip-120v.raw")
}

#[test]
fn the_fixture_is_what_is_drawn_here() {
    let kept = fs::read_to_string(fixture()).unwrap();
    let drawn = drawn();
    let other = kept
        .lines()
        .zip(drawn.lines())
        .find(|(kept, drawn)| kept != drawn);
    assert_eq!(other, None);
    assert_eq!(kept.len(), drawn.len());
}

#[test]
#[ignore = "writes the fixture"]
fn write_the_fixture() {
    fs::write(fixture(), drawn()).unwrap();
}
