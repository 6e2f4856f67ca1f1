//! A night is packed for somebody who was not there. Whatever is changed in the pack is found and named, by Nightclamp and by
//! the common tools that the pack's own README names.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // tests stop where something is wrong

mod common;

use std::fs::{self, File};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;

use arrow::array::{Array, AsArray, Float64Array, RecordBatch};
use arrow::datatypes::Float64Type;
use common::{Scratch, batches, files};
use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_archive::{Customer, VerifyReport, replay, set_customer};
use nightclamp_evidence::{
    Document, EvidenceError, Known, Locked, Packed, Signer, Wanted, check, pack, pack_checked,
};
use nightclamp_tests::{Night, night};
use parquet::arrow::ArrowWriter;
use sha2::{Digest, Sha256};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

/// A finished record of an hour and a half, with a customer.
fn record(scratch: &Scratch) -> PathBuf {
    let Night { job, raw } = night("demo", 3, 1.5, true).unwrap();
    let log = scratch.join("night.log");
    fs::write(&log, raw).unwrap();
    let out = scratch.join("record");
    let heart = Projection::new(Job::parse(&job, "job.toml").unwrap());
    replay(&[log], &job, heart, &out, None).unwrap();
    let customer = Customer {
        name: Some("Harbour Bakery, Lda.".to_owned()),
        address: Some("Quay 4".to_owned()),
        ..Customer::default()
    };
    set_customer(&out, &customer).unwrap();
    out
}

/// A key as a technician makes it.
fn key(scratch: &Scratch, name: &str, passphrase: &str) -> PathBuf {
    let path = scratch.join(name);
    let shown = path.to_str().unwrap();
    run(
        Path::new("/"),
        &[
            "ssh-keygen",
            "-q",
            "-t",
            "ed25519",
            "-N",
            passphrase,
            "-C",
            "technician",
            "-f",
            shown,
        ],
        b"",
    );
    path
}

fn signer(key: &Path, passphrase: Option<&str>) -> Signer {
    let locked = Locked::read(&fs::read_to_string(key).unwrap(), "key").unwrap();
    locked.unlock(passphrase).unwrap()
}

/// Runs a program in a directory; what it prints. It has to end well.
#[track_caller]
fn run(dir: &Path, call: &[&str], input: &[u8]) -> String {
    let (ok, said) = tried(dir, call, input);
    assert!(ok, "{call:?}: {said}");
    said
}

fn tried(dir: &Path, call: &[&str], input: &[u8]) -> (bool, String) {
    let mut child = Command::new(call[0])
        .args(&call[1..])
        .current_dir(dir)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap_or_else(|error| panic!("{}: {error}; tests/run installs it", call[0]));
    child
        .stdin
        .take()
        .unwrap()
        .write_all(input)
        .unwrap_or_default();
    let output = child.wait_with_output().unwrap();
    let said = [output.stdout, output.stderr].concat();
    (
        output.status.success(),
        String::from_utf8_lossy(&said).into_owned(),
    )
}

/// Unpacks by another implementation.
fn unpacked(pack: &Path, to: &Path) -> PathBuf {
    let call = [
        "python3",
        "-m",
        "zipfile",
        "-e",
        pack.to_str().unwrap(),
        to.to_str().unwrap(),
    ];
    run(Path::new("/"), &call, b"");
    to.join("evidence")
}

/// Packs a folder again as it is now, without asking anybody.
fn repacked(folder: &Path, to: &Path) {
    let mut zip = ZipWriter::new(File::create(to).unwrap());
    let options = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    for path in files(folder) {
        let name = path.strip_prefix(folder.parent().unwrap()).unwrap();
        zip.start_file(name.to_str().unwrap(), options).unwrap();
        zip.write_all(&fs::read(&path).unwrap()).unwrap();
    }
    zip.finish().unwrap();
}

fn checked(path: &Path) -> VerifyReport {
    check(path, &Known::default()).unwrap()
}

fn packed(record: &Path, out: &Path, wanted: &Wanted) -> Packed {
    pack(record, out, wanted).unwrap()
}

fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes)
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect()
}

