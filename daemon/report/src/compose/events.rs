//! What else is in the record: gaps, sensors, the clock, marks, and what was measured by hand.

use nightclamp_analysis::reading::{Reading, readings};
use nightclamp_analysis::rows::{EventKind, EventRow};

use super::unit::Unit;
use crate::document::{Block, Column, Row, Table};
use crate::words::{Source, Words};

/// So many of them are printed.
const PRINTED: usize = 80;

/// The section.
pub fn section(unit: &Unit<'_>) -> Vec<Block> {
    let board = format!("board-{}", unit.material.unit.board);
    let of_unit = unit
        .material
        .events
        .iter()
        .map(|event| (unit.name(), event));
    let of_board = unit
        .material
        .board_events
        .iter()
        .map(|event| (board.as_str(), event));
    let mut told: Vec<(&str, &EventRow)> = of_unit
        .chain(of_board)
        .filter(|(_, event)| is_told(event))
        .collect();
    told.sort_by_key(|(_, event)| event.time);
    let told = paired(told);
    let mut blocks = vec![Block::Heading(Words::of("Gaps, sensors, clock and marks"))];
    if told.is_empty() {
        blocks.push(Block::Paragraph(Words::of(
            "Nothing of the kind is in the record: no gap, no sensor that was doubted, no step of the clock, no mark.",
        )));
    } else {
        blocks.push(Block::Table(Table {
            columns: vec![
                Column::left("when", 1.55),
                Column::left("until", 1.55),
                Column::left("what", 0.9),
                Column::left("how the record puts it", 4.6),
            ],
            rows: told.iter().map(|told| row(unit, told)).collect(),
            caption: Words::of("What else is in the record"),
            is_mono: false,
            excerpt: super::excerpt(
                told.len(),
                PRINTED,
                "in the HTML file of this report, and in the table “events” of the record",
            ),
        }));
    }
    blocks.extend(by_hand(unit));
    blocks
}

/// Starts, stops, trips and resets stand elsewhere, and readings by hand in a table of their own.
fn is_told(event: &EventRow) -> bool {
    !matches!(
        event.kind,
        EventKind::Start | EventKind::Stop | EventKind::Trip | EventKind::Reset
    ) && Reading::from_event(event).is_none()
}

/// An event, under whose name it stands, and the one that ends it.
type Told<'a> = (&'a str, &'a EventRow, Option<&'a EventRow>);

/// A gap's end is told with its beginning.
fn paired<'a>(events: Vec<(&'a str, &'a EventRow)>) -> Vec<Told<'a>> {
    let mut told: Vec<Told<'a>> = Vec::new();
    for (of, event) in events {
        let begun = told
            .iter_mut()
            .rfind(|(name, begin, _)| *name == of && begin.kind == EventKind::GapBegin);
        match begun {
            Some((_, _, end @ None)) if event.kind == EventKind::GapEnd => *end = Some(event),
            _ => told.push((of, event, None)),
        }
    }
    told
}

fn row(unit: &Unit<'_>, (of, event, end): &Told<'_>) -> Row {
    let cell = |column, shown: String| unit.event_cell(of, event, column, Some(shown));
    let until = end.map_or_else(Words::new, |end| {
        unit.event_cell(of, end, "time", Some(unit.scribe.instant(end.time)))
    });
    let kind = match end {
        Some(_) => Words::of("gap"),
        None => cell("kind", event.kind.as_str().to_owned()),
    };
    Row {
        cells: vec![
            cell("time", unit.scribe.instant(event.time)),
            until,
            kind,
            cell("detail", unit.scribe.told(&event.detail)),
        ],
        note: None,
    }
}

fn by_hand(unit: &Unit<'_>) -> Vec<Block> {
    let taken = readings(&unit.material.events);
    if taken.is_empty() {
        return Vec::new();
    }
    let rows = taken.iter().map(|taken| {
        let cell = |column, shown: String| {
            Words::figured(
                shown,
                Source::Cell {
                    table: crate::words::Table::Events,
                    unit: unit.name().to_owned(),
                    row: taken.at,
                    column,
                },
            )
        };
        Row {
            cells: vec![
                cell("time", unit.scribe.instant(taken.at)),
                cell("detail", taken.reading.what.as_str().to_owned()),
                cell("detail", taken.reading.shown()).bold(),
                cell("detail", taken.reading.by.clone()),
            ],
            note: None,
        }
    });
    vec![
        Block::Heading(Words::of("Measured by hand")),
        Block::Table(Table {
            columns: vec![
                Column::left("written down at", 1.6),
                Column::left("what", 1.2),
                Column::right("reading", 1.0),
                Column::left("by", 2.4),
            ],
            rows: rows.collect(),
            caption: Words::of("What a person measured and wrote down"),
            is_mono: false,
            excerpt: None,
        }),
        Block::Small(Words::of(
            "Kept as entered. A reading by hand changes nothing that a board said; OL is open.",
        )),
    ]
}
