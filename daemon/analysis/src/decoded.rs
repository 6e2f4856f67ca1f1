//! Lines of a raw log, cut apart and their samples decoded: the part of a projection that needs to know nothing of the lines
//! before, and can be done ahead of it on another thread.

use nightclamp_protocol::{self as protocol, Record};

use crate::rawlog::{self, Entry};

/// Whole lines of a raw log, as far as they can be read without those before them. What [`crate::Projection::feed_decoded`]
/// makes of them is what [`crate::Projection::feed`] makes of the same lines.
#[derive(Debug, Default)]
pub struct DecodedLines {
    raw: Vec<u8>,
    pub(crate) lines: Vec<DecodedLine>,
}

/// One line.
#[derive(Debug)]
pub(crate) enum DecodedLine {
    /// A good sample and when it came.
    Sample {
        arrival_us: i64,
        sample: Record<'static>,
    },
    /// Any other line: where it stands in the bytes.
    Other { from: usize, to: usize },
}

impl DecodedLines {
    /// Reads whole lines, in place of those before: memory is used again.
    pub fn read(&mut self, raw: &[u8]) {
        self.raw.clear();
        self.raw.extend_from_slice(raw);
        self.lines.clear();
        let mut from = 0;
        for to in memchr::memchr_iter(b'\n', raw) {
            self.lines.push(DecodedLine::read(raw, from, to));
            from = to + 1;
        }
        if from < raw.len() {
            self.lines.push(DecodedLine::read(raw, from, raw.len()));
        }
    }

    /// The lines as they were given.
    pub fn raw(&self) -> &[u8] {
        &self.raw
    }

    /// How many lines there are.
    pub fn len(&self) -> usize {
        self.lines.len()
    }

    /// Whether there is no line.
    pub fn is_empty(&self) -> bool {
        self.lines.is_empty()
    }
}

impl DecodedLine {
    fn read(raw: &[u8], from: usize, to: usize) -> Self {
        let line = raw.get(from..to).unwrap_or_default();
        if let Entry::Board { arrival_us, line } = rawlog::parse(line)
            && let Ok(Record::Sample(sample)) = protocol::decode(line)
        {
            return Self::Sample {
                arrival_us,
                sample: Record::Sample(sample),
            };
        }
        Self::Other { from, to }
    }
}
