//! How figures are written: temperatures in the scale that was asked for, instants by the place's clocks.

use chrono::{DateTime, Offset, TimeDelta};
use chrono_tz::Tz;
use nightclamp_analysis::evidence::Span;
use nightclamp_analysis::job::TemperatureScale;
use nightclamp_analysis::rows::RecordTime;

use crate::instants;
use crate::scale::in_fahrenheit;

/// What stands for a figure that is not there.
pub const NOTHING: &str = "–";
/// From here on an amperage has one decimal less, A.
const COARSE_A: f64 = 10.0;

/// Writes figures for one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scribe {
    /// The job's zone.
    pub zone: Tz,
    /// Added to record time where instants are named, µs.
    pub shown_offset_us: i64,
    /// How temperatures are shown.
    pub scale: TemperatureScale,
    /// Each instant carries its offset from UTC: it changes within the record.
    pub has_offsets: bool,
}

impl Scribe {
    /// A scribe for what lies in `span`.
    pub fn new(zone: Tz, shown_offset_us: i64, scale: TemperatureScale, span: Span) -> Self {
        let mut scribe = Self {
            zone,
            shown_offset_us,
            scale,
            has_offsets: false,
        };
        let offset = |time| scribe.local(time).offset().fix();
        // Half a day is less than any season of a zone.
        let mut time = span.from;
        let mut changes = offset(span.from) != offset(span.until);
        while time < span.until && !changes {
            changes = offset(time) != offset(span.from);
            time = time.saturating_add(43_200_000_000);
        }
        scribe.has_offsets = changes;
        scribe
    }

    /// An instant as people of the place read it off their clocks; the epoch's for an instant no calendar has.
    pub fn local(&self, time: RecordTime) -> DateTime<Tz> {
        DateTime::from_timestamp_micros(time.saturating_add(self.shown_offset_us))
            .unwrap_or_default()
            .with_timezone(&self.zone)
    }

    /// Day and time to the second.
    pub fn instant(&self, time: RecordTime) -> String {
        let pattern = if self.has_offsets {
            "%Y-%m-%d %H:%M:%S%:z"
        } else {
            "%Y-%m-%d %H:%M:%S"
        };
        self.local(time).format(pattern).to_string()
    }

    /// Day and time to the second, with the offset from UTC.
    pub fn instant_with_offset(&self, time: RecordTime) -> String {
        let local = self.local(time);
        local.format("%Y-%m-%d %H:%M:%S%:z").to_string()
    }

    /// Time of the day to the second.
    pub fn clock(&self, time: RecordTime) -> String {
        self.local(time).format("%H:%M:%S").to_string()
    }

    /// The offset from UTC at an instant, as `UTC+01:00`.
    pub fn offset(&self, time: RecordTime) -> String {
        self.local(time).format("UTC%:z").to_string()
    }

    /// A current.
    pub fn amps(&self, value_a: f64) -> String {
        let digits = if value_a.abs() < COARSE_A { 2 } else { 1 };
        format!("{value_a:.digits$}\u{a0}A")
    }

    /// The unit of temperatures.
    pub const fn temp_unit(&self) -> &'static str {
        match self.scale {
            TemperatureScale::Celsius => "°C",
            TemperatureScale::Fahrenheit => "°F",
        }
    }

    /// A temperature's figure in the scale.
    pub fn temp_value(&self, value_c: f64) -> f64 {
        match self.scale {
            TemperatureScale::Celsius => value_c,
            TemperatureScale::Fahrenheit => value_c * 1.8 + 32.0,
        }
    }

    /// A temperature.
    pub fn temp(&self, value_c: f64) -> String {
        minus(format!(
            "{:.1}\u{a0}{}",
            self.temp_value(value_c),
            self.temp_unit()
        ))
    }

    /// A difference of temperatures.
    pub fn temp_difference(&self, value_c: f64) -> String {
        let (value, unit) = match self.scale {
            TemperatureScale::Celsius => (value_c, "K"),
            TemperatureScale::Fahrenheit => (value_c * 1.8, "°F"),
        };
        minus(format!("{value:.1}\u{a0}{unit}"))
    }

    /// A sentence or a text of the record, its temperatures in the scale, its instants by the place's clocks.
    pub fn told(&self, text: &str) -> String {
        let text = instants::written_by(text, |time| self.instant(time));
        match self.scale {
            TemperatureScale::Celsius => bound(&text),
            TemperatureScale::Fahrenheit => bound(&in_fahrenheit(&text)),
        }
    }

    /// A length of time.
    pub fn duration(&self, length_s: f64) -> String {
        duration(length_s)
    }

    /// A share as per cent: one decimal, and none that would make less than the whole look whole.
    pub fn share(&self, share: f64) -> String {
        let percent = 100.0 * share;
        if percent < 100.0 && percent > 99.9 {
            return format!("{:.3}\u{a0}%", (percent * 1000.0).floor() / 1000.0);
        }
        format!("{percent:.1}\u{a0}%")
    }
}

