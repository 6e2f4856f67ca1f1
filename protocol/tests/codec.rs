//! The CRC against its catalogue, the codec against itself, and any bytes whatever.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // what cannot be built here is a failed test

use nightclamp_protocol::{
    Answer, BoardId, Channel, Command, Fault, Framed, Framer, Hello, LINE_BUFFER, MAX_CHANNELS,
    MAX_EXP, MIN_EXP, Notice, Quantity, Reading, Readings, Record, Refusal, Refusals, Sample,
    Session, TableChange, crc16_xmodem, crc16_xmodem_more, decode, decode_command, encode, line,
};
use proptest::prelude::*;

/// CRC-16/XMODEM as the "Catalogue of parametrised CRC algorithms" gives it, in the form carried by the crate
/// `crc-catalog` and computed by the crate `crc`: an implementation that is not ours.
const CATALOGUE: crc::Crc<u16> = crc::Crc::<u16>::new(&crc::CRC_16_XMODEM);

#[test]
fn the_crc_has_its_published_check_value() {
    assert_eq!(crc16_xmodem(b"123456789"), 0x31C3);
    assert_eq!(
        crc::CRC_16_XMODEM.check,
        0x31C3,
        "the check value as the catalogue carries it"
    );
    assert_eq!(crc16_xmodem(b""), 0);
}

proptest! {
    #[test]
    fn the_crc_is_that_of_the_catalogue(bytes in prop::collection::vec(any::<u8>(), 0..300), cut in 0_usize..300) {
        let expected = CATALOGUE.checksum(&bytes);
        prop_assert_eq!(crc16_xmodem(&bytes), expected);
        let (before, after) = bytes.split_at(cut.min(bytes.len()));
        prop_assert_eq!(crc16_xmodem_more(crc16_xmodem(before), after), expected);
    }

    #[test]
    fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..260)) {
        // No line is shorter than a body of one byte and its CRC.
        prop_assert!(bytes.len() >= 6 || (decode(&bytes).is_err() && decode_command(&bytes).is_err()));
        let mut framer = Framer::new();
        framer.push(&bytes, |_| ());
        prop_assert!(framer.pending().len() <= bytes.len());
    }

    /// Random bytes hardly ever have a good CRC; these always do, and nearly are records.
    #[test]
    fn any_body_with_a_good_crc_is_read_or_refused_and_followed(
        bodies in prop::collection::vec(prop_oneof![near_record(), prop::collection::vec(any::<u8>(), 0..230)], 1..12),
        arrival_us in any::<i64>(),
    ) {
        let mut session = Session::new();
        for body in bodies {
            let mut sent = body.clone();
            sent.extend(format!("~{:04X}", crc16_xmodem(&body)).bytes());
            if let Err(why) = decode_command(&sent) {
                prop_assert!(!matches!(why, Refusal::BadCrc | Refusal::NoCrc), "{why}");
            }
            match decode(&sent) {
                Ok(record) => { session.accept(&record, arrival_us); }
                Err(why) => prop_assert!(!matches!(why, Refusal::BadCrc | Refusal::NoCrc), "{why}"),
            }
        }
    }

    #[test]
    fn a_sample_comes_back_as_it_was_sent(
        seq in any::<u16>(),
        ms in any::<u32>(),
        readings in prop::collection::vec(reading(), 1..=MAX_CHANNELS),
    ) {
        let readings = Readings::from_slice(&readings).unwrap();
        comes_back(&Record::Sample(Sample { seq, ms, readings }));
    }

    #[test]
    fn a_hello_comes_back_as_it_was_sent(
        (id, boot, period_ms) in (any::<u32>(), any::<u32>(), 1..=u32::MAX),
        channels in 1..=MAX_CHANNELS as u8,
        firmware in "[!-}]{1,160}",
    ) {
        comes_back(&Record::Hello(Hello { id: BoardId(id), boot, channels, period_ms, firmware: &firmware }));
    }

    #[test]
    fn a_channel_comes_back_as_it_was_sent(
        index in 0..MAX_CHANNELS as u8,
        quantity in prop::sample::select(&Quantity::ALL[..]),
        exp in MIN_EXP..=MAX_EXP,
        place in "p[a-z0-9-]{0,11}[a-z0-9]",
        sensor in "[A-Za-z0-9-]{1,12}",
    ) {
        prop_assume!(!place.ends_with("-raw") && !place.ends_with("-fault"));
        comes_back(&Record::Channel(Channel { index, quantity, exp, place: &place, sensor: &sensor }));
    }

    #[test]
    fn a_notice_and_an_answer_come_back_as_they_were_sent(
        ms in any::<u32>(),
        what in "[!-}]{1,20}",
        text in "([!-}]{1,20}( [!-}]{1,20}){0,3})?",
        (ok, command) in (any::<bool>(), b'!'..=b'}'),
    ) {
        comes_back(&Record::Notice(Notice { ms, what: &what, detail: &text }));
        comes_back(&Record::Answer(Answer { ms, command, ok, reason: &text }));
    }
}