#[test]
fn the_same_record_gives_the_same_pack_and_common_tools_agree_with_it() {
    let scratch = Scratch::new("pack");
    let record = record(&scratch);
    let key = key(&scratch, "key", "");
    let wanted = || Wanted {
        documents: vec![Document {
            name: "report.html".to_owned(),
            bytes: b"<p>a report".to_vec(),
        }],
        signer: Some(signer(&key, None)),
        ..Wanted::default()
    };
    let (once, twice) = (scratch.join("once.zip"), scratch.join("twice.zip"));
    let told = packed(&record, &once, &wanted());
    packed(&record, &twice, &wanted());
    assert!(
        fs::read(&once).unwrap() == fs::read(&twice).unwrap(),
        "two builds are identical"
    );
    assert!(matches!(
        pack(&record, &once, &wanted()),
        Err(EvidenceError::Exists { .. })
    ));

    let folder = unpacked(&once, &scratch.join("unpacked"));
    for path in [&once, &folder, &scratch.join("unpacked")] {
        let report = checked(path);
        assert!(report.ok(), "{report}");
        assert!(
            report
                .to_string()
                .contains(&told.signed_by.clone().unwrap()),
            "{report}"
        );
    }

    // The commands of the pack's README, as they stand there.
    let readme = fs::read_to_string(folder.join("README.txt")).unwrap();
    assert!(
        !readme.contains(['{', '}']) && readme.contains("freezer"),
        "{readme}"
    );
    let command = |start: &str| {
        let line = readme.lines().find_map(|line| {
            line.strip_prefix("    ")
                .filter(|line| line.starts_with(start))
        });
        line.unwrap_or_else(|| panic!("no {start} in {readme}"))
            .to_owned()
    };
    let shell = |command: &str| run(&folder, &["sh", "-c", command], b"");
    assert_eq!(shell(&command("sha256sum")), "");
    let chain = shell(&command("python3 check_chain.py"));
    let last = chain.trim().rsplit(' ').next().unwrap();
    assert!(
        chain.starts_with("holds: ") && readme.contains(last),
        "{chain}"
    );
    let fingerprint = shell(&command("ssh-keygen"));
    assert!(
        fingerprint.contains(&told.signed_by.unwrap()),
        "{fingerprint}"
    );
    // Nothing but the sums, and what stands beside them, is outside of the sums.
    let listed = fs::read_to_string(folder.join("SHA256SUMS")).unwrap();
    assert_eq!(listed.lines().count() + 2, files(&folder).len());
    assert!(
        !files(&folder)
            .iter()
            .any(|path| path.ends_with("key") || path.ends_with(".lock"))
    );
}

#[test]
fn what_has_changed_since_it_was_checked_is_not_packed() {
    let scratch = Scratch::new("stale");
    let record = record(&scratch);
    let earlier = checked(&record);
    let out = scratch.join("out.zip");
    assert!(pack_checked(&record, &earlier, &out, &Wanted::default()).is_ok());
    fs::remove_file(&out).unwrap();
    let table = the(&record, "cycles/", ".parquet");
    flip(&table);
    let error = pack_checked(&record, &earlier, &out, &Wanted::default()).unwrap_err();
    let named = "cycles/unit=freezer/000001.parquet has changed since it was checked";
    assert!(error.to_string().contains(named), "{error}");
    assert!(!out.exists(), "half a pack is nobody's");
    // One that did not agree is not packed either, whatever lies there now.
    flip(&table);
    let bad = VerifyReport {
        fails: vec!["raw/night.log: is not there".to_owned()],
        ..earlier
    };
    let error = pack_checked(&record, &bad, &out, &Wanted::default()).unwrap_err();
    assert!(
        error.to_string().contains("does not agree with itself"),
        "{error}"
    );
}

