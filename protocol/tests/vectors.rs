//! The published vectors of `fixtures/vectors`, and every line printed in `SPEC.md`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a broken fixture is a failed test

use std::collections::BTreeSet;
use std::fmt::Write;

use nightclamp_protocol::{
    Command, Outcome, Record, Refusal, Session, TableChange, crc16_xmodem, decode, decode_command,
};

const LINES: &str = include_str!("../../fixtures/vectors/lines.tsv");
const STREAMS: &str = include_str!("../../fixtures/vectors/streams.tsv");
const SPEC: &str = include_str!("../SPEC.md");

/// The columns of every vector, with the number of its line in the file.
fn rows(file: &str) -> impl Iterator<Item = (usize, Vec<&str>)> {
    file.lines()
        .enumerate()
        .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'))
        .map(|(at, line)| (at + 1, line.split('\t').collect()))
}

/// Undoes `\\` and `\xHH`.
fn unescape(text: &str) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut rest = text.as_bytes();
    while let Some((&first, after)) = rest.split_first() {
        let (byte, left) = match after {
            _ if first != b'\\' => (first, after),
            [b'\\', after @ ..] => (b'\\', after),
            [b'x', high, low, after @ ..] => {
                let digits = [*high, *low];
                let digits = std::str::from_utf8(&digits).unwrap();
                (u8::from_str_radix(digits, 16).unwrap(), after)
            }
            _ => panic!("unknown escape in {text}"),
        };
        bytes.push(byte);
        rest = left;
    }
    bytes
}

fn refusal(refusal: Refusal) -> String {
    let name = refusal.name();
    match refusal {
        Refusal::Version(version) => format!("refused {name} {version}"),
        Refusal::ReservedPlace(index)
        | Refusal::DuplicatePlace(index)
        | Refusal::UndeclaredChannel(index)
        | Refusal::Contradiction(index) => format!("refused {name} {index}"),
        _ => format!("refused {name}"),
    }
}

fn record(record: &Record<'_>) -> String {
    match record {
        Record::Hello(h) => format!(
            "hello id={} boot={} channels={} period-ms={} firmware={}",
            h.id, h.boot, h.channels, h.period_ms, h.firmware
        ),
        Record::Channel(c) => format!(
            "channel index={} quantity={} unit={} exp={} place={} sensor={}",
            c.index,
            c.quantity,
            c.quantity.unit(),
            c.exp,
            c.place,
            c.sensor
        ),
        Record::Sample(s) => {
            let values: Vec<_> = s.readings.iter().map(ToString::to_string).collect();
            format!(
                "sample seq={} ms={} values={}",
                s.seq,
                s.ms,
                values.join(",")
            )
        }
        Record::Notice(n) => format!("notice ms={} what={} detail={}", n.ms, n.what, n.detail),
        Record::Answer(a) => {
            let command = char::from(a.command);
            format!(
                "answer ms={} command={command} ok={} reason={}",
                a.ms, a.ok, a.reason
            )
        }
        Record::Unknown(kind) => format!("unknown kind={}", char::from(*kind)),
    }
}

fn command(command: Command) -> String {
    match command {
        Command::Hello => "hello".to_owned(),
        Command::Period(period_ms) => format!("period ms={period_ms}"),
        Command::Zero(index) => format!("zero index={index}"),
        Command::Unknown(kind) => format!("unknown kind={}", char::from(kind)),
    }
}

#[test]
fn every_published_line_is_read_or_refused_as_published() {
    let mut wrong = String::new();
    let mut seen = BTreeSet::new();
    for (at, row) in rows(LINES) {
        let (line, expected) = (
            unescape(row[1]),
            String::from_utf8(unescape(row[2])).unwrap(),
        );
        let found = match row[0] {
            "board" => decode(&line).map_or_else(refusal, |good| record(&good)),
            "host" => decode_command(&line).map_or_else(refusal, command),
            other => panic!("line {at}: {other} is neither board nor host"),
        };
        if found != expected {
            writeln!(wrong, "line {at}: {}\n  {expected}\n  {found}", row[1]).unwrap();
        }
        seen.extend(
            expected
                .strip_prefix("refused ")
                .map(|kind| kind.split(' ').next().unwrap().to_owned()),
        );
    }
    assert!(wrong.is_empty(), "{wrong}");
    let kinds = [
        "bad-byte",
        "bad-crc",
        "empty",
        "malformed",
        "no-crc",
        "reserved-place",
        "too-long",
        "version",
    ];
    assert!(
        seen.iter().map(String::as_str).eq(kinds),
        "a kind of refusal without a vector: {seen:?}"
    );
}

fn outcome(outcome: Outcome) -> String {
    let change = |change| match change {
        TableChange::First => "table first",
        TableChange::Confirmed => "table confirmed",
        TableChange::NewBoot => "table new-boot",
        TableChange::NewTable => "table new-table",
        TableChange::NewBoard => "table new-board",
        TableChange::NewPeriod => "table new-period",
    };
    match outcome {
        Outcome::Sample => "sample",
        Outcome::Waiting => "waiting",
        Outcome::SampleOfNewBoot => "new-boot-sample",
        Outcome::Repeated => "repeated",
        Outcome::Refused(kind) => return refusal(kind),
        Outcome::BootBegun => "boot",
        Outcome::TableBegun(of) => change(of),
        Outcome::Nothing => "nothing",
    }
    .to_owned()
}

#[test]
fn every_published_stream_is_followed_as_published() {
    let mut wrong = String::new();
    let mut name = "";
    let mut session = Session::new();
    for (at, row) in rows(STREAMS) {
        if let Some(next) = row[0].strip_prefix("== ") {
            (name, session) = (next, Session::new());
            continue;
        }
        let arrival_us = (row[0].parse::<f64>().unwrap() * 1e6) as i64;
        let good = decode(row[1].as_bytes()).unwrap_or_else(|why| panic!("line {at}: {why}"));
        let found = outcome(session.accept(&good, arrival_us));
        if found != row[2] {
            writeln!(
                wrong,
                "line {at}, {name}: {}\n  {}\n  {found}",
                row[1], row[2]
            )
            .unwrap();
        }
        match row[2] {
            "sample" => assert!(session.table().is_some(), "line {at}: a sample of no table"),
            "waiting" | "new-boot-sample" | "boot" => {
                assert!(
                    session.table().is_none(),
                    "line {at}: a table holds, yet samples wait"
                );
            }
            _ => (),
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}

#[test]
fn every_line_printed_in_the_description_is_a_good_one() {
    let mut lines = 0;
    for text in SPEC.lines() {
        for word in text.split(['`', '|']).map(str::trim) {
            let Some((body, crc)) = word.rsplit_once('~') else {
                continue;
            };
            let body = body
                .split_once('@')
                .map_or(body, |(_, logged)| logged.split_once(' ').unwrap().1);
            if crc.len() == 4 && crc.bytes().all(|digit| digit.is_ascii_hexdigit()) {
                lines += 1;
                assert_eq!(
                    crc,
                    format!("{:04X}", crc16_xmodem(body.as_bytes())),
                    "{text}"
                );
                let line = format!("{body}~{crc}");
                assert!(
                    decode(line.as_bytes()).is_ok() || decode_command(line.as_bytes()).is_ok(),
                    "{text}"
                );
            }
        }
    }
    assert!(
        lines > 20,
        "only {lines} lines with a CRC were found in SPEC.md"
    );
}
