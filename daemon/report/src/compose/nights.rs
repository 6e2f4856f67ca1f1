//! A record of several nights, night by night: what a month is read by.

use nightclamp_analysis::evidence::Span;
use nightclamp_analysis::rows::{Cause, CycleRow, EndedBy};

use super::unit::{Unit, whole};
use crate::document::{Block, Column, Row, Table};
use crate::scribe::NOTHING;
use crate::views;
use crate::words::{Fold, Words};

/// So many nights are printed.
const PRINTED: usize = 62;

/// The section, of a record that has more than one night.
pub fn section(unit: &Unit<'_>) -> Vec<Block> {
    let evidence = &unit.evidence;
    let nights = views::nights(
        whole(evidence.span),
        evidence.zone,
        evidence.shown_offset_us,
    );
    if nights.len() < 2 {
        return Vec::new();
    }
    let causes: Vec<Cause> = Cause::ALL
        .into_iter()
        .filter(|cause| unit.trips().any(|trip| trip.cause == Some(*cause)))
        .collect();
    let mut columns = vec![
        Column::left("night from", 2.3),
        Column::right("observed", 1.1),
        Column::right("starts seen", 0.9),
        Column::right("openings", 1.1),
    ];
    columns.extend(
        causes
            .iter()
            .map(|cause| Column::right(cause.as_str(), 1.2)),
    );
    columns.push(Column::right("hottest case", 1.2));
    let unseen = evidence.unseen();
    let rows: Vec<Row> = nights
        .iter()
        .enumerate()
        .map(|(n, night)| row(unit, n, night, &causes, &unseen))
        .collect();
    vec![
        Block::Heading(Words::of("Night by night")),
        Block::Table(Table {
            columns,
            excerpt: super::excerpt(rows.len(), PRINTED, "in the HTML file of this report"),
            rows,
            caption: Words::of("What each night held, from noon to noon of the place"),
            is_mono: false,
        }),
        Block::Small(Words::of(
            "A night is from noon to noon; the first begins and the last ends with the record. An on-period belongs to the night in \
             which it began.",
        )),
    ]
}

fn row(unit: &Unit<'_>, n: usize, night: &Span, causes: &[Cause], unseen: &[Span]) -> Row {
    let cycles: Vec<&CycleRow> = unit
        .material
        .cycles
        .iter()
        .filter(|cycle| night.holds(cycle.on_at))
        .collect();
    let count = |is_of_it: &dyn Fn(&CycleRow) -> bool| {
        let of_it = cycles.iter().copied().filter(|cycle| is_of_it(cycle));
        let shown = of_it.clone().count().to_string();
        unit.cells(of_it, "on_at", Fold::Count, shown)
    };
    let is_trip = |cycle: &CycleRow| cycle.ended_by == Some(EndedBy::Protector);
    let hidden = unseen.iter().filter_map(|gap| gap.common(night));
    let hidden_s: f64 = hidden.map(|gap| gap.length_s()).sum();
    let observed = 1.0 - hidden_s / night.length_s().max(1e-6);
    let mut cells = vec![
        unit.heart(format!("nights.{n}.from"), unit.scribe.instant(night.from)),
        unit.heart(format!("nights.{n}.observed"), unit.scribe.share(observed)),
        count(&|cycle| cycle.on_seen),
        count(&is_trip).bold(),
    ];
    let of_cause = |cause: &Cause| count(&|cycle| is_trip(cycle) && cycle.cause == Some(*cause));
    cells.extend(causes.iter().map(of_cause));
    let case = |cycle: &&CycleRow| cycle.case_max_c.filter(|case_c| case_c.is_finite());
    let with_case: Vec<&CycleRow> = cycles
        .iter()
        .copied()
        .filter(|cycle| case(cycle).is_some())
        .collect();
    let hottest = with_case.iter().filter_map(case).reduce(f64::max);
    cells.push(hottest.map_or_else(
        || Words::of(NOTHING),
        |case_c| {
            let shown = unit.scribe.temp(case_c);
            unit.cells(with_case.iter().copied(), "case_max_c", Fold::Most, shown)
        },
    ));
    Row { cells, note: None }
}
