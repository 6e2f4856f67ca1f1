//! Every key of a job file with everything that it may not be, from the tables of `daemon/JOBFILE.md` and `BENCHPLAN.md`: each is refused with
//! file, line and key. What a key may be is read from the documentation, so that the two cannot part.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // tests stop where something is wrong

use std::fs;
use std::path::Path;

use nightclamp_analysis::job::Job;

/// A job file in which every documented key stands once, with a good value, on a line of its own.
const EVERY_KEY: &str = r#"[job]
name = "Proofing-room freezer"
timezone = "Europe/Lisbon"
site = "harbour-bakery"
temperature = "celsius"
clock_s = 2
[[board]]
id = "7f3a91c2"
port = "/dev/serial/by-id/usb-refboard"
[board.ntc.box]
steinhart = [1.129148e-3, 2.34125e-4, 8.76741e-8]
[board.ntc.ambient]
beta_k = 3950
r25_ohm = 10000
[[unit]]
name = "freezer"
board = "7f3a91c2"
rated_load_a = 1.9
locked_rotor_a = 12.4
clamp_on = "common"
clamp_turns = 1
[unit.channels]
current = "common"
case = "case"
ambient = "ambient"
supply = "supply"
demand = "demand"
start_current = "start"
dome = "dome"
box = "box"
[unit.protector]
kind = "external-strip"
model = "strip-120"
opens_c = 120.0
opens_tol_c = 5.0
closes_c = 61.0
closes_tol_c = 9.0
longest_trip_s = 60
heating_c_per_a2 = 0.62
heating_tau_s = 9.0
[unit.limits]
starts_per_hour = 6
starts_per_hour_from = "data sheet, page 2"
min_off_s = 180
min_off_from = "data sheet, page 2"
min_run_s = 120
min_run_from = "manual, section 4"
[unit.sensors]
clamp_percent = 2.0
clamp_range_percent = 0.5
clamp_range_a = 30
clamp_a = 0.05
bead_k = 1.5
[bench]
load = "locked-rotor"
repeats = 3
rest_s = 900
longest_reset_s = 900
hot_reading = true
cooled_reading = true
[bench.sensors]
clamp_percent = 2.0
clamp_range_percent = 0.5
clamp_range_a = 30
clamp_a = 0.05
bead_k = 1.5
time_s = 0.05
meter_percent = 1.0
meter_ohm = 0.05
[bench.trip]
start = "cold"
current_a = 12.0
ambient_c = 25
least_s = 5
most_s = 15
stands_in = "data sheet, page 2"
[bench.reset]
least_s = 60
most_s = 600
stands_in = "data sheet, page 2"
[bench.resistance]
least_ohm = 0.3
most_ohm = 0.5
stands_in = "data sheet, page 1"
"#;

/// A key with its table, as messages name it, and what the documentation allows.
struct Key {
    path: String,
    allowed: String,
}

/// The keys of the tables in `daemon/JOBFILE.md`, and of a plan's own in `daemon/BENCHPLAN.md`.
fn documented() -> Vec<Key> {
    let text = |file: &str| {
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("../daemon")
            .join(file);
        fs::read_to_string(path).unwrap()
    };
    let plan = text("BENCHPLAN.md");
    let (_, of_plan) = plan.split_once("\n## ").unwrap();
    let (mut table, mut keys) = (String::new(), Vec::new());
    for line in format!("{}\n## {of_plan}", text("JOBFILE.md")).lines() {
        if let Some(heading) = line
            .strip_prefix("## ")
            .or_else(|| line.strip_prefix("### "))
        {
            table = heading.trim_matches(['`', '[', ']']).to_owned();
        } else if line.starts_with("| `") {
            let columns: Vec<&str> = line.split(" | ").collect();
            let key = columns[0].trim_matches(['|', '`', ' ']);
            // A channel's row has no column for it: all of them are places.
            let allowed = if table == "unit.channels" {
                "place"
            } else {
                columns[2]
            };
            // Each form of a thermistor stands at a place of its own.
            let place = if key == "steinhart" { "box" } else { "ambient" };
            keys.push(Key {
                path: format!("{}.{key}", table.replace("PLACE", place)),
                allowed: allowed.trim_matches(['|', ' ']).to_owned(),
            });
        }
    }
    keys
}

/// The ends of a range, `1 to 100` within what is allowed.
fn range(allowed: &str) -> Option<(f64, f64)> {
    let words: Vec<&str> = allowed
        .split([' ', ','])
        .filter(|word| !word.is_empty())
        .collect();
    let at = words.iter().position(|word| *word == "to")?;
    Some((words[at - 1].parse().ok()?, words[at + 1].parse().ok()?))
}

