//! One unit (compressor): its channels, its supply, and the cycles of its current.

mod appliance;
mod beside;
mod cycle;
mod detector;
mod disc;
mod level;
pub(crate) mod moment;
mod period;
mod report;
mod takeover;
mod trust;
pub(crate) mod verdict;

use nightclamp_protocol::{Fault, Reading, Table};

use crate::doubt;
use crate::job;
use crate::overview::{Gather, Look, OverviewRow, kept_disc_c};
use crate::protector::{Cooling, Interval};
use crate::rows::{CycleRow, EventKind, EventRow, RecordTime, SampleRow, Sink, fault_letter};
use crate::status::{Phase, UnitStatus};
use detector::{Context, Detector, RUN_S_LEAST};
use level::Floor;
pub(crate) use moment::above_floor;
use moment::{Moment, finite, median, micros, seconds};
use trust::{Doubt, Seen, Sensor, Trust, Word};
pub(crate) use verdict::rests_on_case;
use verdict::{CLOSES_TOL_C, OPENS_TOL_C};

/// Something came between two samples.
#[derive(Debug, Clone, Copy)]
pub struct Break {
    /// How long it was is known.
    pub length_known: bool,
}

/// The first samples are looked at for this long before a belief is formed, s.
const FIRST_S: f64 = 1.0;
/// And for so many of them.
const FIRST_SAMPLES: usize = 8;
/// But for no longer than this, s.
const FIRST_S_MAX: f64 = 20.0;
/// So many readings show a clamp's noise.
const SPREAD_SAMPLES: usize = 6;
/// A reading that low is a clamp with nothing in it, A.
pub(crate) const NOTHING_A: f64 = 0.12;
/// Shares of rated load below which it is nothing and above which it is a current.
const OF_RATED: (f64, f64) = (0.08, 0.4);
/// A supply or a sensor that is gone for this long is gone, s.
const GONE_S: f64 = 0.3;
/// A sensor whose letter has not gone away for this long can no longer be believed, s.
const FAULT_S: f64 = 60.0;
/// A belief about the first samples is settled by a stop or by so much of an off-time, s.
const BELIEF_S: f64 = 10.0;
/// Demand open for this long with the level unchanged shows that it is no current, s.
const OPEN_S: f64 = 2.0;
/// A rise to this multiple of the first level, that stays, shows that the level was none of a running compressor's.
const RISEN_OF_FIRST: f64 = 2.5;
/// Share by which the first level and its noise follow each reading near it.
const LEVEL_GAIN: f64 = 0.02;
/// A case that cools is read this often, µs: it does nothing in between.
const COOLING_US: i64 = 400_000;
/// Closing temperature where none is given: the trade's range, Cel and ± K (common practice, no source: 61 to 71).
pub(crate) const CLOSES_C: (f64, f64) = (66.0, 5.0);
/// Undecided for this long, the likelier belief is taken, s.
const UNDECIDED_S_MAX: f64 = 86_400.0;

/// Sensors whose letters are watched, in the order of [`Unit::faults`].
const WATCHED: [Sensor; 2] = Sensor::ALL;

/// Where in a board's samples a channel is. One that is not wired is where no sample has anything.
#[derive(Debug, Clone, Copy)]
struct Place(usize);

impl Place {
    /// Of a channel that is not wired.
    const NOWHERE: Self = Self(usize::MAX);

    /// What is there after conversion; NaN where there is none.
    fn value(self, row: &SampleRow<'_>) -> f64 {
        row.values.get(self.0).copied().unwrap_or(f64::NAN)
    }

    /// What the board sent.
    fn reading<'a>(self, row: &SampleRow<'a>) -> Option<&'a Reading> {
        row.readings.get(self.0)
    }

    /// The number that the board sent, if it was one.
    fn raw(self, row: &SampleRow<'_>) -> Option<i32> {
        match self.reading(row) {
            Some(Reading::Number(number)) => Some(*number),
            _ => None,
        }
    }
}

