//! Every opening of the protector, with its figures and what its cause rests on; and every on-period.

use nightclamp_analysis::rows::{CycleRow, StartKind};

use super::causes;
use super::unit::Unit;
use crate::document::{Block, Column, Row, Table};
use crate::words::{Source, Words};

/// So many openings are printed one by one.
const TRIPS_PRINTED: usize = 60;
/// A record of no more on-periods has them printed one by one.
const PERIODS_PRINTED: usize = 400;
/// Of no more they are listed at all; more are left to the table itself.
const PERIODS_MAX: usize = 20_000;
/// Where the rows of a record are that are not printed.
const PLACE: &str = "in the HTML file of this report, and in the table “cycles” of the record (“nightclamp table DIR cycles”, or any \
                     reader of Parquet)";

/// The table of trips.
pub fn section(unit: &Unit<'_>) -> Vec<Block> {
    let trips: Vec<&CycleRow> = unit.trips().collect();
    let mut blocks = vec![Block::Heading(Words::of("Openings of the protector"))];
    if trips.is_empty() {
        blocks.push(Block::Paragraph(Words::of(
            "None was seen within the period.",
        )));
        return blocks;
    }
    blocks.extend(causes::section(unit, &trips));
    let columns = vec![
        Column::right("no.", 0.5),
        Column::left("opened at", 2.9),
        Column::left("cause", 1.8),
        Column::right("on for", 1.55),
        Column::right("peak", 1.05),
        Column::right("at the end", 1.05),
        Column::right("case at opening", 1.35),
        Column::right("current back after", 1.9),
        Column::right("case when back", 1.35),
    ];
    let rows = trips.iter().enumerate().map(|(n, trip)| row(unit, n, trip));
    blocks.push(Block::Table(Table {
        columns,
        rows: rows.collect(),
        caption: Words::of("Each opening of the protector, and under it what its cause rests on, as the record keeps it"),
        is_mono: false,
        excerpt: super::excerpt(trips.len(), TRIPS_PRINTED, PLACE),
    }));
    blocks.push(Block::Small(Words::of(
        "Under each opening: what its end and its cause rest on, as the record says it. “≤”: the \
         current may have been kept away by a control after the protector had closed.",
    )));
    blocks
}

fn row(unit: &Unit<'_>, n: usize, trip: &CycleRow) -> Row {
    let cause = trip.cause.map(|cause| cause.as_str().to_owned());
    let back = unit.seconds(trip, "off_s", trip.off_s);
    let back = match (trip.reset_exact, trip.off_s) {
        (false, Some(_)) => Words::of("≤ ").then(back),
        _ => back,
    };
    Row {
        cells: vec![
            Words::figured((n + 1).to_string(), Source::Paper),
            unit.instant(trip, "off_at", trip.off_at),
            unit.cell(trip, "cause", cause).bold(),
            unit.seconds(trip, "on_s", trip.on_s),
            unit.amps(trip, "peak_a", trip.peak_a),
            unit.amps(trip, "end_a", trip.end_a),
            unit.temp(trip, "case_off_c", trip.case_off_c),
            back,
            unit.temp(trip, "case_reset_c", trip.case_reset_c),
        ],
        note: Some(unit.cell(trip, "basis", Some(unit.scribe.told(&trip.basis)))),
    }
}

/// Every on-period in a line.
pub fn every_period(unit: &Unit<'_>) -> Vec<Block> {
    let cycles = &unit.material.cycles;
    let mut blocks = vec![Block::Heading(Words::of("Every on-period"))];
    if cycles.len() > PERIODS_MAX {
        blocks.push(Block::Paragraph(
            Words::of("There are ")
                .then(unit.heart("cycles", cycles.len().to_string()))
                .say(" of them: they are in the table “cycles” of the record."),
        ));
        return blocks;
    }
    if cycles.is_empty() {
        blocks.push(Block::Paragraph(Words::of(
            "No current was seen within the period.",
        )));
        return blocks;
    }
    let columns = vec![
        Column::right("no.", 0.55),
        Column::left("current began", 2.9),
        Column::right("on for", 1.5),
        Column::left("start", 1.55),
        Column::left("ended by", 1.3),
        Column::right("peak", 1.0),
        Column::right("running", 1.0),
        Column::right("at the end", 1.0),
        Column::right("case at first", 1.3),
        Column::right("at the end", 1.3),
        Column::right("off for", 1.6),
    ];
    let rows = cycles
        .iter()
        .enumerate()
        .map(|(n, cycle)| period_row(unit, n, cycle));
    let printed = match cycles.len() {
        ..=PERIODS_PRINTED => cycles.len(),
        _ => 0,
    };
    blocks.push(Block::Table(Table {
        columns,
        rows: rows.collect(),
        caption: Words::of("Every on-period with the off-period after it"),
        is_mono: false,
        excerpt: super::excerpt(cycles.len(), printed, PLACE),
    }));
    blocks.push(Block::Small(Words::of(
        "“seen from”: current flowed already at the first sample, or after a gap.",
    )));
    blocks
}

fn period_row(unit: &Unit<'_>, n: usize, cycle: &CycleRow) -> Row {
    let begun = unit.instant(cycle, "on_at", Some(cycle.on_at));
    let begun = match cycle.on_seen {
        true => begun,
        false => Words::of("seen from ").then(begun),
    };
    let start = match cycle.start {
        StartKind::Unknown => None,
        known => Some(known.as_str().to_owned()),
    };
    let ended_by = cycle.ended_by.map_or("still on", |by| by.as_str());
    Row {
        cells: vec![
            Words::figured((n + 1).to_string(), Source::Paper),
            begun,
            unit.seconds(cycle, "on_s", cycle.on_s),
            unit.cell(cycle, "start", start),
            unit.cell(cycle, "ended_by", Some(ended_by.to_owned())),
            unit.amps(cycle, "peak_a", cycle.peak_a),
            unit.amps(cycle, "run_a", cycle.run_a),
            unit.amps(cycle, "end_a", cycle.end_a),
            unit.temp(cycle, "case_on_c", cycle.case_on_c),
            unit.temp(cycle, "case_off_c", cycle.case_off_c),
            unit.seconds(cycle, "off_s", cycle.off_s),
        ],
        note: None,
    }
}
