//! The live view: written by the projection through [`Feed`], read by the pages through [`Live`].
//!
//! A feed keeps what the projection gives it to itself until it is published, or until [`PENDING_MAX`] samples wait. Then
//! it takes the lock once, puts everything in and lets go. Readers share the lock for as long as it takes to copy a bounded
//! answer. Neither does I/O or awaits anything while it holds it.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError, RwLock, RwLockReadGuard, RwLockWriteGuard};
use std::time::{SystemTime, UNIX_EPOCH};

use axum::http::StatusCode;
use chrono_tz::Tz;
use nightclamp_analysis::job::{Job, Protector, Unit};
use nightclamp_analysis::overview::{History, Line, Overview};
use nightclamp_analysis::rows::{CycleRow, EventRow, RecordTime, SampleRow, Sink};
use nightclamp_analysis::status::{BoardStatus, UnitStatus};
use nightclamp_protocol::{BoardId, Table};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};

use crate::doubts::Doubts;
use crate::download::DOWNLOADS_MAX;
use crate::fresh::Fresh;
use crate::notice::NoticeView;
use crate::problem::Problem;
use crate::ring::Ring;
use crate::roles;
use crate::rows::Rows;
use crate::series;
use crate::state::{self, Trend};
use crate::verdicts::Verdicts;
use crate::view::{BoardView, JobView, NowView, UnitView, figure};
use crate::zone::{self, Span};

/// Samples kept back by the feed before it puts them in without being told to: bounds memory while a long record is read.
const PENDING_MAX: usize = 4_096;
/// Names (units and boards) that rows are kept for; those of the job and a few boards that turned up.
const NAMES_MAX: usize = 64;
/// Live streams served at the same time.
pub const STREAMS_MAX: usize = 64;
/// The case is compared with what it was this long ago to tell which way it moves, µs.
const TREND_US: i64 = 60_000_000;
/// Means for that comparison are taken over this long, µs.
const TREND_MEAN_US: i64 = 5_000_000;
/// Offsets of local time are tabled this far beyond the newest sample, µs: a change of clocks to come is known to the page.
const ZONE_AHEAD_US: i64 = 2 * 86_400 * 1_000_000;

/// The view that all pages share. Cloning it is cheap.
#[derive(Clone)]
pub struct Live(Arc<Shared>);

pub(crate) struct Shared {
    pub job: JobView,
    /// The compressors as the job file has them.
    pub units: Vec<Unit>,
    /// Tells one run of the program from the next, so that a page knows when its place in the stream means nothing.
    pub run: i64,
    pub streams: Arc<Semaphore>,
    pub ready: AtomicBool,
    /// The record on disk, where there is one.
    pub history: OnceLock<Arc<dyn History>>,
    /// Turns for those who read from it, and places for those who wait for one.
    pub readers: Arc<Semaphore>,
    pub waiting: Semaphore,
    /// Places for those who download from it.
    pub downloads: Arc<Semaphore>,
    /// Whether they wait for tables that are up to date.
    pub fresh: Fresh,
    /// Free space of the record's disk, bytes, once it has been looked at.
    free_bytes: Mutex<Option<u64>>,
    /// The stage of the recorder that has not moved for long, in words.
    stuck: Mutex<Option<String>>,
    pub zone: Tz,
    view: RwLock<View>,
    published: watch::Sender<u64>,
    closing: watch::Sender<bool>,
}

/// What the lock protects.
pub(crate) struct View {
    pub now: Arc<NowView>,
    pub units: Vec<UnitStore>,
    pub lists: BTreeMap<String, Lists>,
    /// Running number of the newest sample.
    pub ordinal: u64,
}

/// Readings of one unit.
pub(crate) struct UnitStore {
    pub name: String,
    pub board: BoardId,
    pub roles: Vec<Line>,
    /// Place of each role on the board; none for what is no channel.
    pub places: Vec<Option<String>>,
    /// Turns of the lead through the clamp.
    pub turns: f64,
    pub protector: Protector,
    pub overview: Overview,
    pub ring: Ring,
}