/// Where on the board a role's channel is.
#[derive(Debug, Clone, Copy)]
struct Places {
    current: Place,
    case: Place,
    ambient: Place,
    supply: Place,
    demand: Place,
    start_current: Place,
    dome: Place,
    cooled_space: Place,
}

impl Places {
    /// Of a board that has not been seen.
    const NOWHERE: Self = Self {
        current: Place::NOWHERE,
        case: Place::NOWHERE,
        ambient: Place::NOWHERE,
        supply: Place::NOWHERE,
        demand: Place::NOWHERE,
        start_current: Place::NOWHERE,
        dome: Place::NOWHERE,
        cooled_space: Place::NOWHERE,
    };
}

/// What is believed of the first samples.
#[derive(Debug)]
enum Belief {
    /// Nothing yet.
    Looking(Vec<Moment>),
    /// Settled.
    One(Box<Detector>),
    /// It may be a clamp's offset or a current: both are followed until the record decides.
    Two {
        off: Box<Detector>,
        on: Box<Detector>,
        level_a: f64,
        noise_a: f64,
        below_s: f64,
        open_s: f64,
        since: RecordTime,
    },
}

/// A channel whose letter stays.
#[derive(Debug, Clone, Copy, Default)]
struct Letter {
    since: Option<RecordTime>,
    told: bool,
}

/// One compressor's current, followed through the record.
#[derive(Debug)]
pub struct Unit {
    job: job::Unit,
    places: Places,
    bound: bool,
    belief: Belief,
    broken: Option<Break>,
    supply_there: Option<bool>,
    supply_changed: Option<RecordTime>,
    supply_usual_v: f64,
    faults: [Letter; 2],
    trust: Trust,
    /// The case since current ended, when that was, and the last reading that was taken.
    cooling: Option<(RecordTime, Cooling, RecordTime)>,
    gather: Gather,
    /// The highest reading of the clamp, A in the lead.
    highest_a: f64,
    /// The last sample that was judged.
    now: Option<Now>,
}

/// A sample as the unit shows it.
#[derive(Debug, Clone, Copy)]
struct Now {
    moment: Moment,
    /// The host's wall clock when it arrived, µs.
    arrival: i64,
    dome_c: f64,
    box_c: f64,
}

impl Now {
    /// What a person wants to see of it.
    fn status(self) -> UnitStatus {
        let moment = &self.moment;
        UnitStatus {
            last_sample: Some(moment.time),
            last_arrival: Some(self.arrival),
            current_a: finite(moment.amps),
            start_lead_a: finite(moment.start_lead_a),
            case_c: finite(moment.case_c),
            ambient_c: finite(moment.ambient_c),
            dome_c: finite(self.dome_c),
            box_c: finite(self.box_c),
            supply_v: finite(moment.supply_v),
            demand: finite(moment.demand).map(|demand| demand != 0.0),
            ..UnitStatus::default()
        }
    }
}

impl Unit {
    /// A unit of which nothing has been seen.
    pub fn new(job: job::Unit) -> Self {
        Self {
            job,
            places: Places::NOWHERE,
            bound: false,
            belief: Belief::Looking(Vec::new()),
            broken: None,
            supply_there: None,
            supply_changed: None,
            supply_usual_v: f64::NAN,
            faults: [Letter::default(); 2],
            trust: Trust::default(),
            cooling: None,
            gather: Gather::default(),
            highest_a: 0.0,
            now: None,
        }
    }

