//! From the tables of a job file to a checked [`Job`].

use chrono_tz::Tz;
use nightclamp_protocol::BoardId;
use toml::de::DeTable;

use super::problem::{JobError, Problem};
use super::section::{Notes, Section};
use super::words::{on_one_line, wrong_with_place};
use super::{
    Board, Channels, ClampOn, Job, Limits, Protector, ProtectorKind, Sensors, TemperatureScale,
    Unit,
};
use crate::bench::{ClampClass, Plan};
use crate::sensor::Ntc;

/// Longest job file, bytes.
const JOB_BYTES_MAX: usize = 256 * 1024;
/// Most boards of a job.
const BOARDS_MAX: usize = 16;
/// Most compressors of a job.
const UNITS_MAX: usize = 64;
/// Syntax errors that are reported; the rest are mostly consequences of the first.
const SYNTAX_PROBLEMS_MAX: usize = 3;

const ROOT_KEYS: [&str; 4] = ["job", "board", "unit", "bench"];
const JOB_KEYS: [&str; 5] = ["name", "site", "timezone", "temperature", "clock_s"];
const BOARD_KEYS: [&str; 3] = ["id", "port", "ntc"];
const NTC_KEYS: [&str; 3] = ["steinhart", "beta_k", "r25_ohm"];
const UNIT_KEYS: [&str; 10] = [
    "name",
    "board",
    "rated_load_a",
    "locked_rotor_a",
    "clamp_on",
    "clamp_turns",
    "channels",
    "protector",
    "limits",
    "sensors",
];
const CHANNEL_KEYS: [&str; 8] = [
    "current",
    "case",
    "ambient",
    "supply",
    "demand",
    "start_current",
    "dome",
    "box",
];
/// Roles of something that belongs to one compressor alone.
const OWN_ROLES: [&str; 4] = ["current", "case", "start_current", "dome"];
const PROTECTOR_KEYS: [&str; 9] = [
    "kind",
    "model",
    "opens_c",
    "opens_tol_c",
    "closes_c",
    "closes_tol_c",
    "longest_trip_s",
    "heating_c_per_a2",
    "heating_tau_s",
];
const LIMIT_KEYS: [&str; 6] = [
    "starts_per_hour",
    "starts_per_hour_from",
    "min_off_s",
    "min_off_from",
    "min_run_s",
    "min_run_from",
];
const SENSOR_KEYS: [&str; 5] = [
    "clamp_percent",
    "clamp_range_percent",
    "clamp_range_a",
    "clamp_a",
    "bead_k",
];

const SCALES: [(&str, TemperatureScale); 2] = [
    ("celsius", TemperatureScale::Celsius),
    ("fahrenheit", TemperatureScale::Fahrenheit),
];
const CLAMPS: [(&str, ClampOn); 2] = [
    ("common", ClampOn::Common),
    ("appliance", ClampOn::Appliance),
];
const KINDS: [(&str, ProtectorKind); 4] = [
    ("external-strip", ProtectorKind::ExternalStrip),
    ("external-round", ProtectorKind::ExternalRound),
    ("internal", ProtectorKind::Internal),
    ("unknown", ProtectorKind::Unknown),
];

const BOARD_ID_RULE: &str = "a board id, 8 digits 0-9 a-f in quotes such as \"7f3a91c2\",";
const TIMEZONE_RULE: &str = "an IANA time zone in quotes, such as \"Europe/Lisbon\",";

/// See [`Job::parse`].
pub(super) fn parse(text: &str, file: &str) -> Result<Job, JobError> {
    if text.len() > JOB_BYTES_MAX {
        let what = format!(
            "{} bytes; a job file has at most {JOB_BYTES_MAX}",
            text.len()
        );
        return Err(JobError::new(
            file,
            vec![Problem {
                line: 1,
                key: String::new(),
                what,
            }],
        ));
    }
    let notes = Notes::new(text);
    let (document, errors) = DeTable::parse_recoverable(text);
    for error in errors.iter().take(SYNTAX_PROBLEMS_MAX) {
        let what = format!(
            "not TOML: {}",
            on_one_line(&error.message().replace('\n', "; "))
        );
        notes.note(&error.span().unwrap_or_default(), String::new(), what);
    }
    let job = if errors.is_empty() {
        job(&Section::root(&notes, document.get_ref(), &ROOT_KEYS))
    } else {
        None
    };
    let problems = notes.into_problems();
    match job {
        Some(job) if problems.is_empty() => Ok(job),
        _ => Err(JobError::new(file, problems)),
    }
}

