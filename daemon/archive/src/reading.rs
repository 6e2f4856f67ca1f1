//! Feeding a projection: the raw logs of all streams, each in its order, as far as they are synced.

use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use nightclamp_analysis::rows::Sink;

use crate::ahead::Ahead;
use crate::disk::Disk;
use crate::error::{At, Result};
use crate::limits::Limits;
use crate::project::Project;
use crate::segments::{self, Chunk, LineReader, Segment, State, Stream, stamp};
use crate::worker::{RawFacts, lock};

/// What has been projected since the beginning of the record.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Totals {
    /// Raw lines.
    pub lines: u64,
    /// Rows of `samples`.
    pub samples: u64,
    /// Raw bytes, unpacked.
    pub raw_bytes: u64,
    /// Lines too long, handed on cut.
    pub cut_lines: u64,
    /// Last lines without their LF.
    pub torn_lines: u64,
}

/// A segment that is wholly projected.
pub(crate) struct Done {
    pub segment: Segment,
    pub facts: RawFacts,
}

/// Where the reading of one stream stands.
#[derive(Default)]
struct Place {
    /// Index of the segment that is being read.
    segment: usize,
    reader: Option<LineReader>,
    ahead: Option<Ahead>,
    facts: RawFacts,
    /// Bytes read and lines cut of a segment that is read ahead, as far as they are in the totals.
    read: u64,
    cut_lines: u64,
}

/// Reads the raw logs of a record.
pub(crate) struct Reading {
    disk: Arc<dyn Disk>,
    root: PathBuf,
    limits: Limits,
    streams: Arc<Mutex<Vec<Stream>>>,
    places: Vec<Place>,
    pub totals: Totals,
    /// Segments wholly projected, not taken yet.
    pub done: Vec<Done>,
}

impl Reading {
    pub fn new(
        disk: Arc<dyn Disk>,
        root: PathBuf,
        limits: Limits,
        streams: Arc<Mutex<Vec<Stream>>>,
    ) -> Self {
        Self {
            disk,
            root,
            limits,
            streams,
            places: Vec::new(),
            totals: Totals::default(),
            done: Vec::new(),
        }
    }

    /// Feeds at most about `step_bytes`; how many it was, and whether nothing is left for now.
    pub fn step(
        &mut self,
        projection: &mut impl Project,
        sink: &mut impl Sink,
    ) -> Result<(u64, bool)> {
        let (mut fed, mut is_caught_up) = (0, true);
        // A stream begun while this step runs has its turn in the next.
        let streams = lock(&self.streams).len();
        self.places
            .resize_with(streams.max(self.places.len()), Place::default);
        for stream in 0..streams {
            loop {
                if fed >= self.limits.step_bytes {
                    return Ok((fed, false));
                }
                let (bytes, is_more) = self.feed(stream, projection, sink)?;
                fed += bytes;
                if !is_more {
                    break;
                }
            }
            is_caught_up &= self.is_at_end(stream);
        }
        Ok((fed, is_caught_up))
    }

    fn is_at_end(&self, stream: usize) -> bool {
        let Some(place) = self.places.get(stream) else {
            return true;
        };
        self.segment(stream, place.segment)
            .is_none_or(|segment| match &segment.state {
                State::Plain(tail) => {
                    !tail.has_ended()
                        && place.reader.as_ref().map_or(0, |reader| reader.read) == tail.synced()
                }
                _ => false,
            })
    }

    fn segment(&self, stream: usize, index: usize) -> Option<Segment> {
        lock(&self.streams)
            .get(stream)?
            .segments
            .get(index)
            .cloned()
    }

    /// Feeds one chunk of a stream; its bytes, and whether there may be more at once.
    fn feed(
        &mut self,
        stream: usize,
        projection: &mut impl Project,
        sink: &mut impl Sink,
    ) -> Result<(u64, bool)> {
        let index = self.places.get(stream).map_or(0, |place| place.segment);
        let Some(segment) = self.segment(stream, index) else {
            return Ok((0, false));
        };
        // A bare dump is dated line by line, a log that grows is read as far as it is synced: neither goes ahead.
        match segment.state {
            State::Listed | State::Unlisted if segment.began_us.is_none() => {
                self.feed_ahead(stream, segment, projection, sink)
            }
            _ => self.feed_read(stream, segment, projection, sink),
        }
    }

    fn open(&self, segment: &Segment) -> Result<LineReader> {
        let path = self.root.join(&segment.path);
        let log = segments::open(&*self.disk, &path).at(&path, "open")?;
        Ok(LineReader::new(log, &self.limits))
    }

