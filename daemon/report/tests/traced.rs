//! Every number of a report is traced to where it comes from and worked out again from there.

#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

mod common;

use std::fs;
use std::path::Path;

use chrono::{DateTime, NaiveDateTime, Timelike};
use common::said::{Said, class, of_bench};
use nightclamp_analysis::Projection;
use nightclamp_analysis::bench::CAUTIONS;
use nightclamp_analysis::cycling::{Cycling, EQUALISED_S, Judged, SHORT_GAP_S, Term, Times};
use nightclamp_analysis::evidence::{Evidence, Span};
use nightclamp_analysis::findings::learned;
use nightclamp_analysis::job::{Job, TemperatureScale};
use nightclamp_analysis::night::night;
use nightclamp_analysis::rows::{CycleRow, EventRow};
use nightclamp_analysis::statistics::summary;
use nightclamp_archive::replay;
use nightclamp_report::material::{Material, UnitMaterial};
use nightclamp_report::scribe::duration;
use nightclamp_report::words::{Fold, Run, Source, Table};
use nightclamp_report::{compose, gather};

/// Figures in text that stands in the program: names of standards and the like.
const NAMES: [&str; 10] = [
    nightclamp_analysis::bench::ONE_DISC,
    "IEC 60730-2-4",
    "IEC 60335-2-34",
    "SHA-256",
    "IEC 60584-1",
    "IEC 60751",
    "JCGM 100:2008, 4.3.7",
    "95 %",
    "sha256sum",
    "°C",
];

struct Tracer<'a> {
    material: &'a Material,
    scale: TemperatureScale,
    traced: usize,
}

#[test]
fn every_number_of_a_report_is_traced_and_worked_out_again() {
    use TemperatureScale::{Celsius, Fahrenheit};
    for (name, seed, hours, scale) in [
        ("demo", 1, 8.0, Celsius),
        ("days", 1, 60.0, Celsius),
        ("random", 3, 5.0, Fahrenheit),
        ("random", 7, 5.0, Celsius),
        ("two-units", 2, 3.0, Celsius),
        ("rough-line", 1, 3.0, Celsius),
        ("short-cycling", 1, 3.0, Celsius),
    ] {
        let scratch = common::Scratch::new();
        let mut scenario = common::scenario(if name == "days" { "demo" } else { name }, seed);
        if name == "days" {
            // More nights than one, at a rate that takes no time.
            scenario.board.period_ms = 2_000;
        }
        let dir = common::record(&scratch, scenario, hours, |job| job);
        let traced = traced(&dir, scale);
        println!("{name}:{seed}: {traced} figures traced");
        assert!(traced > 150, "{name}: {traced} figures");
    }
}

#[test]
fn every_number_of_a_bench_tests_sheet_is_traced_and_worked_out_again() {
    use TemperatureScale::{Celsius, Fahrenheit};
    let fixtures = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/bench");
    let job = fs::read_to_string(fixtures.join("strip-120v.toml")).unwrap();
    let scratch = common::Scratch::new();
    let dir = scratch.join("record");
    let heart = Projection::new(Job::parse(&job, "job.toml").unwrap());
    replay(&[fixtures.join("strip-120v.raw")], &job, heart, &dir, None).unwrap();
    for scale in [Celsius, Fahrenheit] {
        let traced = traced(&dir, scale);
        println!("bench test in {scale:?}: {traced} figures traced");
        assert!(traced > 150, "{traced} figures");
    }
}

/// Traces every figure of a record's report; how many there are.
fn traced(dir: &Path, scale: TemperatureScale) -> usize {
    let material = gather(dir, common::options().period, "0.0.0").unwrap();
    let document = compose(&material, Some(scale));
    let mut tracer = Tracer {
        material: &material,
        scale,
        traced: 0,
    };
    document.each_words(|words| words.runs.iter().for_each(|run| tracer.run(run)));
    tracer.traced
}

