//! The shapes of the answers: what the page and any other reader get as JSON.
//!
//! Instants are µs since the Unix epoch. Those of rows and samples are record time; add `host_offset_us` for the clock as
//! last set. Temperatures are degrees Celsius, whatever the job shows them in.

use nightclamp_analysis::job::{ClampOn, Job, ProtectorKind, TemperatureScale, Unit};
use nightclamp_analysis::overview::{Bucket, Line};
use nightclamp_analysis::rows::{Cause, CycleRow, EndedBy, EventRow, RecordTime};
use nightclamp_analysis::status::{BoardStatus, UnitStatus};
use serde::Serialize;

use crate::doubts::DoubtView;
use crate::notice::NoticeView;
use crate::ring::Tail;
use crate::rows::Kept;
use crate::state::State;
use crate::zone::Span;

/// Problems of a board that are shown at most, the newest.
const PROBLEMS_MAX: usize = 20;

/// What does not change while the program runs.
#[derive(Debug, Clone, Serialize)]
pub struct JobView {
    /// The job's name.
    pub name: String,
    /// The site.
    pub site: Option<String>,
    /// IANA name of the time zone.
    pub timezone: &'static str,
    /// `celsius` or `fahrenheit`.
    pub temperature: &'static str,
    /// Whether it plans a bench test.
    pub is_bench: bool,
    /// The compressors, in the file's order.
    pub units: Vec<UnitJobView>,
}

/// A unit as the job file has it.
#[derive(Debug, Clone, Serialize)]
pub struct UnitJobView {
    /// Its name.
    pub name: String,
    /// Its board's id.
    pub board: String,
    /// Roles that are wired, in the order of the series' channels.
    pub roles: Vec<Line>,
    /// Nameplate rated load, A.
    pub rated_load_a: Option<f64>,
    /// Nameplate locked rotor, A.
    pub locked_rotor_a: Option<f64>,
    /// `common` or `appliance`.
    pub clamp_on: &'static str,
    /// Kind of protector.
    pub protector: &'static str,
    /// Opening temperature, Cel.
    pub opens_c: Option<f64>,
    /// Closing temperature, Cel.
    pub closes_c: Option<f64>,
    /// Tolerance of the opening temperature, K.
    pub opens_tol_c: Option<f64>,
    /// Tolerance of the closing temperature, K.
    pub closes_tol_c: Option<f64>,
    /// The heating constants of its disc are given: cycles have its temperature by the model.
    pub has_model: bool,
}

impl JobView {
    /// From the job file.
    pub fn of(job: &Job, roles: impl Fn(&Unit) -> Vec<Line>) -> Self {
        Self {
            name: job.name.clone(),
            site: job.site.clone(),
            timezone: job.timezone.name(),
            temperature: match job.temperature {
                TemperatureScale::Celsius => "celsius",
                TemperatureScale::Fahrenheit => "fahrenheit",
            },
            is_bench: job.bench.is_some(),
            units: job
                .units
                .iter()
                .map(|unit| UnitJobView::of(unit, roles(unit)))
                .collect(),
        }
    }
}

impl UnitJobView {
    fn of(unit: &Unit, roles: Vec<Line>) -> Self {
        Self {
            name: unit.name.clone(),
            board: unit.board.to_string(),
            roles,
            rated_load_a: unit.rated_load_a,
            locked_rotor_a: unit.locked_rotor_a,
            clamp_on: match unit.clamp_on {
                ClampOn::Common => "common",
                ClampOn::Appliance => "appliance",
            },
            protector: match unit.protector.kind {
                ProtectorKind::ExternalStrip => "external-strip",
                ProtectorKind::ExternalRound => "external-round",
                ProtectorKind::Internal => "internal",
                ProtectorKind::Unknown => "unknown",
            },
            opens_c: unit.protector.opens_c,
            closes_c: unit.protector.closes_c,
            opens_tol_c: unit.protector.opens_tol_c,
            closes_tol_c: unit.protector.closes_tol_c,
            has_model: unit.protector.heating_c_per_a2.is_some()
                && unit.protector.heating_tau_s.is_some(),
        }
    }
}

