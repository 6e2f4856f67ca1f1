//! The thread that keeps the tables and the live view up with what is synced.
//!
//! It reads the raw log back from disk, so that live and after a crash the same bytes take the same way. It can be as
//! slow as it likes: capture does not wait for it, and after a restart capture has begun long before it has caught up.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::Receiver;
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use nightclamp_analysis::overview::OverviewRow;
use nightclamp_analysis::projection::Projection;
use nightclamp_analysis::rows::{Both, CycleRow, EventRow, RecordTime, SampleRow, Sink};
use nightclamp_analysis::status::BoardStatus;
use nightclamp_archive::{ArchiveError, Notice, Projector, RecordDir, Retention, Topic, Weight};
use nightclamp_protocol::{BoardId, Table};
use nightclamp_web::Feed;

use crate::bench::Following;
use crate::clocks::HostClock;
use crate::health::Pulse;
use crate::standing;
use crate::trouble::Troubles;

/// Longest wait for news of a sync.
const WAIT: Duration = Duration::from_millis(250);
/// Least time between two publications to the pages.
const PUBLISH_EVERY: Duration = Duration::from_millis(200);
/// How often raw segments that have ended are looked for, to be sealed.
const SEAL_EVERY: Duration = Duration::from_secs(10);
/// How often the rows that may still be revised are written.
const REFRESH_EVERY: Duration = Duration::from_secs(60);
/// And how often while somebody downloads them.
const REFRESH_EVERY_THEN: Duration = Duration::from_secs(5);
/// How often the free space on the disk is looked at.
const LOOK_EVERY: Duration = Duration::from_secs(60);
/// And how often while something is the matter with the disk: that it is over shows soon.
const LOOK_EVERY_THEN: Duration = Duration::from_secs(5);
/// How often old raw logs are looked for, where there is a limit.
const RETAIN_EVERY: Duration = Duration::from_secs(3_600);
/// Wait before the projection is begun anew after its files could not be written.
const RETRY_AFTER: Duration = Duration::from_secs(5);

/// What the thread works with.
pub struct Projecting {
    /// The record.
    pub record: Arc<RecordDir>,
    /// The live view.
    pub feed: Feed,
    /// The bench test, if the job is one.
    pub bench: Following,
    /// What is wrong with each port.
    pub troubles: Vec<Arc<Troubles>>,
    /// The host's clocks.
    pub clock: Arc<dyn HostClock>,
    /// Told at each sync.
    pub synced: Receiver<()>,
    /// Says that nothing more will be written.
    pub done: Arc<AtomicBool>,
    /// Beats each time round.
    pub pulse: Arc<Pulse>,
    /// What is kept of old raw logs.
    pub retention: Retention,
}

impl Projecting {
    /// Starts the thread. It ends by itself once it is `done` and everything is projected.
    ///
    /// # Errors
    /// No thread could be had.
    pub fn start(self) -> std::io::Result<JoinHandle<()>> {
        thread::Builder::new()
            .name("projector".to_owned())
            .spawn(move || self.run())
    }

    fn run(mut self) {
        let mut tap = Tap::new();
        while let Err(error) = self.project(&mut tap) {
            tracing::error!("the tables cannot be written: {error}; recording goes on");
            self.tell(Some(&error));
            if self.done.load(Ordering::Acquire) {
                tracing::error!(
                    "the tables are not complete; nightclamp replay makes them from the raw log"
                );
                return;
            }
            self.pulse.beat();
            thread::sleep(RETRY_AFTER);
            tap.begin_again(self.record.is_shortened());
        }
    }