#[test]
fn what_identifies_the_customer_is_left_out_on_request_and_the_rest_holds() {
    let scratch = Scratch::new("private");
    let record = record(&scratch);
    let (with, without) = (scratch.join("with.zip"), scratch.join("without.zip"));
    packed(&record, &with, &Wanted::default());
    let wanted = Wanted {
        without_customer: true,
        ..Wanted::default()
    };
    assert!(packed(&record, &without, &wanted).is_customer_left_out);
    let is_in = |pack: &Path| {
        let bytes = fs::read(pack).unwrap();
        ["Harbour Bakery", "Quay 4"]
            .map(|text| bytes.windows(text.len()).any(|w| w == text.as_bytes()))
    };
    assert_eq!(is_in(&with), [true; 2]);
    assert_eq!(is_in(&without), [false; 2]);
    let report = checked(&without);
    assert!(report.ok(), "{report}");
    let hash = sha256(&fs::read(record.join("customer.toml")).unwrap());
    let note = report
        .notes
        .iter()
        .find(|note| note.starts_with("customer.toml"));
    assert!(note.unwrap().contains("left out on request") && note.unwrap().contains(&hash));
    let folder = unpacked(&without, &scratch.join("unpacked"));
    run(&folder, &["python3", "check_chain.py"], b"");
    assert!(
        fs::read_to_string(folder.join("README.txt"))
            .unwrap()
            .contains("left out on request")
    );
}

/// Makes `SHA256SUMS` anew, as somebody would who has changed something.
fn sum_again(folder: &Path) {
    let inside = |path: &PathBuf| {
        path.strip_prefix(folder)
            .unwrap()
            .to_str()
            .unwrap()
            .to_owned()
    };
    let sums: String = files(folder)
        .iter()
        .map(|path| (inside(path), path))
        .filter(|(name, _)| !name.starts_with("SHA256SUMS"))
        .map(|(name, path)| format!("{}  {name}\n", sha256(&fs::read(path).unwrap())))
        .collect();
    fs::write(folder.join("SHA256SUMS"), sums).unwrap();
}

/// Makes the manifest anew, with the lines in the order given: hashes and lengths of what is there now, and the whole chain.
fn chain_again(folder: &Path, order: impl Fn(&mut Vec<String>)) {
    let path = folder.join("record/manifest.jsonl");
    let mut lines: Vec<String> = fs::read_to_string(&path)
        .unwrap()
        .lines()
        .map(str::to_owned)
        .collect();
    order(&mut lines);
    let (mut chain, mut text) = ("0".repeat(64), String::new());
    for line in lines {
        let (body, _) = line.rsplit_once(",\"chain\":\"").unwrap();
        let value = |key: &str| {
            body.split_once(key)
                .unwrap()
                .1
                .split(['"', ','])
                .next()
                .unwrap()
                .to_owned()
        };
        let (file, was) = (value("\"path\":\""), value("\"sha256\":\""));
        let now = fs::read(folder.join("record").join(&file)).unwrap();
        let body = body.replace(&was, &sha256(&now)).replace(
            &format!("\"bytes\":{}", value("\"bytes\":")),
            &format!("\"bytes\":{}", now.len()),
        );
        chain = sha256(format!("{chain}\n{body}}}").as_bytes());
        text += &format!("{body},\"chain\":\"{chain}\"}}\n");
    }
    fs::write(path, text).unwrap();
}

/// The only file in the folder whose path holds both.
fn the(folder: &Path, part: &str, ending: &str) -> PathBuf {
    let is_it = |path: &PathBuf| {
        let path = path.to_str().unwrap();
        path.contains(part) && path.ends_with(ending)
    };
    files(folder).into_iter().find(is_it).unwrap()
}

fn raw(folder: &Path) -> PathBuf {
    the(folder, "record/raw/", ".log")
}

fn flip(path: &Path) {
    let mut bytes = fs::read(path).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(path, bytes).unwrap();
}

fn edit(path: &Path, from: &str, to: &str) {
    let text = fs::read_to_string(path).unwrap();
    assert!(text.contains(from), "{} has no {from}", path.display());
    fs::write(path, text.replacen(from, to, 1)).unwrap();
}

