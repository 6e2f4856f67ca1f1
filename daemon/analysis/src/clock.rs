//! Record time: one continuous scale for every instant of a record.
//!
//! Two clocks have to be brought together. The board's milliseconds say how long; they run up to some hundred ppm off and
//! begin anew at each boot. The host's wall clock names the instant; a line's arrival is late by a delay that is never
//! negative (serial line, USB, scheduling), jitters, and now and then is long; and the wall clock may be set.
//!
//! * [`HostMap`] takes what is known of steps of the wall clock out of arrivals.
//! * [`BoardClock`] fits one boot's milliseconds to those arrivals: a line under all of them, touching the earliest,
//!   because latency only ever adds (the lower hull of `arrival - board time`, as in clock-skew estimation from one-way
//!   delays). What it hands out never goes backwards and is steered gently, so that durations stay true.

use crate::rows::RecordTime;

const US: i64 = 1_000_000;

/// A step of the host's clock smaller than this is not spoken of, µs. The contract says a second; a step measured from
/// arrivals is short by a latency.
pub const STEP_REPORTED_US: i64 = 900_000;

/// No instant, and no reading of a board's clock, lies further from 1970 or from the boot than this, µs (18 000 years):
/// stamps and notes may say anything, and sums and differences of a few of them still have to fit.
pub const TIME_US_MAX: i64 = 1 << 59;

/// Brings what a log says of a clock into [`TIME_US_MAX`].
pub fn bounded(us: i64) -> i64 {
    us.clamp(-TIME_US_MAX, TIME_US_MAX)
}

/// Takes the steps of the host's wall clock out of its stamps, for one stream.
#[derive(Debug, Clone, Default)]
pub struct HostMap {
    /// Wall minus record time, µs: the sum of all steps known so far.
    stepped_us: i64,
    /// Wall minus boot-time clock when `stepped_us` was nought, and the boot of the host for which that holds.
    origin: Option<(i64, String)>,
    /// A clock note of this boot of the host has been read.
    noted: bool,
    /// The host has been restarted and its wall clock was taken at its word, which nothing has borne out yet.
    unsure: bool,
    /// The stream is read from its middle on, and no clock note has come yet.
    resumed: bool,
}

impl HostMap {
    /// Record time of a wall-clock stamp, µs.
    pub fn record_time(&self, wall_us: i64) -> RecordTime {
        bounded(wall_us.saturating_sub(self.stepped_us))
    }

    /// Wall minus record time, µs.
    pub fn stepped_us(&self) -> i64 {
        self.stepped_us
    }

    /// Whether the recorder's notes tell steps of the wall clock from delays.
    pub fn is_noted(&self) -> bool {
        self.noted
    }

    /// The stream is read from its middle on, where the wall clock was ahead of record time by this much, µs.
    pub fn resume(&mut self, stepped_us: i64) {
        self.stepped_us = bounded(stepped_us);
        self.resumed = true;
    }

    /// The `began` note: both clocks at the beginning of the record.
    pub fn began(&mut self, wall_us: i64, boot_us: i64, host_boot: &str) {
        if self.origin.is_none() {
            let ahead_us = bounded(wall_us.saturating_sub(boot_us));
            self.origin = Some((ahead_us, host_boot.to_owned()));
        }
    }

    /// A `clock` note. Returns the step of the wall clock that it reveals, µs, forward positive.
    ///
    /// After a restart of the host its boot-time clock has begun anew: the wall clock is then taken at its word, until a
    /// board's clock that ran on, or the record's end before the restart, shows that it was wrong ([`Self::correct`]).
    pub fn clock(&mut self, wall_us: i64, boot_us: i64, host_boot: &str) -> HostNews {
        let ahead_us = bounded(wall_us.saturating_sub(boot_us));
        let same_boot = matches!(&self.origin, Some((_, boot)) if boot == host_boot);
        if !same_boot {
            // What the host did before is known already to whoever says where the stream stands.
            let restarted = self.origin.is_some() && !self.resumed;
            self.resumed = false;
            let origin_us = bounded(ahead_us.saturating_sub(self.stepped_us));
            self.origin = Some((origin_us, host_boot.to_owned()));
            self.noted = true;
            self.unsure = restarted;
            return if restarted {
                HostNews::Restarted
            } else {
                HostNews::Step(0)
            };
        }
        (self.noted, self.resumed) = (true, false);
        let origin_us = self.origin.as_ref().map_or(ahead_us, |(us, _)| *us);
        let stepped_us = bounded(ahead_us.saturating_sub(origin_us));
        let step_us = stepped_us.saturating_sub(self.stepped_us);
        // The boot-time clock is slewed together with the wall clock, so the two part only when one is set; a fraction
        // of a millisecond is the time between reading them.
        if step_us.abs() < STEP_NOTED_US {
            return HostNews::Step(0);
        }
        self.stepped_us = stepped_us;
        HostNews::Step(step_us)
    }