    /// Projects from the beginning of the record until done.
    fn project(&mut self, tap: &mut Tap) -> Result<(), ArchiveError> {
        let mut projector = Projector::new(&self.record, self.record.heart()?)?;
        let (mut published, mut sealed, mut refreshed) = (None, Instant::now(), Instant::now());
        let mut looked: Option<Instant> = None;
        let (mut has_caught_up, mut retained) = (false, None);
        loop {
            self.pulse.beat();
            let is_done = self.done.load(Ordering::Acquire);
            let progress = projector
                .step(&mut tap.onto(&mut Both(&mut self.feed, &mut self.bench.follower)))?;
            let is_first = progress.caught_up && !has_caught_up;
            has_caught_up |= progress.caught_up;
            // Who is told that the record has been read finds its rows in the tables. Where they cannot be written he is told
            // all the same.
            let written = match is_first {
                true => projector.refresh_open().and_then(|()| projector.settle()),
                false => Ok(()),
            };
            if is_first || published.is_none_or(|at: Instant| at.elapsed() >= PUBLISH_EVERY) {
                self.publish(&projector, tap, has_caught_up);
                if has_caught_up {
                    self.bench.publish();
                }
                published = Some(Instant::now());
            }
            written?;
            let is_well = self.tell(None);
            let look_every = if is_well { LOOK_EVERY } else { LOOK_EVERY_THEN };
            if looked.is_none_or(|at| at.elapsed() >= look_every) {
                self.look_at_space();
                looked = Some(Instant::now());
            }
            if progress.caught_up && is_done {
                break;
            }
            if progress.caught_up && sealed.elapsed() >= SEAL_EVERY {
                projector.seal_ended()?;
                sealed = Instant::now();
            }
            if progress.caught_up && retained.is_none_or(|at: Instant| at.elapsed() >= RETAIN_EVERY)
            {
                projector.retain(self.retention, self.clock.wall_us())?;
                retained = Some(Instant::now());
            }
            let is_asked = progress.caught_up && self.feed.are_fresh_tables_wanted();
            let every = if is_asked {
                REFRESH_EVERY_THEN
            } else {
                REFRESH_EVERY
            };
            if progress.caught_up && refreshed.elapsed() >= every {
                projector.refresh_open()?;
                if is_asked {
                    projector.settle()?;
                }
                refreshed = Instant::now();
            }
            if is_asked {
                self.feed.tables_are_fresh();
            }
            if progress.caught_up {
                // Woken or not, there may be something new.
                self.synced.recv_timeout(WAIT).unwrap_or_default();
            }
        }
        self.publish(&projector, tap, has_caught_up);
        projector.seal_ended()?;
        projector.close(&mut tap.onto(&mut Both(&mut self.feed, &mut self.bench.follower)))?;
        self.bench.over();
        Ok(())
    }

    fn look_at_space(&self) {
        match self.record.watch_space(self.clock.now().boot_us) {
            Ok(free_bytes) => self.feed.disk_has(free_bytes),
            Err(error) => tracing::warn!("the free space cannot be told: {error}"),
        }
    }

    /// Says what the archive has to say, and shows what of it stands; `tables` is why the tables cannot be written, if they
    /// cannot. What is wrong with a raw log its writer says itself. Whether nothing is the matter with the disk.
    fn tell(&mut self, tables: Option<&ArchiveError>) -> bool {
        for notice in self.record.take_notices() {
            match (notice.topic, notice.weight) {
                (_, Weight::Loss) => tracing::error!("{}", notice.text),
                (Topic::RawLog, _) => tracing::debug!("{}", notice.text),
                (_, Weight::Warning) => tracing::warn!("{}", notice.text),
                (_, Weight::Well) => tracing::info!("{}", notice.text),
            }
        }
        let standing = self.record.standing_notices();
        let of_disk = |notice: &Notice| matches!(notice.topic, Topic::Space | Topic::RawLog);
        let is_well = !standing.iter().any(of_disk);
        self.feed.notices(standing::shown(standing, tables));
        is_well
    }

    fn publish(&mut self, projector: &Projector<Projection>, tap: &Tap, has_caught_up: bool) {
        let heart = projector.projection();
        let mut open = Vec::new();
        heart.open_rows(|unit, events, cycles| {
            open.push((unit.to_owned(), events.to_vec(), cycles.to_vec()))
        });
        let boards = with_troubles(heart.boards(), &self.troubles);
        let catching_up = (!has_caught_up).then(|| tap.share_done(self.clock.wall_us()));
        self.feed.publish(
            heart.units(),
            boards,
            open,
            heart.wall_offset_us(),
            catching_up,
        );
    }
}

