//! Cycling: starts, on- and off-times, the claim's terms pair by pair, and what gaps could hide.

use nightclamp_analysis::cycling::{
    EQUALISED_S, Judged, SHORT_GAP_S, Term, TermKind, Times, Violation, Whose,
};

use super::unit::{Unit, whole};
use crate::document::{Block, Column, Row, Table};
use crate::scribe::NOTHING;
use crate::words::{Source, Words};

/// So many clock hours are listed one by one; of a longer record the hours of the day are.
const HOURS_MAX: usize = 60;
/// Of each term so many pairs that break it are printed.
const PAIRS_PRINTED: usize = 20;

/// The section.
pub fn section(unit: &Unit<'_>) -> Vec<Block> {
    let mut blocks = vec![Block::Heading(Words::of("Cycling against the terms"))];
    blocks.extend(terms(unit));
    blocks.push(Block::Subheading(Words::of(
        "Best and worst case over what was not observed",
    )));
    blocks.push(Block::Table(bounds(unit)));
    blocks.push(Block::Small(bounds_words(unit)));
    blocks.push(Block::Subheading(Words::of("Lengths of on- and off-times")));
    blocks.push(Block::Table(times(unit)));
    blocks.push(Block::Small(
        Words::of("Only what was seen from beginning to end is counted; ")
            .then(unit.heart("cycling.off_times.left_out", unit.cycling.off_times.left_out.to_string()))
            .say(" off-times are left out. Off-times after the protector are made by its own cooling, those after a control by \
                  the control: they are never taken together."),
    ));
    blocks.extend(hours(unit));
    blocks
}

fn terms(unit: &Unit<'_>) -> Vec<Block> {
    let cycling = &unit.cycling;
    let mut blocks = Vec::new();
    if cycling.terms.is_empty() {
        blocks.push(Block::Paragraph(Words::of(
            "The job file gives no terms of a maker or a claim, so none are judged.",
        )));
    }
    let all: Vec<(&Term, String)> = cycling
        .terms
        .iter()
        .enumerate()
        .map(|(n, term)| (term, format!("cycling.terms.{n}")))
        .chain(std::iter::once((
            &cycling.equalised,
            "cycling.equalised".to_owned(),
        )))
        .collect();
    let rows = all.iter().flat_map(|(term, name)| {
        term.judged
            .iter()
            .enumerate()
            .map(move |(n, judged)| summary_row(unit, term, judged, n == 0, &format!("{name}.{n}")))
    });
    let rows: Vec<Row> = rows.collect();
    if !rows.is_empty() {
        blocks.push(Block::Table(Table {
            columns: vec![
                Column::left("term", 2.5),
                Column::left("where it stands", 3.4),
                Column::left("of which on-periods", 2.4),
                Column::right("judged", 0.9),
                Column::right("broken", 0.9),
                Column::right("cannot be judged", 1.2),
            ],
            rows,
            caption: Words::of("The terms, and how often they were broken"),
            is_mono: false,
            excerpt: None,
        }));
    }
    for (term, name) in &all {
        for (n, judged) in term.judged.iter().enumerate() {
            let before = n.checked_sub(1).and_then(|n| term.judged.get(n));
            if before.is_some_and(|before| before.violations == judged.violations) {
                // Nothing was left out of this group: its pairs are those of the table before.
                continue;
            }
            if !judged.violations.is_empty() {
                blocks.extend(pairs(unit, term, judged, &format!("{name}.{n}")));
            }
        }
    }
    blocks
}

fn summary_row(unit: &Unit<'_>, term: &Term, judged: &Judged, is_first: bool, name: &str) -> Row {
    let (text, stands) = match is_first {
        true => (term_words(unit, term), stands(unit, term)),
        false => (Words::new(), Words::new()),
    };
    Row {
        cells: vec![
            text,
            stands,
            Words::of(whose(term.kind, judged.whose)),
            unit.heart(format!("{name}.pairs"), judged.pairs.to_string()),
            unit.heart(
                format!("{name}.violations"),
                judged.violations.len().to_string(),
            )
            .bold(),
            unit.heart(format!("{name}.open"), judged.open.to_string()),
        ],
        note: None,
    }
}

fn term_words(unit: &Unit<'_>, term: &Term) -> Words {
    let limit = |key, shown: String| unit.job(key, shown);
    match term.kind {
        TermKind::StartsPerHour => Words::of("at most ")
            .then(limit("limits.starts_per_hour", term.limit.to_string()))
            .say(" starts an hour"),
        TermKind::LeastOff => {
            Words::of("off for at least ").then(limit("limits.min_off_s", seconds(term.limit)))
        }
        TermKind::LeastRun => {
            Words::of("on for at least ").then(limit("limits.min_run_s", seconds(term.limit)))
        }
        TermKind::Equalised => Words::of("off for ")
            .figure(seconds(EQUALISED_S), Source::Rule("cycling.EQUALISED_S"))
            .say(", so that pressures can equalise"),
    }
}

fn seconds(limit_s: f64) -> String {
    format!("{limit_s} s")
}

