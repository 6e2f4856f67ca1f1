//! The current from the beginning of a run to its end.

use super::{Finding, FindingKind, ROWS_LEAST};
use crate::evidence::Evidence;
use crate::job::ProtectorKind;
use crate::rows::CycleRow;
use crate::statistics::{quantile_of, sorted};

/// A run whose current rises by this share stands out where the others do not, and end lower,
const RISES: f64 = 0.05;
/// and by this share wherever it is. A sound one falls as the suction pressure comes down, or rises by some per cent as the
/// condenser warms (common practice, no source).
const RISES_FAR: f64 = 0.12;
/// The other runs of the record rise by no more than this, and end lower by [`RISES`].
const OTHERS_RISE: f64 = 0.02;
/// A run whose current falls by this share falls.
const FALLS: f64 = 0.08;
/// A case this near to where its protector may open is hot, K.
const HOT_WITHIN_C: f64 = 15.0;
/// The lowest usual opening temperature, less its tolerance, where none is given, Cel (trade's range 105 to 125).
const OPENS_LOW_C: f64 = 105.0;

/// A run with its first and last part.
struct Run<'a> {
    cycle: &'a CycleRow,
    first_a: f64,
    last_a: f64,
}

impl Run<'_> {
    fn ratio(&self) -> f64 {
        self.last_a / self.first_a
    }
}

fn runs<'a>(evidence: &Evidence<'a>) -> Vec<Run<'a>> {
    let run = |cycle: &'a CycleRow| {
        Some(Run {
            cycle,
            first_a: cycle.run_first_a?,
            last_a: cycle.run_last_a?,
        })
    };
    evidence.cycles.iter().filter_map(run).collect()
}

fn median_of(runs: &[&Run<'_>], of: impl Fn(&Run<'_>) -> f64) -> f64 {
    quantile_of(&sorted(runs.iter().map(|run| of(run))), 0.5)
}

/// The current rises through a run: the condensing pressure goes up.
pub(super) fn rises(evidence: &Evidence<'_>) -> Option<Finding> {
    let all = runs(evidence);
    let (risen, others): (Vec<_>, Vec<_>) = all.iter().partition(|run| run.ratio() >= 1.0 + RISES);
    let ratio = median_of(&risen, |run| run.ratio());
    let others_ratio = median_of(&others, |run| run.ratio());
    let last_of = |runs: &[&Run<'_>]| median_of(runs, |run| run.last_a);
    let ends_higher = last_of(&risen) >= (1.0 + RISES) * last_of(&others);
    let stands_out = others.len() >= ROWS_LEAST && others_ratio <= 1.0 + OTHERS_RISE && ends_higher;
    if risen.len() < ROWS_LEAST || !(stands_out || ratio >= 1.0 + RISES_FAR) {
        return None;
    }
    let (first_a, last_a) = (
        median_of(&risen, |run| run.first_a),
        median_of(&risen, |run| run.last_a),
    );
    let first = risen
        .first()
        .map(|run| evidence.words(run.cycle.on_at))
        .unwrap_or_default();
    Some(Finding {
        kind: FindingKind::CurrentRises,
        sentence: format!(
            "The current rises through a run: in {} of {} runs, first in that from {first}, from {first_a:.2} A in the second \
             minute to {last_a:.2} A in the last.",
            risen.len(),
            all.len()
        ),
        check: "Check the condenser: its fan, dirt, air in front of it, what stands around it; then overcharge and air in the \
                circuit."
            .to_owned(),
        values: vec![
            ("risen", risen.len() as f64),
            ("runs", all.len() as f64),
            ("ratio", ratio),
            ("first_a", first_a),
            ("last_a", last_a),
        ],
        rows: risen.iter().map(|run| run.cycle.on_at).collect(),
        chance: None,
    })
}

/// The current falls through a run to less than rated load while the case gets hot: little refrigerant to carry the heat away.
pub(super) fn falls_hot(evidence: &Evidence<'_>) -> Option<Finding> {
    let protector = &evidence.unit.protector;
    if protector.kind == ProtectorKind::Internal {
        return None;
    }
    let opens_c = match (protector.opens_c, protector.opens_tol_c) {
        (Some(opens_c), tol_c) => opens_c - tol_c.unwrap_or(5.0),
        (None, _) => OPENS_LOW_C,
    };
    let hot_c = opens_c - HOT_WITHIN_C;
    let all = runs(evidence);
    let is_light = |run: &Run<'_>| {
        evidence
            .unit
            .rated_load_a
            .is_none_or(|rated_a| run.last_a < rated_a)
    };
    let found: Vec<&Run<'_>> = all
        .iter()
        .filter(|run| run.ratio() <= 1.0 - FALLS && is_light(run))
        .filter(|run| run.cycle.case_off_c.is_some_and(|case_c| case_c >= hot_c))
        .collect();
    if found.len() < ROWS_LEAST {
        return None;
    }
    let case_c = median_of(&found, |run| run.cycle.case_off_c.unwrap_or(f64::NAN));
    let (first_a, last_a) = (
        median_of(&found, |run| run.first_a),
        median_of(&found, |run| run.last_a),
    );
    Some(Finding {
        kind: FindingKind::CurrentFallsHot,
        sentence: format!(
            "The current falls through a run while the case gets hot: in {} of {} runs, from {first_a:.2} A to {last_a:.2} A, and \
             the case at {case_c:.0} °C at the end.",
            found.len(),
            all.len()
        ),
        check: "Check the charge and for leaks, a restriction, suction gas that comes back warm, and the air around the shell."
            .to_owned(),
        values: vec![
            ("found", found.len() as f64),
            ("runs", all.len() as f64),
            ("first_a", first_a),
            ("last_a", last_a),
            ("case_c", case_c),
        ],
        rows: found.iter().map(|run| run.cycle.on_at).collect(),
        chance: None,
    })
}