impl Tracer<'_> {
    fn run(&mut self, run: &Run) {
        let Some(source) = &run.source else {
            let named = NAMES
                .iter()
                .fold(run.text.clone(), |text, name| text.replace(name, ""));
            assert!(
                !named.contains(|c: char| c.is_ascii_digit()),
                "untraced: {:?}",
                run.text
            );
            return;
        };
        if *source == Source::Paper {
            return;
        }
        let said = self.said(source);
        assert!(
            self.agrees(&run.text, &said),
            "{:?} is not {said:?}, of {source:?}",
            run.text
        );
        self.traced += 1;
    }

    /// What the source says, worked out without the code that wrote the document.
    fn said(&self, source: &Source) -> Said {
        match source {
            Source::Cell {
                table,
                unit,
                row,
                column,
            } => match table {
                Table::Cycles => cycle_cell(find_cycle(self.unit(unit), *row), column),
                Table::Events => event_cell(self.event(unit, *row), column),
            },
            Source::Cells {
                unit,
                rows,
                column,
                fold,
            } => {
                let cells: Vec<f64> = rows
                    .iter()
                    .map(
                        |row| match cycle_cell(find_cycle(self.unit(unit), *row), column) {
                            Said::Number(value) => value,
                            Said::Instant(us) => us as f64,
                            other => panic!("{other:?}"),
                        },
                    )
                    .collect();
                let all = summary(cells.iter().copied());
                Said::Number(match (fold, all) {
                    (Fold::Count, _) => cells.len() as f64,
                    (Fold::Least, Some(all)) => all.least,
                    (Fold::Median, Some(all)) => all.median,
                    (Fold::Most, Some(all)) => all.most,
                    (_, None) => panic!("a fold over nothing"),
                })
            }
            Source::Job { unit, key } => self.job(unit, key),
            Source::Heart { unit, name } => self.heart(self.unit(unit), name),
            Source::Sentence { unit, kind, rows } => {
                let evidence = self.unit(unit).evidence(self.material.job.timezone);
                let until = evidence.span.until + 1;
                let span = Span {
                    until,
                    ..evidence.span
                };
                let told = night(&evidence, span);
                let of_kind = told
                    .sentences
                    .iter()
                    .filter(|said| said.kind.as_str() == *kind);
                for row in rows {
                    let is_cycle = evidence.cycles.iter().any(|cycle| cycle.on_at == *row);
                    let mut events = evidence.events.iter().chain(evidence.board_events);
                    assert!(
                        is_cycle || events.any(|event| event.time == *row),
                        "no row {row}"
                    );
                }
                Said::Among(
                    of_kind
                        .flat_map(|said| [said.text.clone(), said.check.clone()])
                        .collect(),
                )
            }
            Source::Record(name) => self.record(name),
            Source::File { path, column } => {
                let file = self
                    .material
                    .manifest
                    .files
                    .iter()
                    .find(|file| file.path == *path)
                    .unwrap();
                match *column {
                    "path" => Said::Text(file.path.clone()),
                    "sha256" => Said::Text(file.sha256.clone()),
                    "bytes" => Said::Number(file.bytes as f64),
                    _ => file
                        .rows
                        .map_or(Said::Nothing, |rows| Said::Number(rows as f64)),
                }
            }
            Source::Bench(name) => of_bench(self.material.bench.as_ref().unwrap(), name),
            Source::Rule("cycling.SHORT_GAP_S") => Said::Number(SHORT_GAP_S),
            Source::Rule("cycling.EQUALISED_S") => Said::Number(EQUALISED_S),
            Source::Rule("bench.CAUTIONS") => {
                Said::Among(CAUTIONS.iter().map(|of| of.text.to_owned()).collect())
            }
            Source::Rule(name) => panic!("no rule {name}"),
            Source::Paper => Said::Nothing,
        }
    }

    fn unit(&self, name: &str) -> &UnitMaterial {
        self.material
            .units
            .iter()
            .find(|unit| unit.unit.name == name)
            .unwrap()
    }

    fn event(&self, of: &str, time: i64) -> Vec<&EventRow> {
        let rows = self.material.units.iter().flat_map(|unit| {
            let own = unit.unit.name == of;
            let of_board = format!("board-{}", unit.unit.board) == of;
            let none: &[EventRow] = &[];
            let events = if own { unit.events.as_slice() } else { none };
            let board = if of_board {
                unit.board_events.as_slice()
            } else {
                none
            };
            events.iter().chain(board)
        });
        rows.filter(|event| event.time == time).collect()
    }

    fn job(&self, unit: &str, key: &str) -> Said {
        let job = &self.material.job;
        if unit.is_empty() {
            return Said::Text(match key {
                "name" => job.name.clone(),
                "site" => job.site.clone().unwrap(),
                "clock_s" => return Said::Number(job.clock_s.unwrap()),
                _ => job.timezone.name().to_owned(),
            });
        }
        let of = &self.unit(unit).unit;
        let number =
            |value: Option<f64>| value.map_or(Said::Text("not given".to_owned()), Said::Number);
        let text = |value: &Option<String>| Said::Text(value.clone().unwrap());
        match key {
            "name" => Said::Text(of.name.clone()),
            "channels" => {
                let roles: Vec<&str> = of.channels.roles().map(|(role, _)| role).collect();
                Said::Text(roles.join(", "))
            }
            "clamp_turns" => Said::Number(f64::from(of.clamp_turns)),
            "rated_load_a" => number(of.rated_load_a),
            "locked_rotor_a" => number(of.locked_rotor_a),
            "protector.opens_c" => number(of.protector.opens_c),
            "protector.opens_tol_c" => number(of.protector.opens_tol_c),
            "protector.closes_c" => number(of.protector.closes_c),
            "protector.closes_tol_c" => number(of.protector.closes_tol_c),
            "sensors.clamp" => {
                let clamp = of.sensors.clamp.unwrap();
                let range = format!("% of {} A", clamp.range_a);
                class(&[
                    (clamp.percent, "%".to_owned()),
                    (clamp.range_percent, range),
                    (clamp.amps, "A".to_owned()),
                ])
            }
            "sensors.bead_k" => number(of.sensors.bead_k),
            "protector.heating_c_per_a2" => number(of.protector.heating_c_per_a2),
            "protector.heating_tau_s" => number(of.protector.heating_tau_s),
            "limits.starts_per_hour" => number(of.limits.starts_per_hour),
            "limits.min_off_s" => number(of.limits.min_off_s),
            "limits.min_run_s" => number(of.limits.min_run_s),
            "limits.starts_per_hour_from" => text(&of.limits.starts_per_hour_from),
            "limits.min_off_from" => text(&of.limits.min_off_from),
            "limits.min_run_from" => text(&of.limits.min_run_from),
            other => panic!("no key {other}"),
        }
    }

    fn record(&self, name: &str) -> Said {
        let material = self.material;
        let check = &material.check;
        Said::Among(match name {
            "software" => vec![material.software.clone()],
            "chain" => vec![material.manifest.chain.clone()],
            "lines" => vec![material.manifest.lines.to_string()],
            "removed" => vec![material.check.removed.to_string()],
            "check" => [
                &check.holds[..],
                &check.fails,
                &check.notes,
                &check.left_out,
            ]
            .concat(),
            "job_files" => material
                .job_files
                .iter()
                .flat_map(|(file, sha256)| [format!("raw/{file}"), sha256.clone()])
                .collect(),
            "rate" | "rate_over" => {
                let rates = material.boards.iter().filter_map(|board| board.rate);
                rates
                    .map(|rate| match name {
                        "rate" => format!("{:.0} ppm", rate.fast_ppm.abs()),
                        _ => duration(rate.over_s).replace('\u{a0}', " "),
                    })
                    .collect()
            }
            _ => material
                .boards
                .iter()
                .flat_map(|board| {
                    let own = [
                        board.id.clone(),
                        board.firmware.clone(),
                        format!("{} ms", board.period_ms),
                    ];
                    let channels = board.channels.iter().flat_map(|channel| {
                        let unit = channel.unit.replace("Cel", "°C");
                        let unit = if unit == "1" { "" } else { unit.as_str() };
                        let step = 10_f64.powi(i32::from(channel.exp));
                        let digit = format!("{step} {unit}").trim_end().to_owned();
                        [
                            channel.place.clone(),
                            channel.quantity.to_owned(),
                            channel.sensor.clone(),
                            digit,
                        ]
                    });
                    own.into_iter().chain(channels).collect::<Vec<_>>()
                })
                .collect(),
        })
    }

    fn heart(&self, unit: &UnitMaterial, name: &str) -> Said {
        let evidence = unit.evidence(self.material.job.timezone);
        let of_unit = |name: &str| match name {
            "name" => Some(Said::Text(unit.unit.name.clone())),
            "span.from" => Some(Said::Instant(evidence.span.from)),
            "span.until" => Some(Said::Instant(evidence.span.until)),
            "span.offset" => {
                let local = evidence.local(evidence.span.from);
                Some(Said::Text(format!("UTC{}", local.format("%:z"))))
            }
            "samples" => Some(Said::Number(unit.samples as f64)),
            "night.coverage" => {
                // No gap is too short for it: what lies between a last valid sample and the next is not covered.
                let span = evidence.span;
                let gaps = evidence.gaps().into_iter();
                let hidden: i64 = gaps.map(|gap| gap.until - gap.from).sum();
                Some(Said::Number(
                    1.0 - hidden as f64 / (span.until + 1 - span.from) as f64,
                ))
            }
            "cycles" => Some(Said::Number(unit.cycles.len() as f64)),
            "shown_offset_us" => Some(Said::Number(unit.shown_offset_us.abs() as f64 / 1e6)),
            _ => None,
        };
        of_unit(name).unwrap_or_else(|| {
            let parts: Vec<&str> = name.split('.').collect();
            match parts.as_slice() {
                ["charts", n, end] => {
                    let span = unit.charts[n.parse::<usize>().unwrap()].0.span;
                    Said::Instant(if *end == "from" {
                        span.from
                    } else {
                        span.until
                    })
                }
                ["nights", n, what] => night_figure(&evidence, n.parse().unwrap(), what),
                ["learned", what, end] => learned_figure(&evidence, what, end),
                ["own", rest @ ..] => own_figure(unit, rest),
                ["sensors", rest @ ..] => self.sensor_figure(unit, &evidence, rest),
                _ => cycling_figure(&evidence, &parts),
            }
        })
    }

    /// What the limits of error come to: any value within as likely (JCGM 100:2008, 4.3.7).
    fn sensor_figure(&self, unit: &UnitMaterial, evidence: &Evidence<'_>, parts: &[&str]) -> Said {
        let plan = self.material.bench.as_ref().map(|bench| bench.plan.sensors);
        let own = unit.unit.sensors;
        let (clamp, bead_k) = plan.map_or((own.clamp, own.bead_k), |of| (of.clamp, of.bead_k));
        let [what, at, which] = parts else {
            panic!("no figure {parts:?}")
        };
        let level = match *at {
            "rated" => unit.unit.rated_load_a,
            "locked" => unit.unit.locked_rotor_a,
            "running" => learned(evidence).running_a.map(|of| of.median),
            "locked_seen" => learned(evidence).locked_a.map(|(of, _)| of.median),
            _ => Some(f64::NAN),
        };
        let level = level.unwrap();
        let limit = match *what {
            "bead" => bead_k.unwrap(),
            _ => {
                let of = clamp.unwrap();
                of.percent / 100.0 * level + of.range_percent / 100.0 * of.range_a + of.amps
            }
        };
        Said::Number(match *which {
            "level" => level,
            "limit" => limit,
            _ => limit / 3.0_f64.sqrt(),
        })
    }

    fn agrees(&self, shown: &str, said: &Said) -> bool {
        let shown = shown.replace('\u{a0}', " ").replace('−', "-");
        match said {
            Said::Nothing => shown == "–",
            Said::Text(text) => shown == *text || self.told(text) == shown,
            Said::Among(texts) => texts.iter().any(|text| {
                !shown.is_empty()
                    && (text.starts_with(&shown) || self.told(text).starts_with(&shown))
            }),
            Said::Instant(us) => self.instant_agrees(&shown, *us),
            Said::Clock(us) => shown == self.local(*us).format("%H:%M:%S").to_string(),
            Said::Bare(value) => match self.scale {
                TemperatureScale::Celsius => self.number_agrees(&shown, *value),
                TemperatureScale::Fahrenheit => {
                    self.number_agrees(&shown, value.mul_add(1.8, 32.0))
                }
            },
            Said::Number(value) if !value.is_finite() => shown == "–",
            Said::Number(value) => self.number_agrees(&shown, *value),
        }
    }

    /// A text of the record with its instants by the clocks of the place. Sentences in °F: their figures are not those of the
    /// source, so that only their words are held against it.
    fn told(&self, text: &str) -> String {
        let by_place = |word: &str| {
            let bare = word.trim_end_matches(['.', ',', ';', ')']);
            match DateTime::parse_from_rfc3339(bare) {
                Ok(time) => {
                    let local = self.local(time.timestamp_micros());
                    word.replace(bare, &local.format("%Y-%m-%d %H:%M:%S").to_string())
                }
                Err(_) => word.to_owned(),
            }
        };
        let words: Vec<String> = text.split(' ').map(by_place).collect();
        let text = words.join(" ").replace('−', "-");
        if self.scale == TemperatureScale::Celsius {
            return text;
        }
        let job = &self.material.job;
        let span = Span { from: 0, until: 1 };
        nightclamp_report::scribe::Scribe::new(job.timezone, 0, self.scale, span)
            .told(&text)
            .replace('\u{a0}', " ")
    }

    /// An instant by the clocks of the place.
    fn local(&self, us: i64) -> DateTime<chrono_tz::Tz> {
        let offset_us = self.material.units[0].shown_offset_us;
        DateTime::from_timestamp_micros(us + offset_us)
            .unwrap()
            .with_timezone(&self.material.job.timezone)
    }

    fn instant_agrees(&self, shown: &str, us: i64) -> bool {
        let local = self.local(us);
        let at =
            NaiveDateTime::parse_from_str(shown.get(..19).unwrap(), "%Y-%m-%d %H:%M:%S").unwrap();
        let seconds = local.naive_local().and_utc().timestamp() - at.and_utc().timestamp();
        seconds == 0 && (shown.len() == 19 || shown.ends_with(&local.format("%:z").to_string()))
    }

    /// The figure shown is the source's, rounded to the digits that are shown.
    fn number_agrees(&self, shown: &str, value: f64) -> bool {
        let mut read = 0.0;
        let mut step = 1.0;
        let words: Vec<&str> = shown.split(' ').collect();
        let mut expected = value;
        for pair in words.chunks(2) {
            let figure: f64 = match pair[0].parse() {
                Ok(figure) => figure,
                Err(_) => return false,
            };
            let decimals = pair[0]
                .split_once('.')
                .map_or(0, |(_, decimals)| decimals.len());
            let factor = match pair.get(1).copied().unwrap_or("") {
                "h" => 3600.0,
                "min" => 60.0,
                "%" => {
                    expected = 100.0 * value;
                    1.0
                }
                "°F" => {
                    // A level, or a difference: a tolerance is one.
                    let level = value.mul_add(1.8, 32.0);
                    expected = if (figure - level).abs() < 0.051 {
                        level
                    } else {
                        1.8 * value
                    };
                    1.0
                }
                _ => 1.0,
            };
            read += factor * figure;
            step = factor * 10_f64.powi(-i32::try_from(decimals).unwrap());
        }
        // Minutes are cut, not rounded, and so is a share that is nearly the whole.
        let within = if shown.ends_with("min") || shown.ends_with('%') {
            1.0
        } else {
            0.5
        };
        (read - expected).abs() <= step * (within + 1e-6)
    }
}

