//! What a compressor is doing, in words a person at three in the morning reads at a glance.

use nightclamp_analysis::rows::EndedBy;
use nightclamp_analysis::status::{Phase, UnitStatus};
use serde::Serialize;

/// Below this a supply counts as gone, V: far under any mains voltage, far over what a sensor shows with none.
const SUPPLY_GONE_V: f64 = 20.0;
/// A case that changes by less than this over the comparison counts as steady, K.
pub const CASE_STEADY_K: f64 = 0.3;

/// How the protector's case moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trend {
    /// Warmer than a minute ago.
    Warming,
    /// Neither.
    Steady,
    /// Cooler than a minute ago.
    Cooling,
}

impl Trend {
    /// From the case now and a minute ago, Cel.
    pub fn of(before_c: f64, now_c: f64) -> Self {
        match now_c - before_c {
            change if change > CASE_STEADY_K => Self::Warming,
            change if change < -CASE_STEADY_K => Self::Cooling,
            _ => Self::Steady,
        }
    }
}

/// A state: a code for shape and colour, and the words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct State {
    /// `no-data`, `off`, `protector-open`, `starting`, `running`, `locked-rotor`.
    pub code: &'static str,
    /// The words.
    pub words: &'static str,
}

/// The state of a unit; `ended_by` is how its last on-period ended, `trend` how its case moves, where these are known.
pub fn of(unit: &UnitStatus, ended_by: Option<EndedBy>, trend: Option<Trend>) -> State {
    let (code, words) = match unit.phase {
        Phase::NoData if unit.last_sample.is_none() => ("no-data", "Waiting for the first sample"),
        Phase::NoData => ("no-data", "No word from the board"),
        Phase::Off => ("off", off_words(unit, ended_by)),
        Phase::ProtectorOpen => ("protector-open", open_words(trend)),
        Phase::Starting => ("starting", "Starting"),
        Phase::Running => ("running", "Running"),
        Phase::LockedRotor => ("locked-rotor", "Not turning: locked-rotor current"),
    };
    State { code, words }
}

fn off_words(unit: &UnitStatus, ended_by: Option<EndedBy>) -> &'static str {
    if unit
        .supply_v
        .is_some_and(|supply_v| supply_v < SUPPLY_GONE_V)
    {
        return "Off: no supply";
    }
    match (unit.demand, ended_by) {
        (Some(false), _) => "Off by its control",
        (Some(true), _) => "Off, though power is offered",
        (None, Some(EndedBy::Control)) => "Off by its control",
        (None, Some(EndedBy::Supply)) => "Off since the supply failed",
        (None, _) => "Off",
    }
}

const fn open_words(trend: Option<Trend>) -> &'static str {
    match trend {
        Some(Trend::Cooling) => "Protector open, cooling",
        Some(Trend::Warming) => "Protector open, case still warming",
        Some(Trend::Steady) | None => "Protector open",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_say_no_more_than_is_known() {
        let off = |supply_v, demand| UnitStatus {
            phase: Phase::Off,
            supply_v,
            demand,
            ..UnitStatus::default()
        };
        let cases = [
            (off(None, None), None, "Off"),
            (off(None, None), Some(EndedBy::Unknown), "Off"),
            (
                off(None, None),
                Some(EndedBy::Control),
                "Off by its control",
            ),
            (
                off(Some(228.0), Some(false)),
                Some(EndedBy::Unknown),
                "Off by its control",
            ),
            (
                off(Some(228.0), Some(true)),
                None,
                "Off, though power is offered",
            ),
            (off(Some(0.4), Some(true)), None, "Off: no supply"),
            (UnitStatus::default(), None, "Waiting for the first sample"),
            (
                UnitStatus {
                    last_sample: Some(1),
                    ..UnitStatus::default()
                },
                None,
                "No word from the board",
            ),
        ];
        for (unit, ended_by, words) in cases {
            assert_eq!(of(&unit, ended_by, None).words, words);
        }
    }

    #[test]
    fn an_open_protector_is_called_cooling_only_when_its_case_cools() {
        let open = UnitStatus {
            phase: Phase::ProtectorOpen,
            ..UnitStatus::default()
        };
        let words = |before_c, now_c| of(&open, None, Some(Trend::of(before_c, now_c))).words;
        assert_eq!(words(98.0, 96.5), "Protector open, cooling");
        assert_eq!(words(98.0, 99.5), "Protector open, case still warming");
        assert_eq!(words(98.0, 98.2), "Protector open");
    }
}
