//! A person at a simulated bench, who does what he is told; and the raw log of it.
#![allow(dead_code)] // each test file uses its part
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says so by panicking

use std::fmt::Write as _;

use nightclamp_analysis::Projection;
use nightclamp_analysis::bench::{Act, Bench, Guidance, Step};
use nightclamp_analysis::job::Job;
use nightclamp_analysis::reading::{Reading, What};
use nightclamp_analysis::rows::{Both, CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table};
use nightclamp_simboard::bench::{self, switched};
use nightclamp_simboard::{SimBoard, Truth, job_toml};

/// 2026-11-27 08:00 UTC, µs.
pub const BEGIN_US: i64 = 1_795_766_400_000_000;
/// The person looks up this often, s.
const LOOK_S: f64 = 0.2;
/// And takes so long to act, s.
const REACTION_S: f64 = 1.6;

/// Cycles of a projection, to hold the bench's own runs against.
#[derive(Default)]
pub struct Cycles(pub Vec<CycleRow>);

impl Sink for Cycles {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {}
    fn event(&mut self, _: &str, _: EventRow) {}
    fn cycle(&mut self, _: &str, row: CycleRow) {
        self.0.push(row);
    }
}

/// What a test asks of the person.
pub struct Person {
    /// `[bench]` and what follows, put after the simulator's own job file.
    pub plan: String,
    /// What the data sheet says, in `[unit.protector]`.
    pub sheet: String,
    /// Walks away once this step has begun: does nothing any more.
    pub leaves_at: Option<Step>,
    /// The bench is given up after this, s.
    pub patience_s: f64,
    /// Switches off in the run with this number, so long after it began, and says so.
    pub hasty: Option<(usize, f64)>,
    /// Aborts in the run with this number, so long after it began; comes back a minute later.
    pub aborts: Option<(usize, f64)>,
    /// The demand contact is not wired.
    pub no_demand: bool,
    /// Something to be done to the scenario.
    pub change: fn(&mut nightclamp_simboard::Scenario),
}

impl Default for Person {
    fn default() -> Self {
        Self {
            plan: "[bench]\nload = \"locked-rotor\"\nrepeats = 3\n".to_owned(),
            sheet: String::new(),
            leaves_at: None,
            patience_s: 7200.0,
            hasty: None,
            aborts: None,
            no_demand: false,
            change: |_| {},
        }
    }
}

/// A bench that was played.
pub struct Played {
    pub bench: Bench,
    pub cycles: Vec<CycleRow>,
    pub truth: Truth,
    pub raw: Vec<u8>,
    pub job: Job,
    /// Guidance at each change of step.
    pub told: Vec<Guidance>,
}

struct Play {
    board: SimBoard,
    projection: Projection,
    bench: Bench,
    cycles: Cycles,
    raw: Vec<u8>,
    ohm: f64,
    due: Vec<(f64, Due)>,
    told: Vec<Guidance>,
}

#[derive(Debug, Clone, Copy)]
enum Due {
    Switch(bool),
    Act(Act),
    Read(What),
}

/// Plays a bench from beginning to end.
pub fn play(sim: bench::Bench, person: &Person) -> Played {
    let text = plan_text(&sim, person);
    let job = Job::parse(&text, "plan.toml").unwrap_or_else(|error| panic!("{error}\n{text}"));
    let bench = Bench::new(&job).expect("it is a plan");
    let mut scenario = sim.scenario;
    (person.change)(&mut scenario);
    let mut play = Play {
        board: SimBoard::new(scenario),
        projection: Projection::new(job.clone()),
        bench,
        cycles: Cycles::default(),
        raw: Vec::new(),
        ohm: sim.ohm,
        due: Vec::new(),
        told: Vec::new(),
    };
    let boot = "boot=0 host-boot=bench";
    play.note(&format!(
        "began wall={BEGIN_US} {boot} stream=simulated segment=1"
    ));
    play.note("started");
    let (mut was, mut away) = (None, false);
    let (mut hasty, mut aborts) = (person.hasty, person.aborts);
    while play.board.now_s() < person.patience_s {
        play.go_on();
        let now_s = play.board.now_s();
        if play.bench.step() == Step::Finished && play.due.is_empty() && !away {
            break;
        }
        if was != Some(play.bench.step()) {
            was = Some(play.bench.step());
            play.told.push(play.bench.guidance());
            away |= was == person.leaves_at;
            if !away {
                play.plan_for(play.bench.step(), now_s);
            }
        }
        let run = play.bench.runs().len();
        let on_s = play.bench.runs().last().map_or(0.0, |run| {
            (BEGIN_US as f64 + now_s * 1e6 - run.on_at as f64) / 1e6
        });
        if hasty.is_some_and(|(of, after_s)| of == run && on_s >= after_s) {
            hasty = None;
            play.board.happen(switched(false));
            if person.no_demand {
                play.due.push((now_s + 3.0, Due::Act(Act::ByHand)));
            }
        }
        if aborts.is_some_and(|(of, after_s)| of == run && on_s >= after_s) {
            aborts = None;
            play.due.push((now_s, Due::Act(Act::Abort)));
            play.due.push((now_s + 1.0, Due::Switch(false)));
            play.due.push((now_s + 60.0, Due::Act(Act::Resume)));
        }
    }
    play.note("stopped");
    let mut both = Both(&mut play.cycles, &mut play.bench);
    play.projection.finish(&mut both);
    Played {
        bench: play.bench,
        cycles: play.cycles.0,
        truth: play.board.truth().clone(),
        raw: play.raw,
        job,
        told: play.told,
    }
}

