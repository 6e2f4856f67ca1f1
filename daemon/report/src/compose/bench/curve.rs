//! The protector's own constants, and how soon it opens at which current: the fitted curve with its band, and what was measured.

use nightclamp_analysis::bench::{Curve, MeasuredPoint, ONE_DISC, Start};
use nightclamp_analysis::protector::Estimate;

use super::Sheet;
use crate::compose::chart::LABEL;
use crate::document::{Block, Column, Row, Table};
use crate::drawing::{Anchor, Drawing, Ink, Shape, Stroke, at};
use crate::scribe::NOTHING;
use crate::words::{Source, Words};

/// Size of the drawing, and what its axes and labels take of it, points.
const WIDTH: f32 = 214.0;
const HEIGHT: f32 = 150.0;
const LEFT: f32 = 30.0;
const RIGHT: f32 = 6.0;
const TOP: f32 = 6.0;
const BELOW: f32 = 26.0;
/// Half the size of a mark of something measured.
const MARK: f32 = 2.4;
/// Room beyond the points and the curve, as a factor.
const MARGIN: f64 = 1.25;
/// The curve goes up to so many times the longest time measured.
const LONGEST_OF: f64 = 6.0;

/// The curve.
pub fn section(sheet: &Sheet<'_>) -> Vec<Block> {
    let mut blocks = vec![Block::Subheading(Words::of("Time to trip against current"))];
    let of = match &sheet.results.curve {
        Ok(of) => of,
        Err(why) => {
            blocks.push(Block::Paragraph(sheet.sentence("curve.error", why)));
            return blocks;
        }
    };
    let caption = if of.points.is_empty() {
        Words::of("Measured: filled from cold, open warm. The runs do not tell the curve.")
    } else {
        Words::of("Fitted, from cold, in a case that stays at ")
            .then(sheet.of("curve.case_c", sheet.scribe.temp(of.case_c)))
            .say(", with its 95 % band; dashed: the ultimate trip current. Measured: filled from cold, open warm.")
    };
    match Frame::over(of) {
        Some(frame) => blocks.push(Block::Chart(vec![frame.drawing(of)], caption)),
        None => blocks.push(Block::Paragraph(Words::of(
            "Nothing to draw: no opening was timed with its current.",
        ))),
    }
    blocks
}

/// Its constants.
pub fn constants(sheet: &Sheet<'_>) -> Vec<Block> {
    let mut blocks = vec![Block::Subheading(Words::of(
        "Its constants, from these runs alone",
    ))];
    let of = match &sheet.results.curve {
        Ok(of) => of,
        Err(why) => {
            blocks.push(Block::Paragraph(sheet.sentence("curve.error", why)));
            return blocks;
        }
    };
    let fitted = &of.fitted;
    let rows = [
        (
            "heating constant",
            "heating_c_per_a2",
            Some(fitted.heating_c_per_a2),
            "K/A²",
        ),
        ("time constant", "tau_s", Some(fitted.tau_s), "s"),
        (
            "opening temperature",
            "opens_c",
            Some(fitted.opens_c),
            "Cel",
        ),
        ("closing temperature", "closes_c", fitted.closes_c, "Cel"),
        ("ultimate trip current", "ultimate_a", of.ultimate_a, "A"),
        (
            "the same of rated load",
            "ultimate_percent",
            of.ultimate_percent,
            "%",
        ),
    ];
    let rows = rows
        .into_iter()
        .map(|(what, name, value, unit)| constant(sheet, what, name, value, unit));
    blocks.push(Block::Table(Table {
        columns: vec![
            Column::left("constant", 2.2),
            Column::right("value", 1.4),
            Column::right("with 95 % from", 1.4),
            Column::right("to", 1.4),
        ],
        rows: rows.collect(),
        caption: Words::of("The protector’s constants"),
        is_mono: false,
        excerpt: None,
    }));
    for (n, line) in of.references.iter().enumerate() {
        blocks.push(Block::Small(
            Words::of("beside it: ")
                .then(sheet.of(
                    format!("curve.references.{n}"),
                    format!("{} %", line.percent),
                ))
                .say(" of rated load (")
                .then(sheet.of(format!("curve.references.{n}"), line.stands_in))
                .say(")"),
        ));
    }
    for (n, why) in of.left_out.iter().enumerate() {
        blocks.push(Block::Small(
            Words::of("not fitted: ").then(sheet.sentence(&format!("curve.left_out.{n}"), why)),
        ));
    }
    for (n, untold) in of.untold().iter().enumerate() {
        blocks.push(Block::Small(
            sheet.sentence(&format!("curve.untold.{n}"), untold),
        ));
    }
    blocks.push(Block::Small(Words::of(ONE_DISC)));
    blocks
}

