//! A job file that changes in the middle of a record: each version holds from its note on, for the units it changes.
#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

use common::{Scratch, batches};
use nightclamp_analysis::Projection;
use nightclamp_analysis::job::{Job, JobVersion};
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_archive::{HostClock, Projector, RawWriter, RecordDir, heart_of, replay, verify};
use nightclamp_protocol::{BoardId, Table};
use nightclamp_tests::{Night, Rows, night, projected};

mod common;

const HOURS: f64 = 1.5;

fn version(number: u32, text: &str) -> JobVersion {
    JobVersion {
        file: format!("job-{number:04}.toml"),
        sha256: format!("{number:02x}"),
        job: Job::parse(text, "job.toml").unwrap(),
    }
}

/// The night with a note after `share` of its lines that names version 2, once more later, and one of a file not kept.
fn noted(raw: &[u8], share: f64) -> (Vec<u8>, i64) {
    let lines: Vec<&[u8]> = raw.split_inclusive(|byte| *byte == b'\n').collect();
    let at = (lines.len() as f64 * share) as usize;
    let stamp = String::from_utf8_lossy(lines[at]);
    let stamp = stamp[1..].split(' ').next().unwrap().to_owned();
    let note = |name: &str, sha: &str| format!("#{stamp} job file={name} sha256={sha}\n");
    let first = note("job-0001.toml", "01");
    let second = [
        note("job-0002.toml", "02"),
        note("job-0009.toml", "09"),
        note("job-0001.toml", "02"),
    ]
    .concat();
    let begin = lines[..1].concat();
    let parts = [
        &begin,
        first.as_bytes(),
        &lines[1..at].concat(),
        second.as_bytes(),
        &lines[at..].concat(),
    ];
    (parts.concat(), stamp.parse().unwrap())
}

fn under(first: &str, second: &str, raw: &[u8]) -> Rows {
    let mut projection = Projection::under(version(1, first), vec![version(2, second)]);
    let mut rows = Rows::default();
    projection.feed(0, raw, &mut rows);
    projection.finish(&mut rows);
    rows
}

/// The job with another key in the place of its unit's.
fn with(job: &str, key: &str, value: &str) -> String {
    let mut found = false;
    let line = |line: &str| {
        let is_it = line.starts_with(&format!("{key} ="));
        found |= is_it;
        if is_it {
            format!("{key} = {value}\n")
        } else {
            format!("{line}\n")
        }
    };
    let text: String = job.lines().map(line).collect();
    assert!(found, "{key} is not in:\n{job}");
    text
}

#[test]
fn the_same_job_under_another_name_changes_no_row() {
    let Night { job, raw } = night("locked", 1, HOURS, true).unwrap();
    let (noted, _) = noted(&raw, 0.5);
    let comment = format!("{job}\n# looked at again\n");
    assert_eq!(
        under(&job, &comment, &noted),
        projected(&job, &[(0, &raw)]).unwrap()
    );
}

#[test]
fn a_changed_nameplate_holds_from_its_note_on_and_no_earlier() {
    let Night { job, raw } = night("locked", 1, HOURS, true).unwrap();
    let (noted, at_us) = noted(&raw, 0.5);
    let other = with(&job, "locked_rotor_a", "55.0");
    let (old, new) = (
        projected(&job, &[(0, &raw)]).unwrap(),
        projected(&other, &[(0, &raw)]).unwrap(),
    );
    let both = under(&job, &other, &noted);
    assert_eq!(both.samples, old.samples);
    let name = old.cycles.keys().next().unwrap();
    let (old, new, both) = (&old.cycles[name], &new.cycles[name], &both.cycles[name]);
    let is_before = |on_at: i64| on_at < at_us;
    let before = old
        .iter()
        .filter(|cycle| cycle.next_on_at.is_some_and(is_before))
        .count();
    let after = new
        .iter()
        .filter(|cycle| !is_before(cycle.on_at - 60_000_000))
        .count();
    assert!(
        before > 2 && after > 2,
        "{before} cycles before the note, {after} after"
    );
    assert_ne!(old, new, "the nameplate makes no difference in this night");
    assert_eq!(
        both[..before - 1],
        old[..before - 1],
        "what was final stays as it was"
    );
    assert_eq!(both[both.len() - after..], new[new.len() - after..]);
}