/// Values that a key may not have, as they would stand in the file.
fn wrong(key: &Key) -> Vec<String> {
    let of_no_key = [
        "true",
        "false",
        "1979-05-27",
        "07:32:00",
        "{}",
        "{ a = 1 }",
        "[]",
        "[[]]",
        "[\"a\"]",
        "[[[[1]]]]",
        "nan",
        "inf",
        "-inf",
        "99999999999999999999",
        "-9223372036854775808",
        "0xFFFFFFFFFFFFFFFF",
        "1e400",
        "\"\"",
        "\"\"\"\n\"\"\"",
        "\"\\u0007\"",
        "\"\\u001b[2J\"",
        "\"\\u202e\"",
        "\"\\u2028\"",
    ];
    let mut values: Vec<String> = of_no_key.map(str::to_owned).to_vec();
    if key.allowed == "true or false" {
        values.retain(|value| !["true", "false"].contains(&value.as_str()));
    }
    values.push(format!("\"{}\"", "x".repeat(201)));
    values.push(format!("[{}]", "1,".repeat(1000)));
    let number = ["1", "-1", "1.5"].map(str::to_owned);
    let text = ["\"5\"", "\"a text\"", "\"nan\""].map(str::to_owned);
    let allowed = key.allowed.as_str();
    if let Some((least, most)) =
        range(allowed).filter(|_| !allowed.starts_with("three") && !allowed.starts_with("8 digits"))
    {
        values.extend(text);
        let beyond = |end: f64, by: f64| format!("{:?}", end + by * (end.abs() * 1e-6).max(1e-6));
        values.extend([
            beyond(least, -1.0),
            beyond(most, 1.0),
            format!("{:?}", most * 1e6),
            format!("{:?}", -most - 1e3),
        ]);
        if allowed.starts_with("whole") {
            values.extend(["1.0", "1.5", "0"].map(str::to_owned));
        }
    } else if allowed.starts_with("three numbers") {
        values.extend(text);
        values.extend(
            [
                "1.0",
                "[1.0, 2.0]",
                "[1.0, 2.0, 3.0, 4.0]",
                "[1.0, 2.0, nan]",
                "[1.0, 2.0, \"3\"]",
            ]
            .map(str::to_owned),
        );
    } else {
        values.extend(number);
        let is_free_text = allowed.starts_with("text");
        if !is_free_text {
            let unlike = [
                "\" \"",
                "\"Common\"",
                "\"7F3A91C2\"",
                "\"7f3a91c\"",
                "\"9x\"",
                "\"a b\"",
                "\"å\"",
                "\"../..\"",
                "\"-\"",
            ];
            values.extend(unlike.map(str::to_owned));
            values.push(format!("\"{}\"", "x".repeat(65)));
        }
        if allowed == "place" {
            values.extend(
                [
                    "\"time\"",
                    "\"a-raw\"",
                    "\"x-fault\"",
                    "\"a-place-of-17-cha\"",
                ]
                .map(str::to_owned),
            );
        }
    }
    values
}

/// The job file with another value for a key, and the line on which that stands.
fn with(key: &Key, value: &str) -> (String, usize) {
    let (table, name) = key.path.rsplit_once('.').unwrap();
    let (mut here, mut lines, mut line) = ("", Vec::new(), 0);
    for old in EVERY_KEY.lines() {
        here = if old.starts_with('[') {
            old.trim_matches(['[', ']'])
        } else {
            here
        };
        if here == table && old.starts_with(&format!("{name} =")) {
            line = lines.len() + 1;
            lines.push(format!("{name} = {value}"));
        } else {
            lines.push(old.to_owned());
        }
    }
    assert!(line > 0, "{} does not stand in EVERY_KEY", key.path);
    (lines.join("\n"), line)
}

#[test]
fn every_key_with_a_wrong_value_is_refused_with_file_line_and_key() {
    let keys = documented();
    assert!(keys.len() >= 60, "only {} keys are documented", keys.len());
    let mut tried = 0;
    for key in &keys {
        for value in wrong(key) {
            let (text, line) = with(key, &value);
            let error = Job::parse(&text, "harbour.toml")
                .expect_err(&format!("{} = {value} ({})", key.path, key.allowed))
                .to_string();
            let path = &key.path;
            let told = format!("harbour.toml:{line}: {path}: ");
            // A value that is no TOML at all is told with its line; there is no key then.
            let no_toml = format!("harbour.toml:{line}: not TOML");
            let is_told = error
                .lines()
                .any(|problem| problem.starts_with(&told) || problem.starts_with(&no_toml));
            assert!(is_told, "{path} = {value}:\n{error}");
            tried += 1;
        }
    }
    println!("{} keys, {tried} wrong values", keys.len());
}

#[test]
fn the_job_file_of_these_tests_is_good() {
    Job::parse(EVERY_KEY, "job.toml").unwrap();
}

/// A table where a value is needed, a value where a table is, one where there may be several.
#[test]
fn every_table_that_is_none_is_refused_with_its_name() {
    let tables = [
        "job",
        "board",
        "unit",
        "board.ntc",
        "board.ntc.box",
        "unit.channels",
        "unit.protector",
        "unit.limits",
        "unit.sensors",
    ];
    let values = [
        "1",
        "\"text\"",
        "true",
        "[]",
        "[1]",
        "[{}, 1]",
        "1979-05-27",
        "[[]]",
    ];
    for table in tables {
        for value in values {
            let before = match table.split_once('.') {
                Some(("board", _)) => "[[board]]\nid = \"7f3a91c2\"\n",
                Some(_) => "[[unit]]\nname = \"freezer\"\nboard = \"7f3a91c2\"\n",
                None => "",
            };
            let key = table.split_once('.').map_or(table, |(_, rest)| rest);
            let text = format!("{before}{key} = {value}\n");
            let error = Job::parse(&text, "harbour.toml").unwrap_err().to_string();
            let empty_list = value == "[]" && (table == "board" || table == "unit");
            let told = error.lines().any(|line| {
                line.starts_with("harbour.toml:") && line.contains(&format!(" {table}: "))
            });
            assert!(told || empty_list, "{table} = {value}:\n{error}");
        }
    }
}
