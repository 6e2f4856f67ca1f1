//! The framer against a plain model: split the whole stream at its LFs.
#![allow(clippy::unwrap_used)] // what cannot be built here is a failed test

use nightclamp_protocol::{Framed, Framer, MAX_LINE_BYTES};
use proptest::prelude::*;

/// A line as it came out: its bytes, and whether it was a long one.
type Seen = (Vec<u8>, bool);

/// Feeds the chunks one by one; gives the lines, the long ones put together, and what is left.
fn frame<'a>(chunks: impl IntoIterator<Item = &'a [u8]>) -> (Vec<Seen>, Vec<u8>) {
    let mut framer = Framer::new();
    let (mut seen, mut long) = (Vec::new(), Vec::new());
    for chunk in chunks {
        framer.push(chunk, |framed| match framed {
            Framed::Line(line) => {
                assert!(long.is_empty(), "a line began within a long one");
                seen.push((line.to_vec(), false));
            }
            Framed::LongPart(part) => long.extend_from_slice(part),
            Framed::LongEnd(part) => {
                long.extend_from_slice(part);
                seen.push((std::mem::take(&mut long), true));
            }
        });
        assert_eq!(framer.in_long_line(), !long.is_empty());
    }
    long.extend_from_slice(framer.pending());
    (seen, long)
}

/// What should come out: the pieces between LFs, the last one left.
fn model(stream: &[u8]) -> (Vec<Seen>, Vec<u8>) {
    let mut pieces: Vec<_> = stream
        .split(|&byte| byte == b'\n')
        .map(|line| (line.to_vec(), line.len() > MAX_LINE_BYTES))
        .collect();
    let left = pieces.pop().unwrap().0;
    (pieces, left)
}

/// Lines around every length that matters, in bytes that matter.
fn stream() -> impl Strategy<Value = Vec<u8>> {
    let length =
        prop_oneof![4 => 0..40_usize, 2 => 236..245_usize, 1 => 470..490_usize, 1 => 0..1500_usize];
    let line = (length, any::<u8>(), any::<bool>()).prop_map(|(length, byte, ends)| {
        let mut line = vec![if byte == b'\n' { b'\r' } else { byte }; length];
        line.extend(ends.then_some(b'\n'));
        line
    });
    let bytes = prop::collection::vec(prop_oneof![Just(b'\n'), any::<u8>()], 0..60);
    prop::collection::vec(prop_oneof![3 => line, 1 => bytes], 0..12)
        .prop_map(|parts| parts.concat())
}

proptest! {
    #[test]
    fn every_way_of_cutting_gives_the_same_lines(
        stream in stream(),
        cuts in prop::collection::vec(prop_oneof![0..4_usize, 0..300_usize], 0..60),
    ) {
        let expected = model(&stream);
        let mut chunks = Vec::new();
        let mut rest = &stream[..];
        for cut in cuts {
            let (chunk, after) = rest.split_at(cut.min(rest.len()));
            chunks.push(chunk);
            rest = after;
        }
        chunks.push(rest);
        prop_assert_eq!(&frame([&stream[..]]), &expected, "in one chunk");
        prop_assert_eq!(&frame(stream.chunks(1)), &expected, "byte by byte");
        prop_assert_eq!(&frame(chunks), &expected, "cut");
    }
}

#[test]
fn two_hundred_and_forty_bytes_are_a_line_and_one_more_is_not() {
    for (length, is_long) in [(MAX_LINE_BYTES, false), (MAX_LINE_BYTES + 1, true)] {
        let stream = [&vec![b'x'; length][..], b"\nnext\n"].concat();
        let (seen, left) = frame([&stream[..]]);
        assert_eq!(
            seen,
            [(vec![b'x'; length], is_long), (b"next".to_vec(), false)]
        );
        assert!(left.is_empty());
    }
}

#[test]
fn after_an_unplug_the_next_byte_begins_a_line() {
    for cut in [10, 1000] {
        let mut framer = Framer::new();
        framer.push(&vec![b'x'; cut], |_| ());
        framer.reset();
        assert!(framer.pending().is_empty() && !framer.in_long_line());
        let mut seen = Vec::new();
        framer.push(b"whole\n", |framed| seen.push(format!("{framed:?}")));
        assert_eq!(seen, [format!("{:?}", Framed::Line(b"whole"))]);
    }
}
