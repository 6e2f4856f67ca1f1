//! Lowest and highest reading per stretch of time, for any stretch from a year to a tenth of a second.
//!
//! There are four places to take them from, and for each question the coarsest that is fine enough is taken:
//!
//! 1. the ring: every sample of the last quarter of an hour,
//! 2. the live overview: the whole record in at most 65,536 buckets, in memory,
//! 3. the table `overview`: eight seconds a row, on disk,
//! 4. the table `samples`: everything, on disk.
//!
//! What is read from disk ends where the ring begins, so nothing is missing at its end and nothing is there twice. If the
//! disk has not caught up with the ring, which lasts for a moment while a file is sealed, the live overview fills in, in
//! its coarser buckets. Widths are powers of two of a second wherever buckets are merged, so that no bucket is cut.

use std::ops::Range;
use std::sync::Arc;

use axum::http::StatusCode;
use nightclamp_analysis::job::Protector;
use nightclamp_analysis::overview::{self, Bucket, DiscTrace, History, Line, OverviewRow, ROW_US};
use nightclamp_analysis::rows::RecordTime;
use nightclamp_protocol::BoardId;

use crate::live::{Live, UnitStore};
use crate::params::Params;
use crate::problem::Problem;
use crate::view::SeriesView;

/// Questions that read from disk at the same time; the others wait. Two cores are what the recorder is made for, and a
/// reader must not have both for itself for long.
pub const READERS_MAX: usize = 2;
/// Questions that wait for that at most.
const WAITING_MAX: usize = 64;

/// Answers `params` for a unit of the live view.
///
/// # Errors
/// There is no such unit, too many ask at once, or a file cannot be read.
pub async fn of(live: &Live, params: &Params) -> Result<SeriesView, Problem> {
    let question = {
        let view = live.view();
        let unit = view
            .unit(&params.unit)
            .ok_or_else(|| Problem::not_found("unit: the job has no compressor of this name"))?;
        match Question::of(unit, params, live.shared().history.get().is_some()) {
            Plan::Answer(answer) => return Ok(answer),
            Plan::Ask(question) => question,
        }
    };
    let shared = live.shared();
    let Some(history) = shared.history.get().cloned() else {
        return Err(Problem::not_found("the record on disk is not at hand"));
    };
    let busy = || {
        let detail = "too many charts are being read from disk: ask again";
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail)
    };
    // A browser that gives up drops this future here, and nothing is read for it.
    let _waits = shared.waiting.try_acquire().map_err(|_| busy())?;
    let turn = Arc::clone(&shared.readers).acquire_owned().await;
    let turn = turn.map_err(|_| busy())?;
    let read = tokio::task::spawn_blocking(move || {
        let answer = question.answer(&*history);
        drop(turn);
        answer
    });
    read.await.map_err(|error| {
        tracing::error!("a chart could not be read: {error}");
        Problem::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "the chart could not be read",
        )
    })
}

/// Hands on every sample of a stretch with a value for each of the unit's lines, NaN where there is none: from the disk, and
/// from the ring where that begins. Blocks.
///
/// # Errors
/// Says in words which file cannot be read, and why.
pub fn every_sample(
    live: &Live,
    unit: &str,
    times: Range<RecordTime>,
    history: &dyn History,
    each: &mut dyn FnMut(RecordTime, &[f64]),
) -> Result<(), String> {
    let question = {
        let view = live.view();
        let Some(unit) = view.unit(unit) else {
            return Ok(());
        };
        // So narrow that each sample has a bucket of its own.
        Question::to_ask(unit, times, 1, Vec::new())
    };
    if question.times.start < question.times.end {
        question.read_samples(history, each)?;
    }
    for bucket in &question.tail {
        let values: Vec<f64> = bucket.ranges.iter().map(|range| range.high).collect();
        each(bucket.first_us, &values);
    }
    Ok(())
}

/// How many may wait.
pub const fn waiting_max() -> usize {
    WAITING_MAX
}

/// What comes of a question.
enum Plan {
    /// Memory has the answer.
    Answer(SeriesView),
    /// The disk has to be asked.
    Ask(Box<Question>),
}

/// A question that the disk has to answer, with what memory knows.
#[derive(Debug)]
struct Question {
    unit: String,
    board: BoardId,
    roles: Vec<Line>,
    /// Place of each role on the board; none for what is no channel.
    places: Vec<Option<String>>,
    turns: f64,
    protector: Protector,
    times: Range<RecordTime>,
    width_us: i64,
    /// From here on the ring has everything.
    ring_from_us: RecordTime,
    /// What the ring says, in buckets of `width_us`.
    tail: Vec<Bucket>,
    /// The live overview, should the disk end before the ring begins.
    coarse: Vec<Bucket>,
}

