//! The projection: raw log in, rows out. Live, after a crash, in `replay` and in `verify` it is this code that runs.

use std::collections::{BTreeMap, VecDeque};

use nightclamp_protocol::{
    self as protocol, BoardId, Outcome, Record, Refusal, Refusals, Sample, Session, TableChange,
};

use crate::bench::Act;
use crate::board::{BoardState, Boundary, Heard};
use crate::clock::{HostMap, HostNews, STEP_REPORTED_US};
use crate::decoded::{DecodedLine, DecodedLines};
use crate::gap::{GapCause, News};
use crate::job::{Job, JobVersion};
use crate::overview::OverviewRow;
use crate::rawlog::{self, Entry, Note};
use crate::reading::Reading;
use crate::rows::{CycleRow, EventKind, EventRow, RecordTime, Sink};
use crate::status::{BoardStatus, UnitStatus};

/// So much of a note that fits nothing is shown, characters.
const NOTE_CHARS_MAX: usize = 120;
/// A sample waits this long for its channel table, µs (wire contract: 120 s).
const WAIT_US_MAX: i64 = 120_000_000;
/// So many samples wait at most: 120 s at the shortest sample period.
const WAITING_MAX: usize = 6_000;
/// Boards that the job file does not name, on one stream, whose samples get rows: somebody may plug in another one, but
/// each costs memory and files, and a faulty one could give itself a new id with every line.
const STRANGERS_MAX: usize = 4;
/// Steps of the host's clock that wait at most for a board under which to be told.
const STEPS_MAX: usize = 64;

/// A sample that has no channel table yet.
#[derive(Debug)]
struct Waiting {
    arrival_us: i64,
    sample: Sample,
}

/// One port's stream.
#[derive(Debug)]
struct Stream {
    session: Session,
    host: HostMap,
    refusals: Refusals,
    waiting: VecDeque<Waiting>,
    undeclared: u64,
    /// The board whose table is in force, or was last; none if it is one stranger too many.
    board: Option<BoardId>,
    /// The boards heard here: those of the job file, and as many others as get rows.
    heard: Vec<BoardId>,
    /// Those of them that the job file does not name.
    strangers: Vec<BoardId>,
    has_too_many_strangers: bool,
    /// Steps of the host's clock that have no board yet under which to be told.
    steps: Vec<(RecordTime, i64)>,
    last_stamp_us: i64,
    /// What the notes say happened to the port since the last sample.
    port_news: Option<News>,
    /// Lines refused since the last sample.
    damaged: u64,
    /// The host was restarted since the last sample: its boot-time clock does not bridge.
    host_restarted: bool,
    /// A hello of another protocol version, the last of them.
    other_version: Option<Refusal>,
    /// A bare dump: the board's clock is all there is.
    bare: Option<Bare>,
    /// Index of the job version that this stream's notes have put into force.
    job: usize,
}

/// A dump without stamps: instants follow from when it began and the board's clock.
#[derive(Debug)]
struct Bare {
    now_us: i64,
    last_ms: Option<u32>,
}

impl Stream {
    fn new() -> Self {
        Self {
            session: Session::new(),
            host: HostMap::default(),
            refusals: Refusals::default(),
            waiting: VecDeque::new(),
            undeclared: 0,
            board: None,
            heard: Vec::new(),
            strangers: Vec::new(),
            has_too_many_strangers: false,
            steps: Vec::new(),
            last_stamp_us: i64::MIN,
            port_news: None,
            damaged: 0,
            host_restarted: false,
            other_version: None,
            bare: None,
            job: 0,
        }
    }

    fn hold(&mut self, arrival_us: i64, sample: Sample) {
        let too_old = |w: &Waiting| arrival_us.saturating_sub(w.arrival_us) > WAIT_US_MAX;
        while self.waiting.front().is_some_and(too_old) || self.waiting.len() >= WAITING_MAX {
            self.waiting.pop_front();
            self.undeclared += 1;
        }
        self.waiting.push_back(Waiting { arrival_us, sample });
    }

