//! What is drawn is true to the axes beside it: read off as a person reads a chart, it gives what was recorded.

#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

mod common;

use std::collections::HashSet;

use chrono::{DateTime, NaiveDate, Timelike};
use chrono_tz::Tz;
use nightclamp_analysis::evidence::Span;
use nightclamp_analysis::job::TemperatureScale;
use nightclamp_report::document::Block;
use nightclamp_report::drawing::{Anchor, At, Drawing, Ink, Shape};
use nightclamp_report::material::UnitMaterial;
use nightclamp_report::series::{Series, Trace};
use nightclamp_report::words::Source;
use nightclamp_report::{compose, gather};

/// What is read off a drawing may be off by this much, points: the width of a line.
const WITHIN: f32 = 0.8;

/// A label with where it stands.
struct Label {
    at: At,
    anchor: Anchor,
    text: String,
    source: Option<Source>,
}

fn labels(drawing: &Drawing) -> Vec<Label> {
    let of = |shape: &Shape| match shape {
        Shape::Label {
            at, anchor, words, ..
        } => Some(Label {
            at: *at,
            anchor: *anchor,
            text: words.text().replace('−', "-").replace('\u{a0}', " "),
            source: words.runs.iter().find_map(|run| run.source.clone()),
        }),
        _ => None,
    };
    drawing.shapes.iter().filter_map(of).collect()
}

/// An axis as its ticks tell it: a line through the first and the last of them.
#[derive(Debug, Clone, Copy)]
struct Axis {
    first: (f32, f64),
    last: (f32, f64),
}

impl Axis {
    fn place(&self, value: f64) -> f32 {
        let share = (value - self.first.1) / (self.last.1 - self.first.1);
        self.first.0 + (self.last.0 - self.first.0) * share as f32
    }
}

/// The panels' axes of values, from above: each with its ticks in their places.
fn value_axes(labels: &[Label]) -> Vec<Axis> {
    let is_tick =
        |label: &&Label| label.anchor == Anchor::End && label.source == Some(Source::Paper);
    let ticks = labels.iter().filter(is_tick);
    let mut panels: Vec<Vec<(f32, f64)>> = Vec::new();
    for (y, value) in ticks.map(|label| (label.at.y, label.text.parse::<f64>().unwrap())) {
        // Ticks are drawn from below: in the next panel they begin again, farther down.
        match panels.last_mut() {
            Some(panel) if panel.last().unwrap().0 > y => panel.push((y, value)),
            _ => panels.push(vec![(y, value)]),
        }
    }
    let axis = |panel: &Vec<(f32, f64)>| {
        assert!(panel.len() >= 2, "an axis of one tick: {panel:?}");
        let axis = Axis {
            first: panel[0],
            last: *panel.last().unwrap(),
        };
        for (y, value) in panel {
            assert!(
                (axis.place(*value) - y).abs() < 0.1,
                "{value} is not where it is: {panel:?}"
            );
        }
        axis
    };
    panels.iter().map(axis).collect()
}

/// Highest and lowest point of what is drawn with an ink, data's widths only, and between two heights.
fn reach(drawing: &Drawing, ink: Ink, (above, below): (f32, f32)) -> (f32, f32) {
    let points = drawing.shapes.iter().flat_map(|shape| match shape {
        Shape::Line(points, stroke) if stroke.ink == ink && stroke.width == 0.8 => points.clone(),
        Shape::Bars(bars, stroke) if stroke.ink == ink => {
            bars.iter().flat_map(|(from, to)| [*from, *to]).collect()
        }
        _ => Vec::new(),
    });
    let ys = points
        .map(|at| at.y)
        .filter(|y| (above..=below).contains(y));
    ys.fold((f32::INFINITY, f32::NEG_INFINITY), |(high, low), y| {
        (high.min(y), low.max(y))
    })
}

/// Each tick of time stands where its instant is; how many there are.
fn check_times(labels: &[Label], span: Span, local: impl Fn(i64) -> DateTime<Tz>) -> usize {
    let (left, right) = (44.0, 445.0);
    let is_tick =
        |label: &&Label| label.anchor == Anchor::Middle && label.source == Some(Source::Paper);
    let mut ticks = 0;
    for label in labels.iter().filter(is_tick) {
        let share = f64::from((label.at.x - left) / (right - left));
        let time = local(span.from + (share * (span.until - span.from) as f64).round() as i64);
        // A third of a point, or half a second.
        let within_s = (span.length_s() / f64::from(right - left) / 3.0).max(0.5);
        let off_s = match label
            .text
            .split(':')
            .map(str::parse::<f64>)
            .collect::<Result<Vec<_>, _>>()
        {
            Ok(parts) => {
                let clock_s = parts[0] * 3600.0 + parts[1] * 60.0 + parts.get(2).unwrap_or(&0.0);
                let at_s = f64::from(time.num_seconds_from_midnight())
                    + f64::from(time.nanosecond()) / 1e9;
                let off_s = (clock_s - at_s).rem_euclid(86_400.0);
                off_s.min(86_400.0 - off_s)
            }
            Err(_) => {
                // The day below a tick, with its year or without: the day of the instant, or of the midnight that it is.
                let days = [
                    time - chrono::TimeDelta::seconds(within_s as i64 + 1),
                    time + chrono::TimeDelta::seconds(within_s as i64 + 1),
                ];
                let is_day = |day: &DateTime<Tz>| {
                    let date: NaiveDate = day.date_naive();
                    [
                        date.format("%-d %b").to_string(),
                        date.format("%-d %b %Y").to_string(),
                    ]
                    .contains(&label.text)
                };
                assert!(days.iter().any(is_day), "{} at {time}", label.text);
                0.0
            }
        };
        assert!(
            off_s <= within_s,
            "{} stands at {time}, {off_s} s off",
            label.text
        );
        ticks += 1;
    }
    ticks
}

