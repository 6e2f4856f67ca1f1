//! A bench test followed through the rows of its projection.

use nightclamp_protocol::{BoardId, Table};

use super::guidance::Guidance;
use super::note::Act;
use super::plan::Plan;
use super::repeat::Repeat;
use super::results::Results;
use super::sequence::{Sequence, Step};
use super::watch::{Edge, Sample, Watch};
use crate::job::{Job, Unit};
use crate::protector::{Cooling, Interval, Reading as Measured};
use crate::reading::{Reading, Taken, What};
use crate::rows::{CycleRow, EventKind, EventRow, RecordTime, SampleRow, Sink};
use crate::unit::verdict::{CLOSES_TOL_C, OPENS_TOL_C};
use crate::unit::{CLOSES_C, NOTHING_A};

/// Samples kept for the fit, at most: what comes after is not fitted.
const MEASURED_MAX: usize = 200_000;
/// With no current, samples are kept this far apart, µs.
const OFF_APART_US: i64 = 500_000;
/// A case that cools is read this often, µs.
const COOLING_US: i64 = 400_000;
/// Readings by hand and doubts that are kept.
const KEPT_MAX: usize = 200;
/// A closing seen on this bench foretells the next: the disc was so much warmer than its case, since it lags, and is known to
/// this, K (from simulated benches).
const CLOSED_ABOVE_CASE_C: (f64, f64) = (2.5, 4.0);

/// Where on the board the roles are.
#[derive(Debug, Clone, Copy, Default)]
struct Places {
    period_s: f64,
    current: Option<usize>,
    case: Option<usize>,
    ambient: Option<usize>,
    supply: Option<usize>,
    demand: Option<usize>,
}

/// A bench test. Feed it the rows of a projection; it is a [`Sink`].
#[derive(Debug, Clone)]
pub struct Bench {
    unit: Unit,
    plan: Plan,
    places: Places,
    watch: Watch,
    pub(super) sequence: Sequence,
    pub(super) last: Option<Sample>,
    /// What went through the protector, for the fit.
    pub(super) measured: Vec<Measured>,
    /// A sample with no current that has not been kept; it is, if the next has current.
    passed_over: Option<Measured>,
    pub(super) is_cut: bool,
    /// Readings by hand, in order.
    pub(super) by_hand: Vec<Taken>,
    /// What the projection doubts of the sensors.
    pub(super) doubts: Vec<(RecordTime, String)>,
    cooling: Option<(RecordTime, Cooling, RecordTime)>,
    revision: u64,
}

impl Bench {
    /// The bench test that a job file plans; `None` if it plans none.
    pub fn new(job: &Job) -> Option<Self> {
        let plan = job.bench.clone()?;
        let unit = job.units.first()?.clone();
        let expected_a = plan
            .trip
            .as_ref()
            .map(|trip| trip.current_a)
            .or(unit.rated_load_a);
        Some(Self {
            places: Places::default(),
            watch: Watch::new(expected_a),
            sequence: Sequence::new(plan.clone(), unit.channels.case.is_some()),
            last: None,
            measured: Vec::new(),
            passed_over: None,
            is_cut: false,
            by_hand: Vec::new(),
            doubts: Vec::new(),
            cooling: None,
            revision: 0,
            unit,
            plan,
        })
    }

    /// The plan.
    pub const fn plan(&self) -> &Plan {
        &self.plan
    }

    /// The unit whose protector it is: what else is known of it, and the name under which its notes and readings go.
    pub const fn unit(&self) -> &Unit {
        &self.unit
    }

    /// Where the test stands.
    pub const fn step(&self) -> Step {
        self.sequence.step
    }

    /// Every step so far with when it began, record time.
    pub fn steps(&self) -> &[(RecordTime, Step)] {
        &self.sequence.steps
    }

    /// Every run of current so far.
    pub fn runs(&self) -> &[Repeat] {
        &self.sequence.runs
    }

    /// The readings by hand so far.
    pub fn readings(&self) -> &[Taken] {
        &self.by_hand
    }

    /// What the projection doubts of the sensors, with when it was concluded.
    pub fn doubts(&self) -> &[(RecordTime, String)] {
        &self.doubts
    }

    /// Who has acknowledged the cautions, and when.
    pub fn acknowledged(&self) -> Option<(RecordTime, &str)> {
        let (at, by) = self.sequence.acknowledged.as_ref()?;
        Some((*at, by))
    }

    /// Changes whenever results may have: with a step, a run's beginning or end, a reading. Results are worth asking for then
    /// and only then.
    pub const fn revision(&self) -> u64 {
        self.revision
    }

    /// What to do now, and what to show. Costs about a millisecond while it cools: ask once a second, not once a sample.
    pub fn guidance(&self) -> Guidance {
        Guidance::of(self)
    }

    /// Repeats, statistics, verdicts and curve so far. Costs some milliseconds to some tenths of a second: ask when
    /// [`Self::revision`] has changed.
    pub fn results(&self) -> Results {
        Results::of(self)
    }

    /// Current above the clamp's floor, A.
    pub(super) fn amps(&self) -> Option<f64> {
        let amps = self.last?.amps;
        let above_a = crate::unit::moment::above_floor(amps, self.watch.floor_a());
        above_a
            .is_finite()
            .then_some(if self.watch.flows() { above_a } else { amps })
    }