    /// Another job file holds from here. What current is measured, and how, begins anew if that has changed; nameplate,
    /// protector, terms and other channels apply to what becomes final from here on, and nothing is forgotten.
    pub fn job_changed(&mut self, job: &job::Unit, sink: &mut impl Sink) {
        let measured = |unit: &job::Unit| {
            (
                unit.channels.current.clone(),
                unit.clamp_on,
                unit.clamp_turns,
            )
        };
        if measured(job) != measured(&self.job) {
            self.finish(sink);
            self.measured_anew(sink);
            *self = Self::new(job.clone());
            return;
        }
        let protector = &self.job.protector;
        let heating = |of: &job::Protector| (of.heating_c_per_a2, of.heating_tau_s);
        let is_other_disc = heating(protector) != heating(&job.protector);
        self.job = job.clone();
        if is_other_disc {
            let detectors = match &mut self.belief {
                Belief::Looking(_) => [None, None],
                Belief::One(detector) => [Some(detector), None],
                Belief::Two { off, on, .. } => [Some(off), Some(on)],
            };
            for detector in detectors.into_iter().flatten() {
                detector.disc = disc::Disc::new(&job.protector);
            }
        }
    }

    /// Sensors that could not be believed are others from here on.
    fn measured_anew(&mut self, sink: &mut impl Sink) {
        let Some(now) = self.now.map(|now| now.moment) else {
            return;
        };
        let mut doubted: Vec<Sensor> = self.trust.begin_anew().collect();
        let told = WATCHED.iter().zip(&self.faults).filter(|(_, f)| f.told);
        doubted.extend(told.map(|(sensor, _)| *sensor));
        doubted.dedup();
        for sensor in doubted {
            let why = "the job file says that it is measured otherwise";
            self.sensor_event(sink, &now, sensor, Word::Believed, why, now.time);
        }
    }

    /// Tells that a sensor can no longer be believed, or can be again.
    fn sensor_event(
        &self,
        sink: &mut impl Sink,
        now: &Moment,
        sensor: Sensor,
        word: Word,
        why: &str,
        since: RecordTime,
    ) {
        let (kind, detail) = match word {
            Word::Believed => (EventKind::SensorBack, doubt::believed(sensor, why, since)),
            Word::Doubted | Word::Saturated => {
                (EventKind::Sensor, doubt::doubted(sensor, why, since))
            }
        };
        let row = EventRow {
            time: now.time,
            kind,
            cause: None,
            current_a: finite(now.amps),
            case_c: finite(now.case_c),
            detail,
        };
        sink.event(&self.job.name, row);
    }

    /// Its name in the job file.
    pub fn name(&self) -> &str {
        &self.job.name
    }

    /// Finds its roles on the board, whose channels have these units after conversion. The error names the roles whose
    /// place the board does not have, or has with another quantity.
    pub fn bind(&mut self, table: &Table, units: &[&str]) -> Result<(), String> {
        let mut missing = Vec::new();
        let mut find = |role: &str, unit: &str, place: Option<&String>| {
            let Some(place) = place else {
                return Place::NOWHERE;
            };
            let named =
                |channel: &nightclamp_protocol::TableChannel| channel.place() == place.as_str();
            let found = table.channels().iter().position(named);
            match found.and_then(|at| units.get(at)) {
                None => missing.push(format!("{role} (\"{place}\" is not there)")),
                Some(other) if *other != unit => {
                    missing.push(format!("{role} (\"{place}\" is in {other}, not in {unit})"));
                    return Place::NOWHERE;
                }
                Some(_) => {}
            }
            found.map_or(Place::NOWHERE, Place)
        };
        let channels = &self.job.channels;
        self.places = Places {
            current: find("current", "A", Some(&channels.current)),
            case: find("case", "Cel", channels.case.as_ref()),
            ambient: find("ambient", "Cel", channels.ambient.as_ref()),
            supply: find("supply", "V", channels.supply.as_ref()),
            demand: find("demand", "1", channels.demand.as_ref()),
            start_current: find("start_current", "A", channels.start_current.as_ref()),
            dome: find("dome", "Cel", channels.dome.as_ref()),
            cooled_space: find("box", "Cel", channels.cooled_space.as_ref()),
        };
        self.bound = self.places.current.0 != Place::NOWHERE.0;
        if missing.is_empty() {
            Ok(())
        } else {
            Err(missing.join(", "))
        }
    }