fn find_cycle(unit: &UnitMaterial, on_at: i64) -> &CycleRow {
    unit.cycles
        .iter()
        .find(|cycle| cycle.on_at == on_at)
        .unwrap()
}

fn cycle_cell(row: &CycleRow, column: &str) -> Said {
    let number = |value: Option<f64>| value.map_or(Said::Nothing, Said::Number);
    let instant = |time: Option<i64>| time.map_or(Said::Nothing, Said::Instant);
    let text = |text: &str| Said::Text(text.to_owned());
    match column {
        "on_at" => instant(Some(row.on_at)),
        "off_at" => instant(row.off_at),
        "on_s" => number(row.on_s),
        "off_s" => number(row.off_s),
        "peak_a" => number(row.peak_a),
        "run_a" => number(row.run_a),
        "end_a" => number(row.end_a),
        "case_on_c" => number(row.case_on_c),
        "case_off_c" => number(row.case_off_c),
        "case_max_c" => number(row.case_max_c),
        "case_reset_c" => number(row.case_reset_c),
        "start_s" => number(row.start_s),
        "start" => text(row.start.as_str()),
        "ended_by" => text(row.ended_by.map_or("still on", |by| by.as_str())),
        "cause" => row
            .cause
            .map_or(Said::Nothing, |cause| text(cause.as_str())),
        "basis" => text(&row.basis),
        other => panic!("no column {other}"),
    }
}

