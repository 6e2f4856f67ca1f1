//! Axes with round ticks.

use chrono::{Datelike, Offset, Timelike};
use nightclamp_analysis::evidence::Span;
use nightclamp_analysis::rows::RecordTime;

use super::chart::LABEL;
use crate::drawing::{Anchor, Drawing, Ink, Stroke};
use crate::scribe::Scribe;
use crate::words::{Source, Words};

/// Steps of a time axis, s.
const STEPS_S: [i64; 18] = [
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200, 86_400,
];
/// Ticks of a time axis at most.
const TICKS_MAX: i64 = 12;

/// An axis of time from left to right.
pub struct TimeAxis {
    span: Span,
    left: f32,
    right: f32,
    scribe: Scribe,
}

impl TimeAxis {
    /// An axis over a stretch.
    pub const fn new(span: Span, (left, right): (f32, f32), scribe: Scribe) -> Self {
        Self {
            span,
            left,
            right,
            scribe,
        }
    }

    /// Where an instant lies.
    pub fn x(&self, time: RecordTime) -> f32 {
        let whole = self.span.until.saturating_sub(self.span.from).max(1) as f64;
        let into = time.clamp(self.span.from, self.span.until) - self.span.from;
        self.left + (self.right - self.left) * (into as f64 / whole) as f32
    }

    /// The ticks: round times of the place.
    fn ticks(&self) -> (i64, Vec<RecordTime>) {
        let length_s = (self.span.length_s() as i64).max(1);
        let step_s = STEPS_S
            .into_iter()
            .find(|step_s| length_s / step_s <= TICKS_MAX)
            .unwrap_or_else(|| (length_s / TICKS_MAX / 86_400 + 1) * 86_400);
        let local = self.scribe.local(self.span.from);
        let offset_us = i64::from(local.offset().fix().local_minus_utc()) * 1_000_000;
        let shift_us = offset_us.saturating_add(self.scribe.shown_offset_us);
        let step_us = step_s.saturating_mul(1_000_000);
        let shown = self.span.from.saturating_add(shift_us);
        let first = (shown.div_euclid(step_us) + 1).saturating_mul(step_us) - shift_us;
        let count = self.span.until.saturating_sub(first) / step_us + 1;
        let ticks = (0..count.max(0)).map(|n| first.saturating_add(n * step_us));
        (
            step_s,
            ticks.filter(|tick| *tick <= self.span.until).collect(),
        )
    }

    /// Draws its ticks and a pale line at each.
    pub fn draw(&self, drawing: &mut Drawing, (top, bottom): (f32, f32)) {
        let (step_s, ticks) = self.ticks();
        let pattern = match step_s {
            ..60 => "%H:%M:%S",
            60..86_400 => "%H:%M",
            _ => "%-d %b",
        };
        let mut day: Option<chrono::NaiveDate> = None;
        for tick in ticks {
            let x = self.x(tick);
            let local = self.scribe.local(tick);
            drawing.line((x, top), (x, bottom), Stroke::whole(Ink::Pale, 0.3));
            drawing.line(
                (x, bottom),
                (x, bottom + 2.5),
                Stroke::whole(Ink::Grey, 0.5),
            );
            let words = Words::figured(local.format(pattern).to_string(), Source::Paper);
            drawing.label((x, bottom + 9.5), Anchor::Middle, LABEL, Ink::Black, words);
            if step_s < 86_400 && day != Some(local.date_naive()) {
                // The year once: it would not go between two ticks.
                let pattern = match day {
                    Some(before) if before.year() == local.year() => "%-d %b",
                    _ => "%-d %b %Y",
                };
                let is_first = day.is_none();
                day = Some(local.date_naive());
                if is_first || local.hour() < 12 {
                    let words = Words::figured(local.format(pattern).to_string(), Source::Paper);
                    drawing.label((x, bottom + 17.5), Anchor::Middle, LABEL, Ink::Grey, words);
                }
            }
        }
    }
}

/// An axis of values from bottom to top.
pub struct Scale {
    low: f64,
    high: f64,
    step: f64,
    top: f32,
    bottom: f32,
}

impl Scale {
    /// A scale over all values, from nought on if asked.
    pub fn over(
        values: impl Iterator<Item = f64>,
        from_nought: bool,
        (top, bottom): (f32, f32),
    ) -> Self {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for value in values.filter(|value| value.is_finite()) {
            low = low.min(value);
            high = high.max(value);
        }
        if !low.is_finite() {
            (low, high) = (0.0, 1.0);
        }
        if from_nought {
            low = low.min(0.0);
        }
        let margin = 0.06 * (high - low).max(0.2);
        high += margin;
        if low < 0.0 || !from_nought {
            low -= margin;
        }
        let ticks = f64::from((bottom - top) / 18.0).max(2.0);
        // With a single tick nothing can be read off: then closer ones, however near they come to one another.
        let least = (high - low) / ticks;
        let steps = [1.0, 0.5, 0.2].map(|of| round_step(least * of));
        let is_read_off = |step: &f64| (high / step).floor() - (low / step).ceil() >= 1.0;
        Self {
            low,
            high,
            step: steps.into_iter().find(is_read_off).unwrap_or(least),
            top,
            bottom,
        }
    }

    /// Where a value lies.
    pub fn y(&self, value: f64) -> f32 {
        let share = ((value - self.low) / (self.high - self.low)).clamp(0.0, 1.0);
        self.bottom - (self.bottom - self.top) * share as f32
    }

    /// Draws its ticks, a pale line at each, and the unit.
    pub fn draw(&self, drawing: &mut Drawing, (left, right): (f32, f32), unit: &'static str) {
        let digits = (-self.step.log10().floor()).max(0.0) as usize;
        let first = (self.low / self.step).ceil() as i64;
        let last = (self.high / self.step).floor() as i64;
        for n in first..=last {
            let value = n as f64 * self.step;
            let y = self.y(value);
            drawing.line((left, y), (right, y), Stroke::whole(Ink::Pale, 0.4));
            let text = format!("{value:.digits$}").replace('-', "−");
            let words = Words::figured(text, Source::Paper);
            drawing.label((left - 4.0, y + 2.3), Anchor::End, LABEL, Ink::Black, words);
        }
        drawing.line(
            (left, self.top),
            (left, self.bottom),
            Stroke::whole(Ink::Grey, 0.6),
        );
        drawing.line(
            (left, self.bottom),
            (right, self.bottom),
            Stroke::whole(Ink::Grey, 0.6),
        );
        let words = Words::of(unit).bold();
        let middle = 0.5 * (self.top + self.bottom) + 2.3;
        drawing.label(
            (left - 26.0, middle),
            Anchor::End,
            LABEL + 0.7,
            Ink::Black,
            words,
        );
    }
}

/// A step of 1, 2 or 5 times a power of ten, at least this.
fn round_step(least: f64) -> f64 {
    let power = 10_f64.powf(least.max(1e-6).log10().floor());
    let round = [1.0, 2.0, 5.0, 10.0];
    let step = round.into_iter().find(|step| step * power >= least * 0.999);
    step.unwrap_or(10.0) * power
}
