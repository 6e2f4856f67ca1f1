//! The openings of the protector taken together by their causes: what many of them are read by.

use nightclamp_analysis::rows::{Cause, CycleRow};

use super::folded::{Kind, range};
use super::unit::Unit;
use crate::document::{Block, Column, Row, Table};
use crate::scribe::NOTHING;
use crate::words::{Fold, Words};

/// Fewer openings are seen at a glance in their own table.
const FEW: usize = 12;

/// The table, where there are enough openings for it.
pub fn section(unit: &Unit<'_>, trips: &[&CycleRow]) -> Vec<Block> {
    if trips.len() < FEW {
        return Vec::new();
    }
    let rows = Cause::ALL.into_iter().filter_map(|cause| {
        let of_it: Vec<&CycleRow> = trips
            .iter()
            .copied()
            .filter(|trip| trip.cause == Some(cause))
            .collect();
        let first = of_it.first()?;
        Some(row(unit, first, &of_it))
    });
    vec![
        Block::Table(Table {
            columns: vec![
                Column::left("cause", 1.3),
                Column::right("openings", 1.1),
                Column::right("on for", 2.4),
                Column::right("at the end", 2.3),
                Column::right("case at opening", 2.4),
                Column::right("current back after", 3.4),
            ],
            rows: rows.collect(),
            caption: Words::of("Openings of the protector by cause"),
            is_mono: false,
            excerpt: None,
        }),
        Block::Small(Words::of(
            "Of each the median, and from the least to the most. “Current back after” may be longer than the protector was open: a \
             control may have kept the current away.",
        )),
    ]
}

fn row(unit: &Unit<'_>, first: &CycleRow, of_it: &[&CycleRow]) -> Row {
    let figure = |column, of: &dyn Fn(&CycleRow) -> Option<f64>, kind| {
        range(unit, of_it, column, of, kind).unwrap_or_else(|| Words::of(NOTHING))
    };
    let cause = first.cause.map(|cause| cause.as_str().to_owned());
    let count = of_it.len().to_string();
    Row {
        cells: vec![
            unit.cell(first, "cause", cause).bold(),
            unit.cells(of_it.iter().copied(), "on_at", Fold::Count, count),
            figure("on_s", &|trip| trip.on_s, Kind::Length),
            figure("end_a", &|trip| trip.end_a, Kind::Amps),
            figure("case_off_c", &|trip| trip.case_off_c, Kind::Temp),
            figure("off_s", &|trip| trip.off_s, Kind::Length),
        ],
        note: None,
    }
}