    /// Whether the host was restarted and nothing has borne its wall clock out since.
    pub fn is_unsure(&self) -> bool {
        self.unsure
    }

    /// The wall clock after the restart is borne out.
    pub fn bear_out(&mut self) {
        self.unsure = false;
    }

    /// The wall clock after the restart was off by this much, µs, forward positive: what it was taken for is corrected.
    pub fn correct(&mut self, off_us: i64) {
        self.unsure = false;
        self.stepped_us = self.stepped_us.saturating_add(off_us);
        if let Some((ahead_us, _)) = &mut self.origin {
            *ahead_us = ahead_us.saturating_sub(off_us);
        }
    }

    /// A step that was recognised from arrivals alone, µs, forward positive.
    pub fn step(&mut self, step_us: i64) {
        self.stepped_us = bounded(self.stepped_us.saturating_add(step_us));
    }
}

/// Difference of wall and boot-time clock below which they have not parted, µs.
const STEP_NOTED_US: i64 = 5_000;

/// What a clock note reveals.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HostNews {
    /// The wall clock was set by this much since the last note, µs (0: it was not).
    Step(i64),
    /// The host has been restarted: elapsed time since its last note is known only from its wall clock.
    Restarted,
}

/// What an arrival says about the host's clock, where no notes do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Arrival {
    /// In keeping with the board's clock.
    Fits,
    /// The board's clock and the host's parted for good, by this much, µs: the host's clock was set (or, where notes
    /// exclude that, the board's clock jumped the other way). `since` is when, in record time.
    Parted {
        /// Forward positive, µs.
        step_us: i64,
        /// The first sample after it.
        since: RecordTime,
    },
}

/// Length of a block whose earliest arrival is kept, at first, µs.
const BLOCK_FIRST_US: i64 = 4 * US;
/// Longest block, µs.
const BLOCK_LONGEST_US: i64 = 32 * US;
/// Blocks kept: 32 s each, this is 34 minutes, short enough to follow a crystal's temperature.
const BLOCKS_MAX: usize = 64;
/// No board is allowed to be further off than this (the plan says ±300 ppm; half as much again in reserve).
const RATE_LIMIT: f64 = 500e-6;
/// Spread of the rates of boards before anything is known: most ceramic resonators and crystals lie well inside.
const RATE_PRIOR: f64 = 150e-6;
/// Arrivals earlier than the line by more than this are not jitter, µs.
const AHEAD_US: f64 = 400_000.0;
/// Arrivals later than the line by more than this for [`BEHIND_FOR_US`] are not a stall, µs.
const BEHIND_US: f64 = 100_000.0;
/// How long arrivals have to stay late, µs: no serial line holds back a minute.
const BEHIND_FOR_US: i64 = 60 * US;
/// Part of a correction that is made within one second.
const STEER_PER_S: f64 = 0.1;
/// Smallest steering, µs per s of board time.
const STEER_LEAST_US: f64 = 500.0;
/// Largest, µs per s: time still runs forward.
const STEER_MOST_US: f64 = 500_000.0;

#[derive(Debug, Clone, Copy, PartialEq)]
struct Point {
    /// Board time since boot, µs.
    board_us: i64,
    /// Arrival in record time minus board time, µs.
    lag_us: i64,
}

/// Arrivals that came late, while it is open whether they stay late.
#[derive(Debug, Clone, Copy)]
struct Behind {
    since_board_us: i64,
    least_us: f64,
}

/// One boot's milliseconds on the scale of record time.
#[derive(Debug, Clone)]
pub struct BoardClock {
    /// Arrival minus board time of the first sample, µs: everything else is kept relative to it, so that no figure is
    /// large and the same night on another day comes out the same to the microsecond.
    base_us: i64,
    blocks: Vec<Point>,
    block_us: i64,
    block_end_us: i64,
    current: Option<Point>,
    /// The line under the arrivals: offset at `pivot_us`, and rate.
    pivot_us: i64,
    offset_us: f64,
    rate: f64,
    /// What is handed out: board time plus this.
    applied_us: f64,
    last_board_us: i64,
    last_seen_us: i64,
    last_time: RecordTime,
    started: bool,
    behind: Option<Behind>,
    /// Until then an arrival ahead of the line says that a step was measured short, not that the line is late.
    refine_until_us: i64,
}

impl BoardClock {
    /// A clock for a new boot whose times must come after `not_before`.
    pub fn new(not_before: RecordTime) -> Self {
        Self {
            base_us: 0,
            blocks: Vec::with_capacity(BLOCKS_MAX + 1),
            block_us: BLOCK_FIRST_US,
            block_end_us: i64::MIN,
            current: None,
            pivot_us: 0,
            offset_us: 0.0,
            rate: 0.0,
            applied_us: 0.0,
            last_board_us: 0,
            last_seen_us: 0,
            last_time: not_before,
            started: false,
            behind: None,
            refine_until_us: i64::MIN,
        }
    }