/// The charts of a unit in the order of their views.
fn charts(blocks: &[Block]) -> Vec<&Vec<Drawing>> {
    blocks
        .iter()
        .flat_map(|block| match block {
            Block::Chart(drawings, _) => vec![drawings],
            Block::Together(blocks) => charts(blocks),
            _ => Vec::new(),
        })
        .collect()
}

fn shown(scale: TemperatureScale, value_c: f64) -> f64 {
    match scale {
        TemperatureScale::Celsius => value_c,
        TemperatureScale::Fahrenheit => value_c * 1.8 + 32.0,
    }
}

/// What a trace reaches is drawn where its axis has those values.
fn check_trace(
    drawing: &Drawing,
    axis: Axis,
    ink: Ink,
    series: &Series,
    trace: Trace,
    show: impl Fn(f64) -> f64,
) {
    let Some((low, high)) = series.range(trace) else {
        return;
    };
    let (top, bottom) = (axis.place(show(high)), axis.place(show(low)));
    // Above the panels are the marks of what happened, each row named by a word.
    let words = labels(drawing).into_iter();
    let words = words.filter(|label| label.at.x == 40.0 && label.source.is_none());
    let strip = words.map(|label| label.at.y + 5.0).fold(0.0, f32::max);
    let drawn = (strip.max(top - 20.0), bottom + 20.0);
    let (drawn_top, drawn_bottom) = reach(drawing, ink, drawn);
    let label = 2.3; // a tick's text stands so much below its line
    assert!(
        (drawn_top - (top - label)).abs() < WITHIN,
        "{trace:?} {high}: drawn at {drawn_top}, not {}",
        top - label
    );
    assert!(
        (drawn_bottom - (bottom - label)).abs() < WITHIN,
        "{trace:?} {low}: drawn at {drawn_bottom}, not {}",
        bottom - label
    );
}

fn check_unit(unit: &UnitMaterial, blocks: &[Block], scale: TemperatureScale, zone: Tz) -> usize {
    let drawn = charts(blocks);
    assert_eq!(drawn.len(), unit.charts.len());
    let local = |us: i64| {
        DateTime::from_timestamp_micros(us + unit.shown_offset_us)
            .unwrap()
            .with_timezone(&zone)
    };
    let mut checked = 0;
    for ((view, series), drawings) in unit.charts.iter().zip(drawn) {
        let mut heights = HashSet::new();
        for drawing in drawings {
            heights.insert(drawing.height.to_bits());
            let labels = labels(drawing);
            let axes = value_axes(&labels);
            check_trace(
                drawing,
                axes[0],
                Ink::Current,
                series,
                Trace::Current,
                |value| value,
            );
            check_trace(drawing, axes[1], Ink::Hot, series, Trace::Case, |value| {
                shown(scale, value)
            });
            // A limit is named where it lies.
            for label in &labels {
                let at = match &label.source {
                    Some(Source::Job {
                        key: "rated_load_a",
                        ..
                    }) => axes[0].place(unit.unit.rated_load_a.unwrap()),
                    Some(Source::Job {
                        key: "protector.opens_c",
                        ..
                    }) => axes[1].place(shown(scale, unit.unit.protector.opens_c.unwrap())),
                    _ => continue,
                };
                assert!(
                    (label.at.y - at).abs() < 0.1,
                    "{} at {}, not {at}",
                    label.text,
                    label.at.y
                );
                checked += 1;
            }
            checked += check_times(&labels, view.span, local);
        }
        assert_eq!(heights.len(), drawings.len(), "each height is drawn once");
    }
    checked
}

#[test]
fn what_is_read_off_a_chart_is_what_was_recorded() {
    for (name, period_ms, hours, scale) in [
        ("demo", 100, 10.0, TemperatureScale::Celsius),
        ("random", 1_000, 30.0, TemperatureScale::Fahrenheit),
    ] {
        let scratch = common::Scratch::new();
        let mut scenario = common::scenario(name, 3);
        scenario.board.period_ms = period_ms;
        let dir = common::record(&scratch, scenario, hours, |job| job);
        let material = gather(&dir, common::options().period, "0.0.0").unwrap();
        let document = compose(&material, Some(scale));
        let unit = &material.units[0];
        let checked = check_unit(
            unit,
            &document.parts[0].blocks,
            scale,
            material.job.timezone,
        );
        println!(
            "{name}: {} charts, {checked} ticks and limits in their places",
            unit.charts.len()
        );
        assert!(checked > 100, "{name}: {checked}");
    }
}
