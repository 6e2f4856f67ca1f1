//! Whatever a record holds, its report is made, says what it is, and is the same each time.

#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

mod common;

use std::collections::HashSet;
use std::fs;
use std::path::Path;

use common::{Scratch, files, options, record, record_without_old_logs, scenario};
use nightclamp_analysis::Projection;
use nightclamp_analysis::job::{Job, TemperatureScale};
use nightclamp_analysis::rows::{CycleRow, EndedBy, EventKind, EventRow, SampleRow, Sink};
use nightclamp_archive::{Ear, Stored, replay, verify_overheard};
use nightclamp_protocol::BoardId;
use nightclamp_report::document::{Block, Document, Table};
use nightclamp_report::views::{Part, Why};
use nightclamp_report::{Options, Paper, Period, compose, gather, write};

fn text_of(document: &Document) -> String {
    let mut text = String::new();
    document.each_words(|words| {
        text.push_str(&words.text());
        text.push('\n');
    });
    text.replace('\u{a0}', " ")
}

fn report_of(dir: &Path) -> String {
    let material = gather(dir, Period::default(), "0.0.0").unwrap();
    let files = write(dir, &options()).unwrap();
    assert!(files.pdf.starts_with(b"%PDF-") && files.html.ends_with("</html>\n"));
    text_of(&compose(&material, None))
}

#[test]
fn the_same_record_gives_the_same_bytes_and_another_period_or_paper_others() {
    let scratch = Scratch::new();
    let dir = record(&scratch, scenario("demo", 1), 4.0, |job| job);
    let first = write(&dir, &options()).unwrap();
    assert_eq!(first, write(&dir, &options()).unwrap());
    assert_eq!(first.fails, Vec::<String>::new());
    let letter = Options {
        paper: Paper::Letter,
        ..options()
    };
    assert_ne!(first.pdf, write(&dir, &letter).unwrap().pdf);
    let half = Options {
        period: Period {
            from_us: Some(common::BEGIN_US + 3_600_000_000),
            to_us: Some(common::BEGIN_US + 7_200_000_000),
        },
        ..options()
    };
    let half = write(&dir, &half).unwrap();
    assert!(
        half.html.contains("2026-11-25 19:00:00") && !half.html.contains("2026-11-25 18:00:00")
    );
    let nothing = Options {
        period: Period {
            from_us: None,
            to_us: Some(common::BEGIN_US - 1),
        },
        ..options()
    };
    let error = write(&dir, &nothing).unwrap_err().to_string();
    assert!(
        error.starts_with("no sample of the record lies in the period"),
        "{error}"
    );
}

#[test]
fn a_record_of_no_on_period_of_a_week_or_without_a_bead_has_a_report() {
    let idle = Scratch::new();
    let text = report_of(&record(&idle, scenario("steady", 1), 0.02, |job| job));
    assert!(
        text.contains("No current was seen within the period."),
        "{text}"
    );

    let week = Scratch::new();
    let mut slow = scenario("slow", 1);
    slow.board.period_ms = 30_000;
    let dir = record(&week, slow, 7.0 * 24.0, |job| job);
    let text = report_of(&dir);
    assert!(
        text.contains("The record as charts") && text.contains("2026-12-02"),
        "{text}"
    );

    let bare = Scratch::new();
    let dir = record(&bare, scenario("locked", 1), 1.0, |job| {
        job.lines()
            .filter(|line| !line.starts_with("case ="))
            .fold(String::new(), |all, line| all + line + "\n")
    });
    let text = report_of(&dir);
    assert!(
        text.contains("No bead was on the protector’s case"),
        "{text}"
    );
    assert!(text.contains("locked-rotor"), "{text}");
}