/// Rows of one unit or board.
#[derive(Default)]
pub(crate) struct Lists {
    pub events: Rows<EventRow>,
    pub cycles: Rows<CycleRow>,
    /// What open cycles were said to be before.
    pub verdicts: Verdicts,
    /// Sensors that are not believed.
    pub doubts: Doubts,
}

impl Live {
    /// The shared view of a job, empty, and the one feed that fills it.
    pub fn new(job: &Job) -> (Self, Feed) {
        let wired: Vec<_> = job
            .units
            .iter()
            .map(|unit| (unit, roles::of(unit)))
            .collect();
        let view = View {
            now: Arc::default(),
            units: wired
                .iter()
                .map(|(unit, wired)| UnitStore::new(unit, wired))
                .collect(),
            lists: BTreeMap::new(),
            ordinal: 0,
        };
        let shared = Shared {
            job: JobView::of(job, |unit| {
                roles::of(unit).into_iter().map(|(role, _)| role).collect()
            }),
            units: job.units.clone(),
            run: wall_us(),
            streams: Arc::new(Semaphore::new(STREAMS_MAX)),
            ready: AtomicBool::new(false),
            history: OnceLock::new(),
            readers: Arc::new(Semaphore::new(series::READERS_MAX)),
            waiting: Semaphore::new(series::waiting_max()),
            downloads: Arc::new(Semaphore::new(DOWNLOADS_MAX)),
            fresh: Fresh::default(),
            free_bytes: Mutex::default(),
            stuck: Mutex::default(),
            zone: job.timezone,
            view: RwLock::new(view),
            published: watch::Sender::new(0),
            closing: watch::Sender::new(false),
        };
        let live = Self(Arc::new(shared));
        let feed = Feed {
            live: live.clone(),
            wirings: wired
                .into_iter()
                .map(|(unit, wired)| Wiring::new(unit, wired))
                .collect(),
            samples: Samples::default(),
            events: Vec::new(),
            cycles: Vec::new(),
            notices: Vec::new(),
        };
        (live, feed)
    }

    /// From now on charts are read from the record on disk where memory is too coarse. Only the first one given counts.
    pub fn read_from(&self, history: Arc<dyn History>) {
        self.0.history.get_or_init(|| history);
    }

    /// From now on this stage of the recorder has not moved for long, in words; `None`: all of them move.
    pub fn stuck(&self, what: Option<String>) {
        *self.0.stuck.lock().unwrap_or_else(PoisonError::into_inner) = what;
    }

    pub(crate) fn free_bytes(&self) -> Option<u64> {
        *self
            .0
            .free_bytes
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn what_is_stuck(&self) -> Option<String> {
        let stuck = self.0.stuck.lock();
        stuck.unwrap_or_else(PoisonError::into_inner).clone()
    }

    pub(crate) fn shared(&self) -> &Shared {
        &self.0
    }

    /// The view, to copy from. Never kept across an await.
    pub(crate) fn view(&self) -> RwLockReadGuard<'_, View> {
        // A panic elsewhere leaves at worst a row short: better shown than not.
        self.0.view.read().unwrap_or_else(PoisonError::into_inner)
    }

    /// The host's clock as record time, µs.
    pub(crate) fn record_now_us(&self, view: &View) -> RecordTime {
        wall_us().saturating_sub(view.now.host_offset_us)
    }