    /// Whether the samples of a board get rows on this stream.
    fn admits(&mut self, id: BoardId, job: &Job) -> bool {
        if job.board(id).is_some()
            || job.units_of(id).next().is_some()
            || self.strangers.contains(&id)
        {
            return true;
        }
        if self.strangers.len() == STRANGERS_MAX {
            self.has_too_many_strangers = true;
            return false;
        }
        self.strangers.push(id);
        true
    }

    /// A boot begins: what waits belongs to a boot whose table never came.
    fn give_up_waiting(&mut self) {
        self.undeclared += self.waiting.len() as u64;
        self.waiting.clear();
    }
}

/// Raw log in, rows out; any number of streams (ports), each a raw log.
#[derive(Debug)]
pub struct Projection {
    /// Never empty; the first holds until a note names another.
    jobs: Vec<JobVersion>,
    streams: Vec<Stream>,
    boards: BTreeMap<BoardId, BoardState>,
}

impl Projection {
    /// A projection under `job` alone, before the first line: whatever other job files the notes name.
    pub fn new(job: Job) -> Self {
        Self::under(JobVersion::whatever_is_noted(job), Vec::new())
    }

    /// A projection under several job files: `first` from the beginning, each of `later` from the note in a stream that
    /// names it, for that stream. A note that names none of them changes nothing.
    pub fn under(first: JobVersion, later: Vec<JobVersion>) -> Self {
        let mut jobs = vec![first];
        jobs.extend(later);
        Self {
            jobs,
            streams: Vec::new(),
            boards: BTreeMap::new(),
        }
    }

    /// The newest job file that a note has put into force, or the first.
    pub fn job(&self) -> &Job {
        let newest = self.streams.iter().map(|stream| stream.job).max();
        self.job_at(newest.unwrap_or(0))
    }

    fn job_at(&self, index: usize) -> &Job {
        // Indices are only ever those of versions found.
        &self.jobs[index].job
    }

    /// Feeds whole lines of one stream's raw log; `stream` is a small index of the caller's choice.
    pub fn feed(&mut self, stream: usize, raw: &[u8], sink: &mut impl Sink) {
        let mut rest = raw;
        while !rest.is_empty() {
            let end = memchr::memchr(b'\n', rest).unwrap_or(rest.len());
            let (line, tail) = rest.split_at(end);
            rest = tail.get(1..).unwrap_or_default();
            self.line(stream, line, sink);
        }
    }

    /// The same with lines whose samples were decoded ahead.
    pub fn feed_decoded(&mut self, stream: usize, lines: &DecodedLines, sink: &mut impl Sink) {
        for line in &lines.lines {
            match line {
                DecodedLine::Sample { arrival_us, sample } => {
                    self.record(stream, *arrival_us, sample, sink);
                }
                &DecodedLine::Other { from, to } => {
                    let line = lines.raw().get(from..to).unwrap_or_default();
                    self.line(stream, line, sink);
                }
            }
        }
    }

    /// Feeds whole lines of a bare board dump that began at `began_us` (host's wall clock, µs).
    pub fn feed_bare(&mut self, stream: usize, began_us: i64, lines: &[u8], sink: &mut impl Sink) {
        let mut rest = lines;
        while !rest.is_empty() {
            let end = memchr::memchr(b'\n', rest).unwrap_or(rest.len());
            let (line, tail) = rest.split_at(end);
            rest = tail.get(1..).unwrap_or_default();
            let bare = self.stream(stream).bare.get_or_insert(Bare {
                now_us: began_us,
                last_ms: None,
            });
            let arrival_us = bare.arrival_us(line);
            self.board_line(stream, arrival_us, line, sink);
        }
    }

    /// The end of the record: everything still open becomes final.
    pub fn finish(&mut self, sink: &mut impl Sink) {
        for stream in &self.streams {
            let end = stream.host.record_time(stream.last_stamp_us);
            if let Some(board) = stream.board.and_then(|id| self.boards.get_mut(&id)) {
                board.release(sink);
                board.silence_until(end, stream.port_news.as_ref(), sink);
            }
        }
        for board in self.boards.values_mut() {
            board.finish(sink);
        }
    }