    /// Tells the clock that the sample of board time `board_us` arrived at record time `arrival` (steps taken out).
    /// To be called in order, before [`Self::time_of`].
    pub fn observe(&mut self, board_us: i64, arrival: RecordTime) -> Arrival {
        if self.block_end_us == i64::MIN {
            self.base_us = arrival.saturating_sub(board_us);
            self.anchor(self.point(board_us, arrival));
            return Arrival::Fits;
        }
        let point = self.point(board_us, arrival);
        let silence_us = board_us.saturating_sub(self.last_seen_us);
        self.last_seen_us = board_us;
        let late_us = point.lag_us as f64 - self.line(board_us);
        // After a silence the line has been carried on by a rate that is not exactly known.
        let doubt_us = silence_us as f64 * RATE_LIMIT;
        if late_us < -(AHEAD_US + doubt_us) {
            return self.part(point, late_us, board_us);
        }
        if late_us > BEHIND_US + doubt_us || (self.behind.is_some() && late_us > BEHIND_US) {
            return self.stay_behind(point, late_us);
        }
        self.behind = None;
        if late_us < 0.0 && board_us < self.refine_until_us {
            return self.part(point, late_us, board_us);
        }
        self.keep(point);
        if late_us < 0.0 {
            // Earlier than the line: the line was too late by that much.
            self.offset_us += late_us;
        }
        Arrival::Fits
    }

    /// Record time of board time `board_us`; never before what was handed out last.
    pub fn time_of(&mut self, board_us: i64) -> RecordTime {
        let target_us = self.line(board_us);
        if !self.started {
            self.started = true;
            self.applied_us = target_us;
        } else {
            let elapsed_s = (board_us - self.last_board_us).max(0) as f64 / 1e6;
            let missing_us = target_us - self.applied_us;
            let steer_us =
                (missing_us.abs() * STEER_PER_S).clamp(STEER_LEAST_US, STEER_MOST_US) * elapsed_s;
            self.applied_us += missing_us.clamp(-steer_us, steer_us);
        }
        self.last_board_us = board_us;
        let time = self.applied(board_us).max(self.last_time);
        self.last_time = time;
        time
    }

    /// Whether arrivals are late, and it is open yet whether they stay so.
    pub fn is_behind(&self) -> bool {
        self.behind.is_some()
    }

    /// Begins the fit anew from this arrival: the board's own clock has jumped.
    pub fn jump(&mut self, board_us: i64, arrival: RecordTime) {
        self.anchor(self.point(board_us, arrival));
        self.started = false;
    }

    fn point(&self, board_us: i64, arrival: RecordTime) -> Point {
        let lag_us = arrival
            .saturating_sub(board_us)
            .saturating_sub(self.base_us);
        let lag_us = bounded(lag_us);
        Point { board_us, lag_us }
    }

    /// Record time of board time `board_us` by what is handed out now.
    fn applied(&self, board_us: i64) -> RecordTime {
        let on_base_us = board_us.saturating_add(self.base_us);
        bounded(on_base_us.saturating_add(nearest(self.applied_us)))
    }

    fn line(&self, board_us: i64) -> f64 {
        self.offset_us + self.rate * (board_us - self.pivot_us) as f64
    }

    fn anchor(&mut self, point: Point) {
        self.blocks.clear();
        self.block_us = BLOCK_FIRST_US;
        self.block_end_us = point.board_us.saturating_add(self.block_us);
        self.current = Some(point);
        self.pivot_us = point.board_us;
        self.offset_us = point.lag_us as f64;
        self.last_seen_us = point.board_us;
        self.behind = None;
    }

    fn part(&mut self, point: Point, step_us: f64, since_board_us: i64) -> Arrival {
        let since = self.applied(since_board_us);
        self.behind = None;
        if step_us.abs() >= AHEAD_US {
            self.refine_until_us = point.board_us + BEHIND_FOR_US;
        }
        self.keep(Point {
            lag_us: bounded(point.lag_us.saturating_sub(step_us.round() as i64)),
            ..point
        });
        Arrival::Parted {
            step_us: step_us.round() as i64,
            since,
        }
    }

    fn stay_behind(&mut self, point: Point, late_us: f64) -> Arrival {
        let behind = self.behind.get_or_insert(Behind {
            since_board_us: point.board_us,
            least_us: late_us,
        });
        // Lines that come out of a stall catch up with the line; lines after a step stay where they are.
        behind.least_us = behind.least_us.min(late_us);
        let Behind {
            since_board_us,
            least_us,
        } = *behind;
        if point.board_us - since_board_us < BEHIND_FOR_US {
            return Arrival::Fits;
        }
        self.part(
            Point {
                lag_us: bounded(
                    point
                        .lag_us
                        .saturating_sub((late_us - least_us).round() as i64),
                ),
                ..point
            },
            least_us,
            since_board_us,
        )
    }

