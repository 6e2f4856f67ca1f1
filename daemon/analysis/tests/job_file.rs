//! Job files as people write them, good and bad.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a failed test has to stop"
)]

use std::fs;
use std::path::{Path, PathBuf};

use nightclamp_analysis::job::{ClampOn, Job, ProtectorKind, TemperatureScale};
use nightclamp_analysis::sensor::Ntc;
use nightclamp_protocol::BoardId;
use proptest::prelude::*;

/// Every file of `fixtures/jobs/bad`: one that is added or lost without this list is told.
const BAD: [&str; 30] = [
    "board-id",
    "board-not-in-double-brackets",
    "board-twice",
    "board-unlisted",
    "channels-not-a-table",
    "clamp",
    "empty",
    "inverter-drive",
    "job-table",
    "key-twice",
    "limits",
    "name-on-two-lines",
    "nameplate-exchanged",
    "nameplate-range",
    "not-toml",
    "not-utf8",
    "place-of-two-roles",
    "place-of-two-units",
    "places",
    "protector",
    "protector-closes-above-opening",
    "thermistor",
    "thermistor-coefficients-exchanged",
    "three-phase",
    "unit-names",
    "unit-not-in-double-brackets",
    "unit-without-keys",
    "unknown-keys",
    "windows-editor",
    "wrong-types",
];
const GOOD: [&str; 4] = [
    "harbour-bakery",
    "smallest",
    "two-compressors",
    "windows-editor",
];

fn jobs(folder: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../fixtures/jobs")
        .join(folder)
}