/// The job. Here and below `None` means that a problem was noted.
fn job(root: &Section<'_>) -> Option<Job> {
    let head = root.table("job", &JOB_KEYS);
    let name = head.required("name", head.text("name"), "a name for the job, in quotes,");
    let site = head.name("site");
    let timezone = timezone(&head);
    let temperature = head.word("temperature", &SCALES);
    let clock_s = head.number("clock_s", 0.0..=86_400.0, "s");
    let boards = boards(root);
    let units = units(root, boards.as_deref());
    let bench = root
        .keys()
        .contains(&"bench")
        .then(|| Plan::read(root, units.as_deref()));
    Some(Job {
        name: name?.to_owned(),
        site: site.map(str::to_owned),
        timezone: timezone?,
        temperature: temperature.unwrap_or_default(),
        clock_s,
        boards: boards?,
        units: units?,
        bench: match bench {
            Some(plan) => Some(plan?),
            None => None,
        },
    })
}

fn timezone(head: &Section<'_>) -> Option<Tz> {
    let name = head.required("timezone", head.text("timezone"), TIMEZONE_RULE)?;
    let zone = name.parse().ok();
    if zone.is_none() {
        head.note(
            "timezone",
            format!("{name:?} is no time zone; {TIMEZONE_RULE} is needed"),
        );
    }
    zone
}

fn boards(root: &Section<'_>) -> Option<Vec<Board>> {
    let sections = root.tables("board", BOARDS_MAX, &BOARD_KEYS);
    let boards: Vec<_> = sections.iter().map(board).collect();
    let ids = boards
        .iter()
        .map(|board| Some(board.as_ref()?.id.to_string()));
    note_repeated("id", sections.iter().zip(ids));
    let ports = boards.iter().map(|board| board.as_ref()?.port.clone());
    note_repeated("port", sections.iter().zip(ports));
    boards.into_iter().collect()
}

/// Notes every table in which a key has the value it has in an earlier one.
fn note_repeated<'s>(key: &str, values: impl Iterator<Item = (&'s Section<'s>, Option<String>)>) {
    let mut seen = Vec::new();
    for (section, value) in values {
        let Some(value) = value else { continue };
        if seen.contains(&value) {
            section.note(
                key,
                format!("{value} is given above already; each has its own"),
            );
        }
        seen.push(value);
    }
}

fn board(section: &Section<'_>) -> Option<Board> {
    let id = board_id(section, "id");
    let port = section.text("port").map(str::to_owned);
    let ntc = thermistors(&section.table_of_any("ntc"));
    Some(Board { id: id?, port, ntc })
}

fn board_id(section: &Section<'_>, key: &str) -> Option<BoardId> {
    let text = section.required(key, section.text(key), BOARD_ID_RULE)?;
    let is_id = text.len() == 8
        && text
            .bytes()
            .all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'));
    let id = u32::from_str_radix(text, 16)
        .ok()
        .filter(|_| is_id)
        .map(BoardId);
    if id.is_none() {
        section.note(key, format!("{text:?}; {BOARD_ID_RULE} is needed"));
    }
    id
}

/// `[board.ntc.PLACE]`, a table for each place.
fn thermistors(places: &Section<'_>) -> Vec<(String, Ntc)> {
    let mut thermistors = Vec::new();
    for place in places.keys() {
        if let Some(wrong) = wrong_with_place(place) {
            places.note(place, wrong);
        }
        let section = places.table(place, &NTC_KEYS);
        if let Some(ntc) = thermistor(&section) {
            thermistors.push((place.to_owned(), ntc));
        }
    }
    thermistors
}