    fn keep(&mut self, point: Point) {
        if point.board_us >= self.block_end_us {
            if let Some(done) = self.current.take() {
                self.close_block(done);
            }
            let blocks = (point.board_us - self.block_end_us) / self.block_us + 1;
            self.block_end_us += blocks * self.block_us;
        }
        match &mut self.current {
            Some(earliest) if earliest.lag_us <= point.lag_us => {}
            current => *current = Some(point),
        }
    }

    fn close_block(&mut self, done: Point) {
        self.blocks.push(done);
        if self.blocks.len() > BLOCKS_MAX {
            if self.block_us < BLOCK_LONGEST_US {
                self.block_us *= 2;
                self.merge_pairs();
            } else {
                self.blocks.remove(0);
            }
        }
        self.fit(done.board_us);
    }

    fn merge_pairs(&mut self) {
        let earlier = |a: Point, b: Point| if b.lag_us < a.lag_us { b } else { a };
        let merged: Vec<Point> = self
            .blocks
            .chunks(2)
            .filter_map(|pair| pair.iter().copied().reduce(earlier))
            .collect();
        self.blocks = merged;
    }

    /// Lays the line under the blocks' earliest arrivals: of all lines below every point, the one with the least sum of
    /// distances, which is the edge of the lower hull over their mean.
    fn fit(&mut self, now_us: i64) {
        let (Some(first), Some(last)) = (self.blocks.first(), self.blocks.last()) else {
            return;
        };
        let span_us = last.board_us - first.board_us;
        if self.blocks.len() < 3 || span_us < 2 * BLOCK_FIRST_US {
            return;
        }
        let base_us = first.board_us;
        let mean_us = self
            .blocks
            .iter()
            .map(|p| (p.board_us - base_us) as f64)
            .sum::<f64>()
            / self.blocks.len() as f64;
        let Some((left, right)) = hull_edge(&self.blocks, base_us, mean_us) else {
            return;
        };
        let slope = (right.lag_us - left.lag_us) as f64 / (right.board_us - left.board_us) as f64;
        let scatter_us = self.scatter_us(left, slope);
        // With little data the slope is little more than noise: weigh it against what boards are like.
        let doubt = scatter_us / span_us as f64;
        let weight = RATE_PRIOR * RATE_PRIOR / (RATE_PRIOR * RATE_PRIOR + doubt * doubt);
        self.rate = (slope * weight).clamp(-RATE_LIMIT, RATE_LIMIT);
        self.pivot_us = now_us;
        let below = |p: &Point| p.lag_us as f64 - self.rate * (p.board_us - now_us) as f64;
        self.offset_us = self.blocks.iter().map(below).fold(f64::INFINITY, f64::min);
    }

    /// Mean distance of the points above the line through `left`, µs; at least half a millisecond.
    fn scatter_us(&self, left: Point, slope: f64) -> f64 {
        let above = |p: &Point| {
            (p.lag_us - left.lag_us) as f64 - slope * (p.board_us - left.board_us) as f64
        };
        (self.blocks.iter().map(above).sum::<f64>() / self.blocks.len() as f64).max(500.0)
    }
}

/// The nearest integer. `f64::round` is a library call on processors without an instruction for it.
fn nearest(us: f64) -> i64 {
    (us + 0.5f64.copysign(us)) as i64
}

/// The edge of the lower convex hull of `points` (in order of board time) that lies over `mean_us` after `base_us`.
fn hull_edge(points: &[Point], base_us: i64, mean_us: f64) -> Option<(Point, Point)> {
    let mut hull: [Point; BLOCKS_MAX + 1] = [Point {
        board_us: 0,
        lag_us: 0,
    }; BLOCKS_MAX + 1];
    let mut len = 0;
    for &point in points {
        while len >= 2 && !turns_up(hull[len - 2], hull[len - 1], point) {
            len -= 1;
        }
        *hull.get_mut(len)? = point;
        len += 1;
    }
    let hull = hull.get(..len)?;
    hull.windows(2)
        .filter_map(|edge| Some((*edge.first()?, *edge.last()?)))
        .find(|(_, right)| (right.board_us - base_us) as f64 >= mean_us)
}

fn turns_up(a: Point, b: Point, c: Point) -> bool {
    let (abx, aby) = (
        (b.board_us - a.board_us) as f64,
        (b.lag_us - a.lag_us) as f64,
    );
    let (acx, acy) = (
        (c.board_us - a.board_us) as f64,
        (c.lag_us - a.lag_us) as f64,
    );
    abx * acy - aby * acx > 0.0
}
