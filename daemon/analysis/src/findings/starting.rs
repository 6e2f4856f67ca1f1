//! Starts that fail, and the start winding.

use super::{CHANCE_MOST, Finding, FindingKind, ROWS_LEAST};
use crate::cycling::EQUALISED_S;
use crate::evidence::Evidence;
use crate::rows::{CycleRow, EndedBy, RecordTime, StartKind};
use crate::statistics::{fisher_more, ln_choose, quantile_of, sorted, summary};

/// A supply under this share of its usual value before a start explains a start that fails by itself: at 0.9 the torque is
/// down by 19 %.
const SUPPLY_SOUND: f64 = 0.92;
/// The usual supply is this quantile of what stood before starts.
const USUAL_QUANTILE: f64 = 0.9;
/// The start lead still carries a current if it is more than this share of its highest in the start,
const LEAD_OF_PEAK: f64 = 0.03;
/// and more than this share of the running current: what a PTC lets through is a hundredth of it.
const LEAD_OF_RUN: f64 = 0.1;
/// With its start winding in a compressor draws 1.5 to 4 times its running current: more than this above rated load, or above
/// what it draws with the winding out.
const RUN_HEAVIER: f64 = 1.25;

/// A start after an off-time that was seen whole.
struct Attempt<'a> {
    cycle: &'a CycleRow,
    off_s: f64,
    after: EndedBy,
    failed: bool,
}

/// The starts of which it is known whether they failed, at a sound supply.
fn attempts<'a>(evidence: &Evidence<'a>) -> Vec<Attempt<'a>> {
    // A brown-out may last for half of the night: what is usual is near the most.
    let before_v = sorted(evidence.cycles.iter().filter_map(|c| c.supply_before_v));
    let usual_v = quantile_of(&before_v, USUAL_QUANTILE);
    let gaps = evidence.unseen();
    let pairs = evidence.cycles.iter().zip(evidence.cycles.iter().skip(1));
    let attempt = |(before, cycle): (&'a CycleRow, &'a CycleRow)| {
        let failed = match cycle.start {
            StartKind::LockedRotor => true,
            StartKind::Normal => false,
            StartKind::Unknown => return None,
        };
        let (off_at, off_s) = (before.off_at?, before.off_s?);
        let whole = gaps
            .iter()
            .all(|gap| gap.until <= off_at || gap.from >= cycle.on_at);
        let is_low = cycle
            .supply_before_v
            .is_some_and(|volts| volts < SUPPLY_SOUND * usual_v);
        (cycle.on_seen && whole && !is_low).then_some(Attempt {
            cycle,
            off_s,
            after: before.ended_by?,
            failed,
        })
    };
    pairs.filter_map(attempt).collect()
}

fn count<'a>(of: &[&Attempt<'a>], failed: bool) -> u32 {
    of.iter().filter(|attempt| attempt.failed == failed).count() as u32
}

/// Starts fail more often after short off-times than after long ones: pressures that have not equalised, or a PTC that is
/// still hot. Of the short off-times only a control's or the supply's count: after a
/// start has failed the protector's own cooling makes the next off-time, and one bad start device would look like many short
/// off-times. Of the long ones all count: a bad start device would fail after them too.
pub(super) fn fails_after_short_off(evidence: &Evidence<'_>) -> Option<Finding> {
    let all = attempts(evidence);
    let by_control = |a: &&Attempt<'_>| matches!(a.after, EndedBy::Control | EndedBy::Supply);
    let is_long = |a: &&Attempt<'_>| a.off_s >= EQUALISED_S;
    let short: Vec<_> = all
        .iter()
        .filter(|a| !is_long(a) && by_control(a))
        .collect();
    let long: Vec<_> = all.iter().filter(is_long).collect();
    let (a, b, c, d) = (
        count(&short, true),
        count(&short, false),
        count(&long, true),
        count(&long, false),
    );
    let chance = fisher_more(a, b, c, d);
    if (a as usize) < ROWS_LEAST || chance >= CHANCE_MOST {
        return None;
    }
    let failed = || short.iter().filter(|attempt| attempt.failed);
    let longest_s = failed().map(|attempt| attempt.off_s).fold(0.0, f64::max);
    Some(Finding {
        kind: FindingKind::FailsAfterShortOff,
        sentence: format!(
            "Starts fail after short off-times: {a} of {} after less than {EQUALISED_S:.0} s off, {c} of {} after longer ones. \
             The longest off-time of these that failed was {longest_s:.0} s.",
            a + b,
            c + d
        ),
        check: "Check what switches it back on so soon, and whether pressures have equalised (about five minutes, common \
                practice) and a PTC has cooled when it starts."
            .to_owned(),
        values: vec![
            ("short_failed", f64::from(a)),
            ("short_started", f64::from(b)),
            ("long_failed", f64::from(c)),
            ("long_started", f64::from(d)),
            ("limit_s", EQUALISED_S),
            ("longest_failed_s", longest_s),
        ],
        rows: failed().map(|attempt| attempt.cycle.on_at).collect(),
        chance: Some(chance),
    })
}