fn thermistor(section: &Section<'_>) -> Option<Ntc> {
    let steinhart = section.numbers("steinhart");
    let beta_k = section.number("beta_k", Ntc::BETA_RANGE_K, "K");
    let r25_ohm = section.number("r25_ohm", 1.0..=1e7, "Ohm");
    let given = NTC_KEYS.map(|key| section.keys().contains(&key));
    if section.is_present() && given != [true, false, false] && given != [false, true, true] {
        section.note(
            "",
            "either steinhart = [A, B, C] or both beta_k and r25_ohm are needed",
        );
        return None;
    }
    let ntc = match (steinhart, beta_k, r25_ohm) {
        (Some([a, b, c]), ..) => Ntc::SteinhartHart { a, b, c },
        (None, Some(beta_k), Some(r25_ohm)) => Ntc::Beta { beta_k, r25_ohm },
        _ => return None,
    };
    if !ntc.is_plausible() {
        section.note(
            "",
            format!(
            "no thermistor has these; between 0 and 50 Cel they come to a beta outside {} to {} K",
            Ntc::BETA_RANGE_K.start(),
            Ntc::BETA_RANGE_K.end()
        ),
        );
    }
    Some(ntc)
}

fn units(root: &Section<'_>, boards: Option<&[Board]>) -> Option<Vec<Unit>> {
    let sections = root.tables("unit", UNITS_MAX, &UNIT_KEYS);
    let units: Vec<_> = sections
        .iter()
        .map(|section| unit(section, boards))
        .collect();
    let names = units.iter().map(|unit| Some(unit.as_ref()?.name.clone()));
    note_repeated("name", sections.iter().zip(names));
    note_shared_places(&sections, &units);
    units.into_iter().collect()
}

/// `boards` is `None` if not all of them could be read.
fn unit(section: &Section<'_>, boards: Option<&[Board]>) -> Option<Unit> {
    let name = unit_name(section);
    let board = board_id(section, "board");
    note_unlisted_board(section, board, boards.unwrap_or_default());
    let (rated_load_a, locked_rotor_a) = nameplate(section);
    let clamp_on = section.word("clamp_on", &CLAMPS);
    let clamp_turns = section.whole("clamp_turns", 1..=100);
    let channels = channels(&section.table("channels", &CHANNEL_KEYS));
    let protector = protector(&section.table("protector", &PROTECTOR_KEYS));
    let limits = limits(&section.table("limits", &LIMIT_KEYS));
    let sensors = sensors(&section.table("sensors", &SENSOR_KEYS));
    Some(Unit {
        name: name?,
        board: board?,
        rated_load_a,
        locked_rotor_a,
        clamp_on: clamp_on.unwrap_or_default(),
        clamp_turns: clamp_turns.unwrap_or(1),
        channels: channels?,
        protector,
        limits,
        sensors,
    })
}

fn unit_name(section: &Section<'_>) -> Option<String> {
    let name = section.required(
        "name",
        section.name("name"),
        "a name for the compressor, such as \"freezer\",",
    )?;
    if name.starts_with("board-") {
        section.note(
            "name",
            format!("{name:?}; names that begin with board- stand for the boards themselves"),
        );
    }
    Some(name.to_owned())
}

/// A job that lists boards has to list all it uses: a slip in a unit's board would otherwise leave the unit without data. A
/// job that is only replayed need not list any.
fn note_unlisted_board(section: &Section<'_>, named: Option<BoardId>, boards: &[Board]) {
    let Some(named) = named else { return };
    if !boards.is_empty() && boards.iter().all(|board| board.id != named) {
        let listed: Vec<_> = boards.iter().map(|board| board.id.to_string()).collect();
        section.note(
            "board",
            format!(
                "no [[board]] has the id {named}; there are {}",
                listed.join(", ")
            ),
        );
    }
}

