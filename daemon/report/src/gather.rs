//! From a record directory to the [`Material`] of a report: the one place of this crate that reads files.
//!
//! The record is checked on the way, as `verify` does it; what the boards said of themselves is overheard while the tables are
//! derived again. The rows themselves are those of the tables as they lie there.

use std::path::Path;

use nightclamp_analysis::bench::{Bench, Results};
use nightclamp_analysis::evidence::Span;
use nightclamp_analysis::job::{self, Job};
use nightclamp_analysis::projection::Projection;
use nightclamp_analysis::rows::{CycleRow, EventRow, RecordTime, SampleRow, Sink};
use nightclamp_archive::{ArchiveError, Ear, Stored, bench_of, verify_overheard};
use nightclamp_protocol::{BoardId, Table};

use crate::material::{BoardMaterial, Channel, Check, Manifest, Material, UnitMaterial};
use crate::rates::Rates;
use crate::samples;

/// Why there is nothing to report on.
#[derive(Debug, thiserror::Error)]
pub enum GatherError {
    /// The record cannot be read.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
    /// The record's job file cannot be used.
    #[error("{0}")]
    Job(String),
    /// No sample lies in the period.
    #[error("no sample of the record lies in the period from {from} to {to}")]
    Empty {
        /// Its beginning, RFC 3339.
        from: String,
        /// Its end, RFC 3339.
        to: String,
    },
}

/// A period as people name it: by the host's clock as last set, µs since the Unix epoch.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Period {
    /// Its beginning, if not the record's.
    pub from_us: Option<i64>,
    /// Its end, if not the record's.
    pub to_us: Option<i64>,
}

/// Reads and checks a record.
///
/// # Errors
/// There is no record, it cannot be read, or nothing lies in the period. What is damaged is in [`Material::check`] instead.
pub fn gather(dir: &Path, period: Period, software: &str) -> Result<Material, GatherError> {
    let mut stored = Stored::open(dir)?;
    let jobs = stored.jobs()?;
    let newest = jobs
        .last()
        .ok_or_else(|| GatherError::Job("the record keeps no job file".to_owned()))?;
    let job = Job::parse(&newest.text, &format!("raw/{}", newest.file))
        .map_err(|error| GatherError::Job(error.to_string()))?;
    let (mut check, mut heard) = check(dir, stored.is_live())?;
    let asked = asked(period, heard.shown_offset_us);
    let mut units = Vec::new();
    for unit in &job.units {
        units.push(unit_material(&mut stored, &job, unit, &heard, asked)?);
    }
    if units.iter().all(|unit| unit.span.is_none()) && asked != EVER {
        let named = |us: i64| {
            let shown =
                chrono::DateTime::from_timestamp_micros(us.saturating_add(heard.shown_offset_us));
            shown.map_or_else(
                || "the beginning or the end".to_owned(),
                |time| time.to_rfc3339(),
            )
        };
        return Err(GatherError::Empty {
            from: named(asked.from),
            to: named(asked.until),
        });
    }
    check.left_out = stored.left_out().map(str::to_owned).collect();
    check.removed = stored.removed();
    let (chain, lines) = stored.chain();
    Ok(Material {
        software: software.to_owned(),
        job_files: jobs
            .iter()
            .map(|kept| (kept.file.clone(), kept.sha256.clone()))
            .collect(),
        units,
        bench: bench_results(heard.bench.as_ref(), asked),
        boards: heard.boards_with_rates(),
        check,
        manifest: Manifest {
            chain: chain.to_owned(),
            lines,
            files: stored.listed(),
            has_ended: stored.has_ended(),
        },
        asked: (asked != EVER).then_some(asked),
        job,
    })
}

/// What came of a bench test that lies wholly within the period.
fn bench_results(bench: Option<&Bench>, asked: Span) -> Option<Results> {
    let results = bench?.results();
    let (from, until) = results.span?;
    (asked.from <= from && until < asked.until).then_some(results)
}

/// The whole record.
const EVER: Span = Span {
    from: i64::MIN,
    until: i64::MAX,
};

