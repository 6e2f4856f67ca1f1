//! Feeding a projection: the raw logs of all streams, each in its order, as far as they are synced.

use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use nightclamp_analysis::rows::Sink;

use crate::ahead::Ahead;
use crate::disk::Disk;
use crate::error::{At, Result};
use crate::limits::Limits;
use crate::packed::Hole;
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

/// A part of a raw log that cannot be read, and the stamps of the lines around it, µs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Damage {
    pub path: String,
    pub hole: Hole,
    pub after_us: Option<i64>,
    pub before_us: Option<i64>,
}

impl std::fmt::Display for Damage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let instant = |us: Option<i64>, none: &str| {
            us.and_then(crate::manifest::instant)
                .unwrap_or_else(|| none.to_owned())
        };
        write!(
            f,
            "{}: {}: what was said between {} and {} cannot be read",
            self.path,
            self.hole,
            instant(self.after_us, "the beginning"),
            instant(self.before_us, "the end")
        )
    }
}

/// A segment that is wholly projected.
pub(crate) struct Done {
    pub segment: Segment,
    pub facts: RawFacts,
}

/// A segment that is wholly projected, and how record time stood where it ended.
#[derive(Debug, Clone)]
pub(crate) struct Passed {
    pub stream: usize,
    pub path: String,
    /// Record time of its first and last stamp, µs; none if it has none.
    pub range_us: Option<(i64, i64)>,
    /// The host's clock minus record time at its end, µs.
    pub stepped_us: i64,
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
    /// The last stamp fed, of this segment or one before it.
    last_us: Option<i64>,
    /// Index of the damage that the next line bounds.
    damage: Option<usize>,
    /// The host's clock minus record time where this segment begins, µs.
    stepped_us: i64,
}

impl Place {
    /// Nothing of the stream has been read yet.
    fn is_new(&self) -> bool {
        self.reader.is_none() && self.ahead.is_none()
    }

    /// Lines were fed: the first has this stamp, and what is known of the file so far is from the first to the last.
    fn went_on(
        &mut self,
        damages: &mut [Damage],
        first_us: Option<i64>,
        stamps: Option<(i64, i64)>,
    ) {
        if let (Some(at), Some(_)) = (self.damage, first_us)
            && let Some(damage) = damages.get_mut(at)
        {
            damage.before_us = first_us;
            self.damage = None;
        }
        self.last_us = stamps.map(|(_, last)| last).or(self.last_us);
    }
}

/// Reads the raw logs of a record.
pub(crate) struct Reading {
    disk: Arc<dyn Disk>,
    root: PathBuf,
    limits: Limits,
    streams: Arc<Mutex<Vec<Stream>>>,
    places: Vec<Place>,
    pub totals: Totals,
    /// What could not be read so far.
    pub damages: Vec<Damage>,
    /// Segments wholly projected, not taken yet.
    pub done: Vec<Done>,
    /// All segments wholly projected.
    pub passed: Vec<Passed>,
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
            damages: Vec::new(),
            done: Vec::new(),
            passed: Vec::new(),
        }
    }

    /// Feeds at most about `step_bytes`, and no further than something that cannot be read; how many it was, and whether nothing is left for now.
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
                let damages = self.damages.len();
                let (bytes, is_more) = self.feed(stream, projection, sink)?;
                fed += bytes;
                if self.damages.len() > damages {
                    // Whoever feeds has to know before anything after it is fed.
                    return Ok((fed, false));
                }
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
        if matches!(segment.state, State::Removed) {
            // Only before any that is read: the oldest go first.
            self.resume(stream, index + 1, projection);
            return Ok((0, true));
        }
        if index == 0 && self.places.get(stream).is_some_and(Place::is_new) {
            self.resume(stream, 0, projection);
        }
        // A bare dump is dated line by line, a log that grows is read as far as it is synced: neither goes ahead.
        match segment.state {
            State::Listed | State::Unlisted if segment.began_us.is_none() => {
                self.feed_ahead(stream, segment, projection, sink)
            }
            _ => self.feed_read(stream, segment, projection, sink),
        }
    }

    /// The stream goes on at this segment; if those before it were removed, so is told the projection.
    fn resume(&mut self, stream: usize, segment: usize, projection: &mut impl Project) {
        let resumes_at = lock(&self.streams)
            .get(stream)
            .and_then(|stream| stream.resumes_at);
        if let Some(stepped_us) = resumes_at {
            projection.resume(stream, stepped_us);
        }
        if let Some(place) = self.places.get_mut(stream) {
            place.segment = segment;
            place.stepped_us = resumes_at.unwrap_or(0);
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
        place.went_on(&mut self.damages, piece.first_us, piece.facts.stamps);
        let bytes = piece.read - std::mem::replace(&mut place.read, piece.read);
        self.totals.raw_bytes += bytes;
        self.totals.cut_lines +=
            piece.cut_lines - std::mem::replace(&mut place.cut_lines, piece.cut_lines);
        if let Some(hole) = piece.hole {
            place.ahead = Some(ahead);
            self.met_hole(stream, segment.path, hole);
            return Ok((bytes, true));
        }
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
            match reader.next(available) {
                Err(error) if Hole::of(&error).is_some() => {
                    reader.forget_begun();
                    place.reader = Some(reader);
                    let hole = Hole::of(&error).unwrap_or(Hole { from: 0, to: 0 });
                    self.met_hole(stream, segment.path, hole);
                    return Ok((0, true));
                }
                other => other.at(&path, "read")?,
            }
        };
        let is_end = matches!(chunk, Chunk::End);
        if let Chunk::Lines(lines) = chunk {
            feed_lines(stream, &segment, lines, &mut place.facts, projection, sink);
            let (first, last) = (stamp(lines), place.facts.stamps);
            place.went_on(&mut self.damages, first, last);
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

    fn pass(&mut self, stream: usize, segment: &Segment, facts: &RawFacts, stepped_us: i64) {
        let Some(place) = self.places.get_mut(stream) else {
            return;
        };
        let began_us = std::mem::replace(&mut place.stepped_us, stepped_us);
        let in_record_time = |(first, last)| (first - began_us, last - stepped_us);
        self.passed.push(Passed {
            stream,
            path: segment.path.clone(),
            range_us: facts.stamps.map(in_record_time),
            stepped_us,
        });
    }

    fn met_hole(&mut self, stream: usize, path: String, hole: Hole) {
        let Some(place) = self.places.get_mut(stream) else {
            return;
        };
        place.damage = Some(self.damages.len());
        self.damages.push(Damage {
            path,
            hole,
            after_us: place.last_us,
            before_us: None,
        });
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
            last_us: place.last_us,
            damage: place.damage,
            stepped_us: place.stepped_us,
            ..Place::default()
        };
        let mut facts = std::mem::replace(place, next).facts;
        if feed_torn(stream, &segment, torn, &mut facts, projection, sink) {
            self.totals.torn_lines += 1;
        }
        facts.began_us = segment.began_us;
        self.totals.lines += facts.lines;
        self.pass(stream, &segment, &facts, projection.stepped_us(stream));
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