fn stands(unit: &Unit<'_>, term: &Term) -> Words {
    let key = match term.kind {
        TermKind::StartsPerHour => "limits.starts_per_hour_from",
        TermKind::LeastOff => "limits.min_off_from",
        TermKind::LeastRun => "limits.min_run_from",
        TermKind::Equalised => {
            return Words::of("common practice, no source; no term of the claim");
        }
    };
    match &term.citation {
        Some(citation) => Words::of("“")
            .then(unit.job(key, citation.clone()))
            .say("”"),
        None => Words::of("the job file does not say where"),
    }
}

const fn whose(kind: TermKind, whose: Whose) -> &'static str {
    match (kind, whose) {
        (_, Whose::All) => "all starts",
        (TermKind::StartsPerHour, _) => "without those after the protector opened",
        (_, Whose::Control) => "ended by the control",
        (_, Whose::Protector) => "ended by the protector",
        (_, Whose::Supply) => "ended by the supply",
        (_, Whose::Unknown) => "ended by what is not known",
    }
}

/// Every pair that breaks a term.
fn pairs(unit: &Unit<'_>, term: &Term, judged: &Judged, name: &str) -> Vec<Block> {
    let (first, second, value) = match term.kind {
        TermKind::StartsPerHour => (
            "first start",
            "start that is one too many",
            "starts from the first on",
        ),
        TermKind::LeastOff | TermKind::Equalised => ("current ended", "current began", "off for"),
        TermKind::LeastRun => ("current began", "current ended", "on for"),
    };
    let row = |(n, pair): (usize, &Violation)| Row {
        cells: vec![
            Words::figured((n + 1).to_string(), Source::Paper),
            unit.heart(
                format!("{name}.{n}.first_at"),
                unit.scribe.instant(pair.first_at),
            ),
            unit.heart(
                format!("{name}.{n}.second_at"),
                unit.scribe.instant(pair.second_at),
            ),
            unit.heart(
                format!("{name}.{n}.value"),
                match term.kind {
                    TermKind::StartsPerHour => format!("{:.0}", pair.value),
                    _ => unit.scribe.duration(pair.value),
                },
            ),
        ],
        note: None,
    };
    let heading = Words::of("Broken: ")
        .then(term_words(unit, term))
        .say(" (")
        .say(whose(term.kind, judged.whose))
        .say(")");
    vec![
        Block::Subheading(heading),
        Block::Small(stands(unit, term)),
        Block::Table(Table {
            columns: vec![
                Column::right("no.", 0.4),
                Column::left(first, 2.4),
                Column::left(second, 2.4),
                Column::right(value, 1.6),
            ],
            rows: judged.violations.iter().enumerate().map(row).collect(),
            caption: Words::of("Each pair that breaks the term"),
            is_mono: false,
            excerpt: super::excerpt(
                judged.violations.len(),
                PAIRS_PRINTED,
                "in the HTML file of this report",
            ),
        }),
    ]
}

fn bounds(unit: &Unit<'_>) -> Table {
    let cycling = &unit.cycling;
    let starts = &cycling.starts;
    let span = whole(unit.evidence.span);
    let mut rows = Vec::new();
    for (what, key, control) in [
        ("starts, all", "all", false),
        (
            "starts, without those after the protector opened",
            "control",
            true,
        ),
    ] {
        let of =
            |end: &str, value: u32| unit.heart(format!("starts.{key}.{end}"), value.to_string());
        rows.push(vec![
            Words::of(what),
            of("seen", starts.seen_in(span, control)),
            of("least", starts.least_in(span, control)),
            of("most", starts.most_in(span, control)),
        ]);
    }
    for (what, key, rolling) in [
        (
            "starts in the busiest hour, all",
            "rolling",
            cycling.rolling,
        ),
        (
            "the same, without those after the protector opened",
            "rolling_control",
            cycling.rolling_control,
        ),
    ] {
        let Some(rolling) = rolling else { continue };
        let of =
            |end: &str, value: u32| unit.heart(format!("cycling.{key}.{end}"), value.to_string());
        rows.push(vec![
            Words::of(what),
            of("seen", rolling.seen),
            of("least", rolling.least),
            of("most", rolling.most),
        ]);
    }
    let duty = cycling.duty;
    let share = |end: &str, value: f64| {
        let shown = if value.is_finite() {
            unit.scribe.share(value)
        } else {
            NOTHING.to_owned()
        };
        unit.heart(format!("cycling.duty.{end}"), shown)
    };
    rows.push(vec![
        Words::of("share of the time on"),
        share("share", duty.share),
        share("least", duty.least),
        share("most", duty.most),
    ]);
    Table {
        columns: vec![
            Column::left("what", 4.0),
            Column::right("as seen", 1.2),
            Column::right("at least", 1.2),
            Column::right("at most", 1.2),
        ],
        rows: rows
            .into_iter()
            .map(|cells| Row { cells, note: None })
            .collect(),
        caption: Words::of("What was seen, and the least and the most that it can have been"),
        is_mono: false,
        excerpt: None,
    }
}