/// A length of time, s, in words: to a tenth of a second below two minutes.
pub fn duration(length_s: f64) -> String {
    if !length_s.is_finite() || length_s < 0.0 {
        return NOTHING.to_owned();
    }
    if length_s < 119.95 {
        return format!("{length_s:.1}\u{a0}s");
    }
    let whole = TimeDelta::seconds(length_s.round() as i64);
    let (hours, minutes) = (whole.num_hours(), whole.num_minutes() % 60);
    match hours {
        0 => format!("{minutes}\u{a0}min {:02}\u{a0}s", whole.num_seconds() % 60),
        hours => format!("{hours}\u{a0}h {minutes:02}\u{a0}min"),
    }
}

/// Units that stay with their figure.
const UNITS: [&str; 9] = ["°C", "°F", "K", "A", "V", "%", "s", "min", "h"];

/// A text in which no line ends between a figure and its unit.
fn bound(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 16);
    for (n, word) in text.split(' ').enumerate() {
        if n > 0 {
            let is_unit = UNITS.contains(&word.trim_end_matches([',', ';', '.', ':', ')']));
            let is_after_figure = out.ends_with(|c: char| c.is_ascii_digit());
            out.push(if is_unit && is_after_figure {
                '\u{a0}'
            } else {
                ' '
            });
        }
        out.push_str(word);
    }
    out
}

/// A minus as it is printed; nought has none.
fn minus(text: String) -> String {
    match text.strip_prefix('-') {
        Some(rest) if rest.starts_with(|c: char| c.is_ascii_digit()) => {
            let is_nought = rest.chars().all(|c| !c.is_ascii_digit() || c == '0');
            if is_nought {
                rest.to_owned()
            } else {
                format!("−{rest}")
            }
        }
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scribe(scale: TemperatureScale, from: RecordTime, until: RecordTime) -> Scribe {
        Scribe::new(chrono_tz::Europe::Lisbon, 0, scale, Span { from, until })
    }

    #[test]
    fn lengths_are_written_so_that_their_figures_mean_something() {
        for (length_s, shown) in [
            (0.0, "0.0 s"),
            (8.26, "8.3 s"),
            (119.96, "2 min 00 s"),
            (192.0, "3 min 12 s"),
            (3599.6, "1 h 00 min"),
            (43_080.0, "11 h 58 min"),
            (f64::NAN, NOTHING),
        ] {
            assert_eq!(duration(length_s).replace('\u{a0}', " "), shown);
        }
    }

    #[test]
    fn less_than_the_whole_never_looks_whole() {
        let scribe = scribe(TemperatureScale::Celsius, 0, 1);
        for (share, shown) in [
            (1.0, "100.0 %"),
            (0.999_99, "99.999 %"),
            (0.999_999_9, "99.999 %"),
            (0.5, "50.0 %"),
        ] {
            assert_eq!(scribe.share(share).replace('\u{a0}', " "), shown);
        }
    }

    #[test]
    fn a_night_in_which_the_clocks_change_names_the_offset_of_each_instant() {
        // Lisbon's clocks go back on 2026-10-25 at 02:00 summer time, which is 01:00 UTC (IANA time zone data).
        let (before, after) = (1_792_886_400_000_000, 1_792_893_600_000_000);
        let night = scribe(TemperatureScale::Fahrenheit, before, after);
        assert_eq!(night.instant(before), "2026-10-25 01:00:00+01:00");
        assert_eq!(night.instant(after), "2026-10-25 02:00:00+00:00");
        assert_eq!(night.temp(-17.8), "0.0\u{a0}°F");
        assert_eq!(night.temp(100.0), "212.0\u{a0}°F");
        assert_eq!(night.temp_difference(5.0), "9.0\u{a0}°F");
        let summer = scribe(TemperatureScale::Celsius, before - 7_200_000_000, before);
        assert_eq!(summer.instant(before), "2026-10-25 01:00:00");
    }
}
