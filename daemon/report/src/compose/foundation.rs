//! What all of it rests on: how it was measured, how sure it is, what the check of the record gave, and its hashes.

use super::sureness;
use super::unit::Unit;
use crate::document::{Block, Column, Part, Row, Table};
use crate::material::{BoardMaterial, Channel, Material};
use crate::scribe::NOTHING;
use crate::words::{Source, Words};

/// So many sealed files are printed with their hashes; the chain stands for all of them.
const FILES_PRINTED: usize = 60;

/// The last part.
pub fn part(material: &Material, units: &[Unit<'_>]) -> Part {
    let mut blocks = vec![Block::Title {
        above: super::job_words(material),
        title: Words::of("What this rests on"),
    }];
    blocks.extend(method());
    blocks.extend(boards(material));
    blocks.extend(sureness::section(material, units));
    blocks.extend(check(material));
    blocks.extend(files(material));
    Part {
        blocks,
        is_one_sheet: false,
    }
}

fn method() -> Vec<Block> {
    vec![
        Block::Heading(Words::of("How it was measured")),
        Block::List(
            [
                "A clamp around the lead gives the current as a root mean square over whole mains cycles in each sample period; a \
                 bead under tape gives the temperature of the protector’s case. A board sends each sample as a line of text with a \
                 checksum; the host writes down every line as it came, with the time of its arrival, before anything is made of it.",
                "Everything else is made from those lines by one program, always alike: samples, events, on-periods, causes. It can \
                 be made again from the raw logs at any time, and has to come out the same.",
                "An on-period begins and ends where the current does; each edge is dated inside its sample period. Where a demand \
                 contact or the supply is wired, they decide between protector, control and supply. Without them, a control is said \
                 only if current and case put the protector clearly below its opening, and else the protector only if the evidence \
                 carries it.",
                "Causes: locked-rotor, the current stayed high from the start or came back up and stayed until it opened. Overload, \
                 running clearly above rated load. Overheat, at no more than rated load but as hot as it should open at. Early, \
                 neither explains it. Undetermined, the evidence does not decide.",
            ]
            .into_iter()
            .map(Words::of)
            .collect(),
        ),
    ]
}

fn boards(material: &Material) -> Vec<Block> {
    let mut blocks = vec![Block::Heading(Words::of("Boards and sensors"))];
    if material.boards.is_empty() {
        blocks.push(Block::Paragraph(Words::of(
            "No board said what it measures with, as far as the raw logs could be read.",
        )));
    }
    for board in &material.boards {
        blocks.push(Block::Paragraph(
            Words::of("Board ")
                .figure(board.id.clone(), Source::Record("board"))
                .say(", firmware ")
                .figure(board.firmware.clone(), Source::Record("firmware"))
                .say(", a sample every ")
                .figure(
                    format!("{} ms", board.period_ms),
                    Source::Record("period_ms"),
                )
                .say(". As it declared its channels last:"),
        ));
        blocks.push(Block::Table(channels(board)));
    }
    blocks
}

fn channels(board: &BoardMaterial) -> Table {
    let of = |text: String| Words::figured(text, Source::Record("channel"));
    let row = |channel: &Channel| Row {
        cells: vec![
            of(channel.place.clone()),
            of(channel.quantity.to_owned()),
            of(channel.sensor.clone()),
            of(last_digit(channel)),
            conversion(channel),
        ],
        note: None,
    };
    Table {
        columns: vec![
            Column::left("place", 1.3),
            Column::left("quantity", 1.2),
            Column::left("sensor", 1.0),
            Column::right("last digit", 1.0),
            Column::left("how it becomes a value", 4.0),
        ],
        rows: board.channels.iter().map(row).collect(),
        caption: Words::of("The board’s channels"),
        is_mono: false,
        excerpt: None,
    }
}

/// The last digit that a channel sends.
fn last_digit(channel: &Channel) -> String {
    let unit = match channel.unit {
        "Cel" => "°C",
        "1" => "",
        other => other,
    };
    let digits = usize::from(channel.exp.unsigned_abs());
    let value = 10_f64.powi(i32::from(channel.exp));
    let text = if channel.exp < 0 {
        format!("{value:.digits$}")
    } else {
        format!("{value:.0}")
    };
    format!("{text} {unit}").trim_end().to_owned()
}

fn conversion(channel: &Channel) -> Words {
    let text = match (channel.quantity, channel.sensor.as_str()) {
        ("emf", _) => {
            "EMF to temperature by the reference functions of IEC 60584-1, with the board’s cold junction"
        }
        ("resistance", "pt100" | "pt1000") => "resistance to temperature by IEC 60751",
        ("resistance", "ntc") => {
            "thermistor, by the coefficients in the job file if they are given"
        }
        ("contact", _) => "open or closed, as the board says",
        _ => "as the board says",
    };
    Words::of(text)
}

fn check(material: &Material) -> Vec<Block> {
    let check = &material.check;
    let told = |text: &String| Words::figured(text.clone(), Source::Record("check"));
    let mut blocks = vec![Block::Heading(Words::of("The check of the record"))];
    let bad: Vec<Words> = check
        .fails
        .iter()
        .map(|text| Words::new().stress("Does not hold: ").then(told(text)))
        .chain(
            check
                .left_out
                .iter()
                .map(|text| Words::new().stress("Left out: ").then(told(text))),
        )
        .collect();
    blocks.push(Block::Paragraph(Words::of(match (bad.is_empty(), check.removed) {
        (true, 1..) => "While this report was made, every sealed file was hashed and every table derived again as far as the raw logs \
                        are kept: some were removed on purpose. What could be checked holds:",
        (true, 0) => "While this report was made, every sealed file was hashed and every table derived again from the raw logs. All of it \
                 holds:",
        (false, _) => "While this report was made, every sealed file was hashed and every table derived again from the raw logs. Not all \
                  of it holds:",
    })));
    let good = check.holds.iter().chain(&check.notes).map(told);
    blocks.push(Block::List(bad.into_iter().chain(good).collect()));
    blocks.push(Block::Paragraph(
        Words::of("Anybody can repeat it: “nightclamp verify DIR” does on another machine what was done here; the hashes below are \
                   those of “sha256sum”; the tables open in any reader of Parquet. Made by Nightclamp ")
            .figure(material.software.clone(), Source::Record("software"))
            .say("."),
    ));
    blocks
}

fn files(material: &Material) -> Vec<Block> {
    let manifest = &material.manifest;
    let mut blocks = vec![
        Block::Heading(Words::of("Hashes")),
        Block::Paragraph(
            Words::of("Chain of the manifest: ")
                .then(Words::figured(manifest.chain.clone(), Source::Record("chain")).bold())
                .say(", over ")
                .figure(manifest.lines.to_string(), Source::Record("lines"))
                .say(if manifest.has_ended {
                    " lines; the record has ended and is wholly sealed."
                } else {
                    " lines; the record has not ended, and what came last is not sealed yet."
                }),
        ),
        Block::Small(Words::of(
            "Each line of manifest.jsonl names a sealed file with its SHA-256 and is chained to the line before. Who has kept the \
             chain of the last line, on this page, can tell later whether any of it was changed.",
        )),
    ];
    if !material.job_files.is_empty() {
        blocks.push(Block::Subheading(Words::of("Job files in force, in order")));
        let row = |(file, sha256): &(String, String)| Row {
            cells: vec![
                Words::figured(format!("raw/{file}"), Source::Record("job_files")),
                Words::figured(sha256.clone(), Source::Record("job_files")),
            ],
            note: None,
        };
        blocks.push(Block::Table(Table {
            columns: vec![Column::left("file", 2.0), Column::left("SHA-256", 5.0)],
            rows: material.job_files.iter().map(row).collect(),
            caption: Words::of("The job files"),
            is_mono: true,
            excerpt: None,
        }));
    }
    blocks.push(Block::Subheading(Words::of("Sealed files")));
    let rows = manifest.files.iter().map(|file| {
        let of = |column, shown: String| {
            let path = file.path.clone();
            Words::figured(shown, Source::File { path, column })
        };
        Row {
            cells: vec![
                of("path", file.path.clone()),
                of(
                    "rows",
                    file.rows
                        .map_or_else(|| NOTHING.to_owned(), |rows| rows.to_string()),
                ),
                of("bytes", file.bytes.to_string()),
                of("sha256", file.sha256.clone()),
            ],
            note: None,
        }
    });
    blocks.push(Block::Table(Table {
        columns: vec![
            Column::left("file", 3.7),
            Column::right("rows", 0.65),
            Column::right("bytes", 0.75),
            Column::left("SHA-256", 5.4),
        ],
        rows: rows.collect(),
        caption: Words::of("Sealed files of the record"),
        is_mono: true,
        excerpt: super::excerpt(
            manifest.files.len(),
            FILES_PRINTED,
            "in the HTML file of this report, and in manifest.jsonl",
        ),
    }));
    blocks
}
