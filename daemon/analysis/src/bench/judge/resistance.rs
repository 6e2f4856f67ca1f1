//! What the ohmmeter says.

use super::{Evidence, Resistance};
use crate::job::ProtectorKind;
use crate::reading::{Taken, Value, What};

/// Usual resistance, Ohm (common practice, no source): strip 0.3 to 0.5, round about 0.1; further off than by half is worth a look.
const STRIP_OHM: (f64, f64) = (0.3, 0.5);
const ROUND_OHM: (f64, f64) = (0.07, 0.15);
const FAR_FACTOR: f64 = 1.5;
/// A meter shows nothing below this, Ohm: no strip type reads it, its heater is in the path.
const NOTHING_OHM: f64 = 0.05;

impl Evidence<'_> {
    /// The newest cold reading before it first opened.
    pub(super) fn cold_before(&self) -> Option<&Taken> {
        let before = |taken: &&Taken| self.opened_at.is_none_or(|at| taken.at < at);
        self.readings
            .iter()
            .rev()
            .filter(|taken| taken.reading.what == What::ProtectorCold)
            .find(before)
    }

    pub(super) fn resistance(&self) -> (Resistance, String) {
        let before = self.cold_before().map(|taken| taken.reading.value);
        let after = self.after_opening().map(|taken| taken.reading.value);
        let hot = self.readings.iter().rev();
        let hot = hot
            .filter(|taken| taken.reading.what == What::ProtectorHot)
            .map(|taken| taken.reading.value)
            .next();
        let is_far = [before, after]
            .into_iter()
            .flatten()
            .filter_map(Value::figure)
            .find_map(|ohm| far_from_usual(self.unit.protector.kind, ohm));
        let said = |what, why: &str| (what, why.to_owned());
        match (before, hot, after) {
            (Some(Value::Open), ..) => said(Resistance::Failed, "it reads open when cool: failed"),
            (.., Some(Value::Open)) => said(
                Resistance::Failed,
                "it reads open after it has cooled: failed, unless it was still warm when it was measured",
            ),
            (_, Some(Value::Figure(ohm)), _) => (
                Resistance::ClosedHot,
                format!(
                    "it reads {ohm} Ohm although it had opened: measured too late, or not across the protector"
                ),
            ),
            _ if is_far.is_some() => (Resistance::LookCloser, is_far.unwrap_or_default()),
            (Some(_), Some(Value::Open), Some(_)) => said(
                Resistance::Works,
                "closed cold, open hot, closed again: it works",
            ),
            (None, None, None) => said(Resistance::NotMeasured, "not measured"),
            (Some(_), ..) | (.., Some(_)) => said(Resistance::ClosedCold, "closed when cool"),
            (None, Some(Value::Open), None) => {
                said(Resistance::NotMeasured, "open hot; not measured when cool")
            }
        }
    }
}

/// Why a resistance is worth a closer look.
fn far_from_usual(kind: ProtectorKind, ohm: f64) -> Option<String> {
    let ((low, high), name) = match kind {
        ProtectorKind::ExternalStrip => (STRIP_OHM, "a strip type"),
        ProtectorKind::ExternalRound => (ROUND_OHM, "a round type"),
        _ => return None,
    };
    if kind == ProtectorKind::ExternalStrip && ohm < NOTHING_OHM {
        return Some(format!(
            "{ohm} Ohm is not expected of {name}: its heater is in the path; look closer"
        ));
    }
    let far = ohm > high * FAR_FACTOR || ohm < low / FAR_FACTOR;
    far.then(|| {
        format!("{ohm} Ohm is far from the usual {low} to {high} Ohm of {name} (common practice, no source); look closer")
    })
}
