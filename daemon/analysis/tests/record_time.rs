//! Record time against the truth: boards that drift, lines that come late, a host whose clock is set.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // tests stop where something is wrong

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventKind, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table, line};

const JOB: &str = "[job]\nname = \"clock\"\ntimezone = \"UTC\"\n[[unit]]\nname = \"freezer\"\nboard = \"7f3a91c2\"\n\
                   [unit.channels]\ncurrent = \"common\"\n";
/// 2026-11-01 18:00 UTC, µs.
const EVENING_US: i64 = 1_793_556_000_000_000;

#[derive(Default)]
struct Rows {
    times: Vec<(i64, u64, u32)>,
    events: Vec<EventRow>,
    cycles: Vec<CycleRow>,
}

impl Sink for Rows {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, row: &SampleRow<'_>) {
        self.times.push((row.time, row.board_ms, row.boot));
    }
    fn event(&mut self, _: &str, row: EventRow) {
        self.events.push(row);
    }
    fn cycle(&mut self, _: &str, row: CycleRow) {
        self.cycles.push(row);
    }
}

/// A small deterministic source of numbers in 0..1 (xorshift).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

#[derive(Clone)]
struct Night {
    name: &'static str,
    hours: f64,
    period_ms: u32,
    /// Board fast by so much.
    drift_ppm: f64,
    /// And swinging by so much over the night, as a crystal does with temperature.
    swing_ppm: f64,
    jitter_ms: f64,
    stall_s: f64,
    stall_every_s: f64,
    /// Steps of the host's clock: at s, by s.
    steps: &'static [(f64, f64)],
    reboots: &'static [f64],
    first_ms: u32,
    notes: bool,
}

const PLAIN: Night = Night {
    name: "a good board",
    hours: 4.5,
    period_ms: 100,
    drift_ppm: 0.0,
    swing_ppm: 0.0,
    jitter_ms: 4.0,
    stall_s: 0.0,
    stall_every_s: f64::INFINITY,
    steps: &[],
    reboots: &[],
    first_ms: 100,
    notes: true,
};

/// What the night looked like: the raw log, and the true end of each sample period, s.
fn played(night: &Night, seed: u64) -> (Vec<u8>, Vec<f64>) {
    let mut dice = Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
    let (mut raw, mut truth) = (Vec::new(), Vec::new());
    let stepped = |t: f64| {
        night
            .steps
            .iter()
            .filter(|(at, _)| t >= *at)
            .map(|(_, by)| by)
            .sum::<f64>()
    };
    let wall_us = |t: f64| EVENING_US + ((t + stepped(t)) * 1e6).round() as i64;
    let note = |raw: &mut Vec<u8>, t: f64| {
        let text = format!(
            "#{} clock boot={} host-boot=h1\n",
            wall_us(t),
            (t * 1e6) as i64 + 77_000_000
        );
        raw.extend_from_slice(text.as_bytes());
    };
    if night.notes {
        raw.extend_from_slice(
            format!("#{EVENING_US} began wall={EVENING_US} boot=77000000 host-boot=h1\n")
                .as_bytes(),
        );
        note(&mut raw, 0.0);
    }
    let (mut t, mut board_s, mut boot, mut seq) =
        (0.0f64, f64::from(night.first_ms) / 1e3, 5u32, 0u16);
    let (mut free_at, mut stall_at, mut noted_at, mut hello) =
        (0.0f64, night.stall_every_s, 0.0, true);
    let mut reboots = night.reboots.iter();
    let mut next_reboot = reboots.next();
    let mut steps_noted = 0;
    while t < night.hours * 3600.0 {
        let swing = night.swing_ppm * (t / 3600.0).sin();
        let period_s = f64::from(night.period_ms) / 1e3;
        board_s += period_s;
        t += period_s / (1.0 + (night.drift_ppm + swing) * 1e-6);
        if next_reboot.is_some_and(|at| t >= *at) {
            next_reboot = reboots.next();
            (boot, board_s, seq, hello) = (boot + 1, period_s, 0, true);
            t += 2.3;
        }
        if t >= stall_at {
            free_at = t + night.stall_s;
            stall_at += night.stall_every_s;
        }
        let late_s = 0.003 - night.jitter_ms / 1e3 * (1.0 - dice.next()).ln();
        let arrived = (t + late_s).max(free_at);
        free_at = free_at.max(arrived);
        let due = night.steps.iter().filter(|(at, _)| arrived >= *at).count();
        if night.notes && (arrived - noted_at >= 60.0 || due != steps_noted) {
            (noted_at, steps_noted) = (arrived, due);
            note(&mut raw, arrived);
        }
        let mut say = |body: String| {
            raw.extend_from_slice(format!("@{} {}", wall_us(arrived), line(&body)).as_bytes())
        };
        if hello {
            hello = false;
            say(format!("H 1 7f3a91c2 {boot} 1 {} t", night.period_ms));
            say("C 0 current A -3 common ct".to_owned());
        }
        let ms = ((board_s * 1e3).round() as u64 & 0xffff_ffff) as u32;
        say(format!("S {seq} {ms} 3"));
        truth.push(t);
        seq = seq.wrapping_add(1);
    }
    (raw, truth)
}