fn bounds_words(unit: &Unit<'_>) -> Words {
    let unseen = unit.cycling.duty.unseen_s;
    Words::of("Not observed: ")
        .then(unit.heart("cycling.duty.unseen_s", unit.scribe.duration(unseen)))
        .say(" in ")
        .then(unit.heart("cycling.unseen", unit.cycling.unseen.len().to_string()))
        .say(" gaps of more than ")
        .figure(
            unit.scribe.duration(SHORT_GAP_S),
            Source::Rule("cycling.SHORT_GAP_S"),
        )
        .say(": a shorter one hides no start. The least assumes that nothing happened in them but what must have; the most that as many starts as fit, no \
              closer together than ")
        .then(unit.heart(
            "cycling.starts.spacing_us",
            unit.scribe.duration(unit.cycling.starts.spacing_us as f64 / 1e6),
        ))
        .say(".")
}

fn times(unit: &Unit<'_>) -> Table {
    let cycling = &unit.cycling;
    let off = &cycling.off_times;
    let rows = [
        ("on", "cycling.on_times", &cycling.on_times),
        (
            "off after a control",
            "cycling.off_times.control",
            &off.control,
        ),
        (
            "off after the protector",
            "cycling.off_times.protector",
            &off.protector,
        ),
        (
            "off after the supply failed",
            "cycling.off_times.supply",
            &off.supply,
        ),
        (
            "off after what is not known",
            "cycling.off_times.unknown",
            &off.unknown,
        ),
    ]
    .into_iter()
    .filter(|(_, _, times)| times.count > 0)
    .map(|(what, name, times)| times_row(unit, what, name, times));
    Table {
        columns: vec![
            Column::left("what", 2.4),
            Column::right("how many", 1.0),
            Column::right("shortest", 1.3),
            Column::right("a tenth below", 1.4),
            Column::right("median", 1.3),
            Column::right("a tenth above", 1.4),
            Column::right("longest", 1.3),
        ],
        rows: rows.collect(),
        caption: Words::of("How long it was on and off"),
        is_mono: false,
        excerpt: None,
    }
}

fn times_row(unit: &Unit<'_>, what: &'static str, name: &str, times: &Times) -> Row {
    let mut cells = vec![
        Words::of(what),
        unit.heart(format!("{name}.count"), times.count.to_string()),
    ];
    for (n, quantile_s) in times.quantiles_s.iter().flatten().enumerate() {
        cells.push(unit.heart(
            format!("{name}.quantiles_s.{n}"),
            unit.scribe.duration(*quantile_s),
        ));
    }
    Row { cells, note: None }
}

fn hours(unit: &Unit<'_>) -> Vec<Block> {
    let cycling = &unit.cycling;
    let number = |name: String, value: u32| unit.heart(name, value.to_string());
    let (columns, rows): (Vec<Column>, Vec<Row>) = if cycling.hours.len() <= HOURS_MAX {
        let rows = cycling.hours.iter().enumerate().map(|(n, hour)| {
            let name = format!("cycling.hours.{n}");
            vec![
                unit.heart(format!("{name}.local"), hour.local.clone()),
                number(format!("{name}.seen"), hour.seen),
                number(format!("{name}.resets"), hour.resets),
                number(format!("{name}.least"), hour.least),
                number(format!("{name}.most"), hour.most),
                unit.heart(format!("{name}.observed"), unit.scribe.share(hour.observed)),
            ]
        });
        let columns = vec![
            Column::left("clock hour from", 2.2),
            Column::right("starts seen", 1.0),
            Column::right("of them after the protector", 1.6),
            Column::right("at least", 0.9),
            Column::right("at most", 0.9),
            Column::right("observed", 1.0),
        ];
        (
            columns,
            rows.map(|cells| Row { cells, note: None }).collect(),
        )
    } else {
        let rows = cycling.hours_of_day.iter().enumerate().map(|(n, hour)| {
            let name = format!("cycling.hours_of_day.{n}");
            let per_hour = f64::from(hour.seen) / (hour.observed_s / 3600.0);
            vec![
                number(format!("{name}.hour"), hour.hour),
                number(format!("{name}.seen"), hour.seen),
                unit.heart(
                    format!("{name}.observed_s"),
                    unit.scribe.duration(hour.observed_s),
                ),
                unit.heart(
                    format!("{name}.per_hour"),
                    if per_hour.is_finite() {
                        format!("{per_hour:.2}")
                    } else {
                        NOTHING.to_owned()
                    },
                ),
            ]
        });
        let columns = vec![
            Column::right("hour of the day", 1.0),
            Column::right("starts seen", 1.0),
            Column::right("observed", 1.4),
            Column::right("starts an hour", 1.2),
        ];
        (
            columns,
            rows.map(|cells| Row { cells, note: None }).collect(),
        )
    };
    if rows.is_empty() {
        return Vec::new();
    }
    vec![
        Block::Subheading(Words::of("Starts in each hour")),
        Block::Table(Table {
            columns,
            rows,
            caption: Words::of("Starts by the hours of the place’s clocks"),
            is_mono: false,
            excerpt: None,
        }),
    ]
}