fn reading() -> impl Strategy<Value = Reading> {
    let fault = prop::sample::select(vec![
        Fault::NotRead,
        Fault::Open,
        Fault::Shorted,
        Fault::OutOfRange,
    ]);
    prop_oneof![4 => any::<i32>().prop_map(Reading::Number), 1 => fault.prop_map(Reading::Fault)]
}

/// Bodies that begin like a record and go on with fields of which most are right.
fn near_record() -> impl Strategy<Value = Vec<u8>> {
    let field = prop_oneof![
        any::<i32>().prop_map(|number| number.to_string()),
        (0..14_u8).prop_map(|number| number.to_string()),
        prop::sample::select(vec![
            "1", "7f3a91c2", "boot", "current", "A", "-3", "x", "o", "ok", "", "-", "a-raw"
        ])
        .prop_map(str::to_owned),
        "[a-z-]{1,18}",
    ];
    let hello = (1..=3_u8, 0..3_u8)
        .prop_map(|(n, boot)| format!("H 1 7f3a91c2 {boot} {n} 100 fw").into_bytes());
    let channel = (0..4_u8, "[abc]")
        .prop_map(|(at, place)| format!("C {at} current A -3 {place} ct").into_bytes());
    let fields = ("[HCSNAQ]", prop::collection::vec(field, 0..15))
        .prop_map(|(kind, fields)| format!("{kind} {}", fields.join(" ")).into_bytes());
    prop_oneof![hello, channel, fields]
}

/// Both ways of writing a line give the same bytes, and reading them gives the record again.
fn comes_back(record: &Record<'_>) {
    let sent = line(record).to_string();
    let mut buffer = [0; LINE_BUFFER];
    assert_eq!(
        encode(&record.to_string(), &mut buffer).unwrap(),
        sent.as_bytes()
    );
    assert_eq!(
        decode(sent.strip_suffix('\n').unwrap().as_bytes()).as_ref(),
        Ok(record),
        "{sent}"
    );
}

#[test]
fn a_command_comes_back_as_it_was_sent() {
    for command in [
        Command::Hello,
        Command::Period(20),
        Command::Period(60_000),
        Command::Zero(11),
        Command::Unknown(b'!'),
    ] {
        let sent = line(command).to_string();
        assert_eq!(
            decode_command(sent.trim_end().as_bytes()),
            Ok(command),
            "{sent}"
        );
    }
    assert_eq!(
        line("N 0 boot power-on").to_string(),
        "N 0 boot power-on~BBEB\n"
    );
}

#[test]
fn a_body_that_cannot_be_sent_is_refused() {
    let mut buffer = [0; LINE_BUFFER];
    assert_eq!(encode("", &mut buffer), Err(Refusal::Empty));
    assert_eq!(encode(&"x".repeat(201), &mut buffer), Err(Refusal::TooLong));
    assert_eq!(
        encode(&"x".repeat(200), &mut buffer).map(<[u8]>::len),
        Ok(LINE_BUFFER)
    );
    for bad in ["a~b", "a\nb", "caf\u{e9}", "\u{7f}"] {
        assert_eq!(encode(bad, &mut buffer), Err(Refusal::BadByte), "{bad:?}");
    }
}

#[test]
fn a_board_id_is_eight_lower_case_digits() {
    assert_eq!("7f3a91c2".parse(), Ok(BoardId(0x7f3a_91c2)));
    assert_eq!(BoardId(0x2a).to_string(), "0000002a");
    for bad in [
        "",
        "7f3a91c",
        "7f3a91c20",
        "7F3A91C2",
        "7f3a91cg",
        "+f3a91c2",
        " f3a91c2",
    ] {
        assert!(bad.parse::<BoardId>().is_err(), "{bad:?}");
    }
}

