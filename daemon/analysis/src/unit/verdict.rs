//! What ended an on-period, and why the protector opened: from all the evidence there is, and no further.

use super::level::{Learned, STALL_OF_RUNNING, Stall, StallFrom};
use super::period::{OnPeriod, STALL_S, START_S, START_SEEN_S};
use crate::job::{self, ProtectorKind};
use crate::rows::{Cause, EndedBy, StartKind};

/// Lowest opening temperature of the trade's range, for a protector whose own is not given, Cel (common practice, no
/// source: 105 to 125).
const OPENS_LOW_C: f64 = 105.0;
/// The highest: see [`OPENS_LOW_C`].
pub const OPENS_HIGH_C: f64 = 125.0;
/// Tolerance of an opening temperature that was given without one, K.
pub const OPENS_TOL_C: f64 = 5.0;
/// Highest closing temperature of the trade's range, Cel (common practice, no source: 61 to 71).
const CLOSES_HIGH_C: f64 = 71.0;
/// Tolerance of a closing temperature that was given without one, K.
pub const CLOSES_TOL_C: f64 = 9.0;
/// A protector is clearly below its opening when this much is missing on top of everything, K: bead, spot, class.
const CLEARLY_C: f64 = 10.0;
/// A case within this of the opening is as hot as it should open at: the bead lags and sits at one spot, K.
const AS_HOT_C: f64 = 8.0;
/// A bead in the air beside the case is as cool as one on a cool case. One that stands so far above the room, K, has risen by
/// so much in the run, K, or is warmer than any room, Cel, sits on a case.
const ON_CASE: (f64, f64, f64) = (6.0, 2.0, 45.0);
/// The disc above its case at rated load, at most, K: a protector that carries 1.4 times rated load for ever (common
/// practice, no source; more often 1.56) from a case at 52 Cel has 53..73 K left for 2 times the heat.
const RISE_AT_RATED_C: f64 = 40.0;
/// A case in normal running at rated load, Cel (common practice, no source). A protector carries that for ever, so its disc is
/// never farther above its case than from here to its opening: the most there can be where somebody is to be told that it opens
/// too early.
const CASE_AT_RATED_C: f64 = 52.0;
/// Standard uncertainty of a bead by its class and its place on the case, K (class 1 of IEC 60584-1 is 1.5 K).
const BEAD_C: f64 = 2.5;
/// Of the model: disc, case and shell are more than one lump, K (common practice, no source).
const MODEL_C: f64 = 3.0;
/// Of what the current heats: twice a clamp's 2 % and a heating constant's 10 %, as a share.
const HEATING_SHARE: f64 = 0.11;
/// Clearly below the opening by so many of these.
const DISC_CLEAR: f64 = 3.0;
/// Clearly above rated load.
const OVERLOAD_OF_RATED: f64 = 1.15;
/// Not above rated load by more than its tolerance.
const RATED_TOL: f64 = 1.05;
/// Clearly above the running current that was learned, where no rated load is given.
const OVERLOAD_OF_RUN: f64 = 1.7;
/// A disc needs time to cool: an off-time below this is not a protector's, s.
const RECLOSE_LEAST_S: f64 = 15.0;
/// A case so far above the opening of a protector that was late is no sign of its opening, K.
const FAR_ABOVE_C: f64 = 30.0;
/// The longest time constant of a disc that is not given, s (common practice, no source: some tens of seconds).
const DISC_TAU_S: f64 = 60.0;
/// A protector that has not closed after so many times the time its disc takes, and after so long, s, is not what keeps the
/// current away.
const CLOSED_LONG_BEFORE: (f64, f64) = (3.0, 300.0);
/// Lowest closing temperature of the trade's range, Cel (common practice, no source: 61 to 71).
const CLOSES_LOW_C: f64 = 61.0;
/// Controls let a compressor run for longer than this, s (common practice, no source).
const CONTROL_S_LEAST: f64 = 45.0;
/// A disc in a cool case closes again within a minute, and no control is meant to, s; nor within this after as short a
/// run, s: it may be a weak protector, whatever the case says (common practice, no source).
const CONTROL_OFF_S_LEAST: f64 = 60.0;
/// See [`CONTROL_OFF_S_LEAST`].
const CONTROL_CYCLE_S_LEAST: f64 = 100.0;
/// No rotor is said to turn at more than this many times rated load, unless it has been seen to step down.
const RUN_MOST: f64 = 2.2;
/// A run or a pause below this share of the usual is not the control's usual way.
const UNUSUAL: f64 = 0.5;
/// A start winding that stays in draws up to 4 times running; a stall is above.
pub const STALL_SURE_OF_RUN: f64 = 4.2;
/// Or at least this share of what sound starts peak at: an open start circuit leaves 60 to 90 % of locked rotor.
const STALL_OF_PEAK: f64 = 0.55;
/// Or falls by 5 to 35 % as the winding heats (common practice, no source).
const STALL_FALLS: (f64, f64) = (0.05, 0.45);
/// A start's first reading stands above what comes after it by more than this.
const INRUSH_SHOWS: f64 = 1.3;
/// Where sound starts have peaked at this many times what a current began at, an inrush before it would have been seen.
const INRUSH_SEEN: f64 = 1.5;
/// A run begins at less than this many times what runs of this compressor were seen to draw.
const RUN_BEGINS: f64 = 1.5;
/// A control does not end an overloaded run within this, s: the box has not had time to cool.
const SHORT_OVERLOAD_S: f64 = 60.0;
/// That current, over rated load.
const SHORT_OVERLOAD_OF_RATED: f64 = 1.4;
/// A protector that has just closed opens again with less heat than before, but not with less than this share of the least that
/// it has taken. Common practice, no source.
const HEAT_OF_LEAST: f64 = 0.4;
/// No protector of a motor-compressor carries more than this share of rated load for ever (NEC 440.52(B), as reference only).
const CARRIED_OF_RATED: f64 = 1.56;
/// A stall that has lasted for so much longer than the protector was to need was not ended by it for certain.
const OVERDUE: f64 = 2.5;
/// The same where nothing is said of that time, s.
const OVERDUE_S: f64 = 150.0;