    fn view_mut(&self) -> RwLockWriteGuard<'_, View> {
        self.0.view.write().unwrap_or_else(PoisonError::into_inner)
    }

    /// Changes at every publishing.
    pub(crate) fn published(&self) -> watch::Receiver<u64> {
        self.0.published.subscribe()
    }

    /// A place for one more page that follows.
    pub(crate) fn one_more_stream(&self) -> Result<OwnedSemaphorePermit, Problem> {
        let place = Arc::clone(&self.0.streams).try_acquire_owned();
        place.map_err(|_| {
            let detail = "too many pages are open on this dashboard: close one";
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail)
        })
    }

    /// Becomes true when the server shuts down.
    pub(crate) fn closing(&self) -> watch::Receiver<bool> {
        self.0.closing.subscribe()
    }

    pub(crate) fn close(&self) {
        self.0.closing.send_replace(true);
    }
}

impl UnitStore {
    fn new(unit: &Unit, wired: &[(Line, Option<String>)]) -> Self {
        Self {
            name: unit.name.clone(),
            board: unit.board,
            roles: wired.iter().map(|(role, _)| *role).collect(),
            places: wired.iter().map(|(_, place)| place.clone()).collect(),
            turns: f64::from(unit.clamp_turns.max(1)),
            protector: unit.protector.clone(),
            overview: Overview::new(wired.len()),
            ring: Ring::new(wired.len()),
        }
    }
}

impl View {
    /// The readings of a unit.
    pub fn unit(&self, name: &str) -> Option<&UnitStore> {
        self.units.iter().find(|unit| unit.name == name)
    }

    /// First and last sample of all units.
    pub fn span(&self) -> Option<(RecordTime, RecordTime)> {
        let spans = self.units.iter().filter_map(|unit| unit.overview.span());
        spans.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    }
}

/// The one writer. It is a [`Sink`] for the projection; what it is given shows after [`Feed::publish`].
pub struct Feed {
    live: Live,
    wirings: Vec<Wiring>,
    samples: Samples,
    events: Vec<(String, EventRow)>,
    cycles: Vec<(String, CycleRow)>,
    notices: Vec<NoticeView>,
}

/// Which columns of its board's samples a unit reads.
struct Wiring {
    unit: String,
    board: BoardId,
    roles: Vec<(Line, Option<String>)>,
    columns: Vec<Option<usize>>,
    /// Turns of the lead through the clamp: what it shows is so many times the current.
    turns: f64,
    /// The newest sample that waits: its time, and where its values begin.
    newest: Option<(RecordTime, usize)>,
}

impl Wiring {
    fn new(unit: &Unit, roles: Vec<(Line, Option<String>)>) -> Self {
        Self {
            unit: unit.name.clone(),
            board: unit.board,
            roles,
            columns: Vec::new(),
            turns: f64::from(unit.clamp_turns.max(1)),
            newest: None,
        }
    }
}

/// Samples that wait: unit, time, and the values one after the other.
#[derive(Default)]
struct Samples {
    stamps: Vec<(usize, RecordTime)>,
    values: Vec<f64>,
}

impl Feed {
    pub(crate) const fn live(&self) -> &Live {
        &self.live
    }

    /// Shows everything given since the last time, with the state of units and boards and the rows that may still be
    /// revised (`open`: unit or `board-ID`, events, cycles; they replace the ones before).
    ///
    /// `host_offset_us` is the host's clock as last set minus record time. `catching_up` is how much of the record on disk
    /// has been read, 0..1, and `None` once the view is live.
    pub fn publish(
        &mut self,
        units: Vec<UnitStatus>,
        boards: Vec<BoardStatus>,
        open: Vec<(String, Vec<EventRow>, Vec<CycleRow>)>,
        host_offset_us: i64,
        catching_up: Option<f64>,
    ) {
        self.flush();
        let shared = self.live.shared();
        let mut view = self.live.view_mut();
        set_open(&mut view.lists, open);
        let record = view.span();
        if let (None, Some((_, at_us))) = (catching_up, record) {
            view.lists
                .values_mut()
                .for_each(|lists| lists.verdicts.watch(at_us, &lists.cycles));
        }
        let now = NowView {
            host_offset_us,
            catching_up,
            record,
            zone: zone_of(shared.zone, record, host_offset_us),
            units: units
                .into_iter()
                .map(|unit| unit_view(&view, unit))
                .collect(),
            boards: boards_view(&view.now.boards, boards, catching_up.is_none()),
            notices: self.notices.clone(),
        };
        view.now = Arc::new(now);
        drop(view);
        if catching_up.is_none() {
            shared.ready.store(true, Ordering::Relaxed);
        }
        self.tell_pages();
    }