impl Question {
    /// The answer from memory if it has one, else what to ask of the disk.
    fn of(unit: &UnitStore, params: &Params, has_history: bool) -> Plan {
        let (from_us, to_us) = range_of(unit, params);
        let points = i64::try_from(params.points).unwrap_or(i64::MAX);
        let wanted_us = to_us.saturating_sub(from_us) / points;
        let ring_from_us = unit.ring.oldest().unwrap_or(RecordTime::MAX);
        let is_coarse = wanted_us >= unit.overview.width_us();
        if from_us >= ring_from_us && !is_coarse {
            let buckets = unit.ring.query(from_us, to_us, params.points);
            return Plan::Answer(view("samples", 1, &buckets, &unit.roles));
        }
        let coarse = unit.overview.query(from_us, to_us, params.points);
        if is_coarse || !has_history || coarse.is_empty() {
            let width_us = unit.overview.width_us();
            return Plan::Answer(view("overview", width_us, &coarse, &unit.roles));
        }
        let width_us = disk_width_us(wanted_us);
        Plan::Ask(Box::new(Self::to_ask(
            unit,
            from_us..to_us,
            width_us,
            coarse,
        )))
    }

    /// A stretch in buckets of a width, as the disk and the ring have it.
    fn to_ask(
        unit: &UnitStore,
        times: Range<RecordTime>,
        width_us: i64,
        coarse: Vec<Bucket>,
    ) -> Self {
        let ring_from_us = unit.ring.oldest().unwrap_or(RecordTime::MAX);
        let tail_from_us = ring_from_us.max(times.start);
        Self {
            unit: unit.name.clone(),
            board: unit.board,
            roles: unit.roles.clone(),
            places: unit.places.clone(),
            turns: unit.turns,
            protector: unit.protector.clone(),
            times: times.start..times.end.min(ring_from_us),
            width_us,
            ring_from_us,
            tail: unit.ring.buckets(tail_from_us, times.end, width_us),
            coarse,
        }
    }

    /// Reads from disk. Blocks. Where that fails the live overview has to do: coarser, and nothing is lost.
    fn answer(mut self, history: &dyn History) -> SeriesView {
        let mut buckets = Buckets::new(self.width_us, self.roles.len());
        let is_overview = self.width_us >= ROW_US;
        let read = match is_overview {
            true => self.read_overview(history, &mut buckets),
            false => self.read_samples(history, &mut |time, values| buckets.add(time, values)),
        };
        if let Err(why) = read {
            tracing::warn!("a chart is coarser than asked for: {why}");
            return view("overview", self.width_us, &self.coarse, &self.roles);
        }
        let mut buckets = buckets.0;
        self.fill_in(&mut buckets);
        Buckets::join(&mut buckets, std::mem::take(&mut self.tail));
        let source = if is_overview { "overview" } else { "samples" };
        view(source, self.width_us, &buckets, &self.roles)
    }

    fn read_overview(&self, history: &dyn History, into: &mut Buckets) -> Result<(), String> {
        let lines = &self.roles;
        // A row that begins before the stretch may reach into it.
        let times = self.times.start.saturating_sub(ROW_US - 1)..self.times.end;
        history.overview(&self.unit, lines, times, &mut |row| {
            if row.last >= self.times.start && row.first < self.ring_from_us {
                into.add_row(row, lines);
            }
        })
    }

    /// Every sample on disk within `times`, with a value for each of the unit's lines.
    fn read_samples(
        &self,
        history: &dyn History,
        each: &mut dyn FnMut(RecordTime, &[f64]),
    ) -> Result<(), String> {
        let mut trace = self.disc_trace(history)?;
        let disc = self.roles.iter().position(|role| *role == Line::Disc);
        let at = |role| self.roles.iter().position(|other| *other == role);
        let (current, case) = (at(Line::Current), at(Line::Case));
        let places: Vec<&str> = self
            .places
            .iter()
            .map(|place| place.as_deref().unwrap_or_default())
            .collect();
        // The disc is followed from the beginning of a row on.
        let begin_us = match trace {
            Some(_) => self.times.start.div_euclid(ROW_US).saturating_mul(ROW_US),
            None => self.times.start,
        };
        let mut values = Vec::with_capacity(self.roles.len());
        history.samples(
            self.board,
            &places,
            begin_us..self.times.end,
            &mut |time, read| {
                values.clear();
                values.extend_from_slice(read);
                let value = |values: &[f64], at: Option<usize>| {
                    at.and_then(|at| values.get(at))
                        .copied()
                        .unwrap_or(f64::NAN)
                };
                if let Some(amps) = current.and_then(|at| values.get_mut(at)) {
                    *amps /= self.turns;
                }
                if let (Some(trace), Some(at)) = (&mut trace, disc) {
                    let disc_c = trace.step(time, value(&values, current), value(&values, case));
                    if let Some(place) = values.get_mut(at) {
                        *place = disc_c;
                    }
                }
                if time >= self.times.start {
                    each(time, &values);
                }
            },
        )
    }

