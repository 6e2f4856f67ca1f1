//! Constants and closing times from whole simulated nights, by way of the projection: raw log, cycles, runs, fit. The
//! simulator's protector is not the model (heater, disc and case are three lumps, the bead lags), so what comes out is printed
//! beside what is true, and held only to bounds within which it is still of use.
//!
//! `PROTECTOR_NIGHTS=60` plays more of them.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says so by panicking

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::{self, Job};
use nightclamp_analysis::protector::{Cooling, Fit, Reading, SensorClasses, Snap, runs};
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table};
use nightclamp_simboard::{
    Arrivals, Scenario, SensorTruth, SimBoard, TrueCycle, Truth, job_toml, write_raw_log,
};

/// 2026-11-25 18:00 UTC, µs.
const BEGIN_US: i64 = 1_795_629_600_000_000;
/// Nights of a seized rotor, and drawn ones, unless told otherwise.
const NIGHTS: u64 = 10;
/// Questions are asked so long after an opening, s.
const ASKED_S: [f64; 4] = [40.0, 80.0, 140.0, 240.0];

/// The rows of one unit.
struct Rows {
    unit: job::Unit,
    places: Option<(usize, usize)>,
    period_s: f64,
    readings: Vec<Reading>,
    cycles: Vec<CycleRow>,
}

impl Sink for Rows {
    fn table(&mut self, table: &Table) {
        self.period_s = f64::from(table.period_ms) / 1e3;
        let at = |place: &str| table.channels().iter().position(|c| c.place() == place);
        let case = self.unit.channels.case.as_deref().and_then(at);
        self.places = at(&self.unit.channels.current).zip(case);
    }
    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        let Some((current, case)) = self.places.filter(|_| board == self.unit.board) else {
            return;
        };
        self.readings.push(Reading {
            time: row.time,
            span_s: self.period_s,
            amps: row.values[current] / f64::from(self.unit.clamp_turns),
            case_c: row.values[case],
        });
    }
    fn event(&mut self, _: &str, _: EventRow) {}
    fn cycle(&mut self, unit: &str, row: CycleRow) {
        if unit == self.unit.name {
            self.cycles.push(row);
        }
    }
}

/// Plays a scenario; the rows of its first unit and what really happened.
fn play(scenario: Scenario, hours: f64) -> (Rows, Truth) {
    let job = Job::parse(&job_toml(&scenario), "job.toml").expect("the simulator's job is good");
    let mut board = SimBoard::new(scenario);
    let mut raw = Vec::new();
    write_raw_log(
        &mut board,
        BEGIN_US,
        hours * 3600.0,
        &mut Arrivals::calm(1),
        &mut raw,
        true,
    )
    .unwrap();
    let mut rows = Rows {
        unit: job.units[0].clone(),
        places: None,
        period_s: f64::NAN,
        readings: Vec::new(),
        cycles: Vec::new(),
    };
    let mut projection = Projection::new(job);
    projection.feed(0, &raw, &mut rows);
    projection.finish(&mut rows);
    (rows, board.truth().clone())
}

fn nights() -> u64 {
    std::env::var("PROTECTOR_NIGHTS").map_or(NIGHTS, |n| n.parse().expect("a number"))
}

