//! A job file that changes in the middle of a record: each version holds from its note on, for the units it changes.
#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::{Job, JobVersion};
use nightclamp_tests::{Night, Rows, night, projected};

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