fn projected(raw: &[u8]) -> Rows {
    let job = Job::parse(JOB, "job.toml").expect("a good job");
    let (mut projection, mut rows) = (Projection::new(job), Rows::default());
    for piece in raw.split_inclusive(|b| *b == b'\n') {
        projection.feed(0, piece, &mut rows);
    }
    projection.finish(&mut rows);
    rows
}

/// Error of record time in ms: largest and 99th percentile.
fn errors(rows: &Rows, truth: &[f64]) -> (f64, f64) {
    assert_eq!(rows.times.len(), truth.len(), "every sample is there");
    let error = |(row, true_s): (&(i64, u64, u32), &f64)| {
        ((row.0 - EVENING_US) as f64 / 1e3 - true_s * 1e3).abs()
    };
    let mut errors: Vec<f64> = rows.times.iter().zip(truth).map(error).collect();
    errors.sort_by(f64::total_cmp);
    (errors[errors.len() - 1], errors[errors.len() * 99 / 100])
}

fn nights() -> Vec<(Night, f64)> {
    let wild = Night {
        jitter_ms: 8.0,
        stall_s: 1.5,
        stall_every_s: 1700.0,
        ..PLAIN
    };
    vec![
        (PLAIN, 12.0),
        (
            Night {
                name: "board 300 ppm fast",
                drift_ppm: 300.0,
                ..PLAIN
            },
            15.0,
        ),
        (
            Night {
                name: "board 300 ppm slow",
                drift_ppm: -300.0,
                ..PLAIN
            },
            25.0,
        ),
        (
            Night {
                name: "crystal that swings by 15 ppm",
                swing_ppm: 15.0,
                drift_ppm: 80.0,
                ..PLAIN
            },
            20.0,
        ),
        (
            Night {
                name: "stalls, much jitter",
                drift_ppm: -120.0,
                ..wild.clone()
            },
            40.0,
        ),
        (
            Night {
                name: "10 s samples",
                period_ms: 10_000,
                drift_ppm: 200.0,
                ..PLAIN
            },
            60.0,
        ),
        (
            Night {
                name: "20 ms samples",
                hours: 0.5,
                period_ms: 20,
                drift_ppm: -200.0,
                ..PLAIN
            },
            20.0,
        ),
        (
            Night {
                name: "reboots",
                reboots: &[3000.0, 3100.0, 9000.0],
                drift_ppm: 100.0,
                ..PLAIN
            },
            25.0,
        ),
        (
            Night {
                name: "steps +3 h, -3 h, +1 s, noted",
                steps: STEPS,
                drift_ppm: 60.0,
                ..PLAIN
            },
            20.0,
        ),
        (
            Night {
                name: "the same, not noted",
                steps: STEPS,
                drift_ppm: 60.0,
                notes: false,
                ..PLAIN
            },
            40.0,
        ),
        (
            Night {
                name: "all of it, noted",
                steps: STEPS,
                reboots: &[11_000.0],
                ..wild.clone()
            },
            40.0,
        ),
        (
            Night {
                name: "all of it, not noted",
                steps: STEPS,
                notes: false,
                ..wild
            },
            60.0,
        ),
        (
            Night {
                name: "milliseconds wrap",
                first_ms: u32::MAX - 5_000_000,
                drift_ppm: 40.0,
                ..PLAIN
            },
            20.0,
        ),
    ]
}