#[test]
fn a_unit_that_appears_or_goes_begins_or_ends_at_the_note() {
    let Night { job, raw } = night("locked", 1, HOURS, true).unwrap();
    let (noted, at_us) = noted(&raw, 0.5);
    let old_name = Job::parse(&job, "job.toml").unwrap().units[0].name.clone();
    // `name` is a key of the job, too: there it is only for people.
    let other = with(&job, "name", "\"cellar\"");
    let rows = under(&job, &other, &noted);
    let last = rows.cycles[&old_name].last().unwrap();
    let first = &rows.cycles["cellar"][0];
    assert!(last.on_at < at_us && last.off_at.is_none_or(|off_at| off_at <= at_us));
    assert!(first.on_at >= at_us - 1_000_000, "{first:?}");
    let whole = projected(&job, &[(0, &raw)]).unwrap();
    assert_eq!(rows.samples, whole.samples, "samples know no unit");
}

#[test]
fn a_job_given_for_a_replay_holds_whatever_the_notes_say() {
    let Night { job, raw } = night("locked", 1, HOURS, true).unwrap();
    let (noted, _) = noted(&raw, 0.5);
    assert_eq!(
        projected(&job, &[(0, &noted)]).unwrap(),
        projected(&job, &[(0, &raw)]).unwrap()
    );
}

struct Nobody;

impl Sink for Nobody {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {}
    fn event(&mut self, _: &str, _: EventRow) {}
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}

/// Records these lines of a night into `dir` under `job`, as one run of a recorder.
fn record(dir: &std::path::Path, job: &str, lines: &[&[u8]]) {
    let mut record = RecordDir::create_or_open(dir, job).unwrap();
    record.accept_job(job).unwrap();
    let parsed = |line: &&[u8]| {
        let line = line.strip_suffix(b"\n").unwrap();
        let space = line.iter().position(|&byte| byte == b' ').unwrap();
        let at: i64 = std::str::from_utf8(&line[1..space])
            .unwrap()
            .parse()
            .unwrap();
        (line[0], at, line[space + 1..].to_vec())
    };
    let (_, wall_us, _) = parsed(&lines[0]);
    let host_boot = "b7".to_owned();
    let clock = HostClock {
        wall_us,
        boot_us: wall_us,
        host_boot,
    };
    let mut log = RawWriter::begin(&record, "7f3a91c2", &clock).unwrap();
    let note = format!(
        "job file={} sha256={}",
        record.job_file(),
        record.job_sha256()
    );
    log.append_note(wall_us, &note);
    for (mark, at, text) in lines.iter().map(parsed) {
        match mark {
            b'@' => log.append_board(at, &text),
            _ if text.starts_with(b"began") => {}
            _ => log.append_note(at, std::str::from_utf8(&text).unwrap()),
        }
    }
    log.finish().unwrap();
    let projector = Projector::new(&record, record.heart().unwrap()).unwrap();
    projector.close(&mut Nobody).unwrap();
}

#[test]
fn a_record_under_two_job_files_verifies_and_each_holds_for_its_part() {
    let Night { job, raw } = night("locked", 1, HOURS, true).unwrap();
    let other = with(&job, "name", "\"cellar\"");
    let lines: Vec<&[u8]> = raw.split_inclusive(|byte| *byte == b'\n').collect();
    let (first, second) = lines.split_at(lines.len() / 2);
    let scratch = Scratch::new("job-versions");
    let dir = scratch.join("record");
    record(&dir, &job, first);
    let name = Job::parse(&job, "job.toml").unwrap().units[0].name.clone();
    let cycles = |dir: &std::path::Path, unit: &str| {
        let batches = batches(&dir.join(format!("cycles/unit={unit}")));
        batches.iter().map(|batch| batch.num_rows()).sum::<usize>()
    };
    let before = cycles(&dir, &name);
    record(&dir, &other, second);
    assert!(
        before > 2 && cycles(&dir, &name) == before,
        "what was under the first file stays"
    );
    assert!(cycles(&dir, "cellar") > 2);
    for version in ["raw/job-0001.toml", "raw/job-0002.toml"] {
        assert!(dir.join(version).is_file());
    }
    let report = verify(&dir, heart_of).unwrap();
    assert!(report.ok(), "{report}");
    // Another look at the same: one job file for all of it.
    let again = scratch.join("again");
    let heart = Projection::new(Job::parse(&job, "job.toml").unwrap());
    replay(std::slice::from_ref(&dir), &job, heart, &again, None).unwrap();
    assert!(cycles(&again, &name) > before && !again.join("cycles/unit=cellar").exists());
    let report = verify(&again, heart_of).unwrap();
    assert!(report.ok(), "{report}");
}