    /// Something came between the last sample and the next.
    pub fn interrupted(&mut self, broken: Break) {
        let known = self.broken.is_none_or(|b| b.length_known) && broken.length_known;
        self.broken = Some(Break {
            length_known: known,
        });
    }

    /// One sample of its board; `period_s` is the nominal sample period. One that takes no time is not judged, but seen.
    pub fn sample(
        &mut self,
        row: &SampleRow<'_>,
        period_s: f64,
        takes_time: bool,
        sink: &mut impl Sink,
    ) {
        if !self.bound {
            return;
        }
        let now = self.reads(row, period_s);
        if takes_time {
            self.judge(row, &now.moment, sink);
        }
        self.overview(&now, sink);
        if takes_time {
            // Last: a copy of what was only just written would wait for the writing.
            self.now = Some(now);
        }
    }

    fn judge(&mut self, row: &SampleRow<'_>, moment: &Moment, sink: &mut impl Sink) {
        self.faults(row, moment, sink);
        self.supply(moment, sink);
        if !moment.amps.is_finite() {
            return;
        }
        self.believe(moment);
        self.doubt(row, moment, sink);
        self.follow_cooling(moment);
        self.broken = None;
        // Nothing nearly always.
        if matches!(&self.belief, Belief::One(detector) if detector.has_rows()) {
            self.hand_out(sink);
        }
    }

    /// The sample for the overview, after it was judged: a value a line, and the floor that the disc is followed above.
    #[inline]
    fn overview(&mut self, now: &Now, sink: &mut impl Sink) {
        let moment = &now.moment;
        let detector = self.likelier().filter(|_| moment.amps.is_finite());
        let look = Look {
            time: moment.time,
            values: [
                if moment.at_least {
                    f64::NAN
                } else {
                    moment.amps
                },
                moment.case_c,
                moment.ambient_c,
                now.dome_c,
                now.box_c,
                moment.supply_v,
                moment.demand,
                moment.start_lead_a,
                detector
                    .and_then(|detector| detector.disc.as_ref()?.temp_c())
                    .map_or(f64::NAN, kept_disc_c),
            ],
            floor_a: detector.map_or(f64::NAN, |detector| detector.floor.level_a),
        };
        if look.disc_c().is_finite() {
            sink.disc(&self.job.name, look.time, look.disc_c());
        }
        if let Some(ended) = self.gather.push(&look) {
            sink.overview(&self.job.name, &ended);
        }
    }

    /// The end of the record.
    pub fn finish(&mut self, sink: &mut impl Sink) {
        if let Some(last) = self.gather.take() {
            sink.overview(&self.job.name, &last);
        }
        if let Belief::Looking(first) = &mut self.belief {
            let first = core::mem::take(first);
            self.belief = first_belief(&first, &self.job, true);
        }
        self.decide_anyhow();
        if let Belief::One(detector) = &mut self.belief {
            detector.finish(&self.job);
        }
        self.hand_out(sink);
    }

    /// Rows that may still be revised, as they stand.
    pub fn open_rows(&self) -> (Vec<EventRow>, Vec<CycleRow>) {
        let Some(detector) = self.likelier() else {
            return (Vec::new(), Vec::new());
        };
        let (mut open_events, mut open_cycles) = detector.open_rows(&self.job);
        let (mut events, mut cycles) = (detector.events.clone(), detector.cycles.clone());
        events.append(&mut open_events);
        cycles.append(&mut open_cycles);
        (events, cycles)
    }

    /// The row of the overview that has begun, as it stands.
    pub fn open_overview(&self) -> Option<OverviewRow> {
        self.gather.begun()
    }