/// Starts fail only from some time on. Only starts after long off-times at a sound supply count, whoever made the off-time:
/// what short off-times and low voltage explain is not asked of the start device. If all N were alike, k that fail would all
/// lie among the last m with probability C(m, k) / C(N, k).
pub(super) fn fails_from(evidence: &Evidence<'_>) -> Option<Finding> {
    let all = attempts(evidence);
    let is_long = |a: &&Attempt<'_>| a.off_s >= EQUALISED_S;
    let long: Vec<&Attempt<'_>> = all.iter().filter(is_long).collect();
    let before = long.iter().position(|attempt| attempt.failed)?;
    let (n, k) = (long.len() as u32, count(&long, true));
    let m = n - before as u32;
    let chance = (ln_choose(m, k) - ln_choose(n, k)).exp();
    if (k as usize) < ROWS_LEAST || chance >= CHANCE_MOST {
        return None;
    }
    let failed: Vec<RecordTime> = long
        .iter()
        .filter(|attempt| attempt.failed)
        .map(|attempt| attempt.cycle.on_at)
        .collect();
    let (first, last) = (*failed.first()?, *failed.last()?);
    let sound_since = long
        .iter()
        .filter(|attempt| attempt.cycle.on_at > last)
        .count();
    let since = if sound_since > 0 {
        format!(
            "The last that failed was at {}; {sound_since} since then were sound.",
            evidence.words(last)
        )
    } else {
        "The newest of them failed.".to_owned()
    };
    let has_supply = long
        .iter()
        .any(|attempt| attempt.cycle.supply_before_v.is_some());
    let measured = if has_supply {
        ""
    } else {
        "The supply is not in this record: measure it while it starts. "
    };
    Some(Finding {
        kind: FindingKind::FailsFrom,
        sentence: format!(
            "Starts fail only from {} on: none of {before} before, {k} of {m} from then on, each after at least \
             {EQUALISED_S:.0} s off. {since}",
            evidence.words(first)
        ),
        check: format!(
            "{measured}Check the start device first (relay, PTC, capacitor and their wires), then the windings and whether the \
             rotor turns."
        ),
        values: vec![
            ("before_started", before as f64),
            ("from_failed", f64::from(k)),
            ("from_all", f64::from(m)),
            ("sound_since", sound_since as f64),
        ],
        rows: failed,
        chance: Some(chance),
    })
}

/// What is left in the start lead when a sound start is over.
struct Lead<'a> {
    cycle: &'a CycleRow,
    left_a: f64,
    of_peak: f64,
    run_a: f64,
}

impl<'a> Lead<'a> {
    fn of(cycle: &'a CycleRow) -> Option<Self> {
        let left_a = cycle.start_lead_a?;
        let of_peak = left_a / cycle.start_lead_peak_a?;
        let run_a = cycle.run_a?;
        (cycle.on_seen && cycle.start == StartKind::Normal).then_some(Self {
            cycle,
            left_a,
            of_peak,
            run_a,
        })
    }

    fn stays(&self) -> bool {
        self.of_peak > LEAD_OF_PEAK && self.left_a > LEAD_OF_RUN * self.run_a
    }
}

fn median_of(leads: &[Lead<'_>], of: fn(&Lead<'_>) -> f64) -> Option<f64> {
    summary(leads.iter().map(of)).map(|summary| summary.median)
}

/// The start lead still carries a current when the start is over. Where a run capacitor is wired that is as it should be, and
/// a noisy clamp on a small compressor may show as much: it is said only if the compressor also draws what it does with its
/// start winding in, against rated load or against the starts after which it dropped out.
pub(super) fn start_lead_stays(evidence: &Evidence<'_>) -> Option<Finding> {
    let all = evidence.cycles.iter().filter_map(Lead::of);
    let (stays, drops): (Vec<_>, Vec<_>) = all.partition(Lead::stays);
    let run_a = median_of(&stays, |lead| lead.run_a)?;
    let rated_a = evidence.unit.rated_load_a;
    let dropped_a = median_of(&drops, |lead| lead.run_a).filter(|_| drops.len() >= ROWS_LEAST);
    let is_heavier =
        |than_a: Option<f64>| than_a.is_some_and(|than_a| run_a > RUN_HEAVIER * than_a);
    if stays.len() < ROWS_LEAST || !(is_heavier(rated_a) || is_heavier(dropped_a)) {
        return None;
    }
    let (left_a, of_peak) = (
        median_of(&stays, |lead| lead.left_a)?,
        median_of(&stays, |lead| lead.of_peak)?,
    );
    let against = match (dropped_a, rated_a) {
        (Some(dropped_a), _) => format!("; where it dropped out, at {dropped_a:.2} A"),
        (None, Some(rated_a)) => format!(", {:.1} times rated load", run_a / rated_a),
        (None, None) => String::new(),
    };
    let first = stays.first().map(|lead| evidence.words(lead.cycle.on_at))?;
    Some(Finding {
        kind: FindingKind::StartLeadStays,
        sentence: format!(
            "The start winding stays in: after {} of {} sound starts, first at {first}, the start lead still carried {left_a:.2} A \
             ({:.0} % of its highest) when the start was over, and the compressor ran at {run_a:.2} A{against}.",
            stays.len(),
            stays.len() + drops.len(),
            100.0 * of_peak
        ),
        check: "Check the start device that should take the start winding out: a relay's contact, a PTC, the right type for this \
                compressor. With a run capacitor some current stays."
            .to_owned(),
        values: vec![
            ("stays", stays.len() as f64),
            ("drops", drops.len() as f64),
            ("lead_a", left_a),
            ("of_peak", of_peak),
            ("run_a", run_a),
        ],
        rows: stays.iter().map(|lead| lead.cycle.on_at).collect(),
        chance: None,
    })
}
