//! `bench`: the guided bench test of a protector in the terminal and on the page, on the capture and the record of a night.
//!
//! What is shown follows from the record alone, and what the person does becomes a note in it: after a crash the same call
//! goes on where the test stood, and the results can be printed again from the record at any time.

mod constants;
mod desk;
mod following;
mod panel;
mod past;
mod simulated;
mod talk;

use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, Result, anyhow};
use nightclamp_analysis::bench::{Results, pairs_told, side_by_side};
use nightclamp_analysis::job::{Job, TemperatureScale};
use nightclamp_web::bench::Invented;

pub use following::Following;

use crate::Failure;
use crate::cli::BenchArgs;
use crate::clocks::{HostClock, SystemClock};
use crate::demo;
use crate::door::Door;
use crate::jobfile::JobFile;
use crate::recorder::{Recording, record_while};
use crate::say;
use crate::stop;
use desk::Desk;
use simulated::{FastClock, Simulation};

/// Runs `bench` until the test is over or told to stop, and prints what came of it.
///
/// # Errors
/// A wrong call: the plan is wrong or none, there is no record, or the job file for the constants is wrong. Else what could not
/// be done.
pub fn run(
    args: &BenchArgs,
    runtime: impl FnOnce() -> Result<tokio::runtime::Runtime>,
) -> Result<(), Failure> {
    let (results, scale) = match (&args.results, &args.plan, &args.out) {
        (Some(dir), ..) => past::read(dir)?,
        (None, Some(plan), Some(out)) => guide(args, plan, out, runtime)?,
        _ => return Err(Failure::call("a plan and --out are needed, or --results")),
    };
    say::result(&results.told(scale).text())?;
    if let Some(beside) = &args.beside {
        let (other, _) = past::read(beside)?;
        say::result(&format!("\nThe second, {}\n", beside.display()))?;
        say::result(&other.told(scale).text())?;
        let pairs = side_by_side(&results.constants(), &other.constants());
        say::result(&pairs_told(&pairs, scale).text())?;
    }
    match &args.job_out {
        Some(job) => constants::write(&results, job, args.unit.as_deref()),
        None => Ok(()),
    }
}

/// Guides the test, and gives what came of it.
fn guide(
    args: &BenchArgs,
    plan: &Path,
    out: &Path,
    runtime: impl FnOnce() -> Result<tokio::runtime::Runtime>,
) -> Result<(Results, TemperatureScale), Failure> {
    let JobFile { text, mut job } = match args.simulate {
        Some(_) => JobFile::read(plan)?,
        None => JobFile::read_to_record(plan)?,
    };
    if job.bench.is_none() {
        return Err(Failure::call(format!(
            "{}: there is no table [bench] in it, so it is no plan of a bench test",
            plan.display()
        )));
    }
    if let Some(job_out) = &args.job_out {
        // What is wrong with it is told before the test, not after it.
        JobFile::read(job_out)?;
    }
    let simulation = match args.simulate {
        Some(which) => Some(Arc::new(Simulation::begin(which, args, &mut job, out)?)),
        None => None,
    };
    let clock: Arc<dyn HostClock> = match &simulation {
        Some(_) => Arc::new(FastClock::new(args.speed)),
        None => Arc::new(SystemClock::new()),
    };
    let scale = job.temperature;
    // The board goes on until everything is written: nobody unplugs it.
    let _board = simulation.clone();
    let desk = Desk::new(&job, simulation.clone())?;
    let invented = simulation.map(|simulation| simulation as Arc<dyn Invented>);
    let recording = recording(args, text, job, out, clock, invented)?;
    let told = runtime()?.block_on(async {
        let stop = stop::signal()?;
        let (told, kept) = std::sync::mpsc::sync_channel(1);
        record_while(recording, |within| {
            told.send(within.told.clone()).unwrap_or_default();
            desk.guide(within, stop)
        })
        .await?;
        kept.recv().context("the bench test was not begun")
    })?;
    let results = told.results.borrow().clone();
    let results = results.ok_or_else(|| {
        anyhow!("the tables could not be written: nightclamp bench --results tells what came of it")
    })?;
    Ok((Results::clone(&results), scale))
}

fn recording(
    args: &BenchArgs,
    job_text: String,
    job: Job,
    out: &Path,
    clock: Arc<dyn HostClock>,
    invented: Option<Arc<dyn Invented>>,
) -> Result<Recording, Failure> {
    Ok(Recording {
        job_text,
        job,
        customer: None,
        out: out.to_path_buf(),
        listener: demo::listen(args.listen)?,
        door: Door::of(&args.door)?,
        invented,
        clock,
        retention: nightclamp_archive::Retention::default(),
        set_up: None,
    })
}