fn asked(period: Period, shown_offset_us: i64) -> Span {
    let record_time = |us: i64| us.saturating_sub(shown_offset_us);
    Span {
        from: period.from_us.map_or(EVER.from, record_time),
        until: period.to_us.map_or(EVER.until, record_time),
    }
}

fn check(dir: &Path, is_live: bool) -> Result<(Check, Heard), GatherError> {
    let (verified, heard) = verify_overheard(dir, |jobs| Heard {
        bench: bench_of(jobs).map(|(bench, _)| bench),
        ..Heard::default()
    })?;
    let check = Check {
        holds: verified.holds,
        fails: verified.fails,
        notes: verified.notes,
        left_out: Vec::new(),
        removed: 0,
        is_live: is_live || verified.live,
    };
    Ok((check, heard))
}

fn unit_material(
    stored: &mut Stored,
    job: &Job,
    unit: &job::Unit,
    heard: &Heard,
    asked: Span,
) -> Result<UnitMaterial, GatherError> {
    let board = unit.board.to_string();
    let within = |time: RecordTime| (asked.from..asked.until).contains(&time);
    let mut cycles = stored.cycles(&unit.name)?;
    cycles.retain(|cycle| within(cycle.on_at));
    let mut events = stored.events(&unit.name)?;
    events.retain(|event| within(event.time));
    let mut board_events = stored.events(&format!("board-{board}"))?;
    board_events.retain(|event| within(event.time));
    let extent = stored.extent(&board, asked.from..asked.until)?;
    let mut material = UnitMaterial {
        unit: unit.clone(),
        span: extent.map(|(from, until)| Span { from, until }),
        shown_offset_us: heard.shown_offset_us,
        cycles,
        events,
        board_events,
        charts: Vec::new(),
        samples: 0,
        own: None,
    };
    if material.span.is_some() {
        let evidence = material.evidence(job.timezone);
        let read = samples::read(stored, &evidence, heard.period_ms(&board))?;
        (material.charts, material.own) = (read.charts, read.own);
        material.samples = read.samples;
    }
    Ok(material)
}

/// What is overheard of the boards, and of the bench test if it is one.
#[derive(Debug, Default)]
struct Heard {
    boards: Vec<BoardMaterial>,
    rates: Rates,
    shown_offset_us: i64,
    bench: Option<Bench>,
}

impl Heard {
    /// Nominal sample period of a board, ms.
    fn period_ms(&self, board: &str) -> u32 {
        let of_it = self.boards.iter().find(|of| of.id == board);
        of_it.map_or(100, |of| of.period_ms)
    }

    fn boards_with_rates(&mut self) -> Vec<BoardMaterial> {
        let mut boards = std::mem::take(&mut self.boards);
        for board in &mut boards {
            board.rate = self.rates.of(&board.id);
        }
        boards
    }

    fn note(&mut self, table: &Table) {
        let channel = |channel: &nightclamp_protocol::TableChannel| Channel {
            place: channel.place().to_owned(),
            quantity: channel.quantity.as_str(),
            unit: channel.quantity.unit(),
            exp: channel.exp,
            sensor: channel.sensor().to_owned(),
        };
        let board = BoardMaterial {
            id: table.id.to_string(),
            firmware: table.firmware().to_owned(),
            period_ms: table.period_ms,
            channels: table.channels().iter().map(channel).collect(),
            rate: None,
        };
        match self.boards.iter_mut().find(|other| other.id == board.id) {
            Some(earlier) => *earlier = board,
            None => self.boards.push(board),
        }
    }
}

impl Sink for Heard {
    fn table(&mut self, table: &Table) {
        self.note(table);
        self.bench.table(table);
    }

    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        self.rates.sample(board, row);
        self.bench.sample(board, row);
    }

    fn event(&mut self, unit: &str, row: EventRow) {
        self.bench.event(unit, row);
    }

    fn cycle(&mut self, unit: &str, row: CycleRow) {
        self.bench.cycle(unit, row);
    }
}

impl Ear for Heard {
    fn fed(&mut self, heart: &Projection) {
        self.shown_offset_us = heart.wall_offset_us();
    }
}