#[test]
fn damage_is_said_on_the_first_page_and_nothing_is_made_of_the_damaged_file() {
    let scratch = Scratch::new();
    let dir = record(&scratch, scenario("demo", 1), 4.0, |job| job);
    let whole = report_of(&dir);
    assert!(whole.contains("All of it holds"), "{whole}");
    let table = dir.join("events/unit=freezer/000001.parquet");
    let raw = files(&dir.join("raw"), ".log").remove(0);
    for path in [table, raw] {
        let kept = fs::read(&path).unwrap();
        let mut bytes = kept.clone();
        let middle = bytes.len() / 2;
        bytes[middle] ^= 1;
        fs::write(&path, bytes).unwrap();
        let text = report_of(&dir);
        let named = path.strip_prefix(&dir).unwrap().display().to_string();
        let shown = format!("{named}: its bytes are not those that were sealed");
        assert!(
            text.contains("The record is damaged or does not agree with itself."),
            "{text}"
        );
        assert!(text.contains(&shown), "{shown}: {text}");
        fs::write(&path, kept).unwrap();
    }
    assert_eq!(report_of(&dir), whole);
}

#[test]
fn a_hostile_name_stays_text() {
    let scratch = Scratch::new();
    let hostile = r#"</title><script>alert(1)</script> evil) Tj \\( \u0022 & 冷 مجمد"#;
    let dir = record(&scratch, scenario("locked", 1), 0.5, |job| {
        job.replace("Sealed rotor", hostile)
            .lines()
            .map(
                |line| match line.starts_with("name = ") && !line.contains("freezer\"") {
                    true => format!("name = \"{hostile}\"\n"),
                    false => format!("{line}\n"),
                },
            )
            .collect()
    });
    let files = write(&dir, &options()).unwrap();
    assert!(!files.html.contains("<script"));
    assert!(
        files
            .html
            .contains("&lt;/title&gt;&lt;script&gt;alert(1)&lt;/script&gt;")
    );
    assert!(!files.html.contains('\u{202e}'));
    assert!(files.pdf.starts_with(b"%PDF-"));
}

#[test]
fn each_unit_has_a_part_of_its_own() {
    let scratch = Scratch::new();
    let dir = record(&scratch, scenario("two-units", 1), 2.0, |job| job);
    let material = gather(&dir, Period::default(), "0.0.0").unwrap();
    let document = compose(&material, None);
    assert_eq!(document.parts.len(), material.units.len() + 1);
}

#[test]
fn raw_logs_that_were_removed_on_purpose_are_no_damage_and_are_not_hidden() {
    let scratch = Scratch::new();
    let mut sparse = scenario("demo", 1);
    sparse.board.period_ms = 10_000;
    let dir = record_without_old_logs(&scratch, sparse, 5);
    let manifest = fs::read_to_string(dir.join("manifest.jsonl")).unwrap();
    assert!(manifest.contains("\"removed\""), "nothing was removed");
    assert!(manifest.contains("\"stepped_us\":1800000000"), "{manifest}");
    assert_eq!(write(&dir, &options()).unwrap().fails, Vec::<String>::new());
    let text = report_of(&dir);
    assert!(!text.contains("damaged or does not agree"), "{text}");
    assert!(text.contains("were removed on purpose"), "{text}");
    assert!(!text.contains("All of it holds"), "{text}");
    // Instants are still named by the clock as it was last set.
    assert!(text.contains("2026-11-25 18:30:10"), "{text}");
}

