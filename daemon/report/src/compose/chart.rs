//! Charts: current, temperatures and supply on one axis of time, what happened above them by shape and word, what was not
//! observed as a ground of its own.

use nightclamp_analysis::evidence::{Evidence, Span};
use nightclamp_analysis::rows::{EventKind, EventRow, RecordTime};

use super::axis::{Scale, TimeAxis};
use super::marks;
use crate::drawing::{Anchor, Drawing, Ink, Stroke, at};
use crate::scribe::Scribe;
use crate::series::{Series, Slot, Trace};
use crate::views::View;
use crate::words::{Source, Words};

/// Width of every chart, points.
pub const WIDTH: f32 = 503.0;
/// Left of the panels: ticks and names.
const LEFT: f32 = 44.0;
/// Right of them: names of limits.
const RIGHT: f32 = 58.0;
/// Between panels.
const GAP: f32 = 9.0;
/// Size of labels, points.
pub(super) const LABEL: f32 = 6.8;
/// A strip's row for each kind of event.
const STRIP: f32 = 9.5;
/// Every chart is drawn at so many heights, each of the panels lower than before by this: as high as it reads best, and lower for
/// what is left of a page.
pub const HEIGHTS: usize = 4;
const LOWER: f32 = 0.85;
/// A stroke lower than this is a point of a line, points.
const FLAT: f32 = 0.5;

/// What a chart is of.
pub struct Chart<'a> {
    /// The unit's rows.
    pub evidence: &'a Evidence<'a>,
    /// How figures are written.
    pub scribe: &'a Scribe,
    /// The stretch.
    pub view: &'a View,
    /// Its samples.
    pub series: &'a Series,
}

/// One panel.
struct Panel<'a> {
    traces: &'a [(Trace, Ink, &'static str)],
    limits: Vec<Limit>,
    unit: &'static str,
    height: f32,
    from_nought: bool,
}

/// A level that is drawn across a panel.
struct Limit {
    value: f64,
    /// Above and below it, for a tolerance.
    tolerance: f64,
    name: &'static str,
    shown: String,
    source: Source,
}

const CURRENT: [(Trace, Ink, &str); 1] = [(Trace::Current, Ink::Current, "current")];
const TEMPERATURES: [(Trace, Ink, &str); 4] = [
    (Trace::Ambient, Ink::Room, "ambient"),
    (Trace::CooledSpace, Ink::Cold, "box"),
    (Trace::Dome, Ink::Grey, "dome"),
    (Trace::Case, Ink::Hot, "case"),
];
const SUPPLY: [(Trace, Ink, &str); 1] = [(Trace::Supply, Ink::Cold, "supply")];