#[test]
fn a_refusal_says_what_is_wrong_in_plain_words() {
    let other = decode(b"H 2 7f3a91c2 18 5 100 refboard-2~B925")
        .unwrap_err()
        .to_string();
    assert_eq!(
        other,
        "the board speaks protocol version 2, this program reads protocol version 1"
    );
    assert!(
        Refusal::DuplicatePlace(3)
            .to_string()
            .starts_with("channel 3: ")
    );
}

#[test]
fn every_kind_of_refusal_has_its_own_counter() {
    let kinds = [
        Refusal::Empty,
        Refusal::TooLong,
        Refusal::NoCrc,
        Refusal::BadCrc,
        Refusal::BadByte,
        Refusal::Malformed,
        Refusal::Version(2),
        Refusal::ReservedPlace(0),
        Refusal::DuplicatePlace(0),
        Refusal::UndeclaredChannel(0),
        Refusal::Contradiction(0),
        Refusal::ValueCount,
    ];
    let mut refusals = Refusals::new();
    for (times, kind) in (1_u64..).zip(kinds) {
        (0..times).for_each(|_| refusals.add(&kind));
        assert_eq!(refusals.count(&kind), times, "{kind}");
    }
    refusals.add_unknown();
    refusals.add_repeated();
    assert_eq!(
        refusals.total(),
        78,
        "12 kinds, 1 to 12 times; neither unknown kinds nor repeats are refused"
    );
    let named: Vec<_> = refusals.iter().collect();
    for (times, kind) in (1_u64..).zip(kinds) {
        assert!(named.contains(&(kind.name(), times)), "{kind}");
    }
    assert_eq!(
        named.get(12..),
        Some(&[("unknown-kind", 1), ("repeated", 1)][..])
    );
    let mut twice = refusals;
    twice.absorb(&refusals);
    assert!(
        twice
            .iter()
            .zip(refusals.iter())
            .all(|(two, one)| two == (one.0, 2 * one.1))
    );
}

#[test]
fn a_table_says_what_its_lines_said() {
    let mut session = Session::new();
    let bodies = [
        "H 1 7f3a91c2 18 2 100 refboard-1",
        "C 1 emf V -6 case tc-K",
        "C 0 current A -3 common ct",
    ];
    for body in bodies {
        let sent = line(body).to_string();
        session.accept(&decode(sent.trim_end().as_bytes()).unwrap(), 0);
    }
    let table = session.table().unwrap();
    assert_eq!(
        (table.id, table.boot, table.period_ms),
        (BoardId(0x7f3a_91c2), 18, 100)
    );
    assert_eq!(table.firmware(), "refboard-1");
    let channels: Vec<_> = table
        .channels()
        .iter()
        .map(|c| (c.quantity, c.exp, c.place(), c.sensor()))
        .collect();
    assert_eq!(
        channels,
        [
            (Quantity::Current, -3, "common", "ct"),
            (Quantity::Emf, -6, "case", "tc-K")
        ]
    );
}

#[test]
fn a_new_period_is_in_the_table() {
    let mut session = Session::new();
    let mut last = nightclamp_protocol::Outcome::Nothing;
    for period_ms in [100, 500] {
        for body in [
            format!("H 1 7f3a91c2 18 1 {period_ms} fw"),
            "C 0 current A -3 common ct".to_owned(),
        ] {
            let sent = line(body).to_string();
            last = session.accept(&decode(sent.trim_end().as_bytes()).unwrap(), 0);
        }
    }
    assert_eq!(
        last,
        nightclamp_protocol::Outcome::TableBegun(TableChange::NewPeriod)
    );
    assert_eq!(session.table().unwrap().period_ms, 500);
}

#[test]
fn framed_lines_are_read_from_a_stream() {
    let mut seen = Vec::new();
    let mut framer = Framer::new();
    framer.push(b"N 0 boot power-on~BBEB\r\nN 0 bo", |framed| {
        if let Framed::Line(bytes) = framed {
            seen.push(decode(bytes).map(|record| record.to_string()));
        }
    });
    assert_eq!(seen, [Ok("N 0 boot power-on".to_owned())]);
    assert_eq!(framer.pending(), b"N 0 bo");
}