    fn feed_ahead(
        &mut self,
        stream: usize,
        segment: Segment,
        projection: &mut impl Project,
        sink: &mut impl Sink,
    ) -> Result<(u64, bool)> {
        let begun = self
            .places
            .get_mut(stream)
            .and_then(|place| place.ahead.take());
        let ahead = match begun {
            Some(ahead) => ahead,
            None => Ahead::begin(self.open(&segment)?, self.root.join(&segment.path))?,
        };
        let Some(place) = self.places.get_mut(stream) else {
            return Ok((0, false));
        };
        let piece = ahead.next()?;
        if !piece.lines.is_empty() {
            projection.feed_decoded(stream, &piece.lines, sink);
        }
        place.facts = piece.facts.clone();
        let bytes = piece.read - std::mem::replace(&mut place.read, piece.read);
        self.totals.raw_bytes += bytes;
        self.totals.cut_lines +=
            piece.cut_lines - std::mem::replace(&mut place.cut_lines, piece.cut_lines);
        match &piece.torn {
            Some(torn) => self.segment_ended(stream, segment, torn, projection, sink),
            None => {
                ahead.done(piece);
                place.ahead = Some(ahead);
            }
        }
        Ok((bytes, true))
    }

    fn feed_read(
        &mut self,
        stream: usize,
        segment: Segment,
        projection: &mut impl Project,
        sink: &mut impl Sink,
    ) -> Result<(u64, bool)> {
        let begun = self
            .places
            .get_mut(stream)
            .and_then(|place| place.reader.take());
        let mut reader = match begun {
            Some(reader) => reader,
            None => self.open(&segment)?,
        };
        let Some(place) = self.places.get_mut(stream) else {
            return Ok((0, false));
        };
        let (available, has_ended) = match &segment.state {
            State::Plain(tail) => {
                let has_ended = tail.has_ended();
                (tail.synced().saturating_sub(reader.read), has_ended)
            }
            _ => (u64::MAX, true),
        };
        let (before, cut_before) = (reader.read, reader.cut_lines);
        let path = self.root.join(&segment.path);
        let chunk = if available == 0 {
            Chunk::End
        } else {
            reader.next(available).at(&path, "read")?
        };
        let is_end = matches!(chunk, Chunk::End);
        if let Chunk::Lines(lines) = chunk {
            feed_lines(stream, &segment, lines, &mut place.facts, projection, sink);
        }
        let bytes = reader.read - before;
        self.totals.raw_bytes += bytes;
        self.totals.cut_lines += reader.cut_lines - cut_before;
        if is_end && has_ended {
            self.segment_ended(stream, segment, reader.torn(), projection, sink);
        } else {
            place.reader = Some(reader);
        }
        Ok((bytes, !is_end || has_ended))
    }

    /// A segment is wholly fed but for what stands after its last LF.
    fn segment_ended(
        &mut self,
        stream: usize,
        segment: Segment,
        torn: &[u8],
        projection: &mut impl Project,
        sink: &mut impl Sink,
    ) {
        let Some(place) = self.places.get_mut(stream) else {
            return;
        };
        let next = Place {
            segment: place.segment + 1,
            ..Place::default()
        };
        let mut facts = std::mem::replace(place, next).facts;
        if feed_torn(stream, &segment, torn, &mut facts, projection, sink) {
            self.totals.torn_lines += 1;
        }
        facts.began_us = segment.began_us;
        self.totals.lines += facts.lines;
        self.done.push(Done { segment, facts });
    }
}

fn feed_lines(
    stream: usize,
    segment: &Segment,
    lines: &[u8],
    facts: &mut RawFacts,
    projection: &mut impl Project,
    sink: &mut impl Sink,
) {
    if lines.is_empty() {
        return;
    }
    note_facts(lines, facts);
    match segment.began_us {
        Some(began_us) => projection.feed_bare(stream, began_us, lines, sink),
        None => projection.feed(stream, lines, sink),
    }
}

/// Takes down what the manifest will say of whole lines.
pub(crate) fn note_facts(lines: &[u8], facts: &mut RawFacts) {
    facts.lines += memchr::memchr_iter(b'\n', lines).count() as u64;
    let mut ends = lines.rsplit(|&byte| byte == b'\n').skip(1);
    if let Some(last) = ends.next().and_then(stamp) {
        let first = facts
            .stamps
            .map(|(first, _)| first)
            .or_else(|| stamp(lines))
            .unwrap_or(last);
        facts.stamps = Some((first, last));
    }
}

/// Feeds what stands after the last LF of a file that has ended; whether there was any.
fn feed_torn(
    stream: usize,
    segment: &Segment,
    torn: &[u8],
    facts: &mut RawFacts,
    projection: &mut impl Project,
    sink: &mut impl Sink,
) -> bool {
    let is_note = segment.began_us.is_none() && torn.first() == Some(&b'#');
    if !torn.is_empty() && !is_note {
        let mut line = torn.to_vec();
        line.push(b'\n');
        feed_lines(stream, segment, &line, facts, projection, sink);
    }
    !torn.is_empty()
}