impl Chart<'_> {
    /// Draws it, from high to low.
    pub fn drawings(&self) -> Vec<Drawing> {
        let height = |n: usize| LOWER.powi(i32::try_from(n).unwrap_or(0));
        (0..HEIGHTS).map(|n| self.drawing(height(n))).collect()
    }

    /// Draws it, its panels so many times as high as they are drawn best.
    fn drawing(&self, height: f32) -> Drawing {
        let mut panels = self.panels();
        panels.iter_mut().for_each(|panel| panel.height *= height);
        let events = self.events();
        let kinds = marks::kinds(&events);
        let strip = STRIP * kinds.len() as f32 + 4.0;
        let heights: f32 = panels.iter().map(|panel| panel.height + GAP).sum();
        let mut drawing = Drawing::new(WIDTH, strip + heights + 20.0);
        let axis = TimeAxis::new(self.view.span, (LEFT, WIDTH - RIGHT), *self.scribe);
        let bottom = strip + heights - GAP;
        self.unseen(&mut drawing, &axis, (0.0, bottom));
        axis.draw(&mut drawing, (strip, bottom));
        let mut top = strip;
        for panel in &panels {
            self.panel(&mut drawing, &axis, panel, top);
            top += panel.height + GAP;
        }
        marks::draw(&mut drawing, &axis, &events, &kinds, (STRIP, bottom), LEFT);
        drawing.told = self.told(&events);
        drawing
    }

    fn panels(&self) -> Vec<Panel<'static>> {
        let is_near = self.view.why.is_near();
        let heights = if is_near {
            (104.0, 74.0, 40.0)
        } else {
            (96.0, 104.0, 44.0)
        };
        let mut panels = vec![Panel {
            traces: &CURRENT,
            limits: self.current_limits(),
            unit: "A",
            height: heights.0,
            from_nought: true,
        }];
        let has = |traces: &[(Trace, Ink, &str)]| {
            traces
                .iter()
                .any(|(trace, ..)| !self.series.of(*trace).is_empty())
        };
        if has(&TEMPERATURES) {
            panels.push(Panel {
                traces: &TEMPERATURES,
                limits: self.temperature_limits(),
                unit: self.scribe.temp_unit(),
                height: heights.1,
                from_nought: false,
            });
        }
        if has(&SUPPLY) {
            panels.push(Panel {
                traces: &SUPPLY,
                limits: Vec::new(),
                unit: "V",
                height: heights.2,
                from_nought: false,
            });
        }
        panels
    }

    fn limit(
        &self,
        key: &'static str,
        name: &'static str,
        value: f64,
        tolerance: f64,
        shown: String,
    ) -> Limit {
        let unit = self.evidence.unit.name.clone();
        Limit {
            value,
            tolerance,
            name,
            shown,
            source: Source::Job { unit, key },
        }
    }

    fn current_limits(&self) -> Vec<Limit> {
        let unit = self.evidence.unit;
        let highest = self
            .series
            .range(Trace::Current)
            .map_or(0.0, |range| range.1);
        let amps = |value| self.scribe.amps(value);
        let mut limits = Vec::new();
        if let Some(rated_a) = unit.rated_load_a {
            limits.push(self.limit("rated_load_a", "rated", rated_a, 0.0, amps(rated_a)));
        }
        // Far above what is drawn it would press the curve flat.
        if let Some(locked_a) = unit
            .locked_rotor_a
            .filter(|locked_a| highest > 0.5 * locked_a)
        {
            limits.push(self.limit("locked_rotor_a", "locked", locked_a, 0.0, amps(locked_a)));
        }
        limits
    }

    fn temperature_limits(&self) -> Vec<Limit> {
        let protector = &self.evidence.unit.protector;
        let highest = self
            .series
            .range(Trace::Case)
            .map_or(f64::NAN, |range| range.1);
        let is_near = |level_c: f64| highest > level_c - 45.0;
        let limit = |(source, word, at_c, tolerance): (_, _, Option<f64>, Option<f64>)| {
            let at_c = at_c.filter(|at_c| is_near(*at_c))?;
            let shown = self.scribe.temp(at_c);
            Some(self.limit(source, word, at_c, tolerance.unwrap_or(0.0), shown))
        };
        [
            (
                "protector.opens_c",
                "opens",
                protector.opens_c,
                protector.opens_tol_c,
            ),
            (
                "protector.closes_c",
                "closes",
                protector.closes_c,
                protector.closes_tol_c,
            ),
        ]
        .into_iter()
        .filter_map(limit)
        .collect()
    }

    /// The events of unit and board in the stretch.
    fn events(&self) -> Vec<&EventRow> {
        let span = self.view.span;
        let mut events: Vec<&EventRow> = self
            .evidence
            .events
            .iter()
            .chain(self.evidence.board_events)
            .filter(|event| (span.from..=span.until).contains(&event.time))
            .filter(|event| !matches!(event.kind, EventKind::GapBegin | EventKind::GapEnd))
            .collect();
        events.sort_by_key(|event| event.time);
        events
    }

    fn unseen(&self, drawing: &mut Drawing, axis: &TimeAxis, (top, bottom): (f32, f32)) {
        for gap in self.evidence.gaps() {
            let Some(gap) = gap.common(&self.view.span) else {
                continue;
            };
            let (left, right) = (axis.x(gap.from), axis.x(gap.until));
            let width = (right - left).max(0.6);
            drawing.rect(left, top, width, bottom - top, Ink::Unseen);
            if width > 48.0 {
                let middle = (0.5 * (left + right), bottom - 3.0);
                let words = Words::of("not observed");
                drawing.label(middle, Anchor::Middle, LABEL, Ink::Grey, words);
            }
        }
    }

    fn panel(&self, drawing: &mut Drawing, axis: &TimeAxis, panel: &Panel<'_>, top: f32) {
        let show = |value: f64| match panel.traces.first() {
            Some((Trace::Ambient, ..)) => self.scribe.temp_value(value),
            _ => value,
        };
        let values = panel
            .traces
            .iter()
            .filter_map(|(trace, ..)| self.series.range(*trace))
            .flat_map(|(low, high)| [low, high]);
        let limits = panel
            .limits
            .iter()
            .flat_map(|limit| [limit.value - limit.tolerance, limit.value + limit.tolerance]);
        let scale = Scale::over(
            values.chain(limits).map(show),
            panel.from_nought,
            (top, top + panel.height),
        );
        scale.draw(drawing, (LEFT, WIDTH - RIGHT), panel.unit);
        for limit in &panel.limits {
            draw_limit(drawing, &scale, limit, show);
        }
        let mut named: Vec<(f32, Ink, &'static str)> = Vec::new();
        for &(trace, ink, name) in panel.traces {
            let slots = self.series.of(trace);
            draw_trace(
                drawing,
                axis,
                &scale,
                slots,
                self.series.silent_us,
                ink,
                show,
            );
            if let (Some(last), true) = (slots.last(), panel.traces.len() > 1) {
                named.push((scale.y(show(last.ends.1)), ink, name));
            }
        }
        name_traces(drawing, &mut named, &panel.limits, &scale, show);
    }

    fn told(&self, events: &[&EventRow]) -> String {
        let count = |kind: EventKind| events.iter().filter(|event| event.kind == kind).count();
        let span = self.view.span;
        format!(
            "Chart from {} to {}: current{}; {} starts, {} trips, {} resets.",
            self.scribe.instant(span.from),
            self.scribe.instant(span.until),
            if self.series.of(Trace::Case).is_empty() {
                ""
            } else {
                " and case temperature"
            },
            count(EventKind::Start),
            count(EventKind::Trip),
            count(EventKind::Reset),
        )
    }
}

