//! What stands beside the line current of a cycle: supply and start lead in the start, the current early and late in the
//! run, room air, the clamp's floor. Drawn by hand, with what must stand in the row.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // tests stop where something is wrong

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table, line};

const BEGIN_US: i64 = 1_795_629_600_000_000;

#[derive(Default)]
struct Cycles(Vec<CycleRow>);

impl Sink for Cycles {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {}
    fn event(&mut self, _: &str, _: EventRow) {}
    fn cycle(&mut self, _: &str, row: CycleRow) {
        self.0.push(row);
    }
}

/// Line current, supply, start lead and room at one instant.
type Now = (f64, f64, f64, f64);

const LEADS: &str = "[job]\nname = \"leads\"\ntimezone = \"UTC\"\n[[unit]]\nname = \"freezer\"\nboard = \"7f3a91c2\"\n\
    locked_rotor_a = 12.0\nrated_load_a = 1.9\n[unit.channels]\ncurrent = \"common\"\nsupply = \"supply\"\n\
    start_current = \"start\"\nambient = \"ambient\"\n";

/// The cycles of what is drawn, `at(t)` being sampled at the middle of each period.
fn cycles(period_s: f64, total_s: f64, at: impl Fn(f64) -> Now) -> Vec<CycleRow> {
    let stamp = |t: f64| BEGIN_US + (t * 1e6).round() as i64;
    let mut raw = format!(
        "#{BEGIN_US} began wall={BEGIN_US} boot=0 host-boot=h\n#{BEGIN_US} clock boot=0 host-boot=h\n"
    );
    let mut say = |t: f64, body: &str| raw.push_str(&format!("@{} {}", stamp(t), line(body)));
    let period_ms = (period_s * 1e3).round();
    say(0.0, &format!("H 1 7f3a91c2 3 4 {period_ms} t"));
    say(0.0, "C 0 current A -3 common ct");
    say(0.0, "C 1 voltage V -1 supply vt");
    say(0.0, "C 2 current A -3 start ct");
    say(0.0, "C 3 temperature Cel -1 ambient rtd");
    let samples = (total_s / period_s).round() as u32;
    for n in 1..=samples {
        let t = f64::from(n) * period_s;
        let steps = 20;
        let mut mean = [0.0; 3];
        for step in 0..steps {
            let (line_a, supply_v, lead_a, _) =
                at(t - period_s * (f64::from(step) + 0.5) / f64::from(steps));
            for (sum, value) in mean.iter_mut().zip([line_a, supply_v, lead_a]) {
                *sum += value * value / f64::from(steps);
            }
        }
        // The floors of both clamps, with a little of their noise, add as squares.
        let floor = 0.03 + 0.002 * f64::from(n % 5);
        let clamp = |square: f64| ((square + floor * floor).sqrt() * 1e3).round();
        let body = format!(
            "S {} {} {} {} {} {}",
            n % 65_536,
            (t * 1e3).round(),
            clamp(mean[0]),
            (mean[1].sqrt() * 10.0).round(),
            clamp(mean[2]),
            (at(t).3 * 10.0).round()
        );
        say(t + 0.004, &body);
    }
    let (mut projection, mut rows) = (
        Projection::new(Job::parse(LEADS, "leads.toml").unwrap()),
        Cycles::default(),
    );
    projection.feed(0, raw.as_bytes(), &mut rows);
    projection.finish(&mut rows);
    rows.0
}

/// From 60 s on a start of `start_s` at 11.5 A, 6 A in the start lead, the supply from 230 down to 207 V; then a run from
/// 1.40 A, rising by 0.06 A a minute, for 300 s; `left_a` stays in the start lead.
fn started(start_s: f64, left_a: f64) -> impl Fn(f64) -> Now {
    move |t| {
        let since = t - 60.0;
        let room_c = 24.0 + t / 600.0;
        if !(0.0..start_s + 300.0).contains(&since) {
            (0.0, 230.0, 0.0, room_c)
        } else if since < start_s {
            (11.5, 207.0, 6.0, room_c)
        } else {
            (1.40 + 0.001 * (since - start_s), 229.0, left_a, room_c)
        }
    }
}

