//! Two hundred simulated nights at random: what is said of starts that fail, of drift and of clusters is said only where the
//! truth has it. `FINDINGS_RANDOM=400` draws more of them, `FINDINGS_FROM=1001` others; `FINDINGS_NIGHTS=random:7,demo:1` prints what is said of some.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // tests stop where something is wrong

use std::collections::BTreeMap;

use nightclamp_analysis::Projection;
use nightclamp_analysis::cycling::Cycling;
use nightclamp_analysis::evidence::{Evidence, Span};
use nightclamp_analysis::findings::{FindingKind as K, findings, learned};
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventRow, RecordTime, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table};
use nightclamp_simboard::{
    Arrivals, Happening as H, Scenario, SimBoard, TrueCycle, UnitTruth, job_toml, write_raw_log,
};

/// 2026-11-25 18:00 UTC, µs.
const BEGIN_US: i64 = 1_795_629_600_000_000;

#[derive(Default)]
struct Rows {
    span: Option<(RecordTime, RecordTime)>,
    events: BTreeMap<String, Vec<EventRow>>,
    cycles: BTreeMap<String, Vec<CycleRow>>,
}

impl Sink for Rows {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, row: &SampleRow<'_>) {
        self.span = Some((self.span.map_or(row.time, |span| span.0), row.time));
    }
    fn event(&mut self, unit: &str, row: EventRow) {
        self.events.entry(unit.to_owned()).or_default().push(row);
    }
    fn cycle(&mut self, unit: &str, row: CycleRow) {
        self.cycles.entry(unit.to_owned()).or_default().push(row);
    }
}

/// Whether a night has it in plenty: three starts or more that failed so, after off-times that count.
fn is_clear(kind: K, truth: &UnitTruth, has_lead: bool) -> bool {
    let starts = |words: &[&str], by: &[&str], off_s: std::ops::Range<f64>| {
        let pairs = truth.cycles.windows(2);
        let counts = |pair: &&[TrueCycle]| {
            let off = pair[0].off_s.map(|at| pair[1].on_s - at);
            pair[0]
                .ended_by
                .is_some_and(|ended_by| by.contains(&ended_by))
                && words.contains(&pair[1].attempt)
                && off.is_some_and(|off| off_s.contains(&off))
        };
        pairs.filter(counts).count()
    };
    let any = ["control", "supply", "protector"];
    match kind {
        K::FailsAfterShortOff => starts(&["short-off"], &["control", "supply"], 0.0..300.0) >= 3,
        K::FailsFrom => {
            starts(
                &["start-weak", "start-circuit-open", "seized"],
                &any,
                300.0..1e9,
            ) >= 3
        }
        K::StartLeadStays => has_lead && starts(&["start-stays-in"], &any, 0.0..1e9) >= 3,
        _ => false,
    }
}

/// Whether the truth of a night has what a finding says.
fn is_true(
    kind: K,
    index: usize,
    truth: &UnitTruth,
    scenario: &Scenario,
    has_supply: bool,
) -> bool {
    let attempted = |words: &[&str]| truth.cycles.iter().any(|c| words.contains(&c.attempt));
    let happens = |what: &dyn Fn(&H) -> bool| scenario.script.iter().any(|s| what(&s.what));
    match kind {
        K::FailsAfterShortOff => truth
            .cycles
            .iter()
            .any(|c| c.attempt == "short-off" && c.start == "locked-rotor"),
        // Without a supply channel nobody can tell a low supply from a start device.
        K::FailsFrom if !has_supply && attempted(&["low-voltage"]) => true,
        K::FailsFrom => attempted(&[
            "start-weak",
            "start-circuit-open",
            "seized",
            "slow",
            "start-stays-in",
        ]),
        K::StartLeadStays => attempted(&["start-stays-in"]),
        K::OpeningDrifts => {
            scenario.units[index].protector.tires_by_k > 0.0
                || happens(&|what| matches!(what, H::Weak(u, k) if *u == index && *k > 0.0))
        }
        K::TripsByHour => false,
        K::TripsByAmbient => happens(&|what| matches!(what, H::Warmer(_) | H::Fan(_, false))),
        K::CurrentRises => happens(&|what| {
            matches!(
                what,
                H::Warmer(_) | H::Fan(_, false) | H::Door(_, true) | H::Supply(_) | H::Sensor(..)
            )
        }),
        K::SupplySags => scenario.supply.sag_share >= 0.1,
        _ => true,
    }
}

fn play(scenario: Scenario, seed: u64) -> (Rows, Job, SimBoard) {
    let job = Job::parse(&job_toml(&scenario), "job.toml").expect("the simulator's job is good");
    let until_s = scenario.record_s;
    let mut board = SimBoard::new(scenario);
    let mut raw = Vec::new();
    write_raw_log(
        &mut board,
        BEGIN_US,
        until_s,
        &mut Arrivals::random(seed, until_s / 3600.0),
        &mut raw,
        true,
    )
    .expect("memory takes it");
    let (mut projection, mut rows) = (Projection::new(job.clone()), Rows::default());
    projection.feed(0, &raw, &mut rows);
    projection.finish(&mut rows);
    (rows, job, board)
}

/// Of each kind: how often it was said, how often the truth had it, how often it was said without; how often the truth had
/// it in plenty, and how often of these it was said.
type Counts = BTreeMap<K, [u32; 5]>;

const WATCHED: [K; 9] = [
    K::FailsAfterShortOff,
    K::FailsFrom,
    K::StartLeadStays,
    K::SupplySags,
    K::CurrentRises,
    K::CurrentFallsHot,
    K::OpeningDrifts,
    K::TripsByHour,
    K::TripsByAmbient,
];

