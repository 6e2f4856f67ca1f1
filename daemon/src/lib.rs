//! The shell around Nightclamp's heart: serial capture, the durable record, the tasks that keep them going, the command
//! line.

mod bench;
mod capture;
pub mod cli;
pub mod clocks;
mod customer;
mod demo;
mod desk;
pub mod door;
mod failure;
mod hands;
mod health;
mod holder;
mod jobfile;
mod lookover;
mod packing;
mod ports;
mod projecting;
#[cfg(feature = "push")]
mod pushing;
pub mod recorder;
mod recording;
mod replaying;
mod reporting;
mod say;
mod standing;
mod stop;
mod tabling;
mod text;
mod trouble;
mod verifying;
mod writer;

use std::net::{SocketAddr, TcpListener};
use std::process::ExitCode;

use anyhow::{Context, Result};
use clap::Parser;
use tracing_subscriber::filter::LevelFilter;

use cli::{Cli, Command};
pub use failure::Failure;

/// Threads that serve ports and pages. Writers and the projector have their own.
const WORKERS: usize = 2;

/// Parses the call, runs it, says what went wrong, and gives the exit code: 0 done, 1 it could not be done, 2 the call or
/// the job file is wrong.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return answer_of_the_parser(&error),
    };
    log_to_stderr();
    match run(cli) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            say::to_people(&format!("nightclamp: {failure}"));
            ExitCode::from(failure.exit_code())
        }
    }
}

/// Help and version are results; anything else the parser has to say is about a wrong call.
fn answer_of_the_parser(error: &clap::Error) -> ExitCode {
    // If even that cannot be written there is nobody left to tell.
    error.print().unwrap_or_default();
    ExitCode::from(if error.use_stderr() { 2 } else { 0 })
}

/// Runs a parsed call to its end.
///
/// # Errors
/// Why it did not come off, and whose fault that is.
pub fn run(cli: Cli) -> Result<(), Failure> {
    match cli.command {
        Command::Demo(args) => demo::run(&args, &runtime()?),
        Command::Record(args) => recording::run(&args),
        Command::Bench(args) => bench::run(&args, runtime),
        Command::Replay(args) => replaying::run(&args),
        Command::Lookover(args) => lookover::run(&args, &runtime()?),
        Command::Report(args) => reporting::run(&args),
        Command::Table(args) => tabling::run(&args),
        Command::Customer(args) => customer::run(&args),
        #[cfg(feature = "push")]
        Command::Push(args) => pushing::run(&args, &runtime()?),
        Command::Verify(args) => verifying::run(&args),
        Command::Ports(args) => Ok(runtime()?.block_on(ports::run(&args))?),
    }
}

/// Takes the dashboard's address, or says who has it.
fn listen(address: SocketAddr) -> Result<TcpListener> {
    TcpListener::bind(address).with_context(|| {
        let holder = holder::of_address(address);
        let holder = holder.map_or_else(String::new, |holder| format!(": {holder} has it"));
        format!("the dashboard cannot be served on {address}{holder}; choose another --listen")
    })
}

fn runtime() -> Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(WORKERS)
        .enable_all()
        .build()
        .context("the program's own threads cannot be started")
}

/// Log lines for people, without colour: only text reaches the terminal.
fn log_to_stderr() {
    let log = tracing_subscriber::fmt()
        .with_max_level(LevelFilter::INFO)
        .with_target(false)
        .with_ansi(false)
        .with_writer(std::io::stderr);
    // Only a second call within one process can fail here, and then there is a log already.
    log.try_init().unwrap_or_default();
}
