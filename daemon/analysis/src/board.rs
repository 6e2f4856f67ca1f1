//! One board's samples: unwrapped, brought to record time, converted, its gaps named, its units fed.

use nightclamp_protocol::{
    BoardId, MAX_CHANNELS, MAX_PERIOD_MS, Notice, Reading, Sample, Table, TableChange,
};

use crate::clock::{Arrival, BoardClock, HostMap, TIME_US_MAX, bounded};
use crate::gap::{self, Count, GapCause, Losses, News};
use crate::job::Job;
use crate::rows::{EventKind, EventRow, RecordTime, SampleRow, Sink};
use crate::sensor::Converter;
use crate::status::BoardStatus;
use crate::unit::{Break, Unit};

/// Place of the reference junction of all thermocouples of a board (wire contract).
const COLD_JUNCTION: &str = "cold-junction";
/// A gap is no valid sample for longer than this many sample periods (data contract); the twentieth above three is for
/// a board's millisecond that falls now on this side, now on that.
pub(crate) const GAP_PERIODS: f64 = 3.05;
/// The first samples of a boot are held until this much time and so many of them have shown the least latency, µs.
const HOLD_US: i64 = 2_500_000;
/// See [`HOLD_US`].
const HOLD_SAMPLES: usize = 8;
/// Longest holding, µs.
const HOLD_US_MAX: i64 = 20_000_000;
/// A board that says that it has run for longer than this since its boot is not believed to, µs: not every board's clock
/// begins at nought.
const LEAD_US_MAX: i64 = 600_000_000;
/// Most samples held.
const HELD_MAX: usize = 1_024;
/// Most presses of the button kept while samples are held.
const HELD_MARKS_MAX: usize = 64;
/// Problems kept for people to read.
const PROBLEMS_MAX: usize = 32;
/// Most different places that a board has columns for: a full table, and another after everything was wired anew. Every
/// place is three columns of all its samples, and a faulty board could name new ones with every line.
const PLACES_MAX: usize = 2 * MAX_CHANNELS;

/// What is known of the time between two boots.
#[derive(Debug, Clone, Copy)]
pub struct Boundary {
    /// The host's boot-time clock reaches across it.
    pub length_known: bool,
}

/// A sample as it was heard.
#[derive(Debug)]
pub struct Heard<'a> {
    /// Host's wall clock at its arrival, µs.
    pub arrival_us: i64,
    /// The sample.
    pub sample: &'a Sample,
    /// What happened to the port since the sample before.
    pub port_news: Option<News>,
    /// Lines refused since the sample before.
    pub damaged: u64,
    /// It comes from a dump without stamps: its arrival was derived from the board's clock.
    pub bare: bool,
}

#[derive(Debug)]
struct Held {
    board_us: i64,
    arrival_us: i64,
    sample: Sample,
    port_news: Option<News>,
    damaged: u64,
}

/// Everything that is known of one board.
#[derive(Debug)]
pub struct BoardState {
    id: BoardId,
    name: String,
    table: Option<Table>,
    /// Every place it has named so far.
    places: Vec<String>,
    /// The table has more new places than there is room for: its samples stay in the raw log.
    is_table_refused: bool,
    converters: Vec<Converter>,
    cold_junction: Option<usize>,
    clock: BoardClock,
    /// Board time at the last sample heard, ms, unwrapped; `None` before the first of a boot.
    heard_ms: Option<u64>,
    held: Vec<Held>,
    /// Presses of the button while samples are held: how many were held then, and the board's clock, ms.
    held_marks: Vec<(usize, u32)>,
    holding: bool,
    last: Option<Count>,
    /// Between the last sample and the next lies a boot.
    boundary: Option<Boundary>,
    gap_told: bool,
    losses: Losses,
    /// The period that gaps are judged by until the next sample, ms: the longer one where it has just changed.
    gap_period_ms: u32,
    ntc: Vec<(String, crate::sensor::Ntc)>,
    units: Vec<Unit>,
    samples: u64,
    last_arrival_us: Option<i64>,
    problems: Vec<String>,
}

