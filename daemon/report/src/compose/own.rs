//! The protector's heating constant, time constant and temperatures as its own trips tell them, and what they do not tell.

use nightclamp_analysis::protector::{Estimate, Fitted};

use super::folded::Kind;
use super::unit::Unit;
use crate::document::{Block, Column, Row, Table};
use crate::words::Words;

/// The section; nothing where there was no trip to tell anything.
pub fn section(unit: &Unit<'_>) -> Vec<Block> {
    let Some(own) = &unit.material.own else {
        return Vec::new();
    };
    let mut blocks = vec![Block::Heading(Words::of("The protector by its own trips"))];
    let count = |name: &str, count: usize| unit.heart(format!("own.{name}"), count.to_string());
    let fitted_to = Words::of("Fitted to openings: ")
        .then(count("openings", own.openings))
        .say(", closings: ")
        .then(count("closings", own.closings))
        .say("; left out as early, not exact or not measured: ")
        .then(count("left_out", own.left_out.len()))
        .say("; older runs: ")
        .then(count("older", own.older))
        .say(".");
    match &own.fitted {
        Err(why) => blocks.push(Block::Paragraph(
            Words::of("Not told: ")
                .then(unit.heart("own.why", why.to_string()))
                .say("."),
        )),
        Ok(fitted) => {
            blocks.push(Block::Table(table(unit, fitted)));
            let untold = fitted.untold.iter().enumerate().map(|(n, untold)| {
                let text = unit.scribe.told(&untold.to_string());
                unit.heart(format!("own.untold.{n}"), text)
            });
            let untold: Vec<Words> = untold.collect();
            if !untold.is_empty() {
                blocks.push(Block::List(untold));
            }
        }
    }
    blocks.push(Block::Paragraph(fitted_to));
    blocks.push(Block::Small(Words::of(
        "For this bead where it sits, and this clamp. The model is one disc that its own current and its case heat. A real \
         protector is a heater, a disc and a case, and a bead lags: the intervals know of that only as far as the trips show it, \
         and are narrow where all trips are alike.",
    )));
    blocks
}

fn table(unit: &Unit<'_>, fitted: &Fitted) -> Table {
    let of = &unit.material.unit.protector;
    let given = |key, value: Option<String>| match value {
        Some(shown) => unit.job(key, shown),
        None => Words::of("not given"),
    };
    let rows = [
        (
            Words::of("heating constant"),
            given(
                "protector.heating_c_per_a2",
                of.heating_c_per_a2.map(|k| format!("{k:.2}\u{a0}K/A²")),
            ),
            told(
                unit,
                "heating_c_per_a2",
                Some(&fitted.heating_c_per_a2),
                |k| format!("{k:.2}\u{a0}K/A²"),
            ),
        ),
        (
            Words::of("time constant"),
            given(
                "protector.heating_tau_s",
                of.heating_tau_s.map(|s| format!("{s:.1}\u{a0}s")),
            ),
            told(unit, "tau_s", Some(&fitted.tau_s), |s| {
                format!("{s:.1}\u{a0}s")
            }),
        ),
        (
            Words::of("disc opens at"),
            given(
                "protector.opens_c",
                of.opens_c.map(|c| Kind::Temp.shown(unit, c)),
            ),
            told(unit, "opens_c", Some(&fitted.opens_c), |c| {
                unit.scribe.temp(c)
            }),
        ),
        (
            Words::of("disc closes at"),
            given(
                "protector.closes_c",
                of.closes_c.map(|c| Kind::Temp.shown(unit, c)),
            ),
            told(unit, "closes_c", fitted.closes_c.as_ref(), |c| {
                unit.scribe.temp(c)
            }),
        ),
    ];
    Table {
        columns: vec![
            Column::left("what", 2.6),
            Column::left("given in the job file", 1.5),
            Column::left(
                "by its own trips: best value (interval that holds the true one nineteen times in twenty)",
                3.4,
            ),
        ],
        rows: rows
            .into_iter()
            .map(|(what, given, told)| Row {
                cells: vec![what, given, told],
                note: None,
            })
            .collect(),
        caption: Words::of("The protector's constants by its own trips"),
        is_mono: false,
        excerpt: None,
    }
}

fn told(
    unit: &Unit<'_>,
    name: &str,
    estimate: Option<&Estimate>,
    write: impl Fn(f64) -> String,
) -> Words {
    let Some(estimate) = estimate.filter(|estimate| estimate.told) else {
        return Words::of("not told by these trips");
    };
    let of = |end: &str, value: f64| unit.heart(format!("own.{name}.{end}"), write(value));
    of("value", estimate.value)
        .say(" (")
        .then(of("low", estimate.low))
        .say(" to ")
        .then(of("high", estimate.high))
        .say(")")
}
