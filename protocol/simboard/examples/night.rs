//! Writes a simulated night: `night NAME SEED HOURS OUT_DIR` gives `NAME-SEED.log`, `.job.toml`,
//! `.truth.json` and `.scenario.json`. `random` as NAME draws everything from the seed; `--list` names the scenarios. HOURS 0 is the
//! scenario's own length.

use nightclamp_simboard::{Arrivals, Scenario, SimBoard, job_toml, write_raw_log};
use std::error::Error;
use std::fs::{self, File};
use std::io::BufWriter;
use std::path::Path;
use std::time::Instant;

/// The nights begin on 25 November 2026 at 18:00 UTC.
const BEGIN_US: i64 = 1_795_629_600_000_000;

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if arguments.first().is_some_and(|a| a == "--list") {
        for (name, about) in Scenario::names() {
            println!("{name:16} {about}");
        }
        println!("{:16} everything drawn from the seed", "random");
        return Ok(());
    }
    let [name, seed, hours, out] = arguments.as_slice() else {
        return Err("usage: night NAME SEED HOURS OUT_DIR, or night --list".into());
    };
    let seed: u64 = seed.parse()?;
    let scenario = match name.trim_start_matches("--") {
        "random" => Some(Scenario::random(seed)),
        name => Scenario::by_name(name, seed),
    }
    .ok_or_else(|| format!("no scenario {name:?}; --list names them"))?;
    let hours: f64 = hours.parse()?;
    let until_s = if hours > 0.0 {
        hours * 3600.0
    } else {
        scenario.record_s
    };
    write(
        scenario,
        name.trim_start_matches("--"),
        seed,
        until_s,
        Path::new(out),
    )
}

fn write(
    scenario: Scenario,
    name: &str,
    seed: u64,
    until_s: f64,
    out: &Path,
) -> Result<(), Box<dyn Error>> {
    fs::create_dir_all(out)?;
    let file = |ending: &str| out.join(format!("{name}-{seed}.{ending}"));
    fs::write(file("job.toml"), job_toml(&scenario))?;
    fs::write(file("scenario.json"), scenario.to_json()?)?;
    let began = Instant::now();
    let mut board = SimBoard::new(scenario);
    let mut log = BufWriter::new(File::create(file("log"))?);
    let summary = write_raw_log(
        &mut board,
        BEGIN_US,
        until_s,
        &mut Arrivals::calm(seed),
        &mut log,
        true,
    )?;
    let took_s = began.elapsed().as_secs_f64();
    fs::write(file("truth.json"), board.truth().to_json()?)?;
    eprintln!(
        "{:.1} h, {} lines, {} bytes in {took_s:.2} s",
        until_s / 3600.0,
        summary.lines,
        summary.bytes
    );
    for unit in &board.truth().units {
        for c in &unit.cycles {
            println!(
                "{} {:8.1} s  on {:7.1} s  {:12} {:18} by {:9} {:12} peak {:5.2} run {:5.2} end {:5.2} A  case {:5.1} max {:5.1}  disc {:5.1} closed after {:6.1} s  off {:7.1} s",
                unit.name,
                c.on_s,
                c.off_s.map_or(f64::NAN, |o| o - c.on_s),
                c.start,
                c.attempt,
                c.ended_by.unwrap_or("-"),
                c.cause.unwrap_or("-"),
                c.peak_a,
                c.run_a,
                c.end_a,
                c.case_off_c,
                c.case_max_c,
                c.disc_off_c,
                c.reclosed_s.zip(c.off_s).map_or(f64::NAN, |(r, o)| r - o),
                c.next_on_s.zip(c.off_s).map_or(f64::NAN, |(n, o)| n - o),
            );
        }
    }
    Ok(())
}