    /// The rows that may still be revised, as they stand.
    pub fn open_rows(&self, mut each: impl FnMut(&str, &[EventRow], &[CycleRow])) {
        for unit in self.boards.values().flat_map(|board| board.units()) {
            let (events, cycles) = unit.open_rows();
            each(unit.name(), &events, &cycles);
        }
    }

    /// A stream whose raw log before what is fed first is no longer there. Where that ended, the host's clock was
    /// `stepped_us` ahead of record time, µs: time goes on as it was; everything else is learned anew.
    pub fn resume(&mut self, stream: usize, stepped_us: i64) {
        self.stream(stream).host.resume(stepped_us);
    }

    /// How far the host's clock is ahead of record time where a stream was fed last, µs.
    pub fn stepped_us(&self, stream: usize) -> i64 {
        let stream = self.streams.get(stream);
        stream.map_or(0, |stream| stream.host.stepped_us())
    }

    /// What the boards heard on a stream said from here on is needed for rows that are not final, or not told yet.
    pub fn unsettled_from(&self, stream: usize) -> Option<RecordTime> {
        let heard = self.streams.get(stream).into_iter();
        let boards = heard.flat_map(|stream| &stream.heard);
        boards
            .filter_map(|id| self.boards.get(id)?.unsettled_from())
            .min()
    }

    /// The rows of the overviews that have begun, as they stand.
    pub fn open_overviews(&self, mut each: impl FnMut(&str, &OverviewRow)) {
        for unit in self.boards.values().flat_map(|board| board.units()) {
            if let Some(row) = unit.open_overview() {
                each(unit.name(), &row);
            }
        }
    }

    /// The state of every unit whose board has spoken, in the job's order; the others have no data.
    pub fn units(&self) -> Vec<UnitStatus> {
        let named = |name: &str| UnitStatus {
            name: name.to_owned(),
            ..UnitStatus::default()
        };
        let find = |name: &str| {
            self.boards
                .values()
                .flat_map(|b| b.units())
                .find(|u| u.name() == name)
        };
        self.job()
            .units
            .iter()
            .map(|u| find(&u.name).map_or_else(|| named(&u.name), |unit| unit.status()))
            .collect()
    }

    /// The state of every stream, under the board that spoke on it last.
    pub fn boards(&self) -> Vec<BoardStatus> {
        self.streams
            .iter()
            .map(|stream| self.board_status(stream))
            .collect()
    }

    /// What people should know of the streams before they trust the rows: a board of another protocol version, samples that
    /// never got a channel table, problems of the boards.
    pub fn problems(&self) -> Vec<String> {
        let of = |stream: &Stream| {
            let version = stream.other_version.as_ref().map(Refusal::to_string);
            let status = self.board_status(stream);
            // What still waits at the end waits in vain.
            let untold = status.undeclared + stream.waiting.len() as u64;
            let untold = (untold > 0).then(|| {
                format!(
                    "{untold} samples came without a usable channel table: they are in the raw log, and have no rows"
                )
            });
            version.into_iter().chain(untold).chain(status.problems)
        };
        self.streams.iter().flat_map(of).collect()
    }

    /// Wall clock minus record time of the stream that was fed first, µs: how instants are named to people.
    pub fn wall_offset_us(&self) -> i64 {
        self.streams
            .first()
            .map_or(0, |stream| stream.host.stepped_us())
    }

    fn board_status(&self, stream: &Stream) -> BoardStatus {
        let board = stream.board.and_then(|id| self.boards.get(&id));
        let mut status = board.map(BoardState::status).unwrap_or_default();
        status.undeclared = stream.undeclared;
        status.refusals = stream.refusals;
        if stream.has_too_many_strangers {
            status.problems.push(format!(
                "more than {STRANGERS_MAX} boards that the job file does not name have spoken on this port; the samples of \
                 further ones are kept in the raw log only"
            ));
        }
        status
    }

    fn stream(&mut self, index: usize) -> &mut Stream {
        if self.streams.len() <= index {
            self.streams.resize_with(index + 1, Stream::new);
        }
        &mut self.streams[index]
    }

    fn line(&mut self, index: usize, line: &[u8], sink: &mut impl Sink) {
        match rawlog::parse(line) {
            Entry::Board { arrival_us, line } => self.board_line(index, arrival_us, line, sink),
            Entry::Note { at_us, text } => self.note(index, at_us, &Note::parse(text), sink),
            Entry::Damaged => self.stream(index).refuse(&Refusal::Malformed),
        }
    }