    /// What a person wants to see now.
    pub fn status(&self) -> UnitStatus {
        let mut status = UnitStatus {
            name: self.job.name.clone(),
            ..self.now.map(Now::status).unwrap_or_default()
        };
        if let Some(detector) = self.likelier() {
            let (phase, since) = detector.phase(&self.job);
            status.phase = phase;
            status.since = Some(since);
            status.starts = detector.starts;
            if phase == Phase::ProtectorOpen {
                status.recloses = self.recloses();
            }
            status.trips = detector.trips + u64::from(phase == Phase::ProtectorOpen);
            if detector.late() {
                status.danger = Some(
                    "The protector should have opened by now and has not. Switch the compressor off at its \
                     isolator now and do not leave it energised."
                        .to_owned(),
                );
            }
        }
        status
    }

    fn likelier(&self) -> Option<&Detector> {
        match &self.belief {
            Belief::Looking(_) => None,
            Belief::One(detector) => Some(detector),
            Belief::Two { on, .. } => Some(on),
        }
    }

    #[inline]
    fn reads(&mut self, row: &SampleRow<'_>, period_s: f64) -> Now {
        let places = &self.places;
        let demand = places.demand.value(row);
        let in_lead_a = places.current.value(row) / f64::from(self.job.clamp_turns.max(1));
        // What is not offered does not flow, whatever the clamp says; the contact may have opened within this period.
        let offered = || {
            demand != 0.0
                || self.now.is_none_or(|before| before.moment.demand != 0.0)
                || self.job.clamp_on == job::ClampOn::Appliance
        };
        let (amps, at_least) = match places.current.reading(row) {
            Some(Reading::Fault(Fault::OutOfRange)) if offered() => (self.out_of_range_a(), true),
            _ => (in_lead_a, false),
        };
        if amps > self.highest_a {
            self.highest_a = amps;
        }
        let moment = Moment {
            time: row.time,
            span_s: period_s,
            amps,
            at_least,
            amps_believed: self.trust.believes(Sensor::Current),
            case_c: places.case.value(row),
            case_believed: self.trust.believes(Sensor::Case),
            supply_v: places.supply.value(row),
            demand,
            ambient_c: places.ambient.value(row),
            start_lead_a: places.start_current.value(row),
        };
        Now {
            moment,
            arrival: row.arrival,
            dome_c: places.dome.value(row),
            box_c: places.cooled_space.value(row),
        }
    }

    /// The least that flows when the clamp is out of its range, A: a clamp's letter is worth no reading only where nothing
    /// is known of its range, or once the letter has stayed for so long that it is the clamp that is wrong.
    fn out_of_range_a(&self) -> f64 {
        let least_a = self.job.rated_load_a.unwrap_or(0.0).max(self.highest_a);
        let is_wrong = self.faults[Sensor::Current as usize].told;
        if is_wrong || least_a <= NOTHING_A {
            f64::NAN
        } else {
            least_a
        }
    }

    /// The supply's coming and going, where it is wired.
    fn supply(&mut self, moment: &Moment, sink: &mut impl Sink) {
        if !moment.supply_v.is_finite() {
            return;
        }
        self.supply_usual_v = moment.supply_v.max(self.supply_usual_v);
        // Half of the highest seen: a brown-out is not a loss.
        let there = moment.supply_v >= (0.5 * self.supply_usual_v).max(SUPPLY_LEAST_V);
        if self.supply_there == Some(there) {
            self.supply_changed = None;
            return;
        }
        let since = *self.supply_changed.get_or_insert(moment.time);
        if seconds(moment.time - since) + moment.span_s < GONE_S && self.supply_there.is_some() {
            return;
        }
        self.supply_changed = None;
        let first = self.supply_there.replace(there).is_none();
        if first && there {
            return;
        }
        let (kind, words) = if there {
            (EventKind::SupplyBack, "the supply is back")
        } else {
            (EventKind::SupplyLost, "no supply")
        };
        let row = EventRow {
            time: since,
            kind,
            cause: None,
            current_a: finite(moment.amps),
            case_c: finite(moment.case_c),
            // Adding nothing makes a zero of what rounds to "-0".
            detail: format!("{words}: {:.0} V", moment.supply_v.round() + 0.0),
        };
        sink.event(&self.job.name, row);
    }