/// The boards' states together with what is wrong with their ports; a port on which nobody has spoken appears too.
fn with_troubles(mut boards: Vec<BoardStatus>, troubles: &[Arc<Troubles>]) -> Vec<BoardStatus> {
    for port in troubles {
        let id = port.board().to_string();
        let of = |id: &str| boards.iter().position(|board| board.id == id);
        // A stream on which nobody has introduced himself has no id yet: it is this port's as well as any.
        let at = of(&id).or_else(|| of("")).unwrap_or_else(|| {
            boards.push(BoardStatus::default());
            boards.len() - 1
        });
        if let Some(board) = boards.get_mut(at) {
            board.id = id;
            board.problems.extend(port.in_force());
        }
    }
    boards
}

/// Counts what went to the live view, so that a projection begun anew does not send it twice.
///
/// Within a board's samples, a unit's events and a unit's cycles the order is the same at every projection; between
/// them it is not, so each is counted by itself. Where raw logs have been removed meanwhile the new one begins later, and
/// instants tell.
struct Tap {
    samples: BTreeMap<BoardId, Count>,
    events: BTreeMap<String, Count>,
    cycles: BTreeMap<String, Count>,
    first_arrival_us: Option<i64>,
    last_arrival_us: i64,
    /// The projection begun anew began later than the one before.
    is_shortened: bool,
}

#[derive(Debug, Default, Clone, Copy)]
struct Count {
    sent: u64,
    seen: u64,
    /// The last instant sent, µs.
    last: i64,
}

impl Count {
    /// Whether the next one, of this instant, has not been sent yet.
    fn is_new(&mut self, time: i64, is_shortened: bool) -> bool {
        self.seen += 1;
        let is_sent = match is_shortened {
            true => time <= self.last,
            false => self.seen <= self.sent,
        };
        if is_sent {
            return false;
        }
        (self.sent, self.last) = (self.seen, time);
        true
    }
}

impl Tap {
    const fn new() -> Self {
        Self {
            samples: BTreeMap::new(),
            events: BTreeMap::new(),
            cycles: BTreeMap::new(),
            first_arrival_us: None,
            last_arrival_us: 0,
            is_shortened: false,
        }
    }

    /// The projection begins anew; `is_shortened`: raw logs have been removed since it began first, or may have been.
    fn begin_again(&mut self, is_shortened: bool) {
        self.is_shortened = is_shortened;
        let counts = self
            .samples
            .values_mut()
            .chain(self.events.values_mut())
            .chain(self.cycles.values_mut());
        counts.for_each(|count| count.seen = 0);
    }

    const fn onto<'a, S: Sink>(&'a mut self, sink: &'a mut S) -> Onto<'a, S> {
        Onto { tap: self, sink }
    }

    /// How much of the time from the first sample until `now_us` is projected, 0..1.
    fn share_done(&self, now_us: i64) -> f64 {
        let Some(first_us) = self.first_arrival_us else {
            return 0.0;
        };
        let (done, whole) = (
            (self.last_arrival_us - first_us) as f64,
            (now_us - first_us) as f64,
        );
        if whole > 0.0 {
            (done / whole).clamp(0.0, 1.0)
        } else {
            0.0
        }
    }
}

/// A tap on its way into a sink.
struct Onto<'a, S> {
    tap: &'a mut Tap,
    sink: &'a mut S,
}

impl<S: Sink> Sink for Onto<'_, S> {
    fn table(&mut self, table: &Table) {
        self.sink.table(table);
    }

    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        self.tap.first_arrival_us.get_or_insert(row.arrival);
        self.tap.last_arrival_us = row.arrival;
        let is_shortened = self.tap.is_shortened;
        let count = self.tap.samples.entry(board).or_default();
        if count.is_new(row.time, is_shortened) {
            self.sink.sample(board, row);
        }
    }

    fn event(&mut self, unit: &str, row: EventRow) {
        let is_shortened = self.tap.is_shortened;
        if count_of(&mut self.tap.events, unit).is_new(row.time, is_shortened) {
            self.sink.event(unit, row);
        }
    }

    fn overview(&mut self, unit: &str, row: &OverviewRow) {
        self.sink.overview(unit, row);
    }

    fn disc(&mut self, unit: &str, time: RecordTime, disc_c: f64) {
        self.sink.disc(unit, time, disc_c);
    }

    fn cycle(&mut self, unit: &str, row: CycleRow) {
        let is_shortened = self.tap.is_shortened;
        if count_of(&mut self.tap.cycles, unit).is_new(row.on_at, is_shortened) {
            self.sink.cycle(unit, row);
        }
    }
}