/// `fixtures/README.md` says what is in it; what the figures have to be, `analysis/tests/bench_results.rs` works out by hand.
#[test]
fn a_bench_test_has_a_sheet_that_says_what_its_results_say() {
    let scratch = Scratch::new();
    let fixtures = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/bench");
    let job = fs::read_to_string(fixtures.join("strip-120v.toml")).unwrap();
    let heart = Projection::new(Job::parse(&job, "job.toml").unwrap());
    let dir = scratch.join("record");
    replay(&[fixtures.join("strip-120v.raw")], &job, heart, &dir, None).unwrap();
    let material = gather(&dir, Period::default(), "0.0.0").unwrap();
    let results = material.bench.clone().unwrap();
    let document = compose(&material, Some(TemperatureScale::Celsius));
    let mut text = String::new();
    let sheet = document.parts.first().unwrap();
    assert!(sheet.is_one_sheet);
    let alone = Document {
        parts: vec![sheet.clone()],
        ..document.clone()
    };
    text.push_str(&text_of(&alone));
    let mut said = vec![results.partial.to_owned()];
    for run in &results.runs {
        let seconds = run.on_s.map(|timed| format!("{:.2}", timed.s));
        let amps = [run.start_a, run.end_a, run.rms_a].map(|a| a.map(|a| format!("{a:.2}")));
        let case = [run.case_trip_c, run.case_max_c].map(|c| c.map(|c| format!("{c:.1}")));
        said.extend(seconds.into_iter().chain(amps.into_iter().flatten()));
        said.extend(case.into_iter().flatten());
    }
    for of in &results.judged.statistics {
        said.extend([of.what.to_owned(), of.summary.count.to_string()]);
    }
    for of in &results.judged.limits {
        said.extend([of.what.to_owned(), of.verdict.as_str().to_owned()]);
    }
    assert!(said.len() > 40, "{said:?}");
    for part in said {
        assert!(text.contains(&part), "{part:?} is missing: {text}");
    }
    for paper in [Paper::A4, Paper::Letter] {
        let pdf = nightclamp_report::pdf::write(&alone, paper).unwrap();
        let all = String::from_utf8_lossy(&pdf);
        assert_eq!(all.matches("/Type /Page\n").count(), 1, "{paper:?}");
        assert_eq!(pdf, nightclamp_report::pdf::write(&alone, paper).unwrap());
    }
    // Of a part of the test nothing is judged.
    let part = Period {
        from_us: results.span.map(|(from, _)| from + 60_000_000),
        to_us: None,
    };
    assert!(gather(&dir, part, "0.0.0").unwrap().bench.is_none());
}

/// What the heart said of one unit and its board.
#[derive(Default)]
struct Told {
    cycles: Vec<CycleRow>,
    events: Vec<(String, EventRow)>,
}