/// What a reading by hand says of itself: what, how much, by whom.
fn read_by_hand(detail: &str) -> Option<[String; 3]> {
    let (_, rest) = detail.split_once(" what=")?;
    let (what, rest) = rest.split_once(" value=")?;
    let (value, by) = rest.split_once(" by=")?;
    Some([what, value, by].map(str::to_owned))
}

/// Of several events at one instant any may be meant.
fn event_cell(rows: Vec<&EventRow>, column: &str) -> Said {
    assert!(!rows.is_empty());
    match column {
        "time" => Said::Instant(rows[0].time),
        "kind" => Said::Among(
            rows.iter()
                .map(|row| row.kind.as_str().to_owned())
                .collect(),
        ),
        "detail" => {
            let details = rows.iter().map(|row| row.detail.clone());
            Said::Among(
                details
                    .chain(
                        rows.iter()
                            .filter_map(|row| read_by_hand(&row.detail))
                            .flatten(),
                    )
                    .collect(),
            )
        }
        other => panic!("no column {other}"),
    }
}

fn learned_figure(evidence: &Evidence<'_>, what: &str, end: &str) -> Said {
    let all = learned(evidence);
    let of = match what {
        "running_a" => all.running_a,
        "locked_a" => all.locked_a.map(|(of, _)| of),
        "start_s" => all.start_s,
        "floor_a" => all.floor_a,
        _ => all.noise_a,
    }
    .unwrap();
    Said::Number(match end {
        "median" => of.median,
        "least" => of.least,
        "most" => of.most,
        _ => of.count as f64,
    })
}