    fn board_line(&mut self, index: usize, arrival_us: i64, line: &[u8], sink: &mut impl Sink) {
        // By reference: a record is large, and copying it straight after it was written waits for the writing.
        match &protocol::decode(line) {
            Ok(record) => self.record(index, arrival_us, record, sink),
            Err(refusal) => {
                let stream = self.stream(index);
                stream.last_stamp_us = arrival_us;
                stream.refuse(refusal);
            }
        }
    }

    fn record(&mut self, index: usize, arrival_us: i64, record: &Record<'_>, sink: &mut impl Sink) {
        let stream = self.stream(index);
        stream.last_stamp_us = arrival_us;
        match stream.session.accept(record, arrival_us) {
            Outcome::Sample => self.sample(index, arrival_us, record, sink),
            Outcome::Waiting => stream.hold_record(arrival_us, record),
            Outcome::SampleOfNewBoot => {
                self.boot_begun(index, sink);
                self.stream(index).hold_record(arrival_us, record);
            }
            Outcome::Repeated => stream.refusals.add_repeated(),
            Outcome::Refused(refusal) => stream.refuse(&refusal),
            Outcome::BootBegun => self.boot_begun(index, sink),
            Outcome::TableBegun(change) => self.table_begun(index, change, sink),
            Outcome::Nothing => self.stream_record(index, record, sink),
        }
    }

    /// What a board says beside samples and tables.
    fn stream_record(&mut self, index: usize, record: &Record<'_>, sink: &mut impl Sink) {
        let stream = self.stream(index);
        match record {
            Record::Unknown(_) => stream.refusals.add_unknown(),
            Record::Notice(notice) => {
                let Some(id) = stream.board else { return };
                if let Some(board) = self.boards.get_mut(&id) {
                    board.notice(notice, sink);
                }
            }
            _ => {}
        }
    }

    fn sample(&mut self, index: usize, arrival_us: i64, record: &Record<'_>, sink: &mut impl Sink) {
        let Record::Sample(sample) = record else {
            return;
        };
        let Some(stream) = self.streams.get_mut(index) else {
            return;
        };
        let board = stream.board.and_then(|id| self.boards.get_mut(&id));
        let Some(board) = board.filter(|board| board.takes_samples()) else {
            stream.undeclared += 1;
            return;
        };
        let bare = stream.bare.is_some();
        // Within a boot the board's own clock reaches across.
        stream.host_restarted = false;
        let heard = Heard {
            arrival_us,
            sample,
            port_news: stream.port_news.take(),
            damaged: core::mem::take(&mut stream.damaged),
            bare,
        };
        if let Some((since, step_us)) = board.sample(heard, &mut stream.host, sink) {
            self.host_stepped(index, since, step_us, sink);
        }
    }

    fn boot_begun(&mut self, index: usize, sink: &mut impl Sink) {
        let stream = self.stream(index);
        stream.give_up_waiting();
        if let Some(board) = stream.board.and_then(|id| self.boards.get_mut(&id)) {
            board.release(sink);
        }
    }

    fn table_begun(&mut self, index: usize, change: TableChange, sink: &mut impl Sink) {
        let Some(stream) = self.streams.get_mut(index) else {
            return;
        };
        let Some(table) = stream.session.table() else {
            return;
        };
        let (id, job) = (table.id, &self.jobs[stream.job].job);
        if !stream.admits(id, job) {
            stream.board = None;
            return stream.give_up_waiting();
        }
        let Some(table) = stream.session.table() else {
            return;
        };
        stream.board = Some(id);
        if !stream.heard.contains(&id) {
            stream.heard.push(id);
        }
        let board = self
            .boards
            .entry(id)
            .or_insert_with(|| BoardState::new(id, job));
        let length_known = stream.host.is_noted() && !stream.host_restarted;
        stream.host_restarted = false;
        board.table_begun(table, change, Boundary { length_known }, sink);
        let waiting = core::mem::take(&mut stream.waiting);
        for (since, step_us) in core::mem::take(&mut stream.steps) {
            self.host_stepped(index, since, step_us, sink);
        }
        for Waiting { arrival_us, sample } in waiting {
            self.waited(index, arrival_us, sample, sink);
        }
    }

