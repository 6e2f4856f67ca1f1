//! The supply when it starts.

use super::{Finding, FindingKind, ROWS_LEAST};
use crate::evidence::Evidence;
use crate::rows::CycleRow;
use crate::statistics::{quantile_of, sorted};

/// A supply that falls by this share at a start is weak: makers of small compressors commonly allow 10 % below nominal
/// (common practice, no source), and the torque is down by 19 % there.
const SAG_SHARE: f64 = 0.10;

/// The supply falls far at each start: a long or thin line, a bad contact, a weak source.
pub(super) fn sags(evidence: &Evidence<'_>) -> Option<Finding> {
    let sag = |cycle: &CycleRow| Some((cycle.on_at, cycle.supply_before_v?, cycle.supply_low_v?));
    let seen: Vec<(i64, f64, f64)> = evidence.cycles.iter().filter_map(sag).collect();
    let share = |of: &(i64, f64, f64)| 1.0 - of.2 / of.1;
    let median =
        |of: &dyn Fn(&(i64, f64, f64)) -> f64| quantile_of(&sorted(seen.iter().map(of)), 0.5);
    let usual = median(&share);
    let deep: Vec<&(i64, f64, f64)> = seen.iter().filter(|of| share(of) >= SAG_SHARE).collect();
    // Half of all starts: an outage or a brown-out that falls into one start is no weak line.
    if deep.len() < ROWS_LEAST || usual < SAG_SHARE {
        return None;
    }
    let (before_v, low_v) = (median(&|of| of.1), median(&|of| of.2));
    Some(Finding {
        kind: FindingKind::SupplySags,
        sentence: format!(
            "The supply sags when it starts: by {:.0} % or more in half of {} starts, from {before_v:.0} V down to {low_v:.0} V. \
             The lowest reading is a mean over a sample period, so the sag is at least that deep.",
            100.0 * usual,
            seen.len()
        ),
        check: "Measure the voltage at the compressor's terminals while it starts. Check connections, the length and cross-section \
                of the line, and what else starts on it."
            .to_owned(),
        values: vec![
            ("starts", seen.len() as f64),
            ("deep", deep.len() as f64),
            ("sag_share", usual),
            ("before_v", before_v),
            ("low_v", low_v),
        ],
        rows: deep.iter().map(|of| of.0).collect(),
        chance: None,
    })
}