/// The nights of the place begin at its noons; whatever of one no gap covers was observed.
fn night_figure(evidence: &Evidence<'_>, n: usize, what: &str) -> Said {
    let end = evidence.span.until + 1;
    let noon = |after: i64| {
        let mut hour = evidence.hour_of(after + 3_600_000_000 - 1) + 3_600_000_000;
        while evidence.local(hour).hour() != 12 {
            hour += 3_600_000_000;
        }
        hour.min(end)
    };
    let (mut from, mut until) = (evidence.span.from, noon(evidence.span.from));
    for _ in 0..n {
        (from, until) = (until, noon(until));
    }
    if what == "from" {
        return Said::Instant(from);
    }
    let unseen = evidence.unseen().into_iter();
    let hidden: i64 = unseen
        .map(|gap| (gap.until.min(until) - gap.from.max(from)).max(0))
        .sum();
    Said::Number(1.0 - hidden as f64 / (until - from) as f64)
}

fn own_figure(unit: &UnitMaterial, parts: &[&str]) -> Said {
    let own = unit.own.as_ref().unwrap();
    let count = |count: usize| Said::Number(count as f64);
    match (parts, &own.fitted) {
        (["openings"], _) => count(own.openings),
        (["closings"], _) => count(own.closings),
        (["left_out"], _) => count(own.left_out.len()),
        (["older"], _) => count(own.older),
        (["why"], Err(why)) => Said::Text(why.to_string()),
        (["untold", n], Ok(fitted)) => {
            Said::Text(fitted.untold[n.parse::<usize>().unwrap()].to_string())
        }
        ([what, end], Ok(fitted)) => {
            let of = match *what {
                "heating_c_per_a2" => fitted.heating_c_per_a2,
                "tau_s" => fitted.tau_s,
                "opens_c" => fitted.opens_c,
                _ => fitted.closes_c.unwrap(),
            };
            assert!(of.told && of.low < of.value && of.value < of.high, "{of:?}");
            Said::Number(match *end {
                "value" => of.value,
                "low" => of.low,
                _ => of.high,
            })
        }
        _ => panic!("no figure {parts:?}"),
    }
}