    /// A sample that waited gets its table; only now can its number of values be judged.
    fn waited(&mut self, index: usize, arrival_us: i64, sample: Sample, sink: &mut impl Sink) {
        let Some(stream) = self.streams.get_mut(index) else {
            return;
        };
        let channels = stream
            .session
            .table()
            .map_or(0, |table| table.channels().len());
        if sample.readings.len() != channels {
            return stream.refuse(&Refusal::ValueCount);
        }
        self.sample(index, arrival_us, &Record::Sample(sample), sink);
    }

    fn note(&mut self, index: usize, at_us: i64, note: &Note<'_>, sink: &mut impl Sink) {
        let stream = self.stream(index);
        stream.last_stamp_us = at_us;
        match *note {
            Note::Began {
                wall_us,
                boot_us,
                host_boot,
            } => stream.host.began(wall_us, boot_us, host_boot),
            Note::Clock { boot_us, host_boot } => {
                match stream.host.clock(at_us, boot_us, host_boot) {
                    HostNews::Step(0) => {}
                    HostNews::Step(step_us) => {
                        let since = stream.host.record_time(at_us);
                        self.host_stepped(index, since, step_us, sink);
                    }
                    HostNews::Restarted => stream.host_restarted = true,
                }
            }
            Note::Lost(reason) => {
                stream.news(GapCause::Unplugged, format!("port lost: {reason}"));
            }
            Note::Dropped(bytes) => {
                stream.news(GapCause::Disk, format!("{bytes} bytes dropped"));
            }
            Note::Started => stream.news(
                GapCause::RecorderDown,
                "the recorder was started".to_owned(),
            ),
            Note::Stopped => self.stopped(index, at_us, sink),
            Note::Mark(text) => {
                let time = stream.host.record_time(at_us);
                if let Some(board) = stream.board.and_then(|id| self.boards.get_mut(&id)) {
                    board.event(
                        EventKind::Mark,
                        time,
                        format!("marked by a person: {text}"),
                        sink,
                    );
                }
            }
            Note::Reading(fields) => self.reading(index, at_us, fields, sink),
            Note::Bench(fields) => self.bench(index, at_us, fields, sink),
            Note::Job { file, sha256 } => self.job_noted(index, file, sha256, sink),
            Note::Opened | Note::Other => {}
        }
    }

    /// A person has measured something: kept as said, under the unit it was taken of. It changes nothing else.
    fn reading(&mut self, index: usize, at_us: i64, fields: &str, sink: &mut impl Sink) {
        let stream = self.stream(index);
        let (time, in_force) = (stream.host.record_time(at_us), stream.job);
        let board = stream.board;
        let reading = Reading::parse(fields);
        let job = self.job_at(in_force);
        let of_unit = reading.filter(|reading| job.units.iter().any(|u| u.name == reading.unit));
        if let Some(reading) = of_unit {
            return sink.event(&reading.unit, mark(time, reading.detail()));
        }
        if let Some(board) = board.and_then(|id| self.boards.get_mut(&id)) {
            let detail = format!("a reading that fits no unit of the job: {}", shown(fields));
            board.event(EventKind::Mark, time, detail, sink);
        }
    }

    /// A person has done something in a bench test: kept under the unit whose protector it is.
    fn bench(&mut self, index: usize, at_us: i64, fields: &str, sink: &mut impl Sink) {
        let stream = self.stream(index);
        let (time, in_force) = (stream.host.record_time(at_us), stream.job);
        let board = stream.board;
        let job = self.job_at(in_force);
        let unit = job.units.first().filter(|_| job.bench.is_some());
        if let (Some(unit), Some((act, by))) = (unit, Act::parse(fields)) {
            let detail = act.note(by).unwrap_or_default();
            return sink.event(&unit.name, mark(time, detail));
        }
        if let Some(board) = board.and_then(|id| self.boards.get_mut(&id)) {
            let detail = format!("a note that fits no bench test: {}", shown(fields));
            board.event(EventKind::Mark, time, detail, sink);
        }
    }

