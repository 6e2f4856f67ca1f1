//! The runs one by one, and the figures of the repeats.

use nightclamp_analysis::bench::{Repeat, Start, Statistic, TOO_FEW, Timed};

use super::Sheet;
use crate::document::{Block, Column, Row, Table};
use crate::scribe::NOTHING;
use crate::words::Words;

/// Every run of current.
pub fn table(sheet: &Sheet<'_>) -> Block {
    let runs = sheet.results.runs.iter().enumerate();
    let degree = sheet.scribe.temp_unit();
    let temp = |what: &'static str| Column::right(Words::of(what).say(degree), 1.0);
    Block::Table(Table {
        columns: vec![
            Column::left("run", 0.55),
            Column::left("from", 0.75),
            Column::right("on, s", 0.95),
            Column::right("at start, A", 0.85),
            Column::right("at end, A", 0.85),
            Column::right("rms, A", 0.85),
            Column::right("I²t, A²s", 0.9),
            temp("case, trip, "),
            temp("case, most, "),
            Column::right("reset, s", 0.95),
            temp("case, reset, "),
            temp("disc, trip, "),
            temp("disc, reset, "),
            Column::left("ended by", 1.5),
        ],
        rows: runs.map(|(n, run)| row(sheet, n, run)).collect(),
        caption: Words::of("Every run of current; “disc” is by the model"),
        is_mono: false,
        excerpt: None,
    })
}

fn row(sheet: &Sheet<'_>, n: usize, run: &Repeat) -> Row {
    let cell = |name: &str, shown: Option<String>| sheet.maybe(format!("runs.{n}.{name}"), shown);
    let fixed = |name: &str, value: Option<f64>, digits: usize| {
        cell(name, value.map(|value| format!("{value:.digits$}")))
    };
    let s = |timed: Option<Timed>| timed.map(|timed| timed.s);
    let temp = |name: &str, value_c: Option<f64>| {
        let shown = |c| format!("{:.1}", sheet.scribe.temp_value(c)).replace('-', "−");
        cell(name, value_c.map(shown))
    };
    Row {
        cells: vec![
            cell("number", run.number.map(|number| number.to_string())),
            Words::of(run.start.map_or(NOTHING, Start::as_str)),
            fixed("on_s", s(run.on_s), 2),
            fixed("start_a", run.start_a, 2),
            fixed("end_a", run.end_a, 2),
            fixed("rms_a", run.rms_a, 2),
            fixed("i2t_a2s", run.i2t_a2s, 0),
            temp("case_trip_c", run.case_trip_c),
            temp("case_max_c", run.case_max_c),
            fixed("reset", s(run.reset), 1),
            temp("case_reset_c", run.case_reset_c),
            temp("disc_trip_c", run.disc_trip_c),
            temp("disc_reset_c", run.disc_reset_c),
            Words::of(run.ended.words()),
        ],
        note: None,
    }
}

/// Mean, spread and drift of the repeats.
pub fn statistics(sheet: &Sheet<'_>) -> Vec<Block> {
    let all = sheet.results.judged.statistics.iter().enumerate();
    let rows: Vec<Row> = all.map(|(n, of)| statistic(sheet, n, of)).collect();
    let mut blocks = vec![Block::Subheading(Words::of("Figures of the repeats"))];
    if rows.is_empty() {
        blocks.push(Block::Paragraph(Words::of("No opening was seen.")));
        return blocks;
    }
    blocks.push(Block::Table(Table {
        columns: vec![
            Column::left("figure", 2.5),
            Column::right("mean", 1.2),
            Column::right("±, by the repeats", 1.05),
            Column::right("of", 0.35),
            Column::right("standard deviation", 1.15),
            Column::right("drift a repeat", 1.6),
        ],
        rows,
        caption: Words::of("Mean with its 95 % interval from the repeats alone, standard deviation, and drift with its 95 %: one that is smaller would not show. ")
            .say(TOO_FEW),
        is_mono: false,
        excerpt: None,
    }));
    blocks
}

fn statistic(sheet: &Sheet<'_>, n: usize, of: &Statistic) -> Row {
    let name = |name: &str| format!("statistics.{n}.{name}");
    let difference = |value| sheet.difference(value, of.unit);
    let summary = &of.summary;
    let spread = (summary.count > 1).then(|| difference(summary.sd));
    let drift = match of.drift {
        Some(drift) => {
            let words = sheet
                .of(name("drift.slope"), difference(drift.slope))
                .say(" ± ")
                .then(sheet.of(name("drift.within"), difference(drift.within)));
            if drift.stands_out {
                words.bold().stress(": drifts")
            } else {
                words
            }
        }
        None => Words::of(NOTHING),
    };
    Row {
        cells: vec![
            Words::of(of.what),
            sheet.of(name("mean"), sheet.figure(summary.mean, of.unit)),
            sheet.maybe(name("of_scatter"), of.of_scatter.map(difference)),
            sheet.of(name("count"), summary.count.to_string()),
            sheet.maybe(name("sd"), spread),
            drift,
        ],
        note: None,
    }
}
