//! `bench`: the guided bench test of a protector in the terminal and on the page, on the capture and the record of a night.
//!
//! What is shown follows from the record alone, and what the person does becomes a note in it: after a crash the same call
//! goes on where the test stood, and the results can be printed again from the record at any time.

mod constants;
mod desk;
mod following;
mod keyboard;
mod panel;
mod past;
mod simulated;
mod talk;

use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context, Result, anyhow};
use nightclamp_analysis::bench::{Beside, Results};
use nightclamp_analysis::job::{Job, TemperatureScale};
use nightclamp_web::bench::{Invented, Told};
use tokio::sync::mpsc;

pub use following::Following;

use crate::Failure;
use crate::cli::BenchArgs;
use crate::clocks::{HostClock, SystemClock};
use crate::demo;
use crate::desk::{MachineDesk, Purpose, waiting};
use crate::door::Door;
use crate::jobfile::JobFile;
use crate::recorder::{Recording, record_while};
use crate::recording::{Until, make_for_token, to_set_up, turns};
use crate::say;
use desk::Desk;
use keyboard::Keyboard;
use simulated::{FastClock, Simulation, port_of};

/// Runs `bench` until the test is over or told to stop, and prints what came of it.
///
/// # Errors
/// A wrong call: the plan is wrong or none, there is no record, or the job file for the constants is wrong. Else what could not
/// be done.
pub fn run(
    args: &BenchArgs,
    runtime: impl FnOnce() -> Result<tokio::runtime::Runtime>,
) -> Result<(), Failure> {
    let beside = beside(args)?;
    let came_of_it = match (&args.results, &args.plan, &args.out) {
        (Some(dir), ..) => Some(past::read(dir)?),
        (None, Some(plan), Some(out)) => guide(args, plan, out, beside.clone(), runtime)?,
        _ => return Err(Failure::call("a plan and --out are needed, or --results")),
    };
    let Some((results, scale)) = came_of_it else {
        return Ok(());
    };
    say::result(&results.told(scale).text())?;
    if let Some(beside) = &beside {
        say::result(&format!(
            "\n{}",
            beside.told(&results, scale).text().trim_start()
        ))?;
    }
    match &args.job_out {
        Some(job) => constants::write(&results, job, args.unit.as_deref()),
        None => Ok(()),
    }
}

/// What is to stand beside the results, read before anybody stands at the bench: what is wrong with it is told then.
fn beside(args: &BenchArgs) -> Result<Option<Arc<Beside>>, Failure> {
    let Some(dir) = &args.beside else {
        return Ok(None);
    };
    let is_itself = |out: &PathBuf| {
        let same = dir.canonicalize().ok().zip(out.canonicalize().ok());
        same.is_some_and(|(dir, out)| dir == out)
    };
    if args.out.as_ref().is_some_and(is_itself) {
        let shown = dir.display();
        return Err(Failure::call(format!(
            "--beside {shown}: this is the record of this very test"
        )));
    }
    let beside = past::beside(dir, args.beside_unit.as_deref())?;
    Ok(Some(Arc::new(beside)))
}

/// A guided test, its call checked.
struct Guided<'a> {
    args: &'a BenchArgs,
    /// Where the plan is, or will be made.
    plan: &'a Path,
    out: &'a Path,
    beside: Option<Arc<Beside>>,
    door: Door,
    clock: Arc<dyn HostClock>,
}

/// What is told of a test, and how its temperatures are shown.
type Kept = (Told, TemperatureScale);

/// Guides the test, and gives what came of it; nothing if somebody stopped it before there was a plan.
fn guide(
    args: &BenchArgs,
    plan: &Path,
    out: &Path,
    beside: Option<Arc<Beside>>,
    runtime: impl FnOnce() -> Result<tokio::runtime::Runtime>,
) -> Result<Option<(Results, TemperatureScale)>, Failure> {
    let file = to_begin_with(args, plan)?;
    if let Some(job_out) = &args.job_out {
        // What is wrong with it is told before the test, not after it.
        JobFile::read(job_out)?;
    }
    let guided = Guided {
        args,
        plan,
        out,
        beside,
        door: Door::of(&args.door)?,
        clock: match args.simulate {
            Some(_) => Arc::new(FastClock::new(args.speed)),
            None => Arc::new(SystemClock::new()),
        },
    };
    let listener = demo::listen(args.listen)?;
    if file.is_none() {
        make_for_token(out)?;
    }
    let kept = runtime()?.block_on(guided.until_over(file, &listener))?;
    let Some((told, scale)) = kept else {
        return Ok(None);
    };
    let results = told.results.borrow().clone();
    let results = results.ok_or_else(|| {
        anyhow!("the tables could not be written: nightclamp bench --results tells what came of it")
    })?;
    Ok(Some((Results::clone(&results), scale)))
}