    /// A letter in place of a reading, for long: the board itself says that the sensor is open or shorted.
    fn faults(&mut self, row: &SampleRow<'_>, moment: &Moment, sink: &mut impl Sink) {
        for (at, sensor) in WATCHED.into_iter().enumerate() {
            let place = match sensor {
                Sensor::Current => self.places.current,
                Sensor::Case => self.places.case,
            };
            let fault = &mut self.faults[at];
            let letter = match place.reading(row) {
                Some(Reading::Fault(letter)) => *letter,
                _ if fault.since.is_none() => continue,
                _ => {
                    // What the other channels say against it holds on.
                    if core::mem::take(fault).told && self.trust.believes(sensor) {
                        let why = "it is read again";
                        self.sensor_event(sink, moment, sensor, Word::Believed, why, row.time);
                    }
                    continue;
                }
            };
            let since = *fault.since.get_or_insert(row.time);
            if fault.told || row.time - since < micros(FAULT_S) {
                continue;
            }
            fault.told = true;
            let what = match fault_letter(letter) {
                "o" => "open",
                "s" => "shorted",
                "r" => "out of range",
                _ => "not read",
            };
            let why =
                format!("{what} for {FAULT_S:.0} s; nothing is concluded from it while that lasts");
            self.sensor_event(sink, moment, sensor, Word::Doubted, &why, since);
        }
    }

    /// Follows the case while there is no current: if it was the protector that opened, it says when it will close.
    #[inline]
    fn follow_cooling(&mut self, moment: &Moment) {
        let since = match &self.belief {
            Belief::One(detector) => detector.since().1,
            Belief::Looking(_) | Belief::Two { .. } => None,
        };
        let Some(since) = since else {
            if self.cooling.is_some() {
                self.cooling = None;
            }
            return;
        };
        if self
            .cooling
            .as_ref()
            .is_none_or(|cooling| cooling.0 != since)
        {
            let protector = &self.job.protector;
            let opens = protector
                .opens_c
                .map(|opens_c| (opens_c, protector.opens_tol_c.unwrap_or(OPENS_TOL_C)));
            self.cooling = Some((since, Cooling::opened(opens), RecordTime::MIN));
        }
        if let Some((of, cooling, taken)) = &mut self.cooling
            && moment.time >= taken.saturating_add(COOLING_US)
        {
            *taken = moment.time;
            cooling.push(moment.since_s(*of), moment.believed_case_c());
        }
    }

    /// When the protector will have closed again.
    fn recloses(&self) -> Option<Interval> {
        let protector = &self.job.protector;
        if protector.kind == job::ProtectorKind::Internal {
            return None;
        }
        let (closes_c, tol_c) = protector.closes_c.map_or(CLOSES_C, |closes_c| {
            (closes_c, protector.closes_tol_c.unwrap_or(CLOSES_TOL_C))
        });
        self.cooling.as_ref()?.1.recloses_in(closes_c, tol_c)
    }

    /// Whether the sensors can still be believed, by all channels together.
    fn doubt(&mut self, row: &SampleRow<'_>, moment: &Moment, sink: &mut impl Sink) {
        let Belief::One(detector) = &self.belief else {
            return;
        };
        let (on_since, off_since) = detector.since();
        let (current, case) = (self.places.current.raw(row), self.places.case.raw(row));
        if let Some(saturated) = self.trust.glance(moment, current, case, on_since) {
            return self.conclude(saturated, moment, sink);
        }
        if !self.trust.is_look_due(moment.time) {
            return;
        }
        let seen = Seen {
            moment,
            on_since,
            off_since,
            shared: self.job.clamp_on == job::ClampOn::Appliance,
            floor_a: detector.floor.level_a,
            usual_a: detector.learned.run_a(),
            usual_on_s: detector.learned.usual_s().map(|usual| usual.0),
        };
        for said in self.trust.look(&seen) {
            self.conclude(said, moment, sink);
        }
    }