/// A seized rotor's night, every seed another protector's scatter and another bead's error.
#[test]
fn a_seized_rotors_own_trips_give_its_constants() {
    let mut off = Vec::new();
    for seed in 0..nights() {
        let scenario = Scenario::by_name("locked", seed).unwrap();
        let truth = scenario.units[0].protector.clone();
        let (rows, _) = play(scenario, 2.0);
        let got = runs(rows.readings.iter().copied(), &rows.cycles);
        let openings: usize = got.runs.iter().map(|run| run.count(Snap::Opened)).sum();
        assert!(
            openings >= 8,
            "seed {seed}: {openings} openings, {:?}",
            got.left_out
        );
        let fit = Fit::of(&rows.unit.protector, SensorClasses::of_limits(1.5, 0.02));
        let fitted = fit.runs(&got.runs).expect("it is fitted");
        let k = fitted.heating_c_per_a2;
        let ultimate = fitted.ultimate_trip_current_a(50.0).unwrap();
        let true_a = ((truth.opens_c - 50.0) / truth.heating_k_per_a2).sqrt();
        println!(
            "seed {seed:2}: {openings:2} openings, k {:.2} ({:.2} to {:.2}) K/A², true {:.2}; tau {:.1} s, true {:.1} s and a heater of {:.1} s; \
             ultimate at 50 °C {:.2} A, true {:.2} A; scatter {:.1} K",
            k.value,
            k.low,
            k.high,
            truth.heating_k_per_a2,
            fitted.tau_s.value,
            truth.tau_s(),
            truth.heater_s,
            ultimate.value,
            true_a,
            fitted.scatter_c
        );
        for untold in &fitted.untold {
            println!("         {untold}");
        }
        off.push((ultimate.value / true_a - 1.0).abs());
    }
    off.sort_by(f64::total_cmp);
    let middle = off[off.len() / 2];
    assert!(
        middle < 0.25,
        "the ultimate trip current is {:.0} % off in half of the nights",
        100.0 * middle
    );
}

/// Every trip of drawn nights after which the disc closed within the job file's tolerance, while the bead was sound: asked a
/// while after the opening, with no more than the job file says.
#[test]
fn closings_of_drawn_nights_are_foretold() {
    let (mut asked, mut foreseen, mut held, mut early) = (0, 0, 0, 0);
    let mut widths = Vec::new();
    for seed in 0..3 * nights() {
        let (rows, truth) = play(Scenario::random(seed), 6.0);
        let given = &rows.unit.protector;
        let (Some(opens_c), Some(closes_c)) = (given.opens_c, given.closes_c) else {
            continue;
        };
        if rows.readings.is_empty() || !given.kind.is_external() {
            continue;
        }
        let is_bead = |s: &&SensorTruth| Some(&s.place) == rows.unit.channels.case.as_ref();
        let bead_s = truth
            .sensors
            .iter()
            .find(is_bead)
            .map_or(f64::INFINITY, |s| s.at_s);
        let tol_c = given.closes_tol_c.unwrap_or(9.0);
        let as_given = |t: &&TrueCycle| {
            t.disc_reset_c
                .is_some_and(|c| (c - closes_c).abs() <= tol_c)
        };
        for trip in truth.units[0].trips().filter(as_given) {
            let (Some(off_s), Some(closed_s)) = (trip.off_s, trip.reclosed_s) else {
                continue;
            };
            if closed_s > bead_s {
                break;
            }
            let since = |r: &&Reading| (r.time - BEGIN_US) as f64 / 1e6 > off_s + 0.5;
            let mut cooling = Cooling::opened(Some((opens_c, given.opens_tol_c.unwrap_or(5.0))));
            let mut next = ASKED_S.iter().peekable();
            for reading in rows
                .readings
                .iter()
                .filter(since)
                .take_while(|r| ((r.time - BEGIN_US) as f64 / 1e6) < closed_s)
            {
                let after_s = (reading.time - BEGIN_US) as f64 / 1e6 - off_s;
                cooling.push(after_s, reading.case_c);
                if next.next_if(|&&s| s <= after_s).is_none() {
                    continue;
                }
                asked += 1;
                let Some(i) = cooling.recloses_in(closes_c, tol_c) else {
                    continue;
                };
                let left_s = closed_s - off_s - after_s;
                foreseen += 1;
                held += usize::from((i.from_s - 1.0..=i.to_s + 1.0).contains(&left_s));
                early += usize::from(left_s < i.from_s - 1.0);
                widths.push((i.to_s - i.from_s) / left_s);
            }
        }
    }
    widths.sort_by(f64::total_cmp);
    let share = f64::from(held as u32) / f64::from(foreseen as u32);
    let width = widths.get(widths.len() / 2).copied().unwrap_or(f64::NAN);
    println!(
        "asked {asked} times, foreseen {foreseen}, held {:.1} %, {early} closed too early; half of the intervals no wider than {width:.1} times what was left",
        100.0 * share
    );
    assert!(foreseen > 20 && share > 0.9, "{held} of {foreseen}");
}
