//! What damage on the way does: exhaustively for one line, and at random for a night's worth of them.
#![allow(clippy::unwrap_used)] // what cannot be built here is a failed test

use std::collections::BTreeSet;

use nightclamp_protocol::{Framed, Framer, decode, line};
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