impl BoardState {
    /// A board that has just been heard of.
    pub fn new(id: BoardId, job: &Job) -> Self {
        let of_this_board = job.units.iter().filter(|unit| unit.board == id);
        Self {
            id,
            name: format!("board-{id}"),
            table: None,
            places: Vec::new(),
            is_table_refused: false,
            converters: Vec::new(),
            cold_junction: None,
            clock: BoardClock::new(RecordTime::MIN),
            heard_ms: None,
            held: Vec::new(),
            held_marks: Vec::new(),
            holding: true,
            last: None,
            boundary: None,
            gap_told: false,
            losses: Losses::default(),
            gap_period_ms: 0,
            ntc: job.board(id).map(|b| b.ntc.clone()).unwrap_or_default(),
            units: of_this_board.map(|unit| Unit::new(unit.clone())).collect(),
            samples: 0,
            last_arrival_us: None,
            problems: Vec::new(),
        }
    }

    /// Its units.
    pub fn units(&self) -> &[Unit] {
        &self.units
    }

    /// What it said from here on is needed for rows that are not final, or not told yet: the last sample is where a gap would
    /// begin.
    pub fn unsettled_from(&self) -> Option<RecordTime> {
        let of_unit = |unit: &Unit| {
            let (events, cycles) = unit.open_rows();
            let times = events.iter().map(|row| row.time);
            let begun = unit.open_overview().map(|row| row.first);
            times
                .chain(cycles.iter().map(|row| row.on_at))
                .chain(begun)
                .min()
        };
        let untold = [self.last.map(|last| last.time), self.losses.since()];
        let units = self.units.iter().filter_map(of_unit);
        units.chain(untold.into_iter().flatten()).min()
    }

    /// Its state for people.
    pub fn status(&self) -> BoardStatus {
        let table = self.table.as_ref();
        BoardStatus {
            id: self.id.to_string(),
            boot: table.map(|t| t.boot),
            period_ms: table.map(|t| t.period_ms),
            firmware: table.map(|t| t.firmware().to_owned()).unwrap_or_default(),
            samples: self.samples,
            last_arrival: self.last_arrival_us,
            problems: self.problems.clone(),
            ..BoardStatus::default()
        }
    }

    /// A complete channel table is in force from here.
    pub fn table_begun(
        &mut self,
        table: &Table,
        change: TableChange,
        boundary: Boundary,
        sink: &mut impl Sink,
    ) {
        if change == TableChange::Confirmed && self.table.is_some() {
            return;
        }
        self.release(sink);
        let old = self.table.replace(table.clone());
        self.gap_period_ms = table.period_ms.max(old.as_ref().map_or(0, |t| t.period_ms));
        match change {
            TableChange::NewTable => self.problem(format!(
                "board fault: boot {} declared another channel table without a new boot count; it holds from here",
                table.boot
            )),
            TableChange::NewBoot => self.begin_boot(boundary),
            TableChange::First | TableChange::NewBoard if old.as_ref().is_some_and(|t| t.boot != table.boot) => {
                self.begin_boot(boundary);
            }
            _ => {}
        }
        if change != TableChange::NewPeriod {
            self.is_table_refused = !self.has_room_for(table);
            if self.is_table_refused {
                return self.problem(format!(
                    "board fault: more than {PLACES_MAX} different places in one record; the samples of this table are \
                     kept in the raw log only (boot {})",
                    table.boot
                ));
            }
            self.build_channels(table);
            sink.table(table);
        }
    }

    /// Another job file holds from here. What is the same in both goes on as if nothing had happened.
    pub fn job_changed(&mut self, job: &Job, sink: &mut impl Sink) {
        self.release(sink);
        let mut before = core::mem::take(&mut self.units);
        for new in job.units_of(self.id) {
            let same = before.iter().position(|unit| unit.name() == new.name);
            self.units.push(match same.map(|at| before.remove(at)) {
                Some(mut unit) => {
                    unit.job_changed(new, sink);
                    unit
                }
                None => Unit::new(new.clone()),
            });
        }
        for mut gone in before {
            gone.finish(sink);
        }
        self.ntc = job
            .board(self.id)
            .map(|b| b.ntc.clone())
            .unwrap_or_default();
        if let Some(table) = self.table.clone() {
            self.build_channels(&table);
        }
    }