    /// Something was concluded of a sensor.
    #[cold]
    fn conclude(&mut self, said: Doubt, moment: &Moment, sink: &mut impl Sink) {
        if let (Word::Doubted, Belief::One(detector)) = (said.word, &mut self.belief) {
            match said.sensor {
                Sensor::Current => detector.doubt_current(),
                Sensor::Case => detector.doubt_case(said.since),
            }
        }
        let Doubt {
            sensor,
            word,
            since,
            why,
        } = said;
        self.sensor_event(sink, moment, sensor, word, &why, since);
    }

    #[inline]
    fn believe(&mut self, moment: &Moment) {
        let cx = Context {
            unit: &self.job,
            broken: self.broken,
        };
        match &mut self.belief {
            Belief::One(detector) => detector.step(moment, cx),
            Belief::Two { off, on, .. } => {
                off.step(moment, cx);
                on.step(moment, cx);
                self.decide(moment);
            }
            Belief::Looking(_) => self.look(moment),
        }
    }

    /// One of the first samples.
    #[cold]
    fn look(&mut self, moment: &Moment) {
        let Belief::Looking(first) = &mut self.belief else {
            return;
        };
        first.push(*moment);
        if looked_enough(first) {
            let first = core::mem::take(first);
            self.belief = first_belief(&first, &self.job, false);
        }
    }

    /// Whether the first level was a floor or a current.
    fn decide(&mut self, moment: &Moment) {
        let Belief::Two {
            off,
            level_a,
            noise_a,
            below_s,
            open_s,
            since,
            ..
        } = &mut self.belief
        else {
            return;
        };
        let clear_a = (6.0 * *noise_a).max(0.05).max(0.3 * *level_a);
        let away_a = moment.amps - *level_a;
        if away_a.abs() < clear_a {
            *level_a += LEVEL_GAIN * away_a;
            *noise_a += LEVEL_GAIN * (1.25 * away_a.abs() - *noise_a);
        }
        *below_s = if moment.amps < *level_a - clear_a {
            *below_s + moment.span_s
        } else {
            0.0
        };
        let was_current = *below_s >= GONE_S.max(2.0 * moment.span_s);
        let (phase, since_edge) = off.phase(&self.job);
        let is_off = matches!(phase, Phase::Off | Phase::ProtectorOpen);
        let back_on_it = !off.cycles.is_empty()
            || (off.starts > 0
                && is_off
                && moment.since_s(since_edge) >= BELIEF_S
                && moment.amps > *level_a - clear_a);
        // A rotor that stalls in mid-run draws a multiple too, but no protector lets that last.
        let stays_up = !is_off
            && moment.since_s(since_edge) >= RUN_S_LEAST
            && moment.amps > RISEN_OF_FIRST * *level_a;
        // Current does not flow for long where no power is offered: the level is the clamp's own.
        let on_it = moment.demand == 0.0 && moment.amps > *level_a - clear_a && off.starts == 0;
        *open_s = if on_it { *open_s + moment.span_s } else { 0.0 };
        // One sample may have had current for a part of it, before demand opened.
        let not_offered = *open_s >= OPEN_S.max(2.5 * moment.span_s);
        if was_current {
            self.settle_belief(true);
        } else if back_on_it || not_offered || stays_up {
            self.settle_belief(false);
        } else if moment.since_s(*since) > UNDECIDED_S_MAX {
            self.decide_anyhow();
        }
    }