/// The state of everything at one publishing.
#[derive(Debug, Clone, Default, Serialize)]
pub struct NowView {
    /// Clock as last set minus record time, µs.
    pub host_offset_us: i64,
    /// 0..1 while the record on disk is still being read; null when live.
    pub catching_up: Option<f64>,
    /// First and last sample of all units, µs; null before the first.
    pub record: Option<(RecordTime, RecordTime)>,
    /// Offsets of local time over the record.
    pub zone: Vec<Span>,
    /// The compressors.
    pub units: Vec<UnitView>,
    /// The boards.
    pub boards: Vec<BoardView>,
    /// What a person has to know of the record itself, dangers first.
    pub notices: Vec<NoticeView>,
}

/// The state of one compressor.
#[derive(Debug, Clone, Serialize)]
pub struct UnitView {
    /// Its name.
    pub name: String,
    /// What it is doing.
    pub state: State,
    /// Since when, µs.
    pub since_us: Option<RecordTime>,
    /// Its last sample, record time, µs.
    pub last_sample_us: Option<RecordTime>,
    /// When that arrived by the host's clock, µs.
    pub last_arrival_us: Option<i64>,
    /// Current, A.
    pub current_a: Option<f64>,
    /// Case, Cel.
    pub case_c: Option<f64>,
    ambient_c: Option<f64>,
    dome_c: Option<f64>,
    box_c: Option<f64>,
    supply_v: Option<f64>,
    demand: Option<bool>,
    /// Starts so far.
    pub starts: u64,
    /// Trips so far.
    pub trips: u64,
    /// When the open protector will have closed: not before, likely, not after; s from the last sample.
    recloses_s: Option<[f64; 3]>,
    /// A danger in force.
    pub danger: Option<String>,
    /// Sensors that cannot be believed now.
    pub doubts: Vec<DoubtView>,
}

impl UnitView {
    /// From the heart's status, the state in words, and the sensors that cannot be believed.
    pub fn of(unit: UnitStatus, state: State, doubts: Vec<DoubtView>) -> Self {
        Self {
            doubts,
            state,
            since_us: unit.since,
            last_sample_us: unit.last_sample,
            last_arrival_us: unit.last_arrival,
            current_a: figure(unit.current_a, 4),
            case_c: figure(unit.case_c, 2),
            ambient_c: figure(unit.ambient_c, 2),
            dome_c: figure(unit.dome_c, 2),
            box_c: figure(unit.box_c, 2),
            supply_v: figure(unit.supply_v, 2),
            demand: unit.demand,
            starts: unit.starts,
            trips: unit.trips,
            recloses_s: unit
                .recloses
                .map(|by| [by.from_s, by.likely_s, by.to_s].map(f64::round)),
            danger: unit.danger,
            name: unit.name,
        }
    }
}

/// The state of one board's stream.
#[derive(Debug, Clone, Serialize)]
pub struct BoardView {
    /// Its id.
    pub id: String,
    boot: Option<u32>,
    period_ms: Option<u32>,
    firmware: String,
    /// Samples accepted.
    pub samples: u64,
    undeclared: u64,
    /// Lines refused.
    pub refused: u64,
    refusals: Vec<RefusalView>,
    /// When its last line arrived by the host's clock, µs.
    pub last_arrival_us: Option<i64>,
    /// Problems, newest last.
    pub problems: Vec<String>,
    /// From the arrival of its newest line until it was shown, s; none while the record on disk is read.
    pub lag_s: Option<f64>,
}

#[derive(Debug, Clone, Serialize)]
struct RefusalView {
    kind: &'static str,
    count: u64,
}