/// The names of the files in a folder, without their end, sorted.
fn listing(folder: &str) -> Vec<String> {
    let files = fs::read_dir(jobs(folder)).unwrap();
    let names = files.map(|file| file.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<_> = names
        .map(|name| name.trim_end_matches(".toml").to_owned())
        .collect();
    names.sort();
    names
}

fn good(name: &str) -> Job {
    let file = format!("{name}.toml");
    Job::parse_bytes(&fs::read(jobs("good").join(&file)).unwrap(), &file).unwrap()
}

/// The message a text gets, without the file's name.
fn refusal(text: &str) -> String {
    Job::parse(text, "job.toml")
        .unwrap_err()
        .to_string()
        .replace("job.toml:", "")
}

/// A bad file says in its first lines, `# expect: LINE: KEY: WHAT`, all that is wrong with it.
#[test]
fn bad_job_files_are_refused_in_the_words_they_expect() {
    assert_eq!(listing("bad"), BAD);
    for name in BAD {
        let file = format!("{name}.toml");
        let bytes = fs::read(jobs("bad").join(&file)).unwrap();
        let text = String::from_utf8_lossy(&bytes);
        let expected: Vec<_> = text
            .lines()
            .filter_map(|line| line.strip_prefix("# expect: "))
            .map(|what| format!("{file}:{what}"))
            .collect();
        let error = Job::parse_bytes(&bytes, &file).expect_err(name);
        let message = error.to_string();
        assert!(!expected.is_empty(), "{name} expects nothing");
        assert_eq!(message.lines().collect::<Vec<_>>(), expected, "{name}");
    }
}

#[test]
fn every_key_of_a_full_job_file_arrives() {
    assert_eq!(listing("good"), GOOD);
    let job = good("harbour-bakery");
    assert_eq!(job.name, "Proofing-room freezer, three nights");
    assert_eq!(job.site.as_deref(), Some("harbour-bakery"));
    assert_eq!(job.timezone, chrono_tz::Europe::Lisbon);
    assert_eq!(job.temperature, TemperatureScale::Celsius);
    let board = job.board(BoardId(0x7f3a_91c2)).unwrap();
    assert_eq!(
        board.port.as_deref(),
        Some("/dev/serial/by-id/usb-refboard-7f3a91c2")
    );

    let [freezer] = &job.units[..] else {
        panic!("one unit")
    };
    assert_eq!(
        (freezer.name.as_str(), freezer.board),
        ("freezer", BoardId(0x7f3a_91c2))
    );
    assert_eq!(
        (freezer.rated_load_a, freezer.locked_rotor_a),
        (Some(1.90), Some(12.4))
    );
    assert_eq!(
        (freezer.clamp_on, freezer.clamp_turns),
        (ClampOn::Common, 1)
    );
    let roles: Vec<_> = freezer.channels.roles().collect();
    let expected = [
        ("current", "common"),
        ("case", "case"),
        ("ambient", "ambient"),
        ("supply", "supply"),
        ("demand", "demand"),
        ("start_current", "start"),
        ("dome", "dome"),
        ("box", "box"),
    ];
    assert_eq!(roles, expected);
    let protector = &freezer.protector;
    assert_eq!(protector.kind, ProtectorKind::ExternalStrip);
    assert_eq!(
        (protector.opens_c, protector.opens_tol_c),
        (Some(120.0), Some(5.0))
    );
    assert_eq!(
        (protector.closes_c, protector.closes_tol_c),
        (Some(61.0), Some(9.0))
    );
    assert_eq!(protector.longest_trip_s, Some(60.0));
    assert_eq!(
        (protector.heating_c_per_a2, protector.heating_tau_s),
        (None, None)
    );
    let limits = &freezer.limits;
    assert_eq!(
        (limits.starts_per_hour, limits.min_off_s, limits.min_run_s),
        (Some(6.0), Some(180.0), Some(120.0))
    );
}

/// The defaults that `daemon/JOBFILE.md` documents.
#[test]
fn what_is_not_given_has_its_documented_default() {
    let job = good("smallest");
    assert_eq!(
        (job.site.as_deref(), job.temperature, job.boards.len()),
        (None, TemperatureScale::Celsius, 0)
    );
    let [unit] = &job.units[..] else {
        panic!("one unit")
    };
    assert_eq!((unit.clamp_on, unit.clamp_turns), (ClampOn::Common, 1));
    assert_eq!((unit.rated_load_a, unit.locked_rotor_a), (None, None));
    assert_eq!(
        unit.channels.roles().collect::<Vec<_>>(),
        [("current", "common")]
    );
    assert_eq!(unit.protector, Default::default());
    assert_eq!(unit.protector.kind, ProtectorKind::Unknown);
    assert_eq!(unit.limits, Default::default());
    assert_eq!((unit.sensors, job.clock_s), (Default::default(), None));
}

#[test]
fn compressors_share_a_board_and_thermistors_have_their_coefficients() {
    let job = good("two-compressors");
    assert_eq!(job.temperature, TemperatureScale::Fahrenheit);
    let board = job.board(BoardId(0x7f3a_91c2)).unwrap();
    let (a, b, c) = (1.129148e-3, 2.34125e-4, 8.76741e-8);
    assert_eq!(board.ntc_at("box"), Some(Ntc::SteinhartHart { a, b, c }));
    assert_eq!(
        board.ntc_at("room"),
        Some(Ntc::Beta {
            beta_k: 3950.0,
            r25_ohm: 10_000.0
        })
    );
    assert_eq!(board.ntc_at("case"), None);
    let names: Vec<_> = job
        .units_of(BoardId(0x7f3a_91c2))
        .map(|unit| unit.name.as_str())
        .collect();
    assert_eq!(names, ["freezer", "cooler"]);
    let freezer = &job.units[0];
    assert_eq!(
        (freezer.clamp_on, freezer.clamp_turns),
        (ClampOn::Appliance, 5)
    );
    assert_eq!(
        freezer.limits.starts_per_hour_from.as_deref(),
        Some("compressor data sheet, page 2")
    );
    assert_eq!(job.units[1].protector.heating_tau_s, Some(9.0));
}

/// A byte-order mark and carriage returns, as some editors write them.
#[test]
fn a_file_of_another_editor_is_read() {
    assert_eq!(good("windows-editor").name, "Câmara frigorífica");
}

const SMALLEST: [&str; 7] = [
    "[job]",
    "name = \"Freezer\"",
    "timezone = \"UTC\"",
    "[[unit]]",
    "name = \"freezer\"",
    "board = \"7f3a91c2\"",
    "channels.current = \"common\"",
];

#[test]
fn only_these_keys_are_needed_and_each_is_missed() {
    assert!(Job::parse(&SMALLEST.join("\n"), "job.toml").is_ok());
    let needed = [
        (1, "1: job.name: "),
        (2, "1: job.timezone: "),
        (4, "4: unit.name: "),
        (5, "4: unit.board: "),
        (6, "4: unit.channels.current: "),
    ];
    for (taken_out, told) in needed {
        let mut lines = SMALLEST.to_vec();
        lines.remove(taken_out);
        let message = refusal(&lines.join("\n"));
        assert!(
            message.starts_with(&format!("{told}missing, and it has no default; ")),
            "{message}"
        );
        assert_eq!(message.lines().count(), 1, "{message}");
    }
}

#[test]
fn what_is_too_much_is_refused() {
    let long = format!("{}\n# {}", SMALLEST.join("\n"), "x".repeat(300_000));
    assert_eq!(
        refusal(&long),
        format!("1: {} bytes; a job file has at most 262144", long.len())
    );
    let nested = format!("a = {}{}", "[".repeat(100_000), "]".repeat(100_000));
    assert!(refusal(&nested).contains("not TOML"));
    let boards: String = (0..17)
        .map(|id| format!("[[board]]\nid = \"{id:08x}\"\n"))
        .collect();
    assert!(refusal(&boards).contains("board: there are 17; at most 16 are allowed"));
}

/// A quarter of a megabyte of slips, in every table that takes keys: bounded messages, and not a minute of work for them.
#[test]
fn very_many_problems_are_told_in_part() {
    let keys = |before: &str| -> String {
        (0..25_000)
            .map(|n| format!("{before}k{n:x} = 1\n"))
            .collect()
    };
    let root = keys("");
    let texts = [
        (root.clone(), 25_000 + 2),
        (format!("[job]\n{root}"), 25_000 + 2),
        (
            format!("[[board]]\nid = \"7f3a91c2\"\n[board.ntc]\n{root}"),
            25_000 + 2,
        ),
        (format!("[[unit]]\n{root}"), 25_000 + 2 + 3),
    ];
    for (text, problems) in texts {
        let message = refusal(&text);
        let lines: Vec<&str> = message.lines().collect();
        assert_eq!(lines.len(), 51);
        let told = format!(
            ": {} more problems from here on; mend those above first",
            problems - 50
        );
        assert!(lines[50].ends_with(&told), "{} for {told}", lines[50]);
    }
}

/// What turns or hides text is not repeated to a terminal, wherever in the file it stands.
#[test]
fn a_message_commands_no_terminal() {
    let turning = "\u{202e}gnp\u{2066}\u{2028}\u{1b}[2J\u{9b}";
    let escaped = "\\u202egnp\\u2066\\u2028\\u001b[2J\\u009b";
    for text in [
        format!("\"{escaped}\" = 1"),
        format!("'{turning}' = 1"),
        format!("{turning} = 1"),
        format!(
            "[job]\nsite = \"{escaped}\"\ntimezone = \"{escaped}\"\nname = \"{escaped}\"\ntemperature = \"{escaped}\""
        ),
        format!("[[board]]\nid = \"{escaped}\"\nport = \"{escaped}\"\nntc.\"{escaped}\" = 1"),
        "[[unit]]\nname = \"\u{202e}\"\nboard = \"\u{202e}abc\"\nchannels.current = \"\u{202e}\""
            .to_owned(),
        "[job]\ntimezone = \"\u{202e}\"".to_owned(),
        format!("job = {turning}"),
    ] {
        let message = refusal(&text);
        let unfit = |c: char| {
            (c.is_control() && c != '\n')
                || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
        };
        assert!(!message.contains(unfit), "{message:?}");
    }
}

/// The text between ``` lines of `daemon/JOBFILE.md`, and the keys that its tables explain.
fn documentation() -> (Vec<String>, Vec<String>) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../JOBFILE.md");
    let text = fs::read_to_string(path).unwrap();
    let examples = text
        .split("```toml\n")
        .skip(1)
        .map(|rest| rest.split("```").next().unwrap().to_owned())
        .collect();
    let rows = text.lines().filter_map(|line| line.strip_prefix("| `"));
    (
        examples,
        rows.map(|row| row.split('`').next().unwrap().to_owned())
            .collect(),
    )
}