/// The basis of an end that the case's temperature told begins so.
const BY_CASE: &str = "no demand contact; case";

/// Whether by its basis the case's temperature told what ended a run.
pub fn rests_on_case(basis: &str) -> bool {
    basis.starts_with(BY_CASE)
}

/// What the channels beside current and case said about the end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Word {
    /// Not wired, not read, or contradicted by the current.
    Silent,
    /// Still there after the current had ended.
    Held,
    /// Gone with the current.
    Gone,
    /// Gone by the sample after: at a coarse period it may have been the first to go, or the second.
    Unsure,
}

/// Everything the end of an on-period is judged by.
#[derive(Debug, Clone)]
pub struct Ending {
    /// The on-period.
    pub on: OnPeriod,
    /// Current at the end, A above the floor, and the lowest of the last second.
    pub end_a: Option<f64>,
    /// Case temperature at the end, Cel.
    pub case_off_c: Option<f64>,
    /// What demand said.
    pub demand: Word,
    /// What the supply said.
    pub supply: Word,
    /// Supply before the end, V.
    pub supply_v: f64,
    /// Length of the on-period, s; `None` where the end was not seen.
    pub on_s: Option<f64>,
    /// The clamp can no longer be believed since then.
    pub clamp_doubted: bool,
    /// The bead could not be believed at the end, as was found out later.
    pub case_doubted: bool,
}

/// What came after.
#[derive(Debug, Clone, Copy, Default)]
pub struct After {
    /// Off-time, s.
    pub off_s: Option<f64>,
    /// Case temperature when current was back, Cel.
    pub case_next_c: Option<f64>,
    /// Highest case temperature from the start until then, Cel.
    pub case_max_c: Option<f64>,
}

/// A judgement and what it rests on.
#[derive(Debug, Clone)]
pub struct Verdict {
    /// How it began.
    pub start: StartKind,
    /// What ended it.
    pub ended_by: EndedBy,
    /// Why the protector opened.
    pub cause: Option<Cause>,
    /// In words and figures.
    pub basis: String,
}

/// Judges how an on-period began.
pub fn start_kind(
    on: &OnPeriod,
    stall: Option<Stall>,
    learned: &Learned,
    rated_a: Option<f64>,
    ended: bool,
) -> StartKind {
    if !on.on_seen || on.early == 0 {
        return StartKind::Unknown;
    }
    let seen_s = on.seen_s();
    let coarse = on.first.span_s > COARSE_S;
    // A clamp at the end of its range all the time shows a stall only if a stall begins below that.
    if on.early_low_a.is_infinite() && stall.is_none_or(|stall| on.peak_a < stall.above_a) {
        return StartKind::Unknown;
    }
    match stall {
        Some(stall) if on.early_low_a >= on.stands_above_a(stall) && !on.stepped_down => {
            let long_enough =
                seen_s >= START_S || (ended && seen_s >= START_SEEN_S && on.early >= 2);
            if long_enough && is_stall(on, stall, learned) {
                StartKind::LockedRotor
            } else {
                StartKind::Unknown
            }
        }
        // It has turned, but not come down to running: a start winding that stays in.
        Some(stall) if on.early_low_a >= stall.above_a => StartKind::Unknown,
        // Below it by and by, and at this period a step may hide in that.
        Some(stall) if on.fell_smoothly(stall) => StartKind::Unknown,
        // Below the limit, and yet far above any run that is known.
        Some(_) if on.early_low_a > most_of_run_a(learned, rated_a) => StartKind::Unknown,
        Some(_) if began_without_inrush(on, learned) => StartKind::Unknown,
        // At a coarse period a start of several seconds hides in one sample.
        Some(_) if !coarse || started_fast(on, stall) => StartKind::Normal,
        None if on.came_down_at.is_some() && !coarse => StartKind::Normal,
        _ => StartKind::Unknown,
    }
}