    /// Whether samples under the table in force get rows.
    pub const fn takes_samples(&self) -> bool {
        self.table.is_some() && !self.is_table_refused
    }

    /// Remembers the places of a table, if there is room for all of them.
    fn has_room_for(&mut self, table: &Table) -> bool {
        let places = table.channels().iter().map(|channel| channel.place());
        let new: Vec<String> = places
            .filter(|place| !self.places.iter().any(|known| known == place))
            .map(str::to_owned)
            .collect();
        let has_room = self.places.len() + new.len() <= PLACES_MAX;
        if has_room {
            self.places.extend(new);
        }
        has_room
    }

    /// A notice of the board that begins no boot.
    pub fn notice(&mut self, notice: &Notice<'_>, sink: &mut impl Sink) {
        match notice.what {
            "mark" if self.holding => self.hold_mark(notice.ms),
            "mark" => self.mark(self.since_last_us(notice.ms), sink),
            "fault" => self.problem(format!("the board reports a fault: {}", notice.detail)),
            _ => {}
        }
    }

    /// Keeps a mark whose time is not known before that of the samples around it is.
    fn hold_mark(&mut self, ms: u32) {
        if self.held_marks.len() < HELD_MARKS_MAX {
            self.held_marks.push((self.held.len(), ms));
        }
    }

    /// Somebody pressed the board's button so long after the last sample; never before it.
    fn mark(&self, since_last_us: i64, sink: &mut impl Sink) {
        let Some(last) = self.last else { return };
        let time = bounded(last.time.saturating_add(since_last_us));
        let detail = "the board's button was pressed".to_owned();
        self.event(EventKind::Mark, time, detail, sink);
    }

    /// One sample. Returns a step of the host's clock that it reveals: since when, and how far, µs.
    pub fn sample(
        &mut self,
        heard: Heard<'_>,
        host: &mut HostMap,
        sink: &mut impl Sink,
    ) -> Option<(RecordTime, i64)> {
        let board_ms = unwrapped(self.heard_ms, heard.sample.ms);
        self.heard_ms = Some(board_ms);
        self.last_arrival_us = Some(heard.arrival_us);
        let board_us = (board_ms as i64).saturating_mul(1000).min(TIME_US_MAX);
        let step = self.observe(board_us, &heard, host);
        if self.holding {
            self.held.push(Held {
                board_us,
                arrival_us: heard.arrival_us,
                sample: *heard.sample,
                port_news: heard.port_news,
                damaged: heard.damaged,
            });
            if self.held_enough() {
                self.release(sink);
            }
        } else {
            self.emit(board_us, &heard, sink);
        }
        step
    }

    /// Gives out what is held, with the latency that is known by now.
    pub fn release(&mut self, sink: &mut impl Sink) {
        self.holding = self.holding && self.held.is_empty();
        if self.held.is_empty() {
            return;
        }
        let mut marks = core::mem::take(&mut self.held_marks).into_iter().peekable();
        for (before, held) in core::mem::take(&mut self.held).into_iter().enumerate() {
            let heard = Heard {
                arrival_us: held.arrival_us,
                sample: &held.sample,
                port_news: held.port_news,
                damaged: held.damaged,
                bare: false,
            };
            self.emit(held.board_us, &heard, sink);
            // One from before the first sample of a boot is told with that sample.
            while let Some((held_then, ms)) = marks.next_if(|(then, _)| *then <= before + 1) {
                let since_last_us = if held_then == 0 {
                    0
                } else {
                    self.since_last_us(ms)
                };
                self.mark(since_last_us, sink);
            }
        }
    }