fn near(what: &str, value: Option<f64>, expected: f64, within: f64) {
    let value = value.unwrap_or_else(|| panic!("{what} is missing"));
    assert!(
        (value - expected).abs() <= within,
        "{what}: {value}, not {expected}"
    );
}

#[test]
fn a_start_and_a_run_leave_their_figures_in_the_row() {
    for period_s in [0.02, 0.1, 0.2] {
        for left_a in [0.0, 1.3] {
            let rows = cycles(period_s, 420.0, started(0.5, left_a));
            assert_eq!(rows.len(), 1, "{rows:?}");
            let row = &rows[0];
            near("start_s", row.start_s, 0.5, 1.1 * period_s);
            near("supply_before_v", row.supply_before_v, 230.0, 0.1);
            near("supply_low_v", row.supply_low_v, 207.0, 0.1);
            near("start_lead_peak_a", row.start_lead_peak_a, 6.0, 0.01);
            near("start_lead_a", row.start_lead_a, left_a, 0.02);
            // From 30 to 90 s and over the last 60 s: the middles of both, of a straight line.
            near("run_first_a", row.run_first_a, 1.46, 0.005);
            near("run_last_a", row.run_last_a, 1.67, 0.005);
            near("ambient_on_c", row.ambient_on_c, 24.1, 0.06);
            near("floor_a", row.floor_a, 0.034, 0.002);
            near("noise_a", row.noise_a, 0.003, 0.001);
        }
    }
}

#[test]
fn a_second_hides_a_part_of_the_sag_and_the_row_says_no_more_than_was_read() {
    let rows = cycles(1.0, 420.0, started(0.5, 0.0));
    let low_v = rows[0].supply_low_v.unwrap();
    assert!(low_v > 210.0 && low_v < 225.0, "{low_v}");
    near("start_lead_a", rows[0].start_lead_a, 0.0, 0.02);
}

#[test]
fn a_stalled_rotor_has_no_length_of_start_and_no_run() {
    let stalled = |t: f64| {
        let on = (60.0..67.0).contains(&t);
        let lead_a = if on && t < 61.2 { 6.0 } else { 0.0 };
        (
            if on { 11.5 } else { 0.0 },
            if on { 205.0 } else { 230.0 },
            lead_a,
            30.0,
        )
    };
    let rows = cycles(0.1, 200.0, stalled);
    let row = &rows[0];
    assert_eq!(
        (row.start_s, row.run_first_a, row.run_last_a),
        (None, None, None)
    );
    near("supply_low_v", row.supply_low_v, 205.0, 0.1);
    near("start_lead_peak_a", row.start_lead_peak_a, 6.0, 0.01);
    near("start_lead_a", row.start_lead_a, 0.0, 0.02);
}

#[test]
fn what_was_not_seen_is_null() {
    // Current flows from the first sample on; then the supply itself goes and comes back with the compressor behind it.
    let at = |t: f64| {
        let is_dead = (300.0..330.0).contains(&t);
        let line_a = if is_dead {
            0.0
        } else if (330.0..330.4).contains(&t) {
            11.5
        } else {
            1.4
        };
        (line_a, if is_dead { 0.0 } else { 230.0 }, 0.0, 25.0)
    };
    let rows = cycles(0.1, 700.0, at);
    assert_eq!(rows.len(), 2, "{rows:?}");
    assert!(!rows[0].on_seen);
    assert_eq!(
        (rows[0].start_s, rows[0].supply_before_v, rows[0].floor_a),
        (None, None, None)
    );
    assert_eq!(
        (rows[1].supply_before_v, rows[1].supply_low_v),
        (None, None)
    );
    near("run_last_a", rows[1].run_last_a, 1.4, 0.005);
}