/// The plan; none if the set-up page is to make it first.
fn to_begin_with(args: &BenchArgs, plan: &Path) -> Result<Option<JobFile>, Failure> {
    let is_invented = args.simulate.is_some();
    if args.setup {
        let is_plan = |file: &JobFile| file.job.bench.is_some() && (is_invented || file.has_port());
        return Ok(to_set_up(plan)?.filter(is_plan));
    }
    let file = if is_invented {
        JobFile::read(plan)?
    } else {
        JobFile::read_to_record(plan)?
    };
    let shown = plan.display();
    if file.job.bench.is_none() {
        return Err(Failure::call(format!(
            "{shown}: there is no table [bench] in it, so it is no plan of a bench test; with --setup the page makes one of it"
        )));
    }
    if file.job.boards.is_empty() {
        return Err(Failure::call(format!(
            "{shown}: there is no [[board]] in it, so there is nothing to record from"
        )));
    }
    Ok(Some(file))
}

impl Guided<'_> {
    async fn until_over(
        &self,
        file: Option<JobFile>,
        listener: &TcpListener,
    ) -> Result<Option<Kept>> {
        let mut typed = Keyboard::begin();
        turns(file, async |file, saved, until| {
            let listener = listener.try_clone().context("the dashboard's socket")?;
            match file {
                None => {
                    self.plan(listener, saved, until).await?;
                    typed.forget();
                    Ok(None)
                }
                Some(file) => self
                    .test(file, listener, saved, &mut typed, until)
                    .await
                    .map(Some),
            }
        })
        .await
    }

    /// The set-up page and nothing else, until it has made the plan. An invented board is there to be found by it.
    async fn plan(
        &self,
        listener: TcpListener,
        saved: mpsc::Sender<JobFile>,
        until: Until<'_>,
    ) -> Result<()> {
        let _board = self.invented(None)?;
        let (door, desk) = (self.door.clone(), self.desk(saved));
        waiting::wait(self.out, listener, door, desk, until).await
    }

    /// The test by this plan, until it is over, or the plan is changed.
    async fn test(
        &self,
        file: JobFile,
        listener: TcpListener,
        saved: mpsc::Sender<JobFile>,
        typed: &mut Keyboard,
        until: Until<'_>,
    ) -> Result<Kept> {
        let JobFile { text, mut job } = file;
        let simulation = self.invented(Some(&mut job))?;
        // The board goes on until everything is written: nobody unplugs it.
        let _board = simulation.clone();
        let (desk, scale) = (Desk::new(&job, simulation.clone())?, job.temperature);
        let recording = Recording {
            job_text: text,
            job,
            customer: None,
            out: self.out.to_path_buf(),
            listener,
            door: self.door.clone(),
            invented: simulation.map(|simulation| simulation as Arc<dyn Invented>),
            beside: self.beside.clone(),
            clock: self.clock.clone(),
            retention: nightclamp_archive::Retention::default(),
            set_up: self.args.setup.then(|| self.desk(saved)),
        };
        let mut told = None;
        record_while(recording, |within| {
            told = Some(within.told.clone());
            desk.guide(within, typed, until)
        })
        .await?;
        Ok((told.context("the bench test was not begun")?, scale))
    }

    /// The invented bench, if it is one, for this job.
    fn invented(&self, job: Option<&mut Job>) -> Result<Option<Arc<Simulation>>> {
        let begin = |which| Simulation::begin(which, self.args, job, self.out).map(Arc::new);
        self.args.simulate.map(begin).transpose()
    }

    fn desk(&self, saved: mpsc::Sender<JobFile>) -> MachineDesk {
        let is_invented = self.args.simulate.is_some();
        let mut ports = self.args.setup_port.clone();
        if is_invented {
            ports.push(port_of(self.out).to_string_lossy().into_owned());
        }
        let purpose = Purpose::Bench { is_invented };
        MachineDesk::new(self.plan, self.out, &ports, purpose, saved)
    }
}