    /// The recorder stopped, or the record ends: a silence that lasts until then is a gap.
    pub fn silence_until(&mut self, end: RecordTime, news: Option<&News>, sink: &mut impl Sink) {
        let Some(last) = self.last else { return };
        self.tell_losses(last.time, sink);
        if !self.gap_told && self.is_gap(end - last.time) {
            self.gap_told = true;
            let cause = news.map_or(GapCause::NothingCame, |news| news.cause);
            let why = news.map_or_else(|| "the board is silent".to_owned(), News::text);
            self.event(
                EventKind::GapBegin,
                last.time,
                format!("{}: {why}; not ended when the record was", cause.as_str()),
                sink,
            );
        }
    }

    /// The end of the record.
    pub fn finish(&mut self, sink: &mut impl Sink) {
        self.release(sink);
        for unit in &mut self.units {
            unit.finish(sink);
        }
    }

    /// An event of the board or the host.
    pub fn event(&self, kind: EventKind, time: RecordTime, detail: String, sink: &mut impl Sink) {
        sink.event(
            &self.name,
            EventRow {
                time,
                kind,
                cause: None,
                current_a: None,
                case_c: None,
                detail,
            },
        );
    }

    fn problem(&mut self, text: String) {
        if self.problems.last() == Some(&text) {
            return;
        }
        if self.problems.len() == PROBLEMS_MAX {
            self.problems.remove(0);
        }
        self.problems.push(text);
    }

    fn begin_boot(&mut self, boundary: Boundary) {
        let not_before = self.last.map_or(RecordTime::MIN, |last| last.time + 1);
        self.clock = BoardClock::new(not_before);
        self.heard_ms = None;
        self.holding = true;
        if self.last.is_some() {
            self.boundary = Some(boundary);
        }
    }

    fn build_channels(&mut self, table: &Table) {
        let ntc = |place: &str| {
            self.ntc
                .iter()
                .find(|(p, _)| p == place)
                .map(|(_, ntc)| *ntc)
        };
        self.converters = table
            .channels()
            .iter()
            .map(|c| Converter::new(c.quantity, c.exp, c.sensor(), ntc(c.place())))
            .collect();
        self.cold_junction = table
            .channels()
            .iter()
            .position(|c| c.place() == COLD_JUNCTION);
        let units: Vec<&'static str> = self.converters.iter().map(Converter::unit_after).collect();
        let mut unbound = Vec::new();
        for unit in &mut self.units {
            if let Err(missing) = unit.bind(table, &units) {
                unbound.push(format!(
                    "unit {}: board {} has no usable channel for {missing}",
                    unit.name(),
                    table.id
                ));
            }
        }
        for text in unbound {
            self.problem(text);
        }
    }

    fn observe(
        &mut self,
        board_us: i64,
        heard: &Heard<'_>,
        host: &mut HostMap,
    ) -> Option<(RecordTime, i64)> {
        if let Some(told) = self.not_before_the_restart(board_us, heard.arrival_us, host) {
            return Some(told);
        }
        let arrival = host.record_time(heard.arrival_us);
        let Arrival::Parted { step_us, since } = self.clock.observe(board_us, arrival) else {
            if host.is_unsure() && !self.clock.is_behind() {
                host.bear_out();
            }
            return None;
        };
        if host.is_unsure() {
            // The board ran on while the host was away: it is the host's clock that was wrong when it came back.
            host.correct(step_us);
            return Some((since, step_us));
        }
        if heard.bare {
            return None;
        }
        if host.is_noted() {
            // The recorder notes every step of the host's clock: this was the board's.
            self.clock.jump(board_us, arrival);
            self.problem(format!(
                "the board's clock jumped by {:+.1} s",
                -(step_us as f64) / 1e6
            ));
            return None;
        }
        host.step(step_us);
        Some((since, step_us))
    }