#[test]
fn examples_of_the_documentation_are_good() {
    let (examples, _) = documentation();
    assert_eq!(examples.len(), 3);
    for example in examples {
        Job::parse(&example, "JOBFILE.md").unwrap();
    }
}

/// Which keys there are is asked of the program: it lists them when one is wrong.
#[test]
fn every_key_is_documented_and_no_other() {
    let text = "\
        [job]\nwrong = 1\n[[board]]\nwrong = 1\n[board.ntc.dome]\nwrong = 1\n\
        [[unit]]\nwrong = 1\n[unit.channels]\nwrong = 1\n[unit.protector]\nwrong = 1\n[unit.limits]\nwrong = 1\n\
        [unit.sensors]\nwrong = 1\n";
    let message = refusal(text);
    let lists = message
        .lines()
        .filter_map(|line| line.split("unknown key; allowed here: ").nth(1));
    let tables = ["ntc", "channels", "protector", "limits", "sensors"];
    let mut keys: Vec<&str> = lists
        .flat_map(|list| list.split(", "))
        .filter(|key| !tables.contains(key))
        .collect();
    let (_, mut documented) = documentation();
    keys.sort_unstable();
    documented.sort_unstable();
    assert_eq!(keys, documented);
}

/// A job file with one or two slips in it: some bytes replaced or taken out.
fn damaged() -> impl Strategy<Value = Vec<u8>> {
    let slip = (
        any::<prop::sample::Index>(),
        0usize..12,
        prop::collection::vec(any::<u8>(), 0..6),
    );
    (0..GOOD.len(), prop::collection::vec(slip, 1..3)).prop_map(|(file, slips)| {
        let mut bytes = fs::read(jobs("good").join(format!("{}.toml", GOOD[file]))).unwrap();
        for (place, taken, put) in slips {
            let from = place.index(bytes.len());
            let to = (from + taken).min(bytes.len());
            bytes.splice(from..to, put);
        }
        bytes
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(500))]

    /// Whatever was done to a job file: it is read, or refused with a line that it has and a sentence; never a panic.
    #[test]
    fn a_damaged_job_file_is_read_or_refused_by_line(bytes in damaged()) {
        if let Err(error) = Job::parse_bytes(&bytes, "job.toml") {
            let lines = 1 + bytes.iter().filter(|&&byte| byte == b'\n').count();
            prop_assert!(!error.problems.is_empty());
            for problem in &error.problems {
                prop_assert!((1..=lines).contains(&problem.line), "{}", error);
                prop_assert!(!problem.what.is_empty());
            }
            let one_line_each = error.to_string().lines().count() == error.problems.len();
            prop_assert!(one_line_each, "{}", error);
        }
    }

    /// What is accepted is within what the documentation says.
    #[test]
    fn numbers_are_accepted_only_in_their_range(number in prop::num::f64::ANY, turns: i64) {
        let with = |line: String| Job::parse(&format!("{}\n{line}", SMALLEST.join("\n")), "job.toml");
        let rated = with(format!("rated_load_a = {number:?}"));
        prop_assert_eq!(rated.is_ok(), (0.01..=200.0).contains(&number));
        if let Ok(job) = rated {
            prop_assert_eq!(job.units[0].rated_load_a, Some(number));
        }
        prop_assert_eq!(with(format!("clamp_turns = {turns}")).is_ok(), (1..=100).contains(&turns));
    }
}