fn plan_text(sim: &bench::Bench, person: &Person) -> String {
    let mut scenario = sim.scenario.clone();
    (scenario.job.protector, scenario.job.limits) = (false, false);
    let mut text = job_toml(&scenario);
    if person.no_demand {
        text = text.replace("demand = \"demand\"\n", "");
        assert!(!text.contains("demand"));
    }
    let kind = match scenario.units[0].protector.kind {
        nightclamp_simboard::scenario::ProtectorKind::ExternalRound => "external-round",
        _ => "external-strip",
    };
    write!(
        text,
        "[unit.protector]\nkind = \"{kind}\"\nlongest_trip_s = 45\n{}\n{}",
        person.sheet, person.plan
    )
    .unwrap();
    text
}

impl Play {
    fn feed(&mut self, bytes: &[u8]) {
        self.raw.extend_from_slice(bytes);
        let mut both = Both(&mut self.cycles, &mut self.bench);
        self.projection.feed(0, bytes, &mut both);
    }

    fn note(&mut self, text: &str) {
        let us = BEGIN_US + (self.board.now_s() * 1e6) as i64;
        self.feed(format!("#{us} {text}\n").as_bytes());
    }

    fn go_on(&mut self) {
        let until_s = self.board.now_s() + LOOK_S;
        let mut bytes = Vec::new();
        self.board.advance(until_s, &mut |said| {
            let us = BEGIN_US + (said.at_s * 1e6) as i64 + 1500;
            bytes.extend_from_slice(format!("@{us} ").as_bytes());
            bytes.extend_from_slice(said.line);
            if bytes.last() != Some(&b'\n') {
                bytes.push(b'\n');
            }
        });
        self.feed(&bytes);
        let now_s = self.board.now_s();
        let due: Vec<Due> = self
            .due
            .iter()
            .filter(|d| d.0 <= now_s)
            .map(|d| d.1)
            .collect();
        self.due.retain(|d| d.0 > now_s);
        for due in due {
            match due {
                Due::Switch(on) => self.board.happen(switched(on)),
                Due::Act(act) => self.note(&act.note("J. Doe").unwrap()),
                Due::Read(what) => self.read(what),
            }
        }
    }

    /// What the person will do in a step.
    fn plan_for(&mut self, step: Step, now_s: f64) {
        let soon_s = now_s + REACTION_S;
        let due: Vec<(f64, Due)> = match step {
            Step::Cautions => vec![(soon_s, Due::Act(Act::Acknowledged))],
            Step::ColdReading => vec![(soon_s, Due::Read(What::ProtectorCold))],
            Step::Ready => vec![(soon_s, Due::Switch(true))],
            Step::SwitchOff | Step::TooLong => vec![(soon_s, Due::Switch(false))],
            Step::HotReading => vec![
                (soon_s, Due::Switch(false)),
                (now_s + 12.0, Due::Read(What::ProtectorHot)),
            ],
            Step::CooledReading => vec![(now_s + 900.0, Due::Read(What::ProtectorCold))],
            Step::Aborted if self.board.now_s() > 0.0 && self.due.is_empty() => {
                vec![(soon_s, Due::Act(Act::Done))]
            }
            Step::NotClosing => vec![
                (soon_s, Due::Switch(false)),
                (now_s + 600.0, Due::Read(What::ProtectorCold)),
                (now_s + 601.0, Due::Act(Act::Done)),
            ],
            _ => Vec::new(),
        };
        self.due.extend(due);
    }

    fn read(&mut self, what: What) {
        let cycles = &self.board.truth().units[0].cycles;
        let is_open = cycles
            .last()
            .is_some_and(|c| c.ended_by == Some("protector") && c.reclosed_s.is_none());
        let value = if is_open {
            "OL".to_owned()
        } else {
            format!("{:.3}", self.ohm)
        };
        let reading = Reading::new("protector", what.as_str(), &value, "J. Doe").unwrap();
        self.note(&reading.note());
    }
}

/// The bench test again from its raw log alone, fed in pieces of so many lines.
pub fn replayed(played: &Played, lines: usize) -> Bench {
    let mut bench = Bench::new(&played.job).unwrap();
    let mut projection = Projection::new(played.job.clone());
    let all: Vec<&[u8]> = played.raw.split_inclusive(|b| *b == b'\n').collect();
    for part in all.chunks(lines) {
        projection.feed(0, &part.concat(), &mut bench);
    }
    projection.finish(&mut bench);
    bench
}