impl BoardView {
    /// From the heart's status.
    pub fn of(mut board: BoardStatus) -> Self {
        let counts = board.refusals.iter().filter(|(_, count)| *count > 0);
        let refusals = counts
            .map(|(kind, count)| RefusalView { kind, count })
            .collect();
        board
            .problems
            .drain(..board.problems.len().saturating_sub(PROBLEMS_MAX));
        Self {
            id: board.id,
            boot: board.boot,
            period_ms: board.period_ms,
            firmware: board.firmware,
            samples: board.samples,
            undeclared: board.undeclared,
            refused: board.refusals.total(),
            refusals,
            last_arrival_us: board.last_arrival,
            problems: board.problems,
            lag_s: None,
        }
    }
}

/// One event, as in the table `events`.
#[derive(Debug, Clone, Serialize)]
pub struct EventView {
    /// The unit, or `board-ID`.
    pub of: String,
    time_us: RecordTime,
    kind: &'static str,
    cause: Option<&'static str>,
    current_a: Option<f64>,
    case_c: Option<f64>,
    detail: String,
    #[serde(rename = "final")]
    is_final: bool,
}

impl EventView {
    /// From a kept row of `of`.
    pub fn of(of: &str, kept: Kept<EventRow>) -> Self {
        let row = kept.row;
        Self {
            of: of.to_owned(),
            time_us: row.time,
            kind: row.kind.as_str(),
            cause: row.cause.map(Cause::as_str),
            current_a: figure(row.current_a, 4),
            case_c: figure(row.case_c, 2),
            detail: row.detail,
            is_final: kept.is_final,
        }
    }

    /// When it happened.
    pub const fn time_us(&self) -> RecordTime {
        self.time_us
    }
}

/// One cycle, as in the table `cycles`.
#[derive(Debug, Clone, Serialize)]
pub struct CycleView {
    /// When it began, µs.
    pub on_at_us: RecordTime,
    off_at_us: Option<RecordTime>,
    next_on_at_us: Option<RecordTime>,
    on_seen: bool,
    on_s: Option<f64>,
    off_s: Option<f64>,
    start: &'static str,
    ended_by: Option<&'static str>,
    cause: Option<&'static str>,
    peak_a: Option<f64>,
    run_a: Option<f64>,
    end_a: Option<f64>,
    i2t_a2s: Option<f64>,
    case_on_c: Option<f64>,
    case_off_c: Option<f64>,
    case_max_c: Option<f64>,
    case_reset_c: Option<f64>,
    reset_exact: bool,
    disc_c: Option<f64>,
    valid: f64,
    basis: String,
    start_s: Option<f64>,
    supply_before_v: Option<f64>,
    supply_low_v: Option<f64>,
    start_lead_peak_a: Option<f64>,
    start_lead_a: Option<f64>,
    run_first_a: Option<f64>,
    run_last_a: Option<f64>,
    ambient_on_c: Option<f64>,
    floor_a: Option<f64>,
    noise_a: Option<f64>,
    #[serde(rename = "final")]
    is_final: bool,
}

impl From<Kept<CycleRow>> for CycleView {
    fn from(kept: Kept<CycleRow>) -> Self {
        let row = kept.row;
        Self {
            on_at_us: row.on_at,
            off_at_us: row.off_at,
            next_on_at_us: row.next_on_at,
            on_seen: row.on_seen,
            on_s: figure(row.on_s, 3),
            off_s: figure(row.off_s, 3),
            start: row.start.as_str(),
            ended_by: row.ended_by.map(EndedBy::as_str),
            cause: row.cause.map(Cause::as_str),
            peak_a: figure(row.peak_a, 4),
            run_a: figure(row.run_a, 4),
            end_a: figure(row.end_a, 4),
            i2t_a2s: figure(row.i2t_a2s, 1),
            case_on_c: figure(row.case_on_c, 2),
            case_off_c: figure(row.case_off_c, 2),
            case_max_c: figure(row.case_max_c, 2),
            case_reset_c: figure(row.case_reset_c, 2),
            reset_exact: row.reset_exact,
            disc_c: figure(row.disc_c, 2),
            valid: row.valid,
            basis: row.basis,
            start_s: figure(row.start_s, 2),
            supply_before_v: figure(row.supply_before_v, 1),
            supply_low_v: figure(row.supply_low_v, 1),
            start_lead_peak_a: figure(row.start_lead_peak_a, 3),
            start_lead_a: figure(row.start_lead_a, 3),
            run_first_a: figure(row.run_first_a, 3),
            run_last_a: figure(row.run_last_a, 3),
            ambient_on_c: figure(row.ambient_on_c, 2),
            floor_a: figure(row.floor_a, 4),
            noise_a: figure(row.noise_a, 4),
            is_final: kept.is_final,
        }
    }
}