    fn settle_belief(&mut self, current: bool) {
        let belief = core::mem::replace(&mut self.belief, Belief::Looking(Vec::new()));
        self.belief = match belief {
            Belief::Two { off, on, .. } => Belief::One(if current { on } else { off }),
            other => other,
        };
    }

    fn decide_anyhow(&mut self) {
        if matches!(self.belief, Belief::Two { .. }) {
            self.settle_belief(true);
        }
    }

    fn hand_out(&mut self, sink: &mut impl Sink) {
        let Belief::One(detector) = &mut self.belief else {
            return;
        };
        for event in detector.events.drain(..) {
            sink.event(&self.job.name, event);
        }
        for cycle in detector.cycles.drain(..) {
            sink.cycle(&self.job.name, cycle);
        }
    }
}

/// No supply stands above this, V.
const SUPPLY_LEAST_V: f64 = 30.0;

/// The median and the spread (1.25 times the mean distance from it) of the first readings, A.
fn spread(first: &[Moment]) -> (f64, f64) {
    let level_a = median(first.iter().map(|m| m.amps)).unwrap_or(0.0);
    let away_a = first.iter().map(|m| (m.amps - level_a).abs()).sum::<f64>();
    (level_a, 1.25 * away_a / first.len().max(1) as f64)
}

/// Whether a reading has left the level of those before it.
fn has_left(first: &[Moment]) -> bool {
    let Some((last, before)) = first.split_last() else {
        return false;
    };
    if before.is_empty() {
        return false;
    }
    let (median, noise) = spread(before);
    // A few readings do not show how noisy the clamp is.
    let share = if before.len() < SPREAD_SAMPLES {
        0.6
    } else {
        0.3
    };
    (last.amps - median).abs() > (8.0 * noise).max(0.06).max(share * median)
}

fn looked_enough(first: &[Moment]) -> bool {
    let (Some(oldest), Some(newest)) = (first.first(), first.last()) else {
        return false;
    };
    let seen_s = newest.since_s(oldest.time);
    has_left(first) || (seen_s >= FIRST_S && first.len() >= FIRST_SAMPLES) || seen_s >= FIRST_S_MAX
}

/// Forms a belief from the first readings and carries it through them.
fn first_belief(first: &[Moment], unit: &job::Unit, at_end: bool) -> Belief {
    let Some(oldest) = first.first() else {
        return Belief::Looking(Vec::new());
    };
    let level = if has_left(first) {
        first.get(..first.len() - 1).unwrap_or(first)
    } else {
        first
    };
    let (level_a, noise_a) = spread(level);
    let not_offered = level
        .iter()
        .all(|m| m.demand == 0.0 || m.supply_v < SUPPLY_LEAST_V);
    let nothing_a = unit
        .rated_load_a
        .map_or(NOTHING_A, |rated| NOTHING_A.max(OF_RATED.0 * rated));
    let is_nothing = not_offered || level_a < nothing_a;
    let is_current = unit
        .rated_load_a
        .is_some_and(|rated| level_a > OF_RATED.1 * rated);
    let off = || {
        Box::new(Detector::off(
            Floor::seen(level_a, noise_a),
            oldest.time,
            unit,
        ))
    };
    let on = || Box::new(Detector::on(*oldest, unit));
    let mut belief = match (is_nothing, is_current || at_end) {
        (true, _) => Belief::One(off()),
        (false, true) => Belief::One(on()),
        (false, false) => Belief::Two {
            off: off(),
            on: on(),
            level_a,
            noise_a,
            below_s: 0.0,
            open_s: 0.0,
            since: oldest.time,
        },
    };
    for moment in first {
        let cx = Context { unit, broken: None };
        match &mut belief {
            Belief::One(detector) => detector.step(moment, cx),
            Belief::Two { off, on, .. } => {
                off.step(moment, cx);
                on.step(moment, cx);
            }
            Belief::Looking(_) => {}
        }
    }
    belief
}