    /// Host and board were both restarted and the host's clock stands before the end of the record: then it is behind by at
    /// least that. The record goes on from where it ended; how long it was interrupted is not known.
    fn not_before_the_restart(
        &mut self,
        board_us: i64,
        arrival_us: i64,
        host: &mut HostMap,
    ) -> Option<(RecordTime, i64)> {
        let least = self
            .last?
            .time
            .saturating_add(board_us.clamp(1, LEAD_US_MAX));
        let off_us = host.record_time(arrival_us) - least;
        let is_first = self.boundary.is_some_and(|boundary| !boundary.length_known);
        if !host.is_unsure() || !is_first || off_us >= 0 {
            return None;
        }
        host.correct(off_us);
        let arrival = host.record_time(arrival_us);
        self.clock.observe(board_us, arrival);
        Some((arrival, off_us))
    }

    fn held_enough(&self) -> bool {
        let (Some(first), Some(last)) = (self.held.first(), self.held.last()) else {
            return false;
        };
        let board_us = last.board_us - first.board_us;
        let host_us = last.arrival_us.saturating_sub(first.arrival_us);
        let settled = board_us >= HOLD_US && host_us >= HOLD_US && self.held.len() >= HOLD_SAMPLES;
        settled || board_us >= HOLD_US_MAX || self.held.len() >= HELD_MAX
    }

    fn emit(&mut self, board_us: i64, heard: &Heard<'_>, sink: &mut impl Sink) {
        let Some(table) = &self.table else { return };
        let (boot, period_ms) = (table.boot, table.period_ms);
        let time = self.clock.time_of(board_us);
        let count = Count {
            time,
            board_us,
            seq: heard.sample.seq,
            period_ms,
        };
        self.gaps(count, heard, sink);
        let mut values = [f64::NAN; MAX_CHANNELS];
        let readings: &[Reading] = &heard.sample.readings;
        self.convert(readings, &mut values);
        let values = &values[..readings.len().min(MAX_CHANNELS)];
        let row = SampleRow {
            time,
            arrival: heard.arrival_us,
            boot,
            seq: heard.sample.seq,
            board_ms: (board_us / 1000) as u64,
            readings,
            values,
        };
        sink.sample(self.id, &row);
        self.samples += 1;
        // A sample that takes no time says nothing of a current; a stopped clock must not pile them up.
        let takes_time = self.last.is_none_or(|last| time > last.time);
        let period_s = f64::from(period_ms.min(MAX_PERIOD_MS)) / 1000.0;
        for unit in &mut self.units {
            unit.sample(&row, period_s, takes_time, sink);
        }
        self.last = Some(count);
        self.gap_period_ms = period_ms;
    }

    fn convert(&mut self, readings: &[Reading], values: &mut [f64; MAX_CHANNELS]) {
        let number = |reading: Option<&Reading>| match reading {
            Some(Reading::Number(raw)) => Some(*raw),
            _ => None,
        };
        let mut reference = None;
        if let Some(index) = self.cold_junction
            && let (Some(raw), Some(converter)) =
                (number(readings.get(index)), self.converters.get_mut(index))
        {
            reference = Some(converter.value(raw, None));
        }
        for ((value, reading), converter) in
            values.iter_mut().zip(readings).zip(&mut self.converters)
        {
            if let Reading::Number(raw) = reading {
                *value = converter.value(*raw, reference);
            }
        }
    }

    fn is_gap(&self, elapsed_us: i64) -> bool {
        elapsed_us as f64 > GAP_PERIODS * f64::from(self.gap_period_ms.max(1)) * 1000.0
    }

