//! What is judged, limit by limit with what it rests on, and what was read by hand.

use nightclamp_analysis::bench::{Function, Judgement, Window};
use nightclamp_analysis::reading::Value;

use super::Sheet;
use crate::document::{Block, Column, Row, Table};
use crate::scribe::NOTHING;
use crate::words::Words;

/// Verdicts.
pub fn section(sheet: &Sheet<'_>) -> Vec<Block> {
    let judged = &sheet.results.judged;
    let functions = judged.functions.iter().enumerate();
    let limits = judged.limits.iter().enumerate();
    let mut rows: Vec<Row> = functions.map(|(n, of)| function(sheet, n, of)).collect();
    rows.extend(limits.map(|(n, of)| limit(sheet, n, of)));
    rows.push(Row {
        cells: vec![
            Words::of("by the ohmmeter"),
            Words::of(NOTHING),
            Words::of(NOTHING),
            Words::of(NOTHING),
            Words::of(NOTHING),
        ],
        note: Some(sheet.sentence("resistance", &judged.resistance.1)),
    });
    let mut blocks = vec![
        Block::Subheading(Words::of("Verdicts")),
        Block::Table(Table {
            columns: vec![
                Column::left("what", 2.2),
                Column::left("limit", 2.6),
                Column::left("measured", 2.6),
                Column::right("conforms with", 1.1),
                Column::left("verdict", 1.3),
            ],
            rows,
            caption: Words::of("What it has to do, and the limits that were given"),
            is_mono: false,
            excerpt: None,
        }),
    ];
    if judged.limits.is_empty() {
        blocks.push(Block::Small(Words::of(
            "No limit was given, so none is judged.",
        )));
    }
    blocks
}

fn function(sheet: &Sheet<'_>, n: usize, of: &Function) -> Row {
    let name = |name: &str| format!("functions.{n}.{name}");
    Row {
        cells: vec![
            Words::of(of.what),
            Words::of(NOTHING),
            Words::of(NOTHING),
            Words::of(NOTHING),
            sheet.of(name("verdict"), of.verdict.as_str()).bold(),
        ],
        note: Some(sheet.sentence(&name("why"), &of.why)),
    }
}

fn limit(sheet: &Sheet<'_>, n: usize, of: &Judgement) -> Row {
    let name = |name: &str| format!("limits.{n}.{name}");
    let measured = match &of.measured {
        Some(measured) => sheet
            .of(
                name("measured.value"),
                sheet.figure(measured.value, of.unit),
            )
            .say(" ± ")
            .then(sheet.of(
                name("measured.expanded"),
                sheet.difference(measured.expanded(), of.unit),
            ))
            .say(" (k = ")
            .then(sheet.of(name("measured.k"), format!("{:.2}", measured.k)))
            .say(")"),
        None => Words::of("not measured"),
    };
    let conformance = of.conformance.map(|p| format!("{:.1}\u{a0}%", 100.0 * p));
    Row {
        cells: vec![
            Words::of(of.what),
            window(sheet, n, of.unit, &of.window),
            measured,
            sheet.maybe(name("conformance"), conformance),
            sheet.of(name("verdict"), of.verdict.as_str()).bold(),
        ],
        note: note(sheet, n, of),
    }
}

fn window(sheet: &Sheet<'_>, n: usize, unit: &str, window: &Window) -> Words {
    let end =
        |end: &str, value: f64| sheet.of(format!("limits.{n}.{end}"), sheet.figure(value, unit));
    match (window.least, window.most) {
        (Some(least), Some(most)) => end("least", least).say(" to ").then(end("most", most)),
        (Some(least), None) => Words::of("at least ").then(end("least", least)),
        (None, Some(most)) => Words::of("at most ").then(end("most", most)),
        (None, None) => Words::of(NOTHING),
    }
}

/// Where a limit stands, and what the uncertainty is made of; or why nothing was measured.
fn note(sheet: &Sheet<'_>, n: usize, of: &Judgement) -> Option<Words> {
    let mut said: Vec<Words> = Vec::new();
    if let Some(stands_in) = &of.stands_in {
        said.push(
            Words::of("the limit stands in: ")
                .then(sheet.of(format!("limits.{n}.stands_in"), stands_in.clone())),
        );
    }
    match &of.measured {
        Some(measured) => said.extend(measured.parts.iter().enumerate().map(|(part, of_part)| {
            let shown = sheet.difference(of_part.u, of.unit);
            Words::of("u of the ")
                .say(of_part.from)
                .say(" ")
                .then(sheet.of(format!("limits.{n}.parts.{part}.u"), shown))
        })),
        None => said.push(sheet.sentence(&format!("limits.{n}.why"), &of.why)),
    }
    said.into_iter().reduce(|all, one| all.say("; ").then(one))
}

/// Readings by hand, and what has to be known beside the figures.
pub fn by_hand(sheet: &Sheet<'_>) -> Vec<Block> {
    let results = sheet.results;
    let mut blocks = vec![Block::Subheading(Words::of("Read by hand"))];
    let readings = results.readings.iter().enumerate().map(|(n, taken)| {
        let shown = match taken.reading.value {
            Value::Figure(figure) => format!("{figure}\u{a0}{}", taken.reading.what.unit()),
            Value::Open => "OL (open)".to_owned(),
        };
        Words::of(taken.reading.what.words())
            .say(": ")
            .then(sheet.of(format!("readings.{n}.value"), shown))
            .say(", ")
            .then(sheet.of(format!("readings.{n}.at"), sheet.scribe.clock(taken.at)))
    });
    let readings: Vec<Words> = readings.collect();
    blocks.push(if readings.is_empty() {
        Block::Small(Words::of("Nothing was read by hand."))
    } else {
        Block::List(readings)
    });
    if !results.remarks.is_empty() {
        let remarks = results.remarks.iter().enumerate();
        let remarks = remarks.map(|(n, remark)| sheet.sentence(&format!("remarks.{n}"), remark));
        blocks.push(Block::Subheading(Words::of(
            "To be known beside the figures",
        )));
        blocks.push(Block::List(remarks.collect()));
    }
    blocks
}