    /// What a person has to know of the record itself, from now on. Shown at once, for it may be why nothing else is published.
    pub fn notices(&mut self, notices: Vec<NoticeView>) {
        if notices == self.notices {
            return;
        }
        self.notices.clone_from(&notices);
        Arc::make_mut(&mut self.live.view_mut().now).notices = notices;
        self.tell_pages();
    }

    /// So much is free on the record's disk, bytes.
    pub fn disk_has(&self, free_bytes: u64) {
        let known = self.live.shared().free_bytes.lock();
        *known.unwrap_or_else(PoisonError::into_inner) = Some(free_bytes);
    }

    fn tell_pages(&self) {
        self.live
            .shared()
            .published
            .send_modify(|count| *count = count.wrapping_add(1));
    }

    /// Puts what waits into the view.
    fn flush(&mut self) {
        let mut view = self.live.view_mut();
        let mut values = self.samples.values.as_slice();
        for (unit, time) in self.samples.stamps.drain(..) {
            view.ordinal += 1;
            let ordinal = view.ordinal;
            let Some(store) = view.units.get_mut(unit) else {
                continue;
            };
            let (row, rest) = values.split_at(store.roles.len());
            store.overview.push(time, row);
            store.ring.push(ordinal, time, row.iter().copied());
            values = rest;
        }
        self.samples.values.clear();
        self.wirings
            .iter_mut()
            .for_each(|wiring| wiring.newest = None);
        for (name, row) in self.events.drain(..) {
            if let Some(lists) = lists_of(&mut view.lists, name) {
                lists.doubts.take(&row);
                lists.events.seal(std::iter::once(row));
            }
        }
        for (name, row) in self.cycles.drain(..) {
            if let Some(lists) = lists_of(&mut view.lists, name) {
                lists.cycles.seal(std::iter::once(row));
            }
        }
    }

    fn flush_if_full(&mut self) {
        if self.samples.stamps.len() + self.events.len() + self.cycles.len() >= PENDING_MAX {
            self.flush();
        }
    }
}

impl Sink for Feed {
    fn table(&mut self, table: &Table) {
        for wiring in self
            .wirings
            .iter_mut()
            .filter(|wiring| wiring.board == table.id)
        {
            wiring.columns = roles::columns(&wiring.roles, table);
        }
    }

    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        // Before, not after: what the model says of this sample comes next.
        self.flush_if_full();
        let wired = self.wirings.iter_mut().enumerate();
        for (unit, wiring) in
            wired.filter(|(_, wiring)| wiring.board == board && !wiring.columns.is_empty())
        {
            self.samples.stamps.push((unit, row.time));
            wiring.newest = Some((row.time, self.samples.values.len()));
            let value = |(column, (role, _)): (&Option<usize>, &(Line, Option<String>))| {
                let value = column
                    .and_then(|at| row.values.get(at).copied())
                    .unwrap_or(f64::NAN);
                if *role == Line::Current {
                    value / wiring.turns
                } else {
                    value
                }
            };
            let roles = wiring.columns.iter().zip(&wiring.roles);
            self.samples.values.extend(roles.map(value));
        }
    }

    fn disc(&mut self, unit: &str, time: RecordTime, disc_c: f64) {
        let wiring = self.wirings.iter().find(|wiring| wiring.unit == unit);
        let Some((wiring, (at, begin))) = wiring.and_then(|wiring| Some((wiring, wiring.newest?)))
        else {
            return;
        };
        let line = wiring
            .roles
            .iter()
            .position(|(role, _)| *role == Line::Disc);
        let value = line.and_then(|line| self.samples.values.get_mut(begin + line));
        if let Some(value) = value.filter(|_| at == time) {
            *value = disc_c;
        }
    }

    fn event(&mut self, unit: &str, row: EventRow) {
        self.events.push((unit.to_owned(), row));
        self.flush_if_full();
    }

    fn cycle(&mut self, unit: &str, row: CycleRow) {
        self.cycles.push((unit.to_owned(), row));
        self.flush_if_full();
    }
}

