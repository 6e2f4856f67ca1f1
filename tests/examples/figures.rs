//! Nightclamp's own figures of a record, for comparison with other programs': `figures RECORD` prints JSON with the starts in
//! each clock hour and the trips by cause, unit by unit, from the raw logs.

use std::collections::BTreeMap;
use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};

use nightclamp_analysis::cycling::Cycling;
use nightclamp_analysis::evidence::{Evidence, Span};
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EndedBy};
use nightclamp_tests::projected;

fn main() -> Result<(), Box<dyn Error>> {
    let [record] = std::env::args()
        .skip(1)
        .map(PathBuf::from)
        .collect::<Vec<_>>()
        .try_into()
        .map_err(|_| "usage: figures RECORD")?;
    let text = fs::read_to_string(record.join("job.toml"))?;
    let job = Job::parse(&text, "job.toml")?;
    let raw = raw(&record)?;
    let rows = projected(&text, &[(0, &raw)])?;
    let span = rows.samples.values().flatten().map(|sample| sample.0);
    let (from, until) = (span.clone().min().unwrap_or(0), span.max().unwrap_or(0));
    let mut units = Vec::new();
    for unit in &job.units {
        let none = Vec::new();
        let cycles = rows.cycles.get(&unit.name).unwrap_or(&Vec::new()).clone();
        let board = rows
            .events
            .get(&format!("board-{}", unit.board))
            .unwrap_or(&none);
        let cycling = Cycling::of(&Evidence {
            unit,
            zone: chrono_tz::UTC,
            shown_offset_us: 0,
            span: Span { from, until },
            cycles: &cycles,
            events: rows.events.get(&unit.name).unwrap_or(&none),
            board_events: board,
        });
        let hours = cycling.hours.iter().filter(|hour| hour.seen > 0);
        let hours: Vec<String> = hours
            .map(|hour| format!("\"{}\": {}", hour.local, hour.seen))
            .collect();
        let trips: Vec<String> = trips(&cycles)
            .iter()
            .map(|(cause, n)| format!("\"{cause}\": {n}"))
            .collect();
        units.push(format!(
            "\"{}\": {{\"starts\": {{{}}}, \"trips\": {{{}}}}}",
            unit.name,
            hours.join(", "),
            trips.join(", ")
        ));
    }
    println!("{{{}}}", units.join(", "));
    Ok(())
}

fn trips(cycles: &[CycleRow]) -> BTreeMap<&'static str, u32> {
    let mut trips = BTreeMap::new();
    for cycle in cycles
        .iter()
        .filter(|cycle| cycle.ended_by == Some(EndedBy::Protector))
    {
        let cause = cycle.cause.map_or("none", |cause| cause.as_str());
        *trips.entry(cause).or_insert(0) += 1;
    }
    trips
}

/// The record's raw logs, one after the other.
fn raw(record: &Path) -> Result<Vec<u8>, Box<dyn Error>> {
    let mut paths: Vec<PathBuf> = fs::read_dir(record.join("raw"))?
        .map(|entry| Ok(entry?.path()))
        .collect::<Result<_, std::io::Error>>()?;
    paths.sort();
    let mut raw = Vec::new();
    for path in paths
        .iter()
        .filter(|path| path.to_string_lossy().contains(".log"))
    {
        let bytes = fs::read(path)?;
        raw.extend(
            match path.extension().is_some_and(|ending| ending == "zst") {
                true => zstd::decode_all(bytes.as_slice())?,
                false => bytes,
            },
        );
    }
    Ok(raw)
}