fn draw_limit(drawing: &mut Drawing, scale: &Scale, limit: &Limit, show: impl Fn(f64) -> f64) {
    let (left, right) = (LEFT, WIDTH - RIGHT);
    let y = scale.y(show(limit.value));
    if limit.tolerance > 0.0 {
        let (high, low) = (
            scale.y(show(limit.value + limit.tolerance)),
            scale.y(show(limit.value - limit.tolerance)),
        );
        for edge in [high, low] {
            drawing.line(
                (left, edge),
                (right, edge),
                Stroke::dashed(Ink::Limit, 0.35, 1.2),
            );
        }
    }
    drawing.line((left, y), (right, y), Stroke::dashed(Ink::Limit, 0.7, 3.0));
    let words = Words::of(limit.name)
        .say(" ")
        .figure(limit.shown.clone(), limit.source.clone());
    drawing.label(
        (right + 3.0, y + 2.3),
        Anchor::Start,
        LABEL,
        Ink::Limit,
        words,
    );
}

/// Names lines at their right ends, apart from one another and from the limits' names.
fn name_traces(
    drawing: &mut Drawing,
    named: &mut [(f32, Ink, &'static str)],
    limits: &[Limit],
    scale: &Scale,
    show: impl Fn(f64) -> f64,
) {
    named.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut taken: Vec<f32> = limits
        .iter()
        .map(|limit| scale.y(show(limit.value)))
        .collect();
    for (y, ink, name) in named.iter() {
        let is_free = |y: f32, taken: &[f32]| taken.iter().all(|other| (y - other).abs() >= LABEL);
        let steps = (0..24).flat_map(|n| [n as f32, -(n as f32)]);
        let place = steps
            .map(|n| y + n * 1.5)
            .find(|&y| is_free(y, &taken))
            .unwrap_or(*y);
        taken.push(place);
        let label = (WIDTH - RIGHT + 3.0, place + 2.3);
        drawing.label(label, Anchor::Start, LABEL, *ink, Words::of(name));
    }
}

fn draw_trace(
    drawing: &mut Drawing,
    axis: &TimeAxis,
    scale: &Scale,
    slots: &[Slot],
    silent_us: i64,
    ink: Ink,
    show: impl Fn(f64) -> f64,
) {
    let mut line = Vec::new();
    let mut bars = Vec::new();
    let mut last_us: Option<RecordTime> = None;
    for slot in slots {
        if last_us.is_some_and(|last| slot.first_us.saturating_sub(last) > silent_us) {
            end_line(drawing, &mut line, ink);
        }
        let (x, x_last) = (axis.x(slot.first_us), axis.x(slot.last_us));
        let (low, high) = (scale.y(show(slot.low)), scale.y(show(slot.high)));
        if low - high > FLAT && slot.first_us != slot.last_us {
            let middle = 0.5 * (x + x_last);
            bars.push((at(middle, low), at(middle, high)));
        }
        line.push(at(x, scale.y(show(slot.ends.0))));
        if x_last - x > 0.1 {
            line.push(at(x_last, scale.y(show(slot.ends.1))));
        }
        last_us = Some(slot.last_us);
    }
    end_line(drawing, &mut line, ink);
    if !bars.is_empty() {
        drawing
            .shapes
            .push(crate::drawing::Shape::Bars(bars, Stroke::whole(ink, 0.5)));
    }
}

fn end_line(drawing: &mut Drawing, line: &mut Vec<crate::drawing::At>, ink: Ink) {
    let mut points = std::mem::take(line);
    if let [only] = points.as_slice() {
        // A sample between two silences is a point.
        points = vec![at(only.x - 0.4, only.y), at(only.x + 0.4, only.y)];
    }
    if !points.is_empty() {
        drawing
            .shapes
            .push(crate::drawing::Shape::Line(points, Stroke::whole(ink, 0.8)));
    }
}

/// A span in words.
pub fn span_words(span: Span, scribe: &Scribe, unit: &str, name: &str) -> Words {
    let source = |end: &str| Source::Heart {
        unit: unit.to_owned(),
        name: format!("{name}.{end}"),
    };
    Words::new()
        .figure(scribe.instant(span.from), source("from"))
        .say(" to ")
        .figure(scribe.instant(span.until), source("until"))
}