/// A range of a unit's readings, by columns: one entry of each per bucket that has samples.
#[derive(Debug, Clone, Serialize)]
pub struct SeriesView {
    /// Width of the buckets, µs.
    pub width_us: i64,
    /// `samples` when made from every sample, `overview` when from the overview's buckets.
    pub source: &'static str,
    /// First sample of each bucket, µs.
    pub first_us: Vec<RecordTime>,
    /// Last sample of each bucket, µs.
    pub last_us: Vec<RecordTime>,
    /// The channels that are wired.
    pub channels: Vec<ChannelView>,
}

/// One channel of a series; null where the bucket has no value.
#[derive(Debug, Clone, Serialize)]
pub struct ChannelView {
    role: Line,
    unit: &'static str,
    low: Vec<Option<f64>>,
    high: Vec<Option<f64>>,
}

impl SeriesView {
    /// From buckets whose ranges stand in the order of `roles`.
    pub fn of(source: &'static str, width_us: i64, buckets: &[Bucket], roles: &[Line]) -> Self {
        let channel = |(at, role): (usize, &Line)| {
            let column = |pick: fn(&Bucket, usize) -> Option<f64>| {
                let values = buckets
                    .iter()
                    .map(|bucket| figure(pick(bucket, at), decimals_of(*role)));
                values.collect()
            };
            ChannelView {
                role: *role,
                unit: role.unit(),
                low: column(|bucket, at| bucket.ranges.get(at).map(|range| range.low)),
                high: column(|bucket, at| bucket.ranges.get(at).map(|range| range.high)),
            }
        };
        Self {
            width_us,
            source,
            first_us: buckets.iter().map(|bucket| bucket.first_us).collect(),
            last_us: buckets.iter().map(|bucket| bucket.last_us).collect(),
            channels: roles.iter().enumerate().map(channel).collect(),
        }
    }
}

/// Samples of a unit that came since the message before.
#[derive(Debug, Clone, Serialize)]
pub struct TailView {
    unit: String,
    times_us: Vec<RecordTime>,
    columns: Vec<Vec<Option<f64>>>,
    /// Some were left out: ask for the range.
    cut: bool,
}

impl TailView {
    /// From a ring's tail whose columns stand in the order of `roles`.
    pub fn of(unit: &str, tail: Tail, roles: &[Line]) -> Self {
        let columns = tail.columns.into_iter().zip(roles);
        let column = |(values, role): (Vec<f64>, &Line)| {
            values
                .into_iter()
                .map(|value| figure(Some(value), decimals_of(*role)))
                .collect()
        };
        Self {
            unit: unit.to_owned(),
            times_us: tail.times_us,
            columns: columns.map(column).collect(),
            cut: tail.cut,
        }
    }
}

/// Decimals worth sending: finer than any sensor resolves.
const fn decimals_of(line: Line) -> i32 {
    match line {
        Line::Current | Line::Start => 4,
        _ => 2,
    }
}

/// A figure to so many decimals; null for what JSON has no number for.
pub fn figure(value: Option<f64>, decimals: i32) -> Option<f64> {
    let scale = 10_f64.powi(decimals);
    value
        .map(|value| (value * scale).round() / scale)
        .filter(|value| value.is_finite())
}