/// Writes a table anew with one figure of one row changed.
fn change_a_row(path: &Path, column: &str) {
    let all: Vec<RecordBatch> = batches(path.parent().unwrap());
    let batch = arrow::compute::concat_batches(&all[0].schema(), &all).unwrap();
    let at = batch.schema().index_of(column).unwrap();
    let figures: &Float64Array = batch.column(at).as_primitive::<Float64Type>();
    let row = (0..figures.len())
        .find(|&row| figures.is_valid(row))
        .unwrap();
    let changed = figures
        .iter()
        .enumerate()
        .map(|(at, figure)| match at == row {
            true => figure.map(|figure| figure + 0.01),
            false => figure,
        });
    let mut columns = batch.columns().to_vec();
    columns[at] = Arc::new(changed.collect::<Float64Array>());
    let batch = RecordBatch::try_new(batch.schema(), columns).unwrap();
    let mut writer =
        ArrowWriter::try_new(File::create(path).unwrap(), batch.schema(), None).unwrap();
    writer.write(&batch).unwrap();
    writer.close().unwrap();
}

/// What somebody did to an unpacked pack, and what must be said of it.
struct Harm {
    what: &'static str,
    harm: fn(&Path),
    named: &'static str,
}

fn harms() -> Vec<Harm> {
    vec![
        Harm {
            what: "one bit of a raw log",
            harm: |folder| flip(&raw(folder)),
            named: "record/raw/night.log: is not what was packed",
        },
        Harm {
            what: "one bit of a raw log, sums made anew",
            harm: |folder| {
                flip(&raw(folder));
                sum_again(folder);
            },
            named: "raw/night.log: its bytes are not those that were sealed",
        },
        Harm {
            what: "a sample left out of a raw log, sums and chain made anew",
            harm: |folder| {
                let text = fs::read_to_string(raw(folder)).unwrap();
                let is_kept = |(at, line): &(usize, &str)| *at < 30_000 || !line.contains(" S ");
                let (before, after): (Vec<_>, Vec<_>) =
                    text.lines().enumerate().partition(|line| is_kept(line));
                let kept = before.iter().chain(after.iter().skip(1));
                let mut kept: Vec<_> = kept.collect();
                kept.sort();
                let text: String = kept.iter().map(|(_, line)| format!("{line}\n")).collect();
                fs::write(raw(folder), text).unwrap();
                chain_again(folder, |_| {});
                sum_again(folder);
            },
            named: "samples/board=b-7f3a91c2/date=2026-11-25/",
        },
        Harm {
            what: "a figure of a cycle, table written anew, sums and chain made anew",
            harm: |folder| {
                change_a_row(&the(folder, "record/cycles/", ".parquet"), "end_a");
                chain_again(folder, |_| {});
                sum_again(folder);
            },
            named: "cycles/unit=freezer/000001.parquet: row 0, column end_a: not what the raw logs give",
        },
        Harm {
            what: "a current of a sample, sums and chain made anew",
            harm: |folder| {
                change_a_row(&the(folder, "record/samples/", "000001.parquet"), "common");
                chain_again(folder, |_| {});
                sum_again(folder);
            },
            named: "000001.parquet: row 0, column common: not what the raw logs give",
        },
        Harm {
            what: "a table is gone",
            harm: |folder| {
                fs::remove_file(the(folder, "record/events/unit=freezer", ".parquet")).unwrap()
            },
            named: "record/events/unit=freezer/000001.parquet: is in SHA256SUMS and not in the pack",
        },
        Harm {
            what: "a table is gone, sums made anew",
            harm: |folder| {
                fs::remove_file(the(folder, "record/events/unit=freezer", ".parquet")).unwrap();
                sum_again(folder);
            },
            named: "events/unit=freezer/000001.parquet: is not there",
        },
        Harm {
            what: "the raw log is gone, sums made anew",
            harm: |folder| {
                fs::remove_file(raw(folder)).unwrap();
                sum_again(folder);
            },
            named: "raw/night.log: is not there",
        },
        Harm {
            what: "two lines of the manifest exchanged, sums made anew",
            harm: |folder| {
                let path = folder.join("record/manifest.jsonl");
                let text = fs::read_to_string(&path).unwrap();
                let mut lines: Vec<&str> = text.lines().collect();
                lines.swap(1, 2);
                fs::write(path, lines.join("\n") + "\n").unwrap();
                sum_again(folder);
            },
            named: "manifest line 2 is not what was chained to the line before",
        },
        Harm {
            what: "the manifest is gone, sums made anew",
            harm: |folder| {
                fs::remove_file(folder.join("record/manifest.jsonl")).unwrap();
                sum_again(folder);
            },
            named: "cycles/unit=freezer/000001.parquet: is not in the manifest",
        },
        Harm {
            what: "a line of the manifest and its table left out, chain and sums made anew",
            harm: |folder| {
                fs::remove_file(the(folder, "record/cycles/", ".parquet")).unwrap();
                chain_again(folder, |lines| {
                    lines.retain(|line| !line.contains("cycles/"))
                });
                sum_again(folder);
            },
            named: "rows that the raw logs give are not in the table",
        },
        Harm {
            what: "the nameplate in the job file, sums made anew",
            harm: |folder| {
                edit(
                    &folder.join("record/raw/job-0001.toml"),
                    "rated_load_a = ",
                    "rated_load_a = 1",
                );
                sum_again(folder);
            },
            named: "raw/job-0001.toml: ",
        },
        Harm {
            what: "the nameplate in both job files, chain and sums made anew",
            harm: |folder| {
                for file in ["record/job.toml", "record/raw/job-0001.toml"] {
                    edit(&folder.join(file), "rated_load_a = ", "rated_load_a = 1");
                }
                chain_again(folder, |_| {});
                sum_again(folder);
            },
            named: "cycles/unit=freezer/000001.parquet: row",
        },
        Harm {
            what: "the job file in force, sums made anew",
            harm: |folder| {
                edit(
                    &folder.join("record/job.toml"),
                    "rated_load_a = ",
                    "rated_load_a = 1",
                );
                sum_again(folder);
            },
            named: "job.toml: is not the same as raw/job-0001.toml",
        },
        Harm {
            what: "the customer, sums made anew",
            harm: |folder| {
                edit(&folder.join("record/customer.toml"), "Harbour", "Harvour");
                sum_again(folder);
            },
            named: "customer.toml: its bytes are not those that were sealed",
        },
        Harm {
            what: "the page for strangers",
            harm: |folder| edit(&folder.join("README.txt"), "sha256sum", "true"),
            named: "README.txt: is not what was packed",
        },
        Harm {
            what: "a file more",
            harm: |folder| {
                fs::write(folder.join("record/raw/more.log"), "@1 S 0 0 0~0000\n").unwrap()
            },
            named: "record/raw/more.log: is in the pack and not in SHA256SUMS",
        },
        Harm {
            what: "everything made anew by somebody without the key",
            harm: |folder| {
                edit(&folder.join("README.txt"), "sha256sum", "true");
                sum_again(folder);
            },
            named: "SHA256SUMS.sig: is not a signature of this SHA256SUMS",
        },
        Harm {
            what: "a signature that is none",
            harm: |folder| fs::write(folder.join("SHA256SUMS.sig"), "yes").unwrap(),
            named: "SHA256SUMS.sig: is no SSH signature",
        },
        Harm {
            what: "a time stamp that is none",
            harm: |folder| fs::write(folder.join("SHA256SUMS.tsr"), "yes").unwrap(),
            named: "time stamp: cannot be read here",
        },
    ]
}

