//! What identifies a customer stands in one file, which nothing is derived from and which can be left out.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)] // tests: a failure is a failure

mod support;

use std::fs;
use std::path::Path;

use nightclamp_archive::{
    Customer, RecordDir, VerifyReport, customer_of, replay, set_customer, verify,
};
use support::{Double, JOB, Scratch, files, recorded, sealed};

fn customer(name: &str) -> Customer {
    Customer {
        name: Some(name.to_owned()),
        reference: Some("claim 2026-114".to_owned()),
        ..Customer::default()
    }
}

fn verified(dir: &Path) -> VerifyReport {
    verify(dir, |_| Ok(Double::default())).unwrap()
}

/// A finished record.
fn finished(scratch: &Scratch, name: &str) -> std::path::PathBuf {
    let (log, dir) = (scratch.path("night.log"), scratch.path(name));
    fs::write(&log, recorded(40)).unwrap();
    replay(&[log], JOB, Double::default(), &dir, None).unwrap();
    dir
}

#[test]
fn a_customer_is_listed_by_a_hash_that_tells_nothing_and_changes_nothing_else() {
    let scratch = Scratch::new();
    let dir = finished(&scratch, "with");
    let without = finished(&scratch, "without");
    assert!(set_customer(&dir, &customer("Harbour Bakery")).unwrap());
    assert!(
        !set_customer(&dir, &customer("Harbour Bakery")).unwrap(),
        "the same again"
    );
    assert_eq!(customer_of(&dir).unwrap(), Some(customer("Harbour Bakery")));
    // A finished record stays finished, with the same tables.
    assert_eq!(sealed(&dir), sealed(&without));
    let report = verified(&dir);
    assert!(report.ok() && report.notes.is_empty(), "{report}");

    let lists = |dir: &Path| {
        let manifest = String::from_utf8(files(dir)["manifest.jsonl"].clone()).unwrap();
        assert!(!manifest.contains("Harbour") && !manifest.contains("claim"));
        manifest.lines().last().unwrap().to_owned()
    };
    // The same customer of another record has another hash.
    set_customer(&without, &customer("Harbour Bakery")).unwrap();
    let hash = |line: &str| line.split_once("\"sha256\":\"").unwrap().1[..64].to_owned();
    assert!(lists(&dir).starts_with("{\"path\":\"customer.toml\",\"bytes\":1024,"));
    assert_ne!(hash(&lists(&dir)), hash(&lists(&without)));
}

#[test]
fn left_out_it_cannot_be_checked_and_changed_it_does_not_hold() {
    let scratch = Scratch::new();
    let dir = finished(&scratch, "record");
    let path = dir.join("customer.toml");
    set_customer(&dir, &customer("Harbour Bakery")).unwrap();
    set_customer(&dir, &customer("Harbour Bakery, Lda.")).unwrap();
    assert!(verified(&dir).ok());

    let kept = fs::read_to_string(&path).unwrap();
    fs::remove_file(&path).unwrap();
    let report = verified(&dir);
    assert!(report.ok(), "{report}");
    assert!(report.notes[0].contains("left out on request"), "{report}");
    assert_eq!(customer_of(&dir).unwrap(), None);

    fs::write(&path, kept.replace("Lda.", "S.A.")).unwrap();
    let report = verified(&dir);
    assert!(
        report.fails[0].starts_with("customer.toml: its bytes are not those"),
        "{report}"
    );
    fs::write(&path, kept).unwrap();
    assert!(verified(&dir).ok());
}

#[test]
fn one_that_was_put_there_and_not_listed_is_listed_at_the_next_opening() {
    let scratch = Scratch::new();
    let (dir, other) = (scratch.path("record"), finished(&scratch, "other"));
    drop(RecordDir::create_or_open(&dir, JOB).unwrap());
    set_customer(&other, &customer("Harbour Bakery")).unwrap();
    fs::copy(other.join("customer.toml"), dir.join("customer.toml")).unwrap();
    let record = RecordDir::create_or_open(&dir, JOB).unwrap();
    assert!(!record.accept_customer(&customer("Harbour Bakery")).unwrap());
    drop(record);
    let manifest = fs::read_to_string(dir.join("manifest.jsonl")).unwrap();
    assert_eq!(manifest.matches("customer.toml").count(), 1);
}

#[test]
fn a_manifest_cannot_name_files_outside_of_its_record() {
    let scratch = Scratch::new();
    let dir = finished(&scratch, "record");
    let manifest = fs::read_to_string(dir.join("manifest.jsonl")).unwrap();
    let changed = manifest.replacen("raw/job-0001.toml", "../../../etc/passwd", 1);
    fs::write(dir.join("manifest.jsonl"), changed).unwrap();
    let said = verified(&dir).to_string();
    assert!(
        said.contains("manifest line 1 names ../../../etc/passwd, which is no path in a record"),
        "{said}"
    );
}