fn nameplate(section: &Section<'_>) -> (Option<f64>, Option<f64>) {
    let rated_a = section.number("rated_load_a", 0.01..=200.0, "A");
    let locked_a = section.number("locked_rotor_a", 0.05..=2000.0, "A");
    if let (Some(rated_a), Some(locked_a)) = (rated_a, locked_a)
        && locked_a <= rated_a
    {
        section.note(
            "locked_rotor_a",
            format!("{locked_a} A is not above rated_load_a, {rated_a} A; are they exchanged?"),
        );
    }
    (rated_a, locked_a)
}

fn channels(section: &Section<'_>) -> Option<Channels> {
    let mut taken: Vec<(&str, &str)> = Vec::new();
    let mut role = |key: &'static str| {
        let place = section.place(key)?;
        if let Some((other, _)) = taken.iter().find(|(_, by_other)| *by_other == place) {
            section.note(
                key,
                format!("{place:?} is already the place of {other}; a channel has one role"),
            );
        }
        taken.push((key, place));
        Some(place.to_owned())
    };
    let current = role("current");
    let others = Channels {
        current: String::new(),
        case: role("case"),
        ambient: role("ambient"),
        supply: role("supply"),
        demand: role("demand"),
        start_current: role("start_current"),
        dome: role("dome"),
        cooled_space: role("box"),
    };
    let rule = "the place of the clamp on the board, such as \"common\",";
    Some(Channels {
        current: section.required("current", current, rule)?,
        ..others
    })
}

/// Two compressors may share ambient, supply, demand and box, but no clamp and no bead.
fn note_shared_places(sections: &[Section<'_>], units: &[Option<Unit>]) {
    let mut taken: Vec<(BoardId, &str, &str)> = Vec::new();
    for (section, unit) in sections.iter().zip(units) {
        let Some(unit) = unit else { continue };
        for (role, place) in unit
            .channels
            .roles()
            .filter(|(role, _)| OWN_ROLES.contains(role))
        {
            let others = taken.iter().filter(|(_, _, name)| *name != unit.name);
            for (_, _, name) in
                others.filter(|(board, by_other, _)| *board == unit.board && *by_other == place)
            {
                let what = format!(
                    "{place:?} of board {} belongs to unit {name} already",
                    unit.board
                );
                section.table_of_any("channels").note(role, what);
            }
            taken.push((unit.board, place, &unit.name));
        }
    }
}

fn protector(section: &Section<'_>) -> Protector {
    let protector = Protector {
        kind: section.word("kind", &KINDS).unwrap_or_default(),
        model: section.text("model").map(str::to_owned),
        opens_c: section.number("opens_c", 40.0..=250.0, "Cel"),
        opens_tol_c: section.number("opens_tol_c", 0.0..=50.0, "K"),
        closes_c: section.number("closes_c", -60.0..=240.0, "Cel"),
        closes_tol_c: section.number("closes_tol_c", 0.0..=50.0, "K"),
        longest_trip_s: section.number("longest_trip_s", 1.0..=3600.0, "s"),
        heating_c_per_a2: section.number("heating_c_per_a2", 1e-4..=1000.0, "K/A²"),
        heating_tau_s: section.number("heating_tau_s", 0.1..=3600.0, "s"),
    };
    if let (Some(opens_c), Some(closes_c)) = (protector.opens_c, protector.closes_c)
        && closes_c >= opens_c
    {
        section.note(
            "closes_c",
            format!("{closes_c} Cel is not below opens_c, {opens_c} Cel; are they exchanged?"),
        );
    }
    protector
}

fn limits(section: &Section<'_>) -> Limits {
    let citation = |key| section.text(key).map(str::to_owned);
    Limits {
        starts_per_hour: section.number("starts_per_hour", 0.1..=1000.0, ""),
        starts_per_hour_from: citation("starts_per_hour_from"),
        min_off_s: section.number("min_off_s", 0.0..=86_400.0, "s"),
        min_off_from: citation("min_off_from"),
        min_run_s: section.number("min_run_s", 0.0..=86_400.0, "s"),
        min_run_from: citation("min_run_from"),
    }
}

fn sensors(section: &Section<'_>) -> Sensors {
    Sensors {
        clamp: ClampClass::read(section),
        bead_k: section.number("bead_k", 0.0..=50.0, "K"),
    }
}
