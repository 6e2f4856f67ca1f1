//! Plans of bench tests as people write them, good and bad; and that `daemon/BENCHPLAN.md` describes what is read.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says so by panicking

use std::fs;
use std::path::Path;

use nightclamp_analysis::bench::{Bench, CAUTIONS, Load, Start};
use nightclamp_analysis::job::{Job, ProtectorKind};

const HEAD: &str = "[job]\nname = \"Bench\"\ntimezone = \"Europe/Lisbon\"\n";
const UNIT: &str = "[[unit]]\nname = \"protector\"\nboard = \"7f3a91c2\"\nchannels.current = \"common\"\n\
                    protector.kind = \"external-strip\"\nprotector.longest_trip_s = 30\n";
const BENCH: &str = "[bench]\nload = \"locked-rotor\"\nrepeats = 3\n";

fn documentation() -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../BENCHPLAN.md");
    fs::read_to_string(path).unwrap()
}

#[test]
fn the_examples_of_the_documentation_are_plans() {
    let text = documentation();
    let blocks = text.split("```").skip(1).step_by(2);
    let examples: Vec<&str> = blocks
        .filter_map(|block| block.strip_prefix("toml"))
        .collect();
    assert_eq!(examples.len(), 2);
    for example in &examples {
        let job = Job::parse(example, "BENCHPLAN.md").unwrap();
        assert!(Bench::new(&job).is_some());
    }
    let job = Job::parse(examples[1], "BENCHPLAN.md").unwrap();
    let plan = job.bench.unwrap();
    assert_eq!((plan.load, plan.repeats), (Load::LockedRotor, 4));
    assert_eq!(job.units[0].protector.kind, ProtectorKind::ExternalStrip);
    let trip = plan.trip.unwrap();
    assert_eq!((trip.start, trip.current_a), (Start::Warm, 11.5));
    assert_eq!(trip.window.shown("s"), "3 to 9 s");
    // 2 % of 12 A and 0.05 A; 1 % of 0.4 Ohm and 0.05 Ohm.
    assert!((plan.sensors.clamp.unwrap().limit_a(12.0) - 0.29).abs() < 1e-12);
    assert!((plan.sensors.meter.unwrap().limit_ohm(0.4) - 0.054).abs() < 1e-12);
}

#[test]
fn every_key_is_documented_and_no_other() {
    let text = format!(
        "{HEAD}{UNIT}{BENCH}wrong = 1\n[bench.sensors]\nwrong = 1\n[bench.trip]\nwrong = 1\n[bench.reset]\nwrong = 1\n\
         [bench.resistance]\nwrong = 1\n"
    );
    let message = Job::parse(&text, "plan.toml").unwrap_err().to_string();
    let lists = message
        .lines()
        .filter_map(|line| line.split("unknown key; allowed here: ").nth(1));
    let tables = ["sensors", "trip", "reset", "resistance"];
    let keys = lists.flat_map(|list| list.split(", "));
    let mut keys: Vec<&str> = keys.filter(|key| !tables.contains(key)).collect();
    let doc = documentation();
    let rows = doc.split("## `[bench]`").nth(1).unwrap().lines();
    let mut documented: Vec<&str> = rows
        .filter_map(|row| row.strip_prefix("| `")?.split('`').next())
        .collect();
    keys.sort_unstable();
    documented.sort_unstable();
    assert_eq!(keys, documented);
}

#[test]
fn what_is_wrong_is_told_with_line_and_key() {
    let more = |lines: &str| format!("{HEAD}{UNIT}{BENCH}{lines}");
    for (text, told) in [
        (
            format!("{HEAD}{UNIT}[bench]\nrepeats = 3\n"),
            "10: bench.load: missing, and it has no default; what draws the current, \"locked-rotor\" or \"safe-load\", is needed",
        ),
        (
            format!("{HEAD}{BENCH}"),
            "4: bench: a bench test is of one protector: exactly one [[unit]] is needed beside [bench]",
        ),
        (
            format!("{HEAD}{UNIT}{BENCH}").replace("protector.longest_trip_s = 30\n", ""),
            "8: unit.protector.longest_trip_s: missing; a bench test needs the time after which",
        ),
        (
            format!("{HEAD}{UNIT}{BENCH}").replace("external-strip", "internal"),
            "8: unit.protector.kind: for a bench test \"external-strip\" or \"external-round\" is needed",
        ),
        (
            format!("{HEAD}{UNIT}{BENCH}").replace("longest_trip_s = 30", "longest_trip_s = -3"),
            "9: unit.protector.longest_trip_s: -3; a number from 1 to 3600 s is needed",
        ),
        (
            more("hot_reading = \"yes\"\n"),
            "13: bench.hot_reading: \"yes\" is a text; true or false is needed",
        ),
        (
            more("[bench.trip]\nstart = \"cold\"\ncurrent_a = 12\n"),
            "13: bench.trip.least_s: least_s or most_s or both are needed",
        ),
        (
            more("[bench.trip]\nstart = \"cold\"\nleast_s = 5\n"),
            "13: bench.trip.current_a: missing",
        ),
        (
            more("[bench.resistance]\nleast_ohm = 0.5\nmost_ohm = 0.3\n"),
            "15: bench.resistance.most_ohm: 0.3 is not above least_ohm, 0.5; are they exchanged?",
        ),
        (
            more("[bench.sensors]\nclamp_range_percent = 1\n"),
            "13: bench.sensors.clamp_range_a: clamp_range_percent and clamp_range_a go together",
        ),
        (
            more("[bench.reset]\nmost_s = -1\n"),
            "14: bench.reset.most_s: -1; a number from 0 to 86400 s is needed",
        ),
    ] {
        let error = Job::parse(&text, "plan.toml").unwrap_err().to_string();
        let told = format!("plan.toml:{told}");
        assert!(error.contains(&told), "not told: {told}\nbut:\n{error}");
        // Nobody is told twice of one mistake.
        assert_eq!(error.lines().count(), 1, "{error}");
    }
}

/// What catches the eye in the README's cautions, each said at the bench, too.
#[test]
fn the_cautions_of_the_readme_are_among_those_of_the_bench() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../README.md");
    let readme = fs::read_to_string(path).unwrap();
    let cautions = readme.split("\n## Cautions\n").nth(1).unwrap();
    let cautions = cautions.split("\n## ").next().unwrap();
    let said = CAUTIONS.map(|caution| format!("{} {}", caution.head, caution.text));
    let said = said.join(" ").to_lowercase();
    let heads: Vec<&str> = cautions.split("**").skip(1).step_by(2).collect();
    assert!(heads.len() >= 7, "{heads:?}");
    for part in heads.iter().flat_map(|head| head.split(", or ")) {
        let words = part.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(said.contains(&words.to_lowercase()), "{words}");
    }
}