    /// Names what is missing before the sample `now`, if anything is, and tells the units of a boot.
    fn gaps(&mut self, now: Count, heard: &Heard<'_>, sink: &mut impl Sink) {
        let boundary = self.boundary.take();
        let Some(last) = self.last else { return };
        if let Some(boundary) = boundary {
            self.units.iter_mut().for_each(|unit| {
                unit.interrupted(Break {
                    length_known: boundary.length_known,
                })
            });
        }
        // A length that is not known is never believed to be short.
        let is_gap = self.gap_told
            || self.is_gap(now.time - last.time)
            || boundary.is_some_and(|boundary| !boundary.length_known);
        let is_next = boundary.is_none() && now.seq == last.seq.wrapping_add(1);
        if is_gap {
            self.tell_losses(last.time, sink);
            let detail = gap_detail(last, now, boundary, heard);
            if !core::mem::take(&mut self.gap_told) {
                self.event(EventKind::GapBegin, last.time, detail.clone(), sink);
            }
            self.event(EventKind::GapEnd, now.time, detail, sink);
        } else if !is_next {
            let lost = match boundary {
                None => gap::lost_within_boot(last, now),
                Some(_) => gap::lost_before_first(now, Some(now.time - last.time)),
            };
            if lost > 0 {
                self.losses.add(cause_of(boundary, heard), lost, now.time);
            }
        }
        if self.losses.is_due(now.time) {
            self.tell_losses(now.time, sink);
        }
    }

    /// Tells what was lost here and there since the last time it was told.
    fn tell_losses(&mut self, now: RecordTime, sink: &mut impl Sink) {
        if let Some(detail) = self.losses.take(now) {
            self.event(EventKind::Loss, now, detail, sink);
        }
    }

    /// Time from the last sample to a notice stamped `ms` by the board, µs; 0 where that makes no sense.
    fn since_last_us(&self, ms: u32) -> i64 {
        let Some(last) = self.last else { return 0 };
        let now_us =
            (unwrapped(Some((last.board_us / 1000) as u64), ms) as i64).saturating_mul(1000);
        let elapsed_us = now_us - last.board_us;
        if elapsed_us > HOLD_US_MAX * 3 {
            0
        } else {
            elapsed_us
        }
    }
}

fn cause_of(boundary: Option<Boundary>, heard: &Heard<'_>) -> GapCause {
    match &heard.port_news {
        Some(news) => news.cause,
        None if boundary.is_some() => GapCause::BoardRestarted,
        None if heard.damaged > 0 => GapCause::LineDamage,
        None => GapCause::NothingCame,
    }
}

/// What is said of a gap: see [`gap`](crate::gap).
fn gap_detail(last: Count, now: Count, boundary: Option<Boundary>, heard: &Heard<'_>) -> String {
    let mut text = format!("{}: ", cause_of(boundary, heard).as_str());
    let length_known = boundary.is_none_or(|boundary| boundary.length_known);
    text += &match length_known {
        true => format!(
            "{:.1} s without a valid sample; ",
            (now.time - last.time) as f64 / 1e6
        ),
        false => "length unknown; ".to_owned(),
    };
    text += &match boundary {
        None => format!("{} samples lost", gap::lost_within_boot(last, now)),
        Some(_) => {
            let elapsed_us = length_known.then_some(now.time - last.time);
            let lead = gap::lost_before_first(now, elapsed_us);
            let before = match length_known {
                true => format!("at most {}", gap::bound_before_restart(last, now, lead)),
                false => "an unknown number".to_owned(),
            };
            format!(
                "{lead} samples lost since the board was restarted, {before} before the restart"
            )
        }
    };
    if heard.damaged > 0 {
        text += &format!("; {} damaged lines", heard.damaged);
    }
    if let Some(news) = &heard.port_news {
        text += &format!("; {}", news.text());
    }
    text
}

/// The board's clock unwrapped: `ms` is the low 32 bits of a time not before `last`.
fn unwrapped(last: Option<u64>, ms: u32) -> u64 {
    match last {
        None => u64::from(ms),
        Some(last) => last + u64::from(ms.wrapping_sub(last as u32)),
    }
}

#[cfg(test)]
mod tests {
    use super::unwrapped;

    #[test]
    fn milliseconds_wrap_after_seven_weeks() {
        assert_eq!(unwrapped(None, 5), 5);
        assert_eq!(
            unwrapped(Some(u64::from(u32::MAX) - 49), 50),
            u64::from(u32::MAX) + 51
        );
        assert_eq!(unwrapped(Some((1 << 32) + 7), 7), (1 << 32) + 7);
    }
}