fn lists_of(lists: &mut BTreeMap<String, Lists>, name: String) -> Option<&mut Lists> {
    let room = lists.len() < NAMES_MAX || lists.contains_key(&name);
    room.then(|| lists.entry(name).or_default())
}

fn set_open(
    lists: &mut BTreeMap<String, Lists>,
    open: Vec<(String, Vec<EventRow>, Vec<CycleRow>)>,
) {
    for list in lists.values_mut() {
        list.events.set_open(Vec::new());
        list.cycles.set_open(Vec::new());
    }
    for (name, events, cycles) in open {
        if let Some(list) = lists_of(lists, name) {
            events.iter().for_each(|event| list.doubts.take(event));
            list.events.set_open(events);
            list.cycles.set_open(cycles);
        }
    }
}

/// The boards, and how long their newest lines took from arrival to here, as far as the view is live.
fn boards_view(before: &[BoardView], boards: Vec<BoardStatus>, is_live: bool) -> Vec<BoardView> {
    let wall_us = wall_us();
    let view = |board: BoardStatus| {
        let mut board = BoardView::of(board);
        let known = before.iter().find(|known| known.id == board.id);
        let is_new = |at_us: &i64| known.is_none_or(|known| known.last_arrival_us != Some(*at_us));
        board.lag_s = match board.last_arrival_us.filter(is_new) {
            Some(at_us) if is_live => figure(Some(wall_us.saturating_sub(at_us) as f64 / 1e6), 3),
            _ => known.and_then(|known| known.lag_s),
        };
        board
    };
    boards.into_iter().map(view).collect()
}

fn unit_view(view: &View, unit: UnitStatus) -> UnitView {
    let lists = view.lists.get(&unit.name);
    let last = lists.and_then(|lists| lists.cycles.last());
    let ended_by = last.and_then(|cycle| cycle.ended_by);
    let state = state::of(&unit, ended_by, case_trend(view, &unit));
    let doubts = lists.map_or_else(Vec::new, |lists| lists.doubts.in_force());
    UnitView::of(unit, state, doubts)
}

fn case_trend(view: &View, unit: &UnitStatus) -> Option<Trend> {
    let store = view.unit(&unit.name)?;
    let case = store.roles.iter().position(|role| *role == Line::Case)?;
    let mean = |end_us: i64| store.ring.mean(case, end_us - TREND_MEAN_US, end_us);
    let now_us = unit.last_sample?;
    Some(Trend::of(
        mean(now_us.checked_sub(TREND_US)?)?,
        mean(now_us)?,
    ))
}

/// The offsets of local time over the record and a little beyond.
fn zone_of(zone: Tz, record: Option<(RecordTime, RecordTime)>, host_offset_us: i64) -> Vec<Span> {
    let now_us = wall_us();
    let wall = |time: i64| time.saturating_add(host_offset_us);
    let (from_us, to_us) = record.map_or((now_us, now_us), |(from, to)| {
        (wall(from), wall(to).max(now_us))
    });
    zone::spans(zone, from_us, to_us.saturating_add(ZONE_AHEAD_US))
}

/// The host's clock, µs since the Unix epoch.
pub(crate) fn wall_us() -> i64 {
    let since = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap_or_default();
    i64::try_from(since.as_micros()).unwrap_or(i64::MAX)
}