/// The current began far above running, at the level at which it went on, where sound starts of this record peaked far higher:
/// nothing shows that the rotor has turned. At a low supply a rotor that stands draws less than half of nameplate.
fn began_without_inrush(on: &OnPeriod, learned: &Learned) -> bool {
    let (Some(peak_a), Some(run_a)) = (learned.peak_a(), learned.run_a()) else {
        return false;
    };
    on.on_seen
        && !on.stepped_down
        && on.early_low_a.is_finite()
        && on.early_low_a > RUN_BEGINS * run_a
        && on.peak_a < INRUSH_SHOWS * on.early_low_a
        && peak_a > INRUSH_SEEN * on.early_low_a
}

/// More than this no rotor that has come down to running is said to draw, A.
fn most_of_run_a(learned: &Learned, rated_a: Option<f64>) -> f64 {
    let by_load = learned.reference_a(rated_a).map(|a| RUN_MOST * a);
    let by_run = learned.run_a().map(|run_a| STALL_OF_RUNNING * run_a);
    by_load
        .into_iter()
        .chain(by_run)
        .fold(f64::INFINITY, f64::min)
}

/// Whether a level above the limit is a stall's and cannot be that of a start winding that stays in (1.5 to 4 times
/// running): certain by nameplate, else by its height, by the peaks of sound starts, or by its smooth fall.
fn is_stall(on: &OnPeriod, stall: Stall, learned: &Learned) -> bool {
    let StallFrom::Learned(run_a) = stall.from else {
        return matches!(stall.from, StallFrom::Nameplate { .. });
    };
    let level_a = on.tail.low_a().unwrap_or(0.0);
    let fell = 1.0 - level_a / on.level_first_a;
    level_a >= STALL_SURE_OF_RUN * run_a
        || learned
            .peak_a()
            .is_some_and(|peak_a| level_a >= STALL_OF_PEAK * peak_a)
        || (on.came_down_at.is_none() && (STALL_FALLS.0..STALL_FALLS.1).contains(&fell))
}

/// Whether the first sample's square mean leaves room for no more than two seconds at nameplate locked rotor.
fn started_fast(on: &OnPeriod, stall: Option<Stall>) -> bool {
    let Some(Stall {
        from: StallFrom::Nameplate {
            locked_rotor_a,
            voltage,
        },
        ..
    }) = stall
    else {
        return false;
    };
    let locked_a = locked_rotor_a * voltage;
    on.first.amps * on.first.amps * on.first.span_s <= 2.0 * locked_a * locked_a
}

/// Judges an on-period that has ended.
pub fn judge(ending: &Ending, after: After, learned: &Learned, unit: &job::Unit) -> Verdict {
    let stall = learned.stall(unit, ending.supply_v);
    let start = start_kind(&ending.on, stall, learned, unit.rated_load_a, true);
    let case = Judge {
        ending,
        after,
        learned,
        unit,
        stall,
    };
    let (ended_by, mut basis) = case.ended_by();
    let cause = (ended_by == EndedBy::Protector).then(|| {
        let (cause, why) = case.cause();
        basis = format!("{basis}; {why}");
        let stalled = cause == Cause::LockedRotor;
        if let Some(cold) = case.cold_disc().filter(|_| stalled) {
            basis = format!("{basis}; {cold}: the protector is suspect too");
        }
        cause
    });
    if ending.on.over_range > 0 {
        basis = format!(
            "{basis}; the clamp was out of its range in {} samples: highest and last current and I²t are at least what stands here",
            ending.on.over_range
        );
    }
    Verdict {
        start,
        ended_by,
        cause,
        basis,
    }
}

struct Judge<'a> {
    ending: &'a Ending,
    after: After,
    learned: &'a Learned,
    unit: &'a job::Unit,
    stall: Option<Stall>,
}