const STEPS: &[(f64, f64)] = &[(5000.0, 10_800.0), (9500.0, -10_800.0), (14_000.0, 1.0)];

#[test]
fn record_time_is_the_true_time_within_the_jitter() {
    println!("{:32} {:>10} {:>10}", "board and host", "max ms", "99 % ms");
    for (night, allowed_ms) in nights() {
        let mut worst = (0.0f64, 0.0f64);
        for seed in 1..=2 {
            let (raw, truth) = played(&night, seed);
            let rows = projected(&raw);
            let (most, most_but_one) = errors(&rows, &truth);
            worst = (worst.0.max(most), worst.1.max(most_but_one));
            assert!(
                rows.times.windows(2).all(|pair| pair[0].0 <= pair[1].0),
                "{}: it goes backwards",
                night.name
            );
            let steps: Vec<&EventRow> = rows
                .events
                .iter()
                .filter(|e| e.kind == EventKind::ClockStep)
                .collect();
            assert_eq!(steps.len(), night.steps.len(), "{}: {steps:?}", night.name);
            for (step, (at, by)) in steps.iter().zip(night.steps) {
                let at_s = (step.time - EVENING_US) as f64 / 1e6;
                assert!(
                    (at_s - at).abs() < 3.0,
                    "{}: step at {at_s}, not {at}",
                    night.name
                );
                assert!(
                    step.detail.contains(&format!("{by:+.1}")),
                    "{}: {} for {by}",
                    night.name,
                    step.detail
                );
            }
        }
        println!("{:32} {:10.1} {:10.1}", night.name, worst.0, worst.1);
        assert!(worst.0 <= allowed_ms, "{}: {} ms", night.name, worst.0);
    }
}

/// Sixty samples, 100 ms apart, and a press of the board's button 50 ms after so many of them: the samples' times and those of
/// the marks.
fn pressed_after(samples: u32) -> (Vec<i64>, Vec<i64>) {
    let mut raw = Vec::new();
    let mut say = |board_ms: u32, body: &str| {
        let arrival_us = EVENING_US + i64::from(board_ms) * 1000;
        raw.extend_from_slice(format!("@{arrival_us} {}", line(body)).as_bytes());
    };
    say(0, "H 1 7f3a91c2 18 1 100 refboard-1");
    say(0, "C 0 current A -3 common ct");
    for seq in 0..60 {
        if seq == samples {
            say(seq * 100 + 50, &format!("N {} mark", seq * 100 + 50));
        }
        let ms = (seq + 1) * 100;
        say(ms, &format!("S {seq} {ms} 1500"));
    }
    let rows = projected(&raw);
    let marks = rows.events.iter().filter(|e| e.kind == EventKind::Mark);
    let marks = marks.map(|e| e.time).collect();
    (rows.times.iter().map(|row| row.0).collect(), marks)
}

#[test]
fn a_press_is_an_event_also_while_the_first_samples_of_a_boot_are_held() {
    for samples in [1, 5, 15, 24, 25, 26, 40] {
        let (times, marks) = pressed_after(samples);
        assert_eq!(times.len(), 60);
        let before = times[samples as usize - 1];
        assert_eq!(marks, [before + 50_000], "after {samples} samples");
    }
    let (times, marks) = pressed_after(0);
    assert_eq!(marks, [times[0]], "before any sample");
}