    /// Another job file holds for this stream from here.
    fn job_noted(&mut self, index: usize, file: &str, sha256: &str, sink: &mut impl Sink) {
        let named = |version: &JobVersion| version.file == file && version.sha256 == sha256;
        let Some(noted) = self.jobs.iter().position(named) else {
            return;
        };
        let stream = self.stream(index);
        if core::mem::replace(&mut stream.job, noted) == noted {
            return;
        }
        let board = stream.board;
        if let Some(board) = board.and_then(|id| self.boards.get_mut(&id)) {
            board.job_changed(&self.jobs[noted].job, sink);
        }
    }

    fn stopped(&mut self, index: usize, at_us: i64, sink: &mut impl Sink) {
        let stream = self.stream(index);
        let end = stream.host.record_time(at_us);
        let news = stream.port_news.clone();
        stream.news(
            GapCause::RecorderDown,
            "the recorder was stopped".to_owned(),
        );
        if let Some(board) = stream.board.and_then(|id| self.boards.get_mut(&id)) {
            board.release(sink);
            board.silence_until(end, news.as_ref(), sink);
        }
    }

    /// Tells a step of the host's clock once, under the job's first board; nothing shifts for it.
    fn host_stepped(
        &mut self,
        index: usize,
        since: RecordTime,
        step_us: i64,
        sink: &mut impl Sink,
    ) {
        let in_force = self.stream(index).job;
        let job = self.job_at(in_force);
        let first_unit = || job.units.first().map(|u| u.board);
        let teller = job.boards.first().map(|b| b.id).or_else(first_unit);
        let stream = self.stream(index);
        let Some(id) = stream.board else {
            if stream.steps.len() < STEPS_MAX {
                stream.steps.push((since, step_us));
            }
            return;
        };
        if step_us.saturating_abs() < STEP_REPORTED_US || teller.is_some_and(|teller| teller != id)
        {
            return;
        }
        if let Some(board) = self.boards.get_mut(&id) {
            let detail = format!("the host's clock was set by {:+.1} s", step_us as f64 / 1e6);
            board.event(EventKind::ClockStep, since, detail, sink);
        }
    }
}

/// What a person noted.
fn mark(time: RecordTime, detail: String) -> EventRow {
    EventRow {
        time,
        kind: EventKind::Mark,
        cause: None,
        current_a: None,
        case_c: None,
        detail,
    }
}

/// The beginning of a note that fits nothing.
fn shown(fields: &str) -> String {
    let printable = fields.chars().filter(|c| !c.is_control());
    printable.take(NOTE_CHARS_MAX).collect()
}

impl Stream {
    fn refuse(&mut self, refusal: &Refusal) {
        self.refusals.add(refusal);
        if let Refusal::Version(_) = refusal {
            self.other_version = Some(*refusal);
        }
        self.damaged += 1;
    }

    fn news(&mut self, cause: GapCause, text: String) {
        News::add(&mut self.port_news, cause, text);
    }

    fn hold_record(&mut self, arrival_us: i64, record: &Record<'_>) {
        if let Record::Sample(sample) = record {
            self.hold(arrival_us, *sample);
        }
    }
}

impl Bare {
    /// The longest time that is believed to have passed between two lines of a dump across a wrap, ms.
    const WRAP_MS_MAX: u32 = 600_000;

    /// When this line came, by the board's clock alone. Across a boot the length is not known: the board's time since
    /// its boot is the least it can be.
    fn arrival_us(&mut self, line: &[u8]) -> i64 {
        if let Ok(Record::Sample(sample)) = protocol::decode(line) {
            let elapsed_ms = match self.last_ms {
                None => 0,
                Some(last) if sample.ms >= last => sample.ms - last,
                Some(last) if sample.ms.wrapping_sub(last) <= Self::WRAP_MS_MAX => {
                    sample.ms.wrapping_sub(last)
                }
                Some(_) => sample.ms,
            };
            self.last_ms = Some(sample.ms);
            self.now_us = self.now_us.saturating_add(i64::from(elapsed_ms) * 1000);
        }
        self.now_us
    }
}
