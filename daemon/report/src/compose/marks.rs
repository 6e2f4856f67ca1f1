//! What happened, as marks above a chart: a row for each kind, named by a word, its mark of a shape of its own.

use nightclamp_analysis::rows::{EventKind, EventRow};

use super::axis::TimeAxis;
use super::chart::LABEL;
use crate::drawing::{Anchor, Drawing, Ink, Shape, Stroke, at};
use crate::words::Words;

/// Rows of the strip, from above.
const ORDER: [EventKind; 12] = [
    EventKind::Start,
    EventKind::Stop,
    EventKind::Trip,
    EventKind::Reset,
    EventKind::Late,
    EventKind::SupplyLost,
    EventKind::SupplyBack,
    EventKind::Sensor,
    EventKind::SensorBack,
    EventKind::ClockStep,
    EventKind::Mark,
    EventKind::Loss,
];
/// Half of a mark's height, points.
const HALF: f32 = 2.6;
/// Marks of a kind that are no farther apart are drawn as one: no eye parts them, points.
const APART: f32 = 0.8;
/// More lines through the panels would hide what they stand in.
const LINES_MAX: usize = 60;

/// The kinds among some events, in the order of their rows.
pub fn kinds(events: &[&EventRow]) -> Vec<EventKind> {
    ORDER
        .into_iter()
        .filter(|kind| events.iter().any(|event| event.kind == *kind))
        .collect()
}

const fn word(kind: EventKind) -> &'static str {
    kind.as_str()
}

/// Draws the strip: `row` is a row's height; trips are drawn through down to `bottom`.
pub fn draw(
    drawing: &mut Drawing,
    axis: &TimeAxis,
    events: &[&EventRow],
    kinds: &[EventKind],
    (row, bottom): (f32, f32),
    left: f32,
) {
    for (n, kind) in kinds.iter().enumerate() {
        let y = row * (n as f32 + 0.5);
        let ink = ink(*kind);
        let words = Words::of(word(*kind));
        drawing.label((left - 4.0, y + 2.3), Anchor::End, LABEL, ink, words);
        let of_it = events.iter().filter(|event| event.kind == *kind);
        let is_drawn_through =
            matches!(kind, EventKind::Trip | EventKind::Late) && of_it.clone().count() <= LINES_MAX;
        let mut last_x = f32::NEG_INFINITY;
        for x in of_it.map(|event| axis.x(event.time)) {
            if x - last_x < APART {
                continue;
            }
            last_x = x;
            if is_drawn_through {
                let stroke = Stroke::dashed(Ink::Hot, 0.35, 1.6);
                drawing.line((x, y + HALF), (x, bottom), stroke);
            }
            mark(drawing, *kind, x, y, ink);
        }
    }
}

const fn ink(kind: EventKind) -> Ink {
    match kind {
        EventKind::Trip | EventKind::Late => Ink::Hot,
        EventKind::Start | EventKind::Reset => Ink::Current,
        EventKind::SupplyLost | EventKind::SupplyBack => Ink::Cold,
        EventKind::Sensor | EventKind::SensorBack | EventKind::ClockStep => Ink::Limit,
        _ => Ink::Grey,
    }
}

fn mark(drawing: &mut Drawing, kind: EventKind, x: f32, y: f32, ink: Ink) {
    let h = HALF;
    let outline = Stroke::whole(ink, 0.8);
    let mut area = |points: &[(f32, f32)]| {
        let points = points.iter().map(|&(dx, dy)| at(x + dx * h, y + dy * h));
        drawing.shapes.push(Shape::Area(points.collect(), ink));
    };
    match kind {
        EventKind::Start => area(&[(-0.9, 1.0), (0.9, 1.0), (0.0, -1.0)]),
        EventKind::Stop => area(&[(-0.8, -0.8), (0.8, -0.8), (0.8, 0.8), (-0.8, 0.8)]),
        EventKind::Late => area(&[(-0.35, -1.0), (0.35, -1.0), (0.35, 1.0), (-0.35, 1.0)]),
        EventKind::SupplyLost => area(&[(-0.9, -1.0), (0.9, -1.0), (0.0, 1.0)]),
        EventKind::Mark => area(&[(-0.6, -1.0), (1.0, -0.4), (-0.6, 0.2), (-0.6, 1.0)]),
        EventKind::Trip => {
            drawing.line((x - h, y - h), (x + h, y + h), Stroke::whole(ink, 1.1));
            drawing.line((x - h, y + h), (x + h, y - h), Stroke::whole(ink, 1.1));
        }
        EventKind::Reset => {
            let ring = (0..=16).map(|n| {
                let angle = n as f32 * core::f32::consts::TAU / 16.0;
                at(x + 0.85 * h * angle.cos(), y + 0.85 * h * angle.sin())
            });
            drawing.shapes.push(Shape::Line(ring.collect(), outline));
        }
        EventKind::Sensor => {
            let corners = [
                (0.0, -1.0),
                (1.0, 0.0),
                (0.0, 1.0),
                (-1.0, 0.0),
                (0.0, -1.0),
            ];
            let points = corners.iter().map(|(dx, dy)| at(x + dx * h, y + dy * h));
            drawing.shapes.push(Shape::Line(points.collect(), outline));
        }
        _ => {
            drawing.line((x, y - h), (x, y + h), outline);
            drawing.line((x - 0.6 * h, y), (x + 0.6 * h, y), outline);
        }
    }
}
