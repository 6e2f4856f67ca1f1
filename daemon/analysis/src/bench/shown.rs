//! Figures as a person reads them: one source for terminal, page and printed results.

use super::guidance::{Figure, Guidance, Shown};
use crate::job::TemperatureScale;
use crate::protector::Interval;

/// From here on a length of time is shown in minutes and seconds, s.
const CLOCK_FROM_S: f64 = 600.0;
/// A closing foretold as nearer than this is said to be soon, s.
const SOON_S: f64 = 1.0;

impl Figure {
    /// As it is shown, and its unit.
    pub fn as_shown(&self, scale: TemperatureScale) -> (String, &'static str) {
        match (self.shown, self.value) {
            (Shown::Amps, Some(a)) => (format!("{a:.2}"), "A"),
            (Shown::Seconds, Some(s)) if s >= CLOCK_FROM_S => (clock(s), ""),
            (Shown::Seconds, Some(s)) => (format!("{s:.0}"), "s"),
            (Shown::Celsius, Some(c)) => temperature(c, scale),
            (_, None) => ("-".to_owned(), ""),
        }
    }
}

impl Guidance {
    /// When it will have closed again, in words; nothing while that is not foreseeable.
    pub fn closes(&self) -> Option<String> {
        self.recloses.map(closes)
    }
}

fn closes(within: Interval) -> String {
    let (from_s, likely_s, to_s) = (within.from_s, within.likely_s, within.to_s);
    if to_s <= 0.0 {
        return "It should have closed again by now".to_owned();
    }
    if likely_s < SOON_S {
        // A likely time of nothing beside a wide interval would read as if it had closed.
        return format!("Closes again any moment, in {} at most", clock(to_s));
    }
    format!(
        "Closes again in about {} ({} to {})",
        clock(likely_s),
        clock(from_s),
        clock(to_s)
    )
}

/// A temperature in the person's scale, and its unit.
pub fn temperature(celsius: f64, scale: TemperatureScale) -> (String, &'static str) {
    match scale {
        TemperatureScale::Celsius => (format!("{celsius:.1}"), "°C"),
        TemperatureScale::Fahrenheit => (format!("{:.1}", celsius * 1.8 + 32.0), "°F"),
    }
}

/// Minutes and seconds.
fn clock(s: f64) -> String {
    let whole = s.max(0.0).round() as u64;
    format!("{}:{:02}", whole / 60, whole % 60)
}

/// A value that may not have been measured.
pub(super) fn shown(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.decimals$}"))
}

/// A temperature without its unit, that may not have been measured.
pub(super) fn degrees(value: Option<f64>, scale: TemperatureScale) -> String {
    value.map_or_else(|| "-".to_owned(), |c| temperature(c, scale).0)
}

/// A figure of `unit` with its unit, in the person's scale.
pub(super) fn figure(value: f64, unit: &str, scale: TemperatureScale) -> String {
    match unit {
        "Cel" => {
            let (value, unit) = temperature(value, scale);
            format!("{value} {unit}")
        }
        _ => format!("{value:.2} {unit}"),
    }
}

/// A difference of `unit`: no zero to be shifted.
pub(super) fn difference(value: f64, unit: &str, scale: TemperatureScale) -> String {
    match (unit, scale) {
        ("Cel", TemperatureScale::Celsius) => format!("{value:.1} K"),
        ("Cel", TemperatureScale::Fahrenheit) => format!("{:.1} °F", value * 1.8),
        _ => format!("{value:.2} {unit}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_closing_that_may_be_now_is_not_said_to_have_been() {
        let said = |from_s, likely_s, to_s| {
            closes(Interval {
                from_s,
                likely_s,
                to_s,
            })
        };
        assert_eq!(
            said(0.0, 0.0, 71.0),
            "Closes again any moment, in 1:11 at most"
        );
        assert_eq!(said(0.0, 0.0, 0.0), "It should have closed again by now");
        assert_eq!(
            said(40.0, 62.4, 71.0),
            "Closes again in about 1:02 (0:40 to 1:11)"
        );
    }
}