    /// The model, if the unit has one, with the rows of the overview that it is drawn from.
    fn disc_trace(&self, history: &dyn History) -> Result<Option<DiscTrace>, String> {
        if !self.roles.contains(&Line::Disc) {
            return Ok(None);
        }
        let mut rows = Vec::new();
        let times = self.times.start.saturating_sub(ROW_US)..self.times.end;
        history.overview(&self.unit, &[], times, &mut |row| rows.push(*row))?;
        Ok(DiscTrace::new(&self.protector, rows))
    }

    /// Puts the live overview's buckets where the disk has not caught up with the ring yet.
    fn fill_in(&self, buckets: &mut Vec<Bucket>) {
        let reached_us = buckets
            .last()
            .map_or(RecordTime::MIN, |bucket| bucket.last_us);
        let missing = self.coarse.iter().filter(|bucket| {
            // A bucket that only reaches in was seen for its most part.
            bucket.first_us > reached_us
                && bucket.first_us < self.times.end
                && bucket.last_us < self.ring_from_us
        });
        buckets.extend(missing.cloned());
    }
}

/// The range asked for; its open ends are those of the record.
pub fn range_of(unit: &UnitStore, params: &Params) -> (RecordTime, RecordTime) {
    let (first_us, last_us) = unit.overview.span().unwrap_or_default();
    let from_us = params.from_us.unwrap_or(first_us);
    let to_us = params.to_us.unwrap_or(last_us.saturating_add(1));
    (from_us, to_us.max(from_us))
}

/// A row of the overview has to fit into a bucket whole, so from its length on buckets are that by a power of two. Below,
/// they are made of samples and have the width that is wanted.
fn disk_width_us(wanted_us: i64) -> i64 {
    let wanted_us = wanted_us.max(1);
    if wanted_us < ROW_US {
        return wanted_us;
    }
    let doublings = (0..40).find(|doublings| ROW_US << doublings >= wanted_us);
    ROW_US << doublings.unwrap_or(40)
}

fn view(source: &'static str, least_us: i64, buckets: &[Bucket], roles: &[Line]) -> SeriesView {
    let width_us = buckets.first().map_or(least_us, |bucket| bucket.width_us);
    SeriesView::of(source, width_us, buckets, roles)
}

/// Buckets of one width that are being filled, in order of time.
struct Buckets(Vec<Bucket>, i64, usize);

impl Buckets {
    const fn new(width_us: i64, lines: usize) -> Self {
        Self(Vec::new(), width_us, lines)
    }

    /// The bucket of an instant, made if it is not there.
    fn at(&mut self, first_us: RecordTime) -> Option<&mut Bucket> {
        let Self(buckets, width_us, lines) = self;
        let start_us = first_us.div_euclid(*width_us).saturating_mul(*width_us);
        if buckets
            .last()
            .is_none_or(|bucket| bucket.start_us < start_us)
        {
            buckets.push(Bucket {
                start_us,
                width_us: *width_us,
                first_us,
                last_us: first_us,
                count: 0,
                ranges: vec![overview::Range::EMPTY; *lines],
            });
        }
        buckets.last_mut()
    }

    fn add(&mut self, time: RecordTime, values: &[f64]) {
        let Some(bucket) = self.at(time) else { return };
        bucket.last_us = bucket.last_us.max(time);
        bucket.count += 1;
        for (range, value) in bucket.ranges.iter_mut().zip(values) {
            range.add(*value);
        }
    }

    fn add_row(&mut self, row: &OverviewRow, lines: &[Line]) {
        let Some(bucket) = self.at(row.first) else {
            return;
        };
        bucket.last_us = bucket.last_us.max(row.last);
        bucket.count += u64::from(row.samples);
        for (range, line) in bucket.ranges.iter_mut().zip(lines) {
            range.merge(row.range(*line));
        }
    }

    /// Appends buckets that go on where others end: the one that both have becomes one.
    fn join(buckets: &mut Vec<Bucket>, tail: Vec<Bucket>) {
        for bucket in tail {
            match buckets.last_mut() {
                Some(last) if last.start_us == bucket.start_us => {
                    last.last_us = last.last_us.max(bucket.last_us);
                    last.count += bucket.count;
                    for (into, from) in last.ranges.iter_mut().zip(&bucket.ranges) {
                        into.merge(*from);
                    }
                }
                _ => buckets.push(bucket),
            }
        }
    }
}