fn night(name: &str, scenario: Scenario, seed: u64, print: bool, counts: &mut Counts) {
    let (rows, job, board) = play(scenario, seed);
    let Some(span) = rows.span else { return };
    let none = Vec::new();
    for (index, unit) in job.units.iter().enumerate() {
        let evidence = Evidence {
            unit,
            zone: job.timezone,
            shown_offset_us: 0,
            span: Span {
                from: span.0,
                until: span.1,
            },
            cycles: rows
                .cycles
                .get(&unit.name)
                .unwrap_or(&Vec::new())
                .clone()
                .leak(),
            events: rows
                .events
                .get(&unit.name)
                .unwrap_or(&Vec::new())
                .clone()
                .leak(),
            board_events: rows
                .events
                .get(&format!("board-{}", unit.board))
                .unwrap_or(&none),
        };
        let said = findings(&evidence);
        let cycling = Cycling::of(&evidence);
        check_cycling(name, &cycling);
        if print {
            let lines = cycling.findings(&evidence).into_iter().chain(said.clone());
            lines.for_each(|f| {
                println!(
                    "{name} {}: [{}] {} {}",
                    unit.name,
                    f.kind.as_str(),
                    f.sentence,
                    f.check
                )
            });
            learned(&evidence)
                .words()
                .iter()
                .for_each(|line| println!("{name} {}: {line}", unit.name));
        }
        let truth = &board.truth().units[index];
        for kind in WATCHED {
            let count = counts.entry(kind).or_default();
            let (is_said, is_true) = (
                said.iter().any(|f| f.kind == kind),
                is_true(
                    kind,
                    index,
                    truth,
                    board.scenario(),
                    unit.channels.supply.is_some(),
                ),
            );
            count[0] += u32::from(is_said);
            count[1] += u32::from(is_true);
            let is_clear = is_clear(kind, truth, unit.channels.start_current.is_some());
            count[3] += u32::from(is_clear);
            count[4] += u32::from(is_clear && is_said);
            if is_said && !is_true {
                count[2] += 1;
                let found = said.iter().find(|f| f.kind == kind).unwrap();
                println!(
                    "{name} {}: not in the truth: {} {:?}",
                    unit.name, found.sentence, found.chance
                );
            }
            let found = said.iter().filter(|f| f.kind == kind);
            for row in found.flat_map(|f| &f.rows) {
                assert!(
                    evidence.cycles.iter().any(|c| c.on_at == *row),
                    "{name}: {} rests on no row",
                    kind.as_str()
                );
            }
        }
    }
}

/// Whatever the night: shares are shares, and the least is never more than the most.
fn check_cycling(name: &str, cycling: &Cycling) {
    assert!((0.0..=1.0).contains(&cycling.observed), "{name}");
    let duty = &cycling.duty;
    assert!(
        duty.least <= duty.most + 1e-9 && duty.most <= 1.0 + 1e-9,
        "{name}: {duty:?}"
    );
    if duty.share.is_finite() {
        assert!(
            (duty.least - 1e-9..=duty.most + 1e-9).contains(&duty.share),
            "{name}: {duty:?}"
        );
    }
    for hour in &cycling.hours {
        assert!(
            hour.seen <= hour.least && hour.least <= hour.most,
            "{name}: {hour:?}"
        );
        assert!(
            (-1e-9..=1.0 + 1e-9).contains(&hour.observed),
            "{name}: {hour:?}"
        );
    }
    let seen: u32 = cycling.hours.iter().map(|hour| hour.seen).sum();
    assert_eq!(
        seen as usize,
        cycling.starts.seen.len(),
        "{name}: every start is in one clock hour"
    );
    if let Some(rolling) = cycling.rolling {
        assert!(
            rolling.seen <= rolling.least && rolling.least <= rolling.most,
            "{name}: {rolling:?}"
        );
        let in_clock_hour = cycling
            .hours
            .iter()
            .map(|hour| hour.seen)
            .max()
            .unwrap_or(0);
        assert!(rolling.seen >= in_clock_hour, "{name}: {rolling:?}");
    }
}

#[test]
fn nothing_of_starts_drift_or_clusters_is_said_where_the_truth_has_none() {
    let mut counts = Counts::new();
    if let Ok(picked) = std::env::var("FINDINGS_NIGHTS") {
        for (name, seed) in picked
            .split(',')
            .map(|night| night.split_once(':').expect("name:seed"))
        {
            let seed = seed.parse().expect("a number");
            let scenario = if name == "random" {
                Scenario::random(seed)
            } else {
                Scenario::by_name(name, seed).expect("a name")
            };
            night(name, scenario, seed, true, &mut counts);
        }
        return;
    }
    let variable = |name| {
        std::env::var(name)
            .ok()
            .and_then(|n: String| n.parse::<u64>().ok())
    };
    let (first, random) = (
        variable("FINDINGS_FROM").unwrap_or(1),
        variable("FINDINGS_RANDOM").unwrap_or(200),
    );
    for seed in first..first + random {
        night(
            &format!("random-{seed}"),
            Scenario::random(seed),
            seed,
            false,
            &mut counts,
        );
    }
    println!("{random} nights at random:");
    for (kind, [said, truth, wrong, clear, clear_said]) in &counts {
        println!(
            "{:22} said of {said:3}, in the truth of {truth:3}, said and not in the truth {wrong}; in plenty {clear:2}, said of \
             these {clear_said}",
            kind.as_str()
        );
    }
    for kind in [
        K::FailsAfterShortOff,
        K::FailsFrom,
        K::StartLeadStays,
        K::SupplySags,
        K::OpeningDrifts,
        K::TripsByHour,
        K::TripsByAmbient,
    ] {
        assert_eq!(
            counts[&kind][2],
            0,
            "{} is said where the truth has none",
            kind.as_str()
        );
    }
}