fn cycling_figure(evidence: &Evidence<'_>, parts: &[&str]) -> Said {
    let cycling = Cycling::of(evidence);
    let until = evidence.span.until + 1;
    let whole = Span {
        until,
        ..evidence.span
    };
    let index = |text: &str| text.parse::<usize>().unwrap();
    let count = |value: u32| Said::Number(f64::from(value));
    match *parts {
        ["starts", which, end] => {
            let control = which == "control";
            count(match end {
                "seen" => cycling.starts.seen_in(whole, control),
                "least" => cycling.starts.least_in(whole, control),
                _ => cycling.starts.most_in(whole, control),
            })
        }
        ["cycling", "observed"] => Said::Number(cycling.observed),
        ["cycling", "unseen"] => Said::Number(cycling.unseen.len() as f64),
        ["cycling", "starts", "spacing_us"] => Said::Number(cycling.starts.spacing_us as f64 / 1e6),
        ["cycling", "duty", end] => Said::Number(match end {
            "share" => cycling.duty.share,
            "least" => cycling.duty.least,
            "most" => cycling.duty.most,
            _ => cycling.duty.unseen_s,
        }),
        ["cycling", "off_times", "left_out"] => Said::Number(cycling.off_times.left_out as f64),
        ["cycling", "on_times", ref rest @ ..] => times(&cycling.on_times, rest),
        ["cycling", "off_times", which, ref rest @ ..] => {
            let off = &cycling.off_times;
            let of = match which {
                "control" => &off.control,
                "protector" => &off.protector,
                "supply" => &off.supply,
                _ => &off.unknown,
            };
            times(of, rest)
        }
        ["cycling", which @ ("rolling" | "rolling_control"), end] => {
            let rolling = if which == "rolling" {
                cycling.rolling
            } else {
                cycling.rolling_control
            }
            .unwrap();
            count(match end {
                "seen" => rolling.seen,
                "least" => rolling.least,
                _ => rolling.most,
            })
        }
        ["cycling", "hours", n, what] => {
            let hour = &cycling.hours[index(n)];
            match what {
                "local" => Said::Text(hour.local.clone()),
                "seen" => count(hour.seen),
                "resets" => count(hour.resets),
                "least" => count(hour.least),
                "most" => count(hour.most),
                _ => Said::Number(hour.observed),
            }
        }
        ["cycling", "terms", n, ref rest @ ..] => judged(&cycling.terms[index(n)], rest),
        ["cycling", "equalised", ref rest @ ..] => judged(&cycling.equalised, rest),
        _ => panic!("no figure {parts:?}"),
    }
}

fn times(of: &Times, rest: &[&str]) -> Said {
    Said::Number(match *rest {
        ["count"] => of.count as f64,
        ["quantiles_s", n] => of.quantiles_s.unwrap()[n.parse::<usize>().unwrap()],
        _ => panic!("no figure {rest:?}"),
    })
}

fn judged(term: &Term, rest: &[&str]) -> Said {
    let index = |text: &str| text.parse::<usize>().unwrap();
    let group: &Judged = &term.judged[index(rest[0])];
    match rest[1..] {
        ["pairs"] => Said::Number(group.pairs as f64),
        ["violations"] => Said::Number(group.violations.len() as f64),
        ["open"] => Said::Number(group.open as f64),
        [n, "first_at"] => Said::Instant(group.violations[index(n)].first_at),
        [n, "second_at"] => Said::Instant(group.violations[index(n)].second_at),
        [n, "value"] => Said::Number(group.violations[index(n)].value),
        _ => panic!("no figure {rest:?}"),
    }
}