#[test]
fn whatever_is_changed_is_found_and_named() {
    let scratch = Scratch::new("tampered");
    let (record, key) = (record(&scratch), key(&scratch, "key", ""));
    let sound = scratch.join("sound.zip");
    let wanted = Wanted {
        signer: Some(signer(&key, None)),
        ..Wanted::default()
    };
    packed(&record, &sound, &wanted);
    for (number, Harm { what, harm, named }) in harms().into_iter().enumerate() {
        let folder = unpacked(&sound, &scratch.join(&format!("case-{number}")));
        harm(&folder);
        let report = checked(&folder);
        assert!(
            report.fails.iter().any(|fail| fail.contains(named)),
            "{what}: no {named:?} in {report}"
        );
        let again = scratch.join(&format!("case-{number}.zip"));
        repacked(&folder, &again);
        assert_eq!(
            checked(&again).fails,
            report.fails,
            "{what}: packed it is the same"
        );
        println!("{what}: {}", report.fails.join("; "));
        // Common tools end in plain words too, whatever was done.
        let (_, said) = tried(&folder, &["python3", "check_chain.py"], b"");
        let is_plain = said.starts_with("holds: ") || said.starts_with("does not hold: ");
        assert!(is_plain && said.lines().count() == 1, "{what}: {said}");
    }
    let folder = unpacked(&sound, &scratch.join("no-sums"));
    fs::remove_file(folder.join("SHA256SUMS")).unwrap();
    let error = check(&folder, &Known::default()).unwrap_err().to_string();
    assert!(error.contains("whose SHA256SUMS is gone"), "{error}");
}

