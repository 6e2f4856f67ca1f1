//! A recorded log cut into files at any of its lines, and replayed in order, gives the record of the whole.
#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

mod common;

use std::fs;
use std::path::PathBuf;

use arrow::array::RecordBatch;
use common::{Scratch, TABLES, batches};
use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_simboard::scenario::{Happening, Scripted};
use nightclamp_simboard::{
    Arrivals, ArrivalsSpec, Away, Scenario, SensorFault, SimBoard, job_toml, write_raw_log,
};
use nightclamp_tests::{BEGIN_US, Night};
use proptest::prelude::*;

/// Length of the hour in which everything happens that may stand beside a cut, s.
const HOUR_S: f64 = 3600.0;

/// Trips, a boot, silence, damaged lines, a mark, a sensor that opens, a clock that is set, a recorder that is away.
fn rough_hour(seed: u64) -> Night {
    let mut scenario = Scenario::by_name("locked", seed).unwrap();
    scenario.board.period_ms = 500;
    let case = |fault| Happening::Sensor("case".to_owned(), fault);
    let script = [
        (900.0, Happening::Mark),
        (1200.0, Happening::Boot("watchdog")),
        (1500.0, Happening::Mute(true)),
        (1530.0, Happening::Mute(false)),
        (1800.0, Happening::Damage(0.05)),
        (2200.0, Happening::Damage(0.0)),
        (2300.0, case(SensorFault::Letter('o'))),
        (2330.0, case(SensorFault::Sound)),
        (3000.0, Happening::Boot("brown-out")),
    ];
    let script = script.map(|(at_s, what)| Scripted { at_s, what });
    scenario.script.extend(script);
    let away = |from_s, to_s, host_rebooted| Away {
        from_s,
        to_s,
        host_rebooted,
    };
    let mut arrivals = Arrivals::new(ArrivalsSpec {
        seed,
        floor_s: 0.002,
        jitter_s: 0.004,
        stalls_per_hour: 6.0,
        stall_max_s: 2.0,
        host_ppm: 20.0,
        steps: vec![(2500.0, -130_000_000)],
        away: vec![away(2700.0, 2760.0, false), away(3200.0, 3260.0, true)],
    });
    let job = job_toml(&scenario);
    let mut raw = Vec::new();
    let mut board = SimBoard::new(scenario);
    write_raw_log(&mut board, BEGIN_US, HOUR_S, &mut arrivals, &mut raw, true).unwrap();
    Night { job, raw }
}

/// The tables of these logs, replayed in this order.
fn replayed(job: &str, pieces: &[impl AsRef<[u8]>]) -> [Vec<RecordBatch>; 4] {
    let scratch = Scratch::new("cuts");
    let logs: Vec<PathBuf> = (0..pieces.len())
        .map(|at| scratch.join(&format!("{at}.log")))
        .collect();
    for (log, piece) in logs.iter().zip(pieces) {
        fs::write(log, piece).unwrap();
    }
    let heart = Projection::new(Job::parse(job, "job.toml").unwrap());
    let out = scratch.join("record");
    nightclamp_archive::replay(&logs, job, heart, &out, None).unwrap();
    TABLES.map(|table| batches(&out.join(table)))
}

fn cut<'a>(raw: &'a [u8], lines: &[usize]) -> Vec<&'a [u8]> {
    let ends = raw
        .split_inclusive(|byte| *byte == b'\n')
        .scan(0, |at, line| {
            *at += line.len();
            Some(*at)
        });
    let ends: Vec<usize> = ends.collect();
    let mut at: Vec<usize> = lines.iter().map(|line| ends[line % ends.len()]).collect();
    at.extend([0, raw.len()]);
    at.sort_unstable();
    at.dedup();
    at.windows(2).map(|cut| &raw[cut[0]..cut[1]]).collect()
}

/// The pieces as files that name their stream, as every file of a recorder does.
fn named(raw: &[u8], pieces: &[&[u8]]) -> Vec<Vec<u8>> {
    let first = raw.split_inclusive(|byte| *byte == b'\n').next().unwrap();
    let name = |(at, piece): (usize, &&[u8])| {
        if at == 0 {
            piece.to_vec()
        } else {
            [first, piece].concat()
        }
    };
    pieces.iter().enumerate().map(name).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_log_cut_into_files_gives_the_same_record(seed in 1u64..4, lines in prop::collection::vec(any::<usize>(), 1..5)) {
        let Night { job, raw } = rough_hour(seed);
        let whole = replayed(&job, &[&raw]);
        prop_assert!(whole.iter().all(|table| !table.is_empty()), "nothing to compare");
        let pieces = cut(&raw, &lines);
        // As a recorder writes its files, and as `split` leaves them.
        let bare: Vec<Vec<u8>> = pieces.iter().map(|piece| piece.to_vec()).collect();
        for files in [named(&raw, &pieces), bare] {
        let again = replayed(&job, &files);
        for (table, (one, two)) in TABLES.iter().zip(whole.iter().zip(&again)) {
            let rows = |batches: &[RecordBatch]| batches.iter().map(RecordBatch::num_rows).sum::<usize>();
            prop_assert!(one == two, "{table}: {} rows of the whole, {} of its pieces, not the same", rows(one), rows(two));
        }
        }
    }
}