fn constant(
    sheet: &Sheet<'_>,
    what: &'static str,
    name: &str,
    value: Option<Estimate>,
    unit: &str,
) -> Row {
    let nothing = || Words::of(NOTHING);
    let cells = match value {
        None => vec![Words::of("not measured"), nothing(), nothing()],
        Some(of) if !of.told => vec![Words::of("not told"), nothing(), nothing()],
        Some(of) => [("value", of.value), ("low", of.low), ("high", of.high)]
            .map(|(end, value)| sheet.of(format!("curve.{name}.{end}"), sheet.figure(value, unit)))
            .into(),
    };
    Row {
        cells: std::iter::once(Words::of(what)).chain(cells).collect(),
        note: None,
    }
}

/// Both axes, logarithmic.
struct Frame {
    amps: (f64, f64),
    seconds: (f64, f64),
}

impl Frame {
    /// Around the curve and what was measured.
    fn over(of: &Curve) -> Option<Self> {
        let measured = || {
            of.measured
                .iter()
                .filter(|point| point.amps > 0.0 && point.trip_s > 0.0)
        };
        let amps = measured()
            .map(|point| point.amps)
            .chain(of.points.iter().map(|point| point.amps));
        let longest_s = measured().map(|point| point.trip_s).fold(0.0, f64::max);
        // Just above the ultimate trip current it takes for ever.
        let drawn = of
            .points
            .iter()
            .filter(|point| point.trip_s <= LONGEST_OF * longest_s);
        let seconds = measured()
            .map(|point| point.trip_s)
            .chain(drawn.map(|point| point.trip_s));
        Some(Self {
            amps: around(amps)?,
            seconds: around(seconds)?,
        })
    }

    fn x(&self, amps: f64) -> f32 {
        LEFT + (WIDTH - LEFT - RIGHT) * share(self.amps, amps)
    }

    fn y(&self, seconds: f64) -> f32 {
        (HEIGHT - BELOW) - (HEIGHT - BELOW - TOP) * share(self.seconds, seconds)
    }

    fn drawing(&self, of: &Curve) -> Drawing {
        let mut drawing = Drawing::new(WIDTH, HEIGHT);
        self.band(&mut drawing, of);
        self.axes(&mut drawing);
        if let Some(ultimate) = of.ultimate_a.filter(|ultimate| ultimate.told) {
            let x = self.x(ultimate.value);
            let line = Stroke::dashed(Ink::Limit, 0.7, 3.0);
            drawing.line((x, TOP), (x, HEIGHT - BELOW), line);
        }
        let line = of.points.iter().filter(|point| self.holds(point.trip_s));
        let line: Vec<_> = line
            .map(|point| at(self.x(point.amps), self.y(point.trip_s)))
            .collect();
        if line.len() > 1 {
            drawing
                .shapes
                .push(Shape::Line(line, Stroke::whole(Ink::Current, 1.1)));
        }
        of.measured
            .iter()
            .for_each(|point| self.mark(&mut drawing, point));
        drawing.told = format!(
            "Time to trip against current, both logarithmic: {} openings measured{}.",
            of.measured.len(),
            if of.points.is_empty() {
                ""
            } else {
                ", with the fitted curve and its band"
            }
        );
        drawing
    }

    fn holds(&self, seconds: f64) -> bool {
        (self.seconds.0..=self.seconds.1).contains(&seconds)
    }

    fn band(&self, drawing: &mut Drawing, of: &Curve) {
        let inside = of.points.iter().filter(|point| self.holds(point.trip_s));
        let ends: Vec<_> = inside
            .map(|point| {
                (
                    self.x(point.amps),
                    self.y(point.low_s),
                    self.y(point.high_s),
                )
            })
            .collect();
        if ends.len() > 1 {
            let low = ends.iter().map(|(x, low, _)| at(*x, *low));
            let high = ends.iter().rev().map(|(x, _, high)| at(*x, *high));
            drawing
                .shapes
                .push(Shape::Area(low.chain(high).collect(), Ink::Pale));
        }
    }

