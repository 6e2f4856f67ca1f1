//! Whatever comes from outside does no harm: the kept corpus of the fuzzers and a fixed number of mutations of it, through
//! the same functions as the fuzzers in `tests/fuzz`, without a fuzzer.
#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use nightclamp_tests::hostile::mutate::Mutator;
use nightclamp_tests::hostile::{TARGETS, Target};

/// The mutations are the same every time.
const SEED: u64 = 20_261_125;

/// Mutations of each corpus: as many as take a few seconds. `HOSTILE_TIMES=100` makes it a hundred times as many.
fn executions(target: &str) -> usize {
    let times = std::env::var("HOSTILE_TIMES")
        .ok()
        .and_then(|times| times.parse().ok())
        .unwrap_or(1);
    let once = match target {
        "codec" => 200_000,
        "framing" => 50_000,
        "rawlog" => 1_000,
        _ => 10_000,
    };
    once * times
}

fn corpus(target: &str) -> Vec<Vec<u8>> {
    corpus_if(target, |_| true)
}

/// The inputs of a corpus whose file has a name that is wanted.
fn corpus_if(target: &str, is_wanted: impl Fn(&str) -> bool) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fuzz/corpus")
        .join(target);
    let files =
        fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let mut paths: Vec<_> = files.map(|file| file.unwrap().path()).collect();
    paths.retain(|path| is_wanted(&path.file_name().unwrap().to_string_lossy()));
    paths.sort();
    paths.iter().map(|path| fs::read(path).unwrap()).collect()
}

fn check((name, holds): Target) {
    let corpus = corpus(name);
    assert!(!corpus.is_empty(), "{name}: no corpus");
    let mut mutator = Mutator::new(SEED);
    let mutations = executions(name);
    let mutated = std::iter::repeat_with(|| mutator.mutated(&corpus)).take(mutations);
    for input in corpus.iter().cloned().chain(mutated) {
        if catch_unwind(AssertUnwindSafe(|| holds(&input))).is_err() {
            let path = std::env::temp_dir().join(format!("nightclamp-{name}-found"));
            fs::write(&path, &input).unwrap();
            panic!("{name}: does not hold for what is in {}", path.display());
        }
    }
    println!(
        "{name}: {} inputs of the corpus, {mutations} mutations",
        corpus.len()
    );
}

#[test]
fn every_reader_stands_whatever_bytes_come() {
    std::thread::scope(|scope| {
        for target in TARGETS {
            scope.spawn(move || check(target));
        }
    });
}

/// The mutations reach what they are meant for: among them are lines, sets of channels and job files that are good.
#[test]
fn mutations_are_not_all_refused_at_the_door() {
    let mut mutator = Mutator::new(SEED);
    let good_once = [
        "harbour-bakery",
        "smallest",
        "two-compressors",
        "windows-editor",
    ];
    let jobs = corpus_if("job", |name| good_once.contains(&name));
    let good = (0..5_000)
        .filter(|_| {
            nightclamp_analysis::job::Job::parse_bytes(&mutator.mutated(&jobs), "job.toml").is_ok()
        })
        .count();
    assert!(good > 200, "{good} of 5000 job files are still good");
    let lines = corpus_if("codec", |name| name.starts_with("line-"));
    let good = (0..5_000)
        .filter(|_| {
            let line = nightclamp_tests::hostile::with_crcs(&mutator.mutated(&lines));
            nightclamp_protocol::decode(&line).is_ok()
        })
        .count();
    assert!(good > 200, "{good} of 5000 lines are still good");
}