#[test]
fn a_signature_is_by_somebody_whom_one_knows_or_not() {
    let scratch = Scratch::new("signed");
    let record = record(&scratch);
    let (his, other) = (
        key(&scratch, "his", "under the freezer"),
        key(&scratch, "other", ""),
    );
    let locked = |key: &Path| Locked::read(&fs::read_to_string(key).unwrap(), "his").unwrap();
    assert!(locked(&his).is_encrypted() && !locked(&other).is_encrypted());
    for passphrase in [None, Some("wrong")] {
        assert!(matches!(
            locked(&his).unlock(passphrase),
            Err(EvidenceError::Key { .. })
        ));
    }
    let out = scratch.join("signed.zip");
    let wanted = Wanted {
        signer: Some(signer(&his, Some("under the freezer"))),
        ..Wanted::default()
    };
    packed(&record, &out, &wanted);
    let public = |key: &Path| fs::read_to_string(key.with_extension("pub")).unwrap();
    let by = |signers: String| {
        let known = Known {
            signers: Some(signers),
            ..Known::default()
        };
        check(&out, &known).unwrap()
    };
    assert!(
        by(public(&his))
            .to_string()
            .contains("which is one of yours")
    );
    let both = format!(
        "# ours\n{}tech@example.org namespaces=\"x\" {}",
        public(&other),
        public(&his)
    );
    assert!(by(both).ok());
    let report = by(public(&other));
    assert!(
        report.fails[0].contains("none of the 1 that you know"),
        "{report}"
    );
    // ssh-keygen with a list of allowed signers says the same.
    let folder = unpacked(&out, &scratch.join("unpacked"));
    let allowed = scratch.join("allowed");
    fs::write(&allowed, format!("technician {}", public(&his))).unwrap();
    let sums = fs::read(folder.join("SHA256SUMS")).unwrap();
    let call = [
        "ssh-keygen",
        "-Y",
        "verify",
        "-f",
        allowed.to_str().unwrap(),
        "-I",
        "technician",
        "-n",
        "nightclamp-evidence",
        "-s",
        "SHA256SUMS.sig",
    ];
    run(&folder, &call, &sums);

    // A signature by ssh-keygen is as good; one for another purpose is not.
    for (namespace, holds) in [("nightclamp-evidence", true), ("file", false)] {
        fs::remove_file(folder.join("SHA256SUMS.sig")).unwrap();
        run(
            &folder,
            &[
                "ssh-keygen",
                "-Y",
                "sign",
                "-f",
                other.to_str().unwrap(),
                "-n",
                namespace,
                "SHA256SUMS",
            ],
            b"",
        );
        assert_eq!(checked(&folder).ok(), holds, "{}", checked(&folder));
    }
    fs::remove_file(folder.join("SHA256SUMS.sig")).unwrap();
    let known = Known {
        signers: Some(public(&his)),
        ..Known::default()
    };
    assert!(checked(&folder).ok(), "a pack need not be signed");
    assert_eq!(
        check(&folder, &known).unwrap().fails,
        ["signature: there is none"]
    );

    for kind in ["rsa", "ecdsa"] {
        let path = scratch.join(kind);
        run(
            Path::new("/"),
            &[
                "ssh-keygen",
                "-q",
                "-t",
                kind,
                "-N",
                "",
                "-f",
                path.to_str().unwrap(),
            ],
            b"",
        );
        let error = Locked::read(&fs::read_to_string(&path).unwrap(), kind).unwrap_err();
        assert!(
            error.to_string().contains("ssh-keygen -t ed25519 makes it"),
            "{error}"
        );
    }
    let error = Locked::read(&public(&his), "his.pub").unwrap_err();
    assert!(error.to_string().contains("is the public key"), "{error}");
}

