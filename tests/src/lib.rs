//! What the whole-pipeline tests share: nights made by the simulator, projected in memory; and what must hold for any
//! bytes from outside.

pub mod hostile;

use std::collections::BTreeMap;

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table};
use nightclamp_simboard::{Arrivals, Scenario, SimBoard, job_toml, write_raw_log};

/// 2026-11-25 18:00 UTC, µs: when the simulated nights begin.
pub const BEGIN_US: i64 = 1_795_629_600_000_000;

/// A simulated night as a recorder keeps it.
pub struct Night {
    /// The job file that goes with it.
    pub job: String,
    /// The raw log.
    pub raw: Vec<u8>,
}

/// The first `hours` of a scenario; `notes` as a recorder of ours writes them.
///
/// # Errors
/// In words, if there is no such scenario.
pub fn night(name: &str, seed: u64, hours: f64, notes: bool) -> Result<Night, String> {
    let scenario = Scenario::by_name(name, seed).ok_or_else(|| format!("no scenario {name}"))?;
    let job = job_toml(&scenario);
    let mut raw = Vec::new();
    let mut arrivals = Arrivals::calm(seed);
    let mut board = SimBoard::new(scenario);
    write_raw_log(
        &mut board,
        BEGIN_US,
        hours * 3600.0,
        &mut arrivals,
        &mut raw,
        notes,
    )
    .map_err(|error| error.to_string())?;
    Ok(Night { job, raw })
}

/// Time, arrival, boot, counter and values (bit for bit) of one sample.
pub type Sampled = (i64, i64, u32, u16, Vec<u64>);

/// Every row of a projection, kept in memory.
#[derive(Debug, Default, PartialEq)]
pub struct Rows {
    /// By board.
    pub samples: BTreeMap<BoardId, Vec<Sampled>>,
    /// By unit.
    pub events: BTreeMap<String, Vec<EventRow>>,
    /// By unit.
    pub cycles: BTreeMap<String, Vec<CycleRow>>,
}

impl Sink for Rows {
    fn table(&mut self, _: &Table) {}

    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        let values = row.values.iter().map(|value| value.to_bits()).collect();
        let samples = self.samples.entry(board).or_default();
        samples.push((row.time, row.arrival, row.boot, row.seq, values));
    }

    fn event(&mut self, unit: &str, row: EventRow) {
        self.events.entry(unit.to_owned()).or_default().push(row);
    }

    fn cycle(&mut self, unit: &str, row: CycleRow) {
        self.cycles.entry(unit.to_owned()).or_default().push(row);
    }
}

/// Projects the pieces of one or more streams, in the order given: `(stream, whole lines)`.
///
/// # Errors
/// What is wrong with the job file.
pub fn projected(job: &str, pieces: &[(usize, &[u8])]) -> Result<Rows, String> {
    let job = Job::parse(job, "job.toml").map_err(|error| error.to_string())?;
    let (mut projection, mut rows) = (Projection::new(job), Rows::default());
    for (stream, piece) in pieces {
        projection.feed(*stream, piece, &mut rows);
    }
    projection.finish(&mut rows);
    Ok(rows)
}