impl Judge<'_> {
    fn ended_by(&self) -> (EndedBy, String) {
        if self.ending.on_s.is_none() {
            return (
                EndedBy::Unknown,
                "the end fell into a gap that is not bridged".to_owned(),
            );
        }
        if self.ending.clamp_doubted {
            return (
                EndedBy::Unknown,
                "the clamp may have come off then: it reads nothing since, and cannot be believed"
                    .to_owned(),
            );
        }
        if !self.ending.on.last.amps_believed {
            return (
                EndedBy::Unknown,
                "the clamp could not be believed when the current ended".to_owned(),
            );
        }
        match (self.ending.supply, self.ending.demand) {
            (Word::Gone, _) => (
                EndedBy::Supply,
                "the supply was lost with the current".to_owned(),
            ),
            (_, Word::Gone) => (
                EndedBy::Control,
                "demand opened with the current".to_owned(),
            ),
            (Word::Held, Word::Held) => (
                EndedBy::Protector,
                "the current ended while demand stayed closed and the supply stayed on".to_owned(),
            ),
            (Word::Silent, Word::Held) => (
                EndedBy::Protector,
                "the current ended while demand stayed closed".to_owned(),
            ),
            (_, Word::Unsure) => (
                EndedBy::Unknown,
                format!(
                    "demand was open by the sample after the one in which the current ended: at one sample in {:.0} s it is not \
                     known which went first",
                    self.ending.on.last.span_s
                ),
            ),
            (Word::Unsure, Word::Held) => (
                EndedBy::Protector,
                "the current ended while demand stayed closed".to_owned(),
            ),
            (_, Word::Silent) => self.ended_by_heat(),
        }
    }

    /// Without demand, only a believed case temperature and the current can tell.
    fn ended_by_heat(&self) -> (EndedBy, String) {
        if let Some(answer) = self.ended_stalled() {
            return answer;
        }
        let Some(case_c) = self.case_c() else {
            return (
                EndedBy::Unknown,
                "no demand contact, and no case temperature that could tell".to_owned(),
            );
        };
        if let Some(answer) = self.too_hot_to_reclose(case_c) {
            return answer;
        }
        let opens_c = self.opens_low_c();
        let current = self.current_words();
        let clear = self
            .rise_c(RISE_AT_RATED_C)
            .is_some_and(|rise_c| case_c + rise_c + CLEARLY_C < opens_c);
        if let Some(words) = self.off_case().filter(|_| clear) {
            return (EndedBy::Unknown, format!("no demand contact; {words}"));
        }
        if clear && !self.is_doubtful() {
            let text = format!(
                "{BY_CASE} {case_c:.0} °C with {current} puts the protector clearly below its \
                     opening ({opens_c:.0} °C at the least)"
            );
            return (EndedBy::Control, text);
        }
        if self.ending.on.late_told && case_c > self.opens_high_c() + FAR_ABOVE_C {
            let text = format!(
                "{BY_CASE} {case_c:.0} °C, far above where it opens, and it had not opened: whether it did in the end is not known"
            );
            return (EndedBy::Unknown, text);
        }
        let hot_c = match self.unit.protector.opens_c {
            Some(_) => opens_c,
            // A control may end a run this hot where the protector opens as high as any.
            None => (OPENS_LOW_C + OPENS_HIGH_C) / 2.0,
        };
        if case_c + AS_HOT_C >= hot_c {
            let text = format!(
                "{BY_CASE} {case_c:.0} °C, as hot as it opens at ({opens_c:.0} °C at the least)"
            );
            return (EndedBy::Protector, text);
        }
        if let Some(answer) = self.short_overload().or_else(|| self.long_overload(case_c)) {
            return answer;
        }
        let text = if clear {
            format!(
                "{BY_CASE} {case_c:.0} °C with {current} is clearly below its opening, but not the control's usual way: a \
                 control that cycles too fast, or a protector that opens early; a demand contact would tell"
            )
        } else {
            format!("{BY_CASE} {case_c:.0} °C with {current} does not decide")
        };
        (EndedBy::Unknown, text)
    }

    /// An overload, a run or a pause so short that it is no control's way, or a cycle much shorter than this control's
    /// usual ones: not to be called a control's without demand.
    fn is_doubtful(&self) -> bool {
        let known_heating = self.unit.protector.heating_c_per_a2.is_some();
        let ratio = self
            .ending
            .end_a
            .zip(self.reference_a())
            .map_or(f64::INFINITY, |(end, reference)| end / reference);
        let below = |s: Option<f64>, least_s: f64| s.is_some_and(|s| s < least_s);
        let short = self.ending.on.on_seen && below(self.ending.on_s, CONTROL_S_LEAST);
        let hasty = below(self.after.off_s, CONTROL_OFF_S_LEAST)
            || (below(self.ending.on_s, CONTROL_CYCLE_S_LEAST)
                && below(self.after.off_s, CONTROL_CYCLE_S_LEAST));
        let is_unusual = |s: Option<f64>, usual_s: f64| s.is_some_and(|s| s < UNUSUAL * usual_s);
        let unusual = self.learned.usual_s().is_some_and(|(on_s, off_s)| {
            is_unusual(self.ending.on_s, on_s) || is_unusual(self.after.off_s, off_s)
        });
        // Without a rated load the running current that is learned may be an overload's itself.
        let climbs = self.unit.rated_load_a.is_none() && self.climbs();
        ((ratio > OVERLOAD_OF_RATED || climbs) && !known_heating) || short || hasty || unusual
    }

    /// The current rises all through the run, where a sound compressor's falls as the suction pressure comes down (common
    /// practice, no source).
    fn climbs(&self) -> bool {
        let parts = self.ending.on.beside.parts_a();
        parts.is_some_and(|(first_a, last_a)| last_a > OVERLOAD_OF_RATED * first_a)
    }

    /// Stalled when it ended: the protector did it, if its time and what came after fit one.
    fn ended_stalled(&self) -> Option<(EndedBy, String)> {
        if !self.is_stalled_at_end() {
            return None;
        }
        let stood_s = self.stood_s();
        if self
            .after
            .off_s
            .is_some_and(|off_s| off_s < RECLOSE_LEAST_S)
        {
            let text = "no demand contact; it ended stalled, but current was back sooner than a disc can cool";
            return Some((EndedBy::Unknown, text.to_owned()));
        }
        let protector = &self.unit.protector;
        let overdue_s = protector
            .longest_trip_s
            .map_or(OVERDUE_S, |longest_s| (OVERDUE * longest_s).max(OVERDUE_S));
        if stood_s > overdue_s {
            let text = format!(
                "no demand contact; the rotor had stood for {stood_s:.0} s, far longer than a protector lets it: whether it \
                 opened in the end or a control did is not known"
            );
            return Some((EndedBy::Unknown, text));
        }
        if let Some(answer) = self.closed_long_before() {
            return Some(answer);
        }
        if !self.is_heated() {
            let text = format!(
                "no demand contact; it ended stalled after {stood_s:.1} s, and the protector has always taken far more heat: it or \
                 a control"
            );
            return Some((EndedBy::Unknown, text));
        }
        let text = format!(
            "no demand contact; the rotor had stood for {stood_s:.1} s when the current ended"
        );
        Some((EndedBy::Protector, text))
    }

    /// The case stayed or became so cool that a protector would have closed long before current was back: power was not
    /// offered then, and so it may have been the control that ended it.
    fn closed_long_before(&self) -> Option<(EndedBy, String)> {
        self.case_c()?;
        let (off_s, max_c) = self.after.off_s.zip(self.after.case_max_c)?;
        let protector = &self.unit.protector;
        let closes_tol_c = protector.closes_tol_c.unwrap_or(CLOSES_TOL_C);
        let closes_low_c = protector
            .closes_c
            .map_or(CLOSES_LOW_C, |closes_c| closes_c - closes_tol_c);
        let opens_high_c = self.opens_high_c();
        // The disc falls from its opening towards a case that was never hotter than this.
        let falls = (opens_high_c - max_c) / (closes_low_c - max_c);
        let cools_s = protector.heating_tau_s.unwrap_or(DISC_TAU_S) * falls.ln();
        let (times, least_s) = CLOSED_LONG_BEFORE;
        // A disc without current is no cooler than the case it sits on, and follows that down within minutes.
        if let Some(next_c) = self.after.case_next_c
            && off_s > least_s
            && next_c + CLEARLY_C < closes_low_c
        {
            let text = format!(
                "no demand contact; it ended far above running, but current was back only after {off_s:.0} s and at {next_c:.0} °C, \
                 clearly below the {closes_low_c:.0} °C at which a protector has closed: it opened and a control kept it off, or \
                 a control ended it"
            );
            return Some((EndedBy::Unknown, text));
        }
        (max_c < closes_low_c && off_s > (times * cools_s).max(least_s)).then(|| {
            let text = format!(
                "no demand contact; it ended far above running, but current was back only after {off_s:.0} s, and in a case of {max_c:.0} °C \
                 at the most a protector closes sooner: it opened and a control kept it off, or a control ended it"
            );
            (EndedBy::Unknown, text)
        })
    }

    /// Far above rated load for a minute and more, with a case hotter than any at which a protector closes, and current back
    /// only when that had cooled to where one does.
    fn long_overload(&self, case_c: f64) -> Option<(EndedBy, String)> {
        let rated_a = self.unit.rated_load_a?;
        let on = &self.ending.on;
        let end_a = self
            .ending
            .end_a
            .zip(on.tail.low_a())
            .map(|(end_a, low_a)| end_a.min(low_a))?;
        let closes_high_c = self.closes_high_c();
        let long = self.ending.on_s? >= SHORT_OVERLOAD_S;
        let cooled = match (self.after.off_s, self.after.case_next_c) {
            (Some(off_s), Some(next_c)) => off_s >= CONTROL_OFF_S_LEAST && next_c <= closes_high_c,
            _ => return None,
        };
        (long && cooled && end_a > CARRIED_OF_RATED * rated_a && case_c > closes_high_c + CLEARLY_C)
            .then(|| {
                let text = format!(
                    "{BY_CASE} {case_c:.0} °C with {end_a:.2} A at the end, {:.2} times rated load, more than a protector \
                     carries for long; current was back only at {:.0} °C",
                    end_a / rated_a,
                    self.after.case_next_c.unwrap_or(f64::NAN)
                );
                (EndedBy::Protector, text)
            })
    }

    /// The highest temperature at which the protector closes, Cel.
    fn closes_high_c(&self) -> f64 {
        let protector = &self.unit.protector;
        let tol_c = protector.closes_tol_c.unwrap_or(CLOSES_TOL_C);
        protector
            .closes_c
            .map_or(CLOSES_HIGH_C, |closes| closes + tol_c)
    }

    fn too_hot_to_reclose(&self, case_c: f64) -> Option<(EndedBy, String)> {
        let closes_high_c = self.closes_high_c();
        let next_c = self
            .after
            .case_next_c
            .filter(|_| self.after.off_s.is_some())?;
        if next_c < closes_high_c + CLEARLY_C || case_c + AS_HOT_C >= self.opens_low_c() {
            return None;
        }
        let text = format!(
            "{BY_CASE} {next_c:.0} °C when current was back, too hot for a protector that closes \
             at {closes_high_c:.0} °C at the most to have reclosed"
        );
        Some((EndedBy::Control, text))
    }

    /// The current has made about as much heat as the protector has taken to open so far.
    fn is_heated(&self) -> bool {
        let enough = |least_a2s| self.ending.on.i2t_a2s >= HEAT_OF_LEAST * least_a2s;
        self.learned.opened_least_a2s().is_none_or(enough)
    }

    fn short_overload(&self) -> Option<(EndedBy, String)> {
        let end_a = self.ending.end_a?;
        let reference_a = self.reference_a()?;
        let on_s = self.ending.on_s?;
        let short = self.ending.on.on_seen && on_s < SHORT_OVERLOAD_S;
        let reclosed = self
            .after
            .off_s
            .is_none_or(|off_s| off_s >= RECLOSE_LEAST_S);
        if !(short && reclosed && self.is_heated() && end_a > SHORT_OVERLOAD_OF_RATED * reference_a)
        {
            return None;
        }
        self.closed_long_before().or_else(|| {
            let text = format!(
                "no demand contact; it ended {on_s:.0} s after the start at {end_a:.2} A, {:.1} times the reference load",
                end_a / reference_a
            );
            Some((EndedBy::Protector, text))
        })
    }

    fn cause(&self) -> (Cause, String) {
        let on = &self.ending.on;
        let end_a = self.ending.end_a.unwrap_or(f64::NAN);
        if self.is_stalled_at_end() {
            return (Cause::LockedRotor, self.locked_words());
        }
        if on.last.at_least {
            return (
                Cause::Undetermined,
                format!(
                    "the clamp was at the end of its range, {end_a:.1} A, when the current ended: how much more flowed is not known"
                ),
            );
        }
        if self.stall.is_none() {
            return (
                Cause::Undetermined,
                "no rating is given and no run has been seen to compare with".to_owned(),
            );
        }
        if on.high_since.is_some() && (!on.stepped_down || on.came_down_at.is_some()) {
            let is_rated = matches!(
                self.stall,
                Some(Stall {
                    from: StallFrom::Nameplate { .. },
                    ..
                })
            );
            let sunk = |stall: Stall| on.tail.low_a().is_some_and(|low_a| low_a < stall.above_a);
            let text = if on.high_s() >= START_S && self.stall.is_some_and(sunk) {
                format!(
                    "{end_a:.1} A at the end, and no step down to it from the {:.1} A of the start: a rotor that stands while its \
                     winding heats, or one that turns heavily",
                    on.level_first_a
                )
            } else if is_rated || on.high_s() < START_S {
                format!(
                    "{end_a:.1} A at the end, a stall's level, but for too short a time to tell"
                )
            } else {
                format!(
                    "{end_a:.1} A at the end, {:.0} s long: a rotor that stands draws that, and one whose start winding stays \
                     in; nameplate locked rotor would tell",
                    on.high_s()
                )
            };
            return (Cause::Undetermined, text);
        }
        if on.first.span_s > COARSE_S && on.early < 2 {
            let text = format!(
                "one sample in {:.0} s is too coarse to tell a stall from a run",
                on.first.span_s
            );
            return (Cause::Undetermined, text);
        }
        if let Some(why) = self.not_a_run(end_a) {
            return (Cause::Undetermined, why);
        }
        match (self.overload(end_a), self.cold_disc()) {
            (Some((_, words)), Some(cold)) => (
                Cause::Undetermined,
                format!("{words}; {cold}: an overload, or a protector that opens early"),
            ),
            (Some(overload), None) => overload,
            (None, _) => self.by_heat(end_a),
        }
    }

    /// Why the current at the end cannot be called that of a turning rotor.
    fn not_a_run(&self, end_a: f64) -> Option<String> {
        let on = &self.ending.on;
        let reference_a = self.reference_a()?;
        if end_a <= OVERLOAD_OF_RATED * reference_a {
            return None;
        }
        if on.on_seen && on.seen_s() < START_S {
            return Some(format!(
                "{end_a:.2} A, {:.1} s after the start, is not yet a run",
                on.seen_s()
            ));
        }
        if on.tail.low_a().unwrap_or(0.0) < RATED_TOL * reference_a {
            return Some(format!(
                "{end_a:.2} A at the end, but only in the last moment"
            ));
        }
        if began_without_inrush(on, self.learned) {
            let peak_a = self.learned.peak_a().unwrap_or(f64::NAN);
            return Some(format!(
                "{end_a:.2} A at the end, {:.1} times the reference load, and no inrush before it, where sound starts peak at \
                 {peak_a:.1} A: a rotor that stands at a low supply, or one that turns heavily",
                end_a / reference_a
            ));
        }
        let most_a = RUN_MOST * reference_a;
        let heavy = end_a > most_a.min(self.stall_of_run_a()) && !on.stepped_down;
        heavy.then(|| {
            let ratio = end_a / reference_a;
            format!("{end_a:.2} A at the end, {ratio:.1} times the reference load: a rotor that turns heavily, or one that stands")
        })
    }

    /// The least that a rotor that stands draws by the running current learned, A, whatever the nameplate says.
    fn stall_of_run_a(&self) -> f64 {
        self.learned
            .run_a()
            .map_or(f64::INFINITY, |run_a| STALL_OF_RUNNING * run_a)
    }

    fn overload(&self, end_a: f64) -> Option<(Cause, String)> {
        match (self.unit.rated_load_a, self.learned.run_a()) {
            (Some(rated_a), _) if end_a > OVERLOAD_OF_RATED * rated_a => {
                let text = format!(
                    "{end_a:.2} A at the end, {:.2} times rated load",
                    end_a / rated_a
                );
                Some((Cause::Overload, text))
            }
            (None, Some(run_a)) if end_a > OVERLOAD_OF_RUN * run_a => {
                let text = format!(
                    "{end_a:.2} A at the end, {:.2} times the running current learned",
                    end_a / run_a
                );
                Some((Cause::Overload, text))
            }
            _ => None,
        }
    }

    fn by_heat(&self, end_a: f64) -> (Cause, String) {
        if !self.unit.protector.kind.is_external() {
            let text =
                "not stalled and not overloaded; the protector is not known to be an external one";
            return (Cause::Undetermined, text.to_owned());
        }
        let Some(case_c) = self.case_c() else {
            return (
                Cause::Undetermined,
                "not stalled and not overloaded; no case temperature that can be believed"
                    .to_owned(),
            );
        };
        let Some(rated_a) = self.unit.rated_load_a else {
            return (
                Cause::Undetermined,
                "no rated load is given to compare the current with".to_owned(),
            );
        };
        if let Some(answer) = self.by_disc(end_a, rated_a) {
            return answer;
        }
        let opens_c = self.opens_low_c();
        if case_c + AS_HOT_C >= opens_c && end_a <= RATED_TOL * rated_a {
            let text = format!(
                "{end_a:.2} A at the end, {:.2} times rated load, but the case at {case_c:.0} °C, where it opens from \
                 {opens_c:.0} °C",
                end_a / rated_a
            );
            return (Cause::Overheat, text);
        }
        let most_c = (opens_c - CASE_AT_RATED_C).max(RISE_AT_RATED_C);
        let clear = self
            .rise_c(most_c)
            .is_some_and(|rise_c| case_c + rise_c + CLEARLY_C < opens_c);
        if clear && end_a <= RATED_TOL * rated_a && self.unit.protector.opens_c.is_some() {
            if let Some(answer) = self.maybe_fallen() {
                return answer;
            }
            let text = format!(
                "{end_a:.2} A at the end, not above rated load, and the case at {case_c:.0} °C, clearly below the \
                 {opens_c:.0} °C at which it may open"
            );
            return (Cause::Early, text);
        }
        (
            Cause::Undetermined,
            format!("{end_a:.2} A and case {case_c:.0} °C at the end do not decide"),
        )
    }

    /// That it opened early rests on a cool case, and a bead that has fallen off shows one too.
    fn maybe_fallen(&self) -> Option<(Cause, String)> {
        let words = self.off_case()?;
        Some((
            Cause::Undetermined,
            format!("not stalled and not overloaded; {words}"),
        ))
    }

    /// The bead may hang in the air: nothing shows it warmed by the current.
    fn off_case(&self) -> Option<String> {
        let on = &self.ending.on;
        let case_c = self.case_c()?;
        let risen_c = on.case_on_c.map_or(0.0, |on_c| case_c - on_c);
        let on_case =
            case_c - on.last.ambient_c >= ON_CASE.0 || risen_c >= ON_CASE.1 || case_c >= ON_CASE.2;
        (!on_case).then(|| {
            format!(
                "the bead, at {case_c:.0} °C, has not warmed in this run: it may be off the case"
            )
        })
    }

    /// By the model's disc, where its constants are given.
    fn by_disc(&self, end_a: f64, rated_a: f64) -> Option<(Cause, String)> {
        let (disc_c, sure_c) = self.disc_c()?;
        let protector = &self.unit.protector;
        let (opens_c, low_c) = (protector.opens_c?, self.opens_low_c());
        let words = format!(
            "{end_a:.2} A at the end, {:.2} times rated load",
            end_a / rated_a
        );
        let disc = format!("disc at {disc_c:.0} ± {sure_c:.0} °C by the model");
        if end_a > RATED_TOL * rated_a {
            return None;
        }
        if disc_c + DISC_CLEAR * sure_c < low_c {
            if let Some(answer) = self.maybe_fallen() {
                return Some(answer);
            }
            let below_c = opens_c - disc_c;
            return Some((
                Cause::Early,
                format!("{words}; {disc}, {below_c:.0} K below its opening at {opens_c:.0} °C"),
            ));
        }
        if disc_c + sure_c >= low_c {
            return Some((
                Cause::Overheat,
                format!("{words}; {disc}, where it opens from {low_c:.0} °C"),
            ));
        }
        Some((
            Cause::Undetermined,
            format!("{words}; {disc} does not decide, it opens from {low_c:.0} °C"),
        ))
    }

    /// A stall or an overload says why the current was high; if the disc was far from its opening, that is not all.
    fn cold_disc(&self) -> Option<String> {
        let (disc_c, sure_c) = self.disc_c()?;
        let low_c = self.opens_low_c();
        (disc_c + DISC_CLEAR * sure_c < low_c).then(|| {
            format!(
                "and yet the disc was at {disc_c:.0} ± {sure_c:.0} °C by the model, {:.0} K below where it opens",
                low_c - disc_c
            )
        })
    }

    /// Temperature of the model's disc at the end and its standard uncertainty, Cel: bead and its place, clamp and heating
    /// constant, and what one lump leaves out.
    fn disc_c(&self) -> Option<(f64, f64)> {
        let case_c = self.case_c()?;
        let disc_c = self.ending.on.disc_c?;
        let heated_c = (disc_c - case_c).abs();
        let sure_c =
            (BEAD_C * BEAD_C + MODEL_C * MODEL_C + (HEATING_SHARE * heated_c).powi(2)).sqrt();
        Some((disc_c, sure_c))
    }

    /// The current was at a stall's level up to the end, for long enough.
    fn is_stalled_at_end(&self) -> bool {
        let Some(stall) = self.stall else {
            return false;
        };
        let on = &self.ending.on;
        if !is_stall(on, stall, self.learned) {
            return false;
        }
        let low_a = self.ending.on.tail.low_a().unwrap_or(0.0);
        low_a >= on.stands_above_a(stall)
            && (on.early_low_a.is_finite() || on.over_range > 0)
            && self.stood_s() >= STALL_S
            && (self.has_stood_throughout()
                || (on.came_down_at.is_some() && on.high_since.is_some()))
    }

    /// The current never left a stall's level.
    fn has_stood_throughout(&self) -> bool {
        let on = &self.ending.on;
        self.stall
            .is_some_and(|stall| on.early_low_a >= on.stands_above_a(stall))
            && on.came_down_at.is_none()
            && !on.stepped_down
    }

    /// How long the current had been at a stall's level when it ended, s.
    fn stood_s(&self) -> f64 {
        let on = &self.ending.on;
        if self.has_stood_throughout() {
            on.seen_s()
        } else {
            on.high_s()
        }
    }

    fn locked_words(&self) -> String {
        let on = &self.ending.on;
        let first_a = on.peak_a;
        let end_a = self.ending.end_a.unwrap_or(f64::NAN);
        let course = match (on.on_seen, on.came_down_at) {
            (true, None) => "never down to running",
            (true, Some(_)) => "back up from running",
            (false, _) => "the start was not seen",
        };
        let time = match self.ending.on_s {
            Some(on_s) if on.came_down_at.is_none() => format!("opened after {on_s:.1} s"),
            _ => format!("opened after {:.1} s of it", on.high_s()),
        };
        format!(
            "{first_a:.1} A at its highest, {end_a:.1} A at the end, {course}, {time}{}",
            self.limit_words()
        )
    }

    fn limit_words(&self) -> String {
        match self.stall {
            Some(Stall {
                above_a,
                from:
                    StallFrom::Nameplate {
                        locked_rotor_a,
                        voltage,
                    },
            }) if voltage < 0.99 => format!(
                " (a stall is above {above_a:.1} A: half of {locked_rotor_a:.1} A at {:.0} % of the usual voltage)",
                voltage * 100.0
            ),
            Some(Stall {
                above_a,
                from: StallFrom::Nameplate { locked_rotor_a, .. },
            }) => {
                format!(
                    " (a stall is above {above_a:.1} A: half of nameplate {locked_rotor_a:.1} A)"
                )
            }
            Some(Stall {
                above_a,
                from: StallFrom::Learned(run_a),
            }) => {
                format!(
                    " (a stall is above {above_a:.1} A: 2.5 times the running current learned, {run_a:.2} A)"
                )
            }
            Some(Stall {
                above_a,
                from: StallFrom::Rated(rated_a),
            }) => {
                format!(" (a stall is above {above_a:.1} A: 2.5 times rated load {rated_a:.2} A)")
            }
            None => String::new(),
        }
    }

    fn current_words(&self) -> String {
        match self.ending.end_a {
            Some(end_a) => format!("{end_a:.2} A at the end"),
            None => "unknown current".to_owned(),
        }
    }

    /// The case's temperature at the end, where it can say something of the protector.
    fn case_c(&self) -> Option<f64> {
        let bead_tells = self.unit.protector.kind != ProtectorKind::Internal;
        let believed = self.ending.on.last.case_believed && !self.ending.case_doubted;
        self.ending.case_off_c.filter(|_| bead_tells && believed)
    }

    /// Rated load, or what stands in for it.
    fn reference_a(&self) -> Option<f64> {
        self.learned.reference_a(self.unit.rated_load_a)
    }

    /// The most the disc can stand above its case at the current of the end, K: by its heating constant, or if it is
    /// `at_rated_c` at rated load.
    fn rise_c(&self, at_rated_c: f64) -> Option<f64> {
        let end_a = self
            .ending
            .end_a
            .filter(|_| !self.ending.on.last.at_least)?;
        if let Some(heating) = self.unit.protector.heating_c_per_a2 {
            return Some(heating * end_a * end_a);
        }
        let ratio = end_a / self.reference_a()?;
        Some(at_rated_c * ratio * ratio)
    }

    fn opens_high_c(&self) -> f64 {
        let protector = &self.unit.protector;
        protector.opens_c.unwrap_or(OPENS_HIGH_C) + protector.opens_tol_c.unwrap_or(OPENS_TOL_C)
    }

    fn opens_low_c(&self) -> f64 {
        let protector = &self.unit.protector;
        let tol_c = protector.opens_tol_c.unwrap_or(OPENS_TOL_C);
        protector.opens_c.map_or(OPENS_LOW_C, |opens| opens - tol_c)
    }
}

/// Sample period from which one sample hides a whole stall, s.
const COARSE_S: f64 = 3.0;