fn count_of<'a>(counts: &'a mut BTreeMap<String, Count>, unit: &str) -> &'a mut Count {
    counts.entry(unit.to_owned()).or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightclamp_analysis::rows::EventKind;

    #[derive(Default)]
    struct Got(Vec<(String, i64)>);

    impl Sink for Got {
        fn table(&mut self, _: &Table) {}
        fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
            self.0.push((board.to_string(), row.time));
        }
        fn event(&mut self, unit: &str, row: EventRow) {
            self.0.push((unit.to_owned(), row.time));
        }
        fn cycle(&mut self, _: &str, _: CycleRow) {}
    }

    fn mark(sink: &mut impl Sink, unit: &str, time: i64) {
        let (kind, cause, current_a, case_c, detail) =
            (EventKind::Mark, None, None, None, String::new());
        sink.event(
            unit,
            EventRow {
                time,
                kind,
                cause,
                current_a,
                case_c,
                detail,
            },
        );
    }

    fn sample(sink: &mut impl Sink, board: u32, time: i64) {
        let row = SampleRow {
            time,
            arrival: time,
            boot: 1,
            seq: 0,
            board_ms: 0,
            readings: &[],
            values: &[],
        };
        sink.sample(BoardId(board), &row);
    }

    #[test]
    fn a_projection_begun_anew_sends_the_live_view_only_what_it_has_not_had() {
        let (mut tap, mut got) = (Tap::new(), Got::default());
        sample(&mut tap.onto(&mut got), 1, 10);
        mark(&mut tap.onto(&mut got), "freezer", 11);
        sample(&mut tap.onto(&mut got), 2, 12);
        tap.begin_again(false);
        got.0.clear();
        // The other board comes first this time.
        sample(&mut tap.onto(&mut got), 2, 12);
        sample(&mut tap.onto(&mut got), 1, 10);
        mark(&mut tap.onto(&mut got), "freezer", 11);
        assert!(got.0.is_empty());
        sample(&mut tap.onto(&mut got), 1, 20);
        mark(&mut tap.onto(&mut got), "freezer", 21);
        assert_eq!(
            got.0,
            [("00000001".to_owned(), 20), ("freezer".to_owned(), 21)]
        );
    }

    #[test]
    fn one_that_begins_later_sends_the_live_view_what_is_later_than_it_has() {
        let (mut tap, mut got) = (Tap::new(), Got::default());
        for time in [10, 20, 30] {
            sample(&mut tap.onto(&mut got), 1, time);
            mark(&mut tap.onto(&mut got), "freezer", time + 1);
        }
        tap.begin_again(true);
        got.0.clear();
        // The first are not there any more.
        for time in [30, 40] {
            sample(&mut tap.onto(&mut got), 1, time);
            mark(&mut tap.onto(&mut got), "freezer", time + 1);
        }
        assert_eq!(
            got.0,
            [("00000001".to_owned(), 40), ("freezer".to_owned(), 41)]
        );
    }

    #[test]
    fn a_port_on_which_nobody_has_spoken_still_says_what_is_wrong() {
        let silent = Arc::new(Troubles::new(BoardId(7), "/dev/ttyACM0"));
        silent.begin(crate::trouble::About::Port, "/dev/ttyACM0 is not there");
        let boards = with_troubles(Vec::new(), &[silent]);
        assert_eq!(boards.len(), 1);
        assert_eq!(boards[0].id, "00000007");
        assert_eq!(boards[0].problems, ["/dev/ttyACM0 is not there"]);
    }
}