#[test]
fn an_archive_that_is_not_built_as_ours_are_is_refused() {
    let scratch = Scratch::new("strange");
    let (record, out) = (record(&scratch), scratch.join("sound.zip"));
    packed(&record, &out, &Wanted::default());
    let sound = fs::read(&out).unwrap();
    let stored = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    let with = |name: &str, bytes: &[u8]| {
        let path = scratch.join("with.zip");
        fs::write(&path, &sound).unwrap();
        let file = File::options().read(true).write(true).open(&path).unwrap();
        let mut zip = ZipWriter::new_append(file).unwrap();
        zip.start_file(name, stored).unwrap();
        zip.write_all(bytes).unwrap();
        zip.finish().unwrap();
        fs::read(path).unwrap()
    };
    let replaced = |bytes: Vec<u8>, from: &str, to: &str| {
        let mut bytes = bytes;
        let at = |bytes: &[u8]| bytes.windows(from.len()).position(|w| w == from.as_bytes());
        while let Some(at) = at(&bytes) {
            bytes[at..at + from.len()].copy_from_slice(to.as_bytes());
        }
        bytes
    };
    let linked = {
        let path = scratch.join("linked.zip");
        fs::write(&path, &sound).unwrap();
        let file = File::options().read(true).write(true).open(&path).unwrap();
        let mut zip = ZipWriter::new_append(file).unwrap();
        zip.add_symlink(
            "evidence/record/raw/x.log",
            "/dev/zero",
            SimpleFileOptions::default(),
        )
        .unwrap();
        zip.finish().unwrap();
        fs::read(path).unwrap()
    };
    let cases: Vec<(&str, Vec<u8>, &str)> = vec![
        (
            "a name that climbs out",
            replaced(
                with("evidence/xx/etc", b"x"),
                "evidence/xx/etc",
                "evidence/../etc",
            ),
            "no name that a pack of ours has",
        ),
        (
            "a name from the root",
            replaced(
                with("xevidence/etc", b"x"),
                "xevidence/etc",
                "/evidence/etc",
            ),
            "no name that a pack of ours has",
        ),
        (
            "a name twice",
            replaced(
                with("evidence/README.tyt", b"x"),
                "README.tyt",
                "README.txt",
            ),
            "duplicate",
        ),
        (
            "a file of another folder",
            with("elsewhere", b"x"),
            "is not in its folder evidence/",
        ),
        ("a link", linked, "is not stored plainly"),
        (
            "something before it",
            [b"#!/bin/sh\n".as_slice(), &sound].concat(),
            "",
        ),
        (
            "cut short",
            sound[..sound.len() / 2].to_vec(),
            "is not a zip archive that can be read",
        ),
        (
            "nothing",
            Vec::new(),
            "is not a zip archive that can be read",
        ),
    ];
    for (what, bytes, said) in cases {
        let path = scratch.join("strange.zip");
        fs::write(&path, bytes).unwrap();
        let error = check(&path, &Known::default()).unwrap_err().to_string();
        assert!(
            error.contains("strange.zip: ") && error.contains(said),
            "{what}: {error}"
        );
        println!("{what}: {error}");
    }
    // Compressed, as somebody may send it on; and a bomb is compressed.
    let folder = unpacked(&out, &scratch.join("unpacked"));
    let path = scratch.join("compressed.zip");
    run(
        &scratch.join("unpacked"),
        &[
            "python3",
            "-m",
            "zipfile",
            "-c",
            path.to_str().unwrap(),
            "evidence/",
        ],
        b"",
    );
    let error = check(&path, &Known::default()).unwrap_err().to_string();
    assert!(
        error.contains("unpack it and check the folder") || error.contains("no name that"),
        "{error}"
    );
    // A folder with a link in it.
    std::os::unix::fs::symlink("/dev/zero", folder.join("record/raw/zero.log")).unwrap();
    let error = check(&folder, &Known::default()).unwrap_err().to_string();
    assert!(
        error.contains("neither a plain file nor a directory"),
        "{error}"
    );
}