impl Sink for Told {
    fn table(&mut self, _: &nightclamp_protocol::Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {}
    fn event(&mut self, of: &str, row: EventRow) {
        self.events.push((of.to_owned(), row));
    }
    fn cycle(&mut self, _: &str, row: CycleRow) {
        self.cycles.push(row);
    }
}

impl Ear for Told {
    fn fed(&mut self, _: &Projection) {}
}

#[test]
fn what_a_report_reads_is_what_was_said_and_each_sample_of_its_period() {
    let scratch = Scratch::new();
    let dir = record(&scratch, scenario("demo", 1), 11.0, |job| job);
    let (_, told) = verify_overheard(&dir, |_| Told::default()).unwrap();
    let kinds: HashSet<EventKind> = told.events.iter().map(|(_, event)| event.kind).collect();
    for kind in [EventKind::Sensor, EventKind::SensorBack, EventKind::GapEnd] {
        assert!(kinds.contains(&kind), "the night has no {kind:?}");
    }
    let whole = gather(&dir, Period::default(), "0.0.0").unwrap();
    let unit = &whole.units[0];
    assert_eq!(unit.cycles, told.cycles);
    // The invented board's clock runs 35 ppm fast (simboard, `parts.rs`).
    let rate = whole.boards[0].rate.unwrap();
    assert!(
        (rate.fast_ppm - 35.0).abs() < 1.0 && rate.over_s > 30_000.0,
        "{rate:?}"
    );
    let said_of = |name: &str| -> Vec<EventRow> {
        let of_it = told.events.iter().filter(|(of, _)| of == name);
        of_it.map(|(_, event)| event.clone()).collect()
    };
    assert_eq!(unit.events, said_of("freezer"));
    assert_eq!(
        unit.board_events,
        said_of(&format!("board-{}", unit.unit.board))
    );

    // A period of which both ends lie within table files, counted by the table itself.
    let (from, until) = (
        common::BEGIN_US + 5_000_000_000,
        common::BEGIN_US + 31_000_000_000,
    );
    let part = Period {
        from_us: Some(from),
        to_us: Some(until),
    };
    let mut times = Vec::new();
    let mut stored = Stored::open(&dir).unwrap();
    let board = unit.unit.board.to_string();
    stored
        .samples(&board, &[], i64::MIN..i64::MAX, |time, _| times.push(time))
        .unwrap();
    assert_eq!(unit.samples, times.len() as u64);
    assert!(times.len() > 390_000, "{}", times.len());
    times.retain(|time| (from..until).contains(time));
    let part = gather(&dir, part, "0.0.0").unwrap();
    assert_eq!(part.units[0].samples, times.len() as u64);
    let span = part.units[0].span.unwrap();
    assert_eq!(
        (Some(&span.from), Some(&span.until)),
        (times.first(), times.last())
    );
}

/// Every table of a document.
fn tables(document: &Document) -> Vec<&Table> {
    let blocks = document.parts.iter().flat_map(|part| &part.blocks);
    blocks
        .filter_map(|block| match block {
            Block::Table(table) => Some(table),
            _ => None,
        })
        .collect()
}

#[test]
fn many_openings_in_many_nights_are_summed_up_in_print_and_none_is_lost() {
    let scratch = Scratch::new();
    let mut sparse = scenario("demo", 1);
    sparse.board.period_ms = 2_000;
    let dir = record(&scratch, sparse, 12.5 * 24.0, |job| job);
    let material = gather(&dir, Period::default(), "0.0.0").unwrap();
    let unit = &material.units[0];
    let is_trip = |cycle: &&CycleRow| cycle.ended_by == Some(EndedBy::Protector);
    let trips = unit.cycles.iter().filter(is_trip).count();
    assert!(trips > 80, "{trips} openings");
    let document = compose(&material, None);
    let named = |caption: &str| {
        let found = tables(&document)
            .into_iter()
            .find(|table| table.caption.text().starts_with(caption));
        found.unwrap_or_else(|| panic!("no table {caption}"))
    };

    // All are there; paper has the first of them and says where the others are.
    let each = named("Each opening of the protector");
    let (printed, rest) = each.printed();
    assert_eq!(printed.len() + rest.len(), trips);
    let excerpt = each.excerpt.as_ref().unwrap();
    assert_eq!(
        excerpt.more.text(),
        format!("{} more, not printed", rest.len())
    );
    assert!(excerpt.place.text().contains("nightclamp table DIR cycles"));
    let html = nightclamp_report::html::write(&document);
    let folded = html.find("<details>").unwrap();
    let last = rest.last().unwrap().cells[1].text();
    assert!(html[folded..].contains(&last), "{last}");

    // By cause and by night they add up to the same.
    let numbers = |table: &Table, column: usize| -> usize {
        let cells = table.rows.iter().map(|row| row.cells[column].text());
        cells.map(|text| text.parse::<usize>().unwrap()).sum()
    };
    assert_eq!(
        numbers(named("Openings of the protector by cause"), 1),
        trips
    );
    let nights = named("What each night held");
    assert_eq!((nights.rows.len(), numbers(nights, 3)), (13, trips));

    // The whole, its weeks, and of the nights each at most once.
    let parts: Vec<_> = unit
        .charts
        .iter()
        .filter_map(|(view, _)| match view.why {
            Why::Night(part) => Some((part, view.span)),
            _ => None,
        })
        .collect();
    let count = |wanted: Part| parts.iter().filter(|(part, _)| *part == wanted).count();
    assert_eq!((count(Part::Whole), count(Part::Week)), (1, 2));
    assert_eq!((count(Part::MostOpenings), count(Part::Each)), (1, 0));
    let spans: HashSet<(i64, i64)> = parts.iter().map(|(_, s)| (s.from, s.until)).collect();
    assert_eq!(spans.len(), parts.len());
    let pdf = nightclamp_report::pdf::write(&document, Paper::A4).unwrap();
    let pages = String::from_utf8_lossy(&pdf)
        .matches("/Type /Page\n")
        .count();
    assert!(pages < 30, "{pages} pages");
}