    fn axes(&self, drawing: &mut Drawing) {
        let (left, right, top, bottom) = (LEFT, WIDTH - RIGHT, TOP, HEIGHT - BELOW);
        for (value, text) in ticks(self.amps) {
            let x = self.x(value);
            drawing.line((x, top), (x, bottom), Stroke::whole(Ink::Pale, 0.4));
            let words = Words::figured(text, Source::Paper);
            drawing.label((x, bottom + 8.5), Anchor::Middle, LABEL, Ink::Black, words);
        }
        for (value, text) in ticks(self.seconds) {
            let y = self.y(value);
            drawing.line((left, y), (right, y), Stroke::whole(Ink::Pale, 0.4));
            let words = Words::figured(text, Source::Paper);
            drawing.label((left - 3.0, y + 2.3), Anchor::End, LABEL, Ink::Black, words);
        }
        drawing.line((left, top), (left, bottom), Stroke::whole(Ink::Grey, 0.6));
        drawing.line(
            (left, bottom),
            (right, bottom),
            Stroke::whole(Ink::Grey, 0.6),
        );
        let middle = 0.5 * (left + right);
        let name = |text| Words::of(text).bold();
        drawing.label(
            (middle, HEIGHT - 4.0),
            Anchor::Middle,
            LABEL,
            Ink::Black,
            name("current, A"),
        );
        drawing.label(
            (0.0, top + 5.0),
            Anchor::Start,
            LABEL,
            Ink::Black,
            name("s"),
        );
    }

    fn mark(&self, drawing: &mut Drawing, point: &MeasuredPoint) {
        if point.amps <= 0.0 || !self.holds(point.trip_s) {
            return;
        }
        let (x, y) = (self.x(point.amps), self.y(point.trip_s));
        let square = |half: f32| (x - half, y - half, 2.0 * half, 2.0 * half);
        let (left, top, width, height) = square(MARK);
        drawing.rect(left, top, width, height, Ink::Hot);
        if point.start != Some(Start::Cold) {
            let (left, top, width, height) = square(0.6 * MARK);
            drawing.rect(left, top, width, height, Ink::White);
        }
    }
}

/// Least and most with room beyond them.
fn around(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let values = values.filter(|value| value.is_finite() && *value > 0.0);
    let (least, most) = values.fold((f64::INFINITY, 0.0_f64), |(least, most), value| {
        (least.min(value), most.max(value))
    });
    (most > 0.0).then_some((least / MARGIN, most * MARGIN))
}

/// How far along a logarithmic axis a value lies, 0 to 1.
fn share((least, most): (f64, f64), value: f64) -> f32 {
    let whole = (most / least).ln().max(1e-9);
    ((value.max(1e-9) / least).ln() / whole).clamp(0.0, 1.0) as f32
}

/// Round values within: 1, 2 and 5 times powers of ten; where fewer than two of these are, as with a single current, closer ones.
fn ticks(within: (f64, f64)) -> Vec<(f64, String)> {
    let whole: Vec<f64> = (1..10).map(f64::from).collect();
    let fifths: Vec<f64> = (5..50).map(|of| f64::from(of) / 5.0).collect();
    let sparse = ticks_of(within, &[1.0, 2.0, 5.0], 0);
    let closer = [(whole, 0), (fifths, 1)];
    closer.into_iter().fold(sparse, |ticks, (of, decimals)| {
        if ticks.len() < 2 {
            ticks_of(within, &of, decimals)
        } else {
            ticks
        }
    })
}

/// These times powers of ten, shown with so many decimals more than the power has.
fn ticks_of((least, most): (f64, f64), of: &[f64], decimals: i32) -> Vec<(f64, String)> {
    let powers = (least.log10().floor() as i32)..=(most.log10().ceil() as i32);
    let values = powers.flat_map(|power| of.iter().map(move |of| (of * 10_f64.powi(power), power)));
    let within = values.filter(|(value, _)| (least..=most).contains(value));
    within
        .map(|(value, power)| {
            let digits = usize::try_from(decimals - power).unwrap_or(0);
            (value, format!("{value:.digits$}"))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_axis_has_two_ticks_at_least_however_alike_the_figures_are() {
        for value in [0.013, 0.9, 1.3, 2.4, 6.66, 9.9, 120.0] {
            let ticks = ticks((value / MARGIN, value * MARGIN));
            assert!((2..12).contains(&ticks.len()), "{value}: {ticks:?}");
            for (value, text) in ticks {
                assert!(
                    (text.parse::<f64>().unwrap_or(0.0) - value).abs() < 1e-9 * value,
                    "{text}"
                );
            }
        }
        let shown =
            |ticks: Vec<(f64, String)>| ticks.into_iter().map(|(_, text)| text).collect::<Vec<_>>();
        assert_eq!(shown(ticks((5.3, 8.4))), ["6", "7", "8"]);
        assert_eq!(shown(ticks((1.05, 1.64))), ["1.2", "1.4", "1.6"]);
        assert_eq!(shown(ticks((0.9, 30.0))), ["1", "2", "5", "10", "20"]);
    }
}