    /// When the protector will have closed again, s from the last sample.
    pub(super) fn recloses(&self) -> Option<Interval> {
        if !matches!(
            self.sequence.step,
            Step::Overshoot | Step::Cooling | Step::NotClosing
        ) {
            return None;
        }
        let seen = self.sequence.runs.iter().rev();
        let closed_c = seen.filter_map(|run| run.case_reset_c).next();
        let protector = &self.unit.protector;
        let (closes_c, tol_c) = match (closed_c, protector.closes_c) {
            (Some(closed_c), _) => {
                let (above_c, tol_c) = CLOSED_ABOVE_CASE_C;
                (closed_c + above_c, tol_c)
            }
            (None, Some(closes_c)) => (closes_c, protector.closes_tol_c.unwrap_or(CLOSES_TOL_C)),
            (None, None) => CLOSES_C,
        };
        self.cooling.as_ref()?.1.recloses_in(closes_c, tol_c)
    }

    fn take(&mut self, sample: Sample) {
        if !sample.amps.is_finite() {
            self.last = Some(sample);
            return;
        }
        let before = (self.sequence.step, self.sequence.runs.len());
        let edge = self.watch.push(sample);
        self.keep(&sample, edge);
        self.sequence.sample(sample, edge);
        self.follow_cooling(&sample);
        self.last = Some(sample);
        if edge.is_some() || before != (self.sequence.step, self.sequence.runs.len()) {
            self.revision += 1;
        }
    }

    /// Keeps what a fit needs of a sample.
    fn keep(&mut self, sample: &Sample, edge: Option<Edge>) {
        if self.sequence.step == Step::Finished {
            return; // what came of a test that is over does not change while its record goes on
        }
        let measured = Measured {
            time: sample.time,
            span_s: sample.span_s,
            amps: crate::unit::moment::above_floor(sample.amps, self.watch.floor_a()),
            case_c: sample.case_c,
        };
        let is_idle =
            !self.watch.flows() && sample.amps < NOTHING_A.max(2.0 * self.watch.floor_a());
        let newest = self.measured.last().map_or(RecordTime::MIN, |m| m.time);
        let is_near = sample.time < newest.saturating_add(OFF_APART_US);
        if is_idle && edge.is_none() && is_near {
            self.passed_over = Some(measured);
            return;
        }
        let passed_over = self.passed_over.take();
        if self.measured.len() + 2 > MEASURED_MAX {
            self.is_cut = true;
            return;
        }
        self.measured.extend(passed_over);
        self.measured.push(measured);
    }

    fn follow_cooling(&mut self, sample: &Sample) {
        let opened_at = self
            .sequence
            .run()
            .filter(|_| self.sequence.is_open())
            .and_then(|run| run.off_at);
        let Some(since) = opened_at else {
            self.cooling = None;
            return;
        };
        if self.cooling.as_ref().is_none_or(|(of, ..)| *of != since) {
            let protector = &self.unit.protector;
            let opens = protector
                .opens_c
                .map(|opens_c| (opens_c, protector.opens_tol_c.unwrap_or(OPENS_TOL_C)));
            self.cooling = Some((since, Cooling::opened(opens), RecordTime::MIN));
        }
        if let Some((of, cooling, taken)) = &mut self.cooling
            && sample.time >= taken.saturating_add(COOLING_US)
        {
            *taken = sample.time;
            cooling.push((sample.time - *of) as f64 / 1e6, sample.case_c);
        }
    }

    fn person(&mut self, row: &EventRow) {
        if let Some((act, by)) = Act::from_event(row) {
            if self.sequence.act(act, by, row.time) {
                self.revision += 1;
            }
        } else if let Some(reading) = Reading::from_event(row) {
            let what = reading.what;
            if self.by_hand.len() < KEPT_MAX {
                self.by_hand.push(Taken {
                    at: row.time,
                    reading,
                });
            }
            if matches!(what, What::ProtectorCold | What::ProtectorHot) {
                self.sequence.read(Some(what), row.time);
            }
            self.revision += 1;
        }
    }
}

impl Sink for Bench {
    fn table(&mut self, table: &Table) {
        if table.id != self.unit.board {
            return;
        }
        let at = |place: &str| table.channels().iter().position(|c| c.place() == place);
        let role = |place: &Option<String>| place.as_deref().and_then(at);
        let channels = &self.unit.channels;
        self.places = Places {
            period_s: f64::from(table.period_ms) / 1e3,
            current: at(&channels.current),
            case: role(&channels.case),
            ambient: role(&channels.ambient),
            supply: role(&channels.supply),
            demand: role(&channels.demand),
        };
    }

    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        if board != self.unit.board {
            return;
        }
        let value = |place: Option<usize>| {
            place
                .and_then(|at| row.values.get(at))
                .copied()
                .unwrap_or(f64::NAN)
        };
        let places = self.places;
        self.take(Sample {
            time: row.time,
            span_s: places.period_s,
            amps: value(places.current) / f64::from(self.unit.clamp_turns.max(1)),
            case_c: value(places.case),
            ambient_c: value(places.ambient),
            demand: value(places.demand),
            supply_v: value(places.supply),
        });
    }

    fn event(&mut self, unit: &str, row: EventRow) {
        if unit != self.unit.name {
            return;
        }
        match row.kind {
            EventKind::Mark => self.person(&row),
            EventKind::Sensor if self.doubts.len() < KEPT_MAX => {
                self.doubts.push((row.time, row.detail));
                self.revision += 1;
            }
            _ => {}
        }
    }

    /// Nothing: a bench test dates its own runs.
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}
