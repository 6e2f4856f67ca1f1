//! What was given, and what the record itself shows: never taken for one another.

use nightclamp_analysis::findings::LockedFrom;
use nightclamp_analysis::rows::CycleRow;
use nightclamp_analysis::statistics::Summary;

use super::folded::{Kind, range};
use super::unit::Unit;
use crate::document::{Block, Column, Row, Table};
use crate::words::Words;

/// The section.
pub fn section(unit: &Unit<'_>) -> Vec<Block> {
    let of = &unit.material.unit;
    let learned = &unit.learned;
    let mut rows: Vec<(Words, Words, Words)> = Vec::new();
    let given = |key, value: Option<f64>, kind: Kind| match value {
        Some(value) => unit.job(key, kind.shown(unit, value)),
        None => Words::of("not given"),
    };
    rows.push((
        Words::of("rated load; running current"),
        given("rated_load_a", of.rated_load_a, Kind::Amps),
        shown(unit, "running_a", learned.running_a, Figure::Amps).say(" in whole runs"),
    ));
    let (locked, from) = match learned.locked_a {
        Some((summary, LockedFrom::Failed)) => (Some(summary), " at starts that failed"),
        Some((summary, LockedFrom::Inrush)) => (Some(summary), " at sound starts: at least that"),
        None => (None, ""),
    };
    rows.push((
        Words::of("locked rotor"),
        given("locked_rotor_a", of.locked_rotor_a, Kind::Amps),
        shown(unit, "locked_a", locked, Figure::Amps).say(from),
    ));
    rows.push((
        Words::of("length of a sound start"),
        Words::of(NOT_ASKED),
        shown(unit, "start_s", learned.start_s, Figure::Seconds),
    ));
    rows.push((
        Words::of("clamp with nothing in it"),
        Words::of(NOT_ASKED),
        shown(unit, "floor_a", learned.floor_a, Figure::Milli),
    ));
    rows.push((
        Words::of("its noise from sample to sample"),
        Words::of(NOT_ASKED),
        shown(unit, "noise_a", learned.noise_a, Figure::Milli),
    ));
    rows.push((
        Words::of("protector opens; case when it opened"),
        given("protector.opens_c", of.protector.opens_c, Kind::Temp),
        case_when(unit, "case_off_c", |trip| trip.case_off_c),
    ));
    rows.push((
        Words::of("protector closes; case when the current was back"),
        given("protector.closes_c", of.protector.closes_c, Kind::Temp),
        case_when(unit, "case_reset_c", |trip| {
            trip.case_reset_c.filter(|_| trip.reset_exact)
        }),
    ));
    let rows = rows.into_iter().map(|(what, given, learned)| Row {
        cells: vec![what, given, learned],
        note: None,
    });
    vec![
        Block::Heading(Words::of("Given, and learned from the record")),
        Block::Table(Table {
            columns: vec![
                Column::left("what", 2.6),
                Column::left("given in the job file", 1.5),
                Column::left("shown by the record: median (least to most)", 3.4),
            ],
            rows: rows.collect(),
            caption: Words::of("What was given and what was learned"),
            is_mono: false,
            excerpt: None,
        }),
        Block::Small(Words::of(
            "What is learned is no nameplate. While a locked rotor heats the disc from inside, the case lags behind it: the case \
             when it opened reads lower than the disc then was.",
        )),
    ]
}

const NOT_ASKED: &str = "–";

#[derive(Clone, Copy)]
enum Figure {
    Amps,
    Milli,
    Seconds,
}

fn shown(unit: &Unit<'_>, name: &str, summary: Option<Summary>, figure: Figure) -> Words {
    let Some(summary) = summary else {
        return Words::of("not shown");
    };
    let write = |value: f64| match figure {
        Figure::Amps => unit.scribe.amps(value),
        Figure::Milli => format!("{value:.3} A"),
        Figure::Seconds => format!("{value:.2} s"),
    };
    let of = |end: &str, value: f64| unit.heart(format!("learned.{name}.{end}"), write(value));
    of("median", summary.median)
        .say(" (")
        .then(of("least", summary.least))
        .say(" to ")
        .then(of("most", summary.most))
        .say(", from ")
        .then(unit.heart(format!("learned.{name}.count"), summary.count.to_string()))
        .say(")")
}

fn case_when(
    unit: &Unit<'_>,
    column: &'static str,
    of: impl Fn(&CycleRow) -> Option<f64>,
) -> Words {
    let trips: Vec<&CycleRow> = unit.trips().collect();
    range(unit, &trips, column, of, Kind::Temp).unwrap_or_else(|| Words::of("not shown"))
}
