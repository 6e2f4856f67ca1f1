//! What damage on the way does: exhaustively for one line, and at random for a night's worth of them.
#![allow(clippy::unwrap_used)] // what cannot be built here is a failed test

use std::collections::BTreeSet;

use nightclamp_protocol::{Framed, Framer, MAX_BODY_BYTES, crc16_xmodem, decode, line};
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};

/// The line that is damaged, as transmitted but for its LF: it has a letter, a sign and three lengths of number.
const SENT: &[u8] = b"S 2 300 -13310 o 7~948B";
/// Longest burst of damage that a CRC of 16 bits always finds.
const BURST_BITS: usize = 16;

/// Whether a reader takes anything of these bytes for a good line. A bit turned into a LF makes two lines of them.
fn is_believed(bytes: &[u8]) -> bool {
    if bytes.contains(&b'\n') {
        bytes
            .split(|&byte| byte == b'\n')
            .any(|piece| decode(piece).is_ok())
    } else {
        decode(bytes).is_ok()
    }
}

/// Turns bit `bit` over, counted from the first byte: within a byte from its top bit, as the CRC is computed, or from
/// its bottom bit, as a serial line sends them.
fn turn(bytes: &mut [u8], bit: usize, bottom_first: bool) {
    let within = if bottom_first { bit % 8 } else { 7 - bit % 8 };
    bytes[bit / 8] ^= 1 << within;
}

#[test]
fn the_line_is_believed_when_nothing_happened_to_it() {
    assert!(is_believed(SENT));
}

#[test]
fn one_or_two_wrong_bits_are_never_believed() {
    for first in 0..SENT.len() * 8 {
        let mut bytes = SENT.to_vec();
        turn(&mut bytes, first, false);
        assert!(!is_believed(&bytes), "bit {first}");
        for second in 0..first {
            turn(&mut bytes, second, false);
            assert!(!is_believed(&bytes), "bits {second} and {first}");
            turn(&mut bytes, second, false);
        }
    }
}

#[test]
fn no_burst_of_up_to_sixteen_bits_is_believed_in_either_order_of_bits() {
    for bottom_first in [false, true] {
        for first in 0..SENT.len() * 8 {
            let room = BURST_BITS.min(SENT.len() * 8 - first);
            bursts_from(first, room, bottom_first);
        }
    }
}

/// Every burst that begins at `first` and is at most `room` bits long. Patterns are gone through in Gray's order, so
/// that each differs from the one before in one bit.
fn bursts_from(first: usize, room: usize, bottom_first: bool) {
    let mut bytes = SENT.to_vec();
    turn(&mut bytes, first, bottom_first);
    for pattern in 1_u32..=1 << (room - 1) {
        assert!(
            !is_believed(&bytes),
            "burst from bit {first}, pattern {pattern}: {bytes:?}"
        );
        let changes = pattern.trailing_zeros() as usize;
        if changes + 1 < room {
            turn(&mut bytes, first + 1 + changes, bottom_first);
        }
    }
}

/// What wrong bits do to the CRC of a body does not depend on the body: it is the CRC of the wrong bits alone, with
/// as many zero bytes behind them as the body goes on. Here for the bits of one byte, `behind` bytes from the end.
fn change_of_crc(wrong: u8, behind: usize) -> u16 {
    let mut bytes = vec![0; behind + 1];
    bytes[0] = wrong;
    crc16_xmodem(&bytes)
}

/// What wrong bits in one of the four digits can do to the CRC that is read from them, with the wrong bits.
fn changes_of_digit() -> impl Iterator<Item = (u16, u8)> {
    let digits = || (0_u16..).zip(*b"0123456789ABCDEF");
    digits().flat_map(move |(value, sent)| {
        digits().map(move |(other, read)| (value ^ other, sent ^ read))
    })
}

#[test]
fn in_every_line_one_or_two_wrong_bits_are_found() {
    let of_one_digit: BTreeSet<u16> = changes_of_digit()
        .filter(|(_, bits)| bits.count_ones() == 1)
        .flat_map(|(change, _)| [0, 4, 8, 12].map(|place| change << place))
        .collect();
    assert!(
        of_one_digit.len() > 4 * 4,
        "digits such as B and C are one bit apart and three in value"
    );
    let mut seen = BTreeSet::from([0]); // no change at all
    for behind in 0..MAX_BODY_BYTES {
        for bit in 0..8 {
            let change = change_of_crc(1 << bit, behind);
            assert!(
                seen.insert(change),
                "two bits of the body, one of them {behind} bytes from its end"
            );
            assert!(
                !of_one_digit.contains(&change),
                "a bit of the body, {behind} bytes from its end, and one of a digit"
            );
        }
    }
}

#[test]
fn in_every_line_a_burst_of_up_to_sixteen_bits_is_found() {
    for bottom_first in [false, true] {
        for first in 0..8 {
            for pattern in (1_u32..=0xFFFF).step_by(2) {
                let mut wrong = [0_u8; 3];
                (0..BURST_BITS)
                    .filter(|bit| pattern & (1 << bit) != 0)
                    .for_each(|bit| {
                        turn(&mut wrong, first + bit, bottom_first);
                    });
                assert_ne!(crc16_xmodem(&wrong), 0, "{wrong:?}");
            }
        }
    }
    // One that leaves the ~ whole reaches from the last byte of the body to the first digit, no further.
    let of_first_digit: BTreeSet<u16> =
        changes_of_digit().map(|(change, _)| change << 12).collect();
    assert!((1..=0xFF).all(|wrong| !of_first_digit.contains(&change_of_crc(wrong, 0))));
}

/// The places of the lines that a reader believes, by their SEQ.
fn believed(stream: &[u8]) -> Vec<String> {
    let mut lines = Vec::new();
    Framer::new().push(stream, |framed| {
        if let Framed::Line(bytes) = framed {
            lines.extend(decode(bytes).map(|record| record.to_string()));
        }
    });
    lines
}

#[test]
fn one_damaged_line_in_a_hundred_costs_those_lines_and_at_most_the_ones_their_ends_join() {
    let bodies: Vec<String> = (0..2000_u32)
        .map(|at| {
            format!(
                "S {at} {} {} 812 {} o",
                at * 100 + 100,
                13_310 - at,
                2391 + at % 9
            )
        })
        .collect();
    let sent: Vec<String> = bodies.iter().map(|body| line(body).to_string()).collect();
    let damage =
        prop::collection::btree_map(0..sent.len(), (any::<prop::sample::Index>(), 0..8_u8), 20);
    let mut runner = TestRunner::new(Config::with_cases(64));
    let verdict = runner.run(&damage, |damage| {
        let mut lines: Vec<Vec<u8>> = sent.iter().map(|line| line.clone().into_bytes()).collect();
        let mut lost = BTreeSet::new();
        for (&at, (byte, bit)) in &damage {
            let byte = byte.index(lines[at].len());
            lost.insert(at);
            if byte + 1 == lines[at].len() {
                lost.insert(at + 1); // the LF itself: the next line is joined to this one
            }
            lines[at][byte] ^= 1 << bit;
        }
        let kept: Vec<_> = (0..bodies.len())
            .filter(|at| !lost.contains(at))
            .map(|at| bodies[at].clone())
            .collect();
        prop_assert_eq!(believed(&lines.concat()), kept);
        Ok(())
    });
    assert!(verdict.is_ok(), "{verdict:?}");
}
