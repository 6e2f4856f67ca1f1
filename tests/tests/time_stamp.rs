//! A pack is stamped by an authority that `openssl ts` plays: what it answers is checked here as openssl checks it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // tests stop where something is wrong

mod common;

use std::fs;
use std::path::Path;
use std::process::Command;

use common::Scratch;
use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_archive::{VerifyReport, replay};
use nightclamp_evidence::{EvidenceError, Known, Wanted, check, pack, request};
use nightclamp_tests::{Night, night};

/// Runs openssl in a directory; whether it ended well, and what it said.
fn tried(dir: &Path, call: &str) -> (bool, String) {
    let output = Command::new("openssl")
        .args(call.split(' '))
        .current_dir(dir)
        .output()
        .unwrap_or_else(|error| panic!("openssl: {error}; tests/run installs it"));
    let said = [output.stdout, output.stderr].concat();
    (
        output.status.success(),
        String::from_utf8_lossy(&said).into_owned(),
    )
}

#[track_caller]
fn openssl(dir: &Path, call: &str) -> String {
    let (ok, said) = tried(dir, call);
    assert!(ok, "openssl {call}: {said}");
    said
}

const CONFIG: &str = "[tsa]\ndefault_tsa = one\n[one]\nserial = serial\ncrypto_device = builtin\nsigner_digest = sha256\n\
    default_policy = 1.2.3.4.1\ndigests = sha256, sha512\naccuracy = secs:1\nordering = yes\ntsa_name = yes\n\
    ess_cert_id_alg = sha256\n";

/// An authority in `dir`: `ca.pem`, and a certificate for time stamping with a key made by `new_key`.
fn authority(dir: &Path, new_key: &str) {
    fs::create_dir_all(dir).unwrap();
    fs::write(dir.join("tsa.cnf"), CONFIG).unwrap();
    fs::write(
        dir.join("use"),
        "extendedKeyUsage = critical,timeStamping\n",
    )
    .unwrap();
    openssl(
        dir,
        "req -x509 -newkey rsa:2048 -nodes -keyout ca.key -out ca.pem -subj /CN=Invented-Authority -days 3650",
    );
    openssl(dir, &format!("{new_key} -out tsa.key"));
    openssl(
        dir,
        "req -new -key tsa.key -out tsa.csr -subj /CN=Invented-Time-Stamps",
    );
    openssl(
        dir,
        "x509 -req -in tsa.csr -CA ca.pem -CAkey ca.key -CAcreateserial -out tsa.pem -days 3650 -extfile use",
    );
}

/// The authority's answer to a request.
fn answer(dir: &Path, request: &[u8]) -> Vec<u8> {
    fs::write(dir.join("q.tsq"), request).unwrap();
    openssl(
        dir,
        "ts -reply -config tsa.cnf -queryfile q.tsq -signer tsa.pem -inkey tsa.key -out r.tsr",
    );
    fs::read(dir.join("r.tsr")).unwrap()
}

fn checked(pack: &Path, answer: &[u8], request: Option<&[u8]>) -> VerifyReport {
    let known = Known {
        answer: Some(answer.to_vec()),
        request: request.map(<[u8]>::to_vec),
        ..Known::default()
    };
    check(pack, &known).unwrap()
}

#[test]
fn a_time_stamp_is_checked_as_openssl_checks_it() {
    if Command::new("openssl").arg("version").output().is_err() {
        println!("skipped: there is no openssl to play the authority; tests/run installs it");
        return;
    }
    let scratch = Scratch::new("stamped");
    let Night { job, raw } = night("demo", 3, 0.2, true).unwrap();
    let (log, record, out) = (
        scratch.join("night.log"),
        scratch.join("record"),
        scratch.join("pack.zip"),
    );
    fs::write(&log, raw).unwrap();
    let heart = Projection::new(Job::parse(&job, "job.toml").unwrap());
    replay(&[log], &job, heart, &record, None).unwrap();
    let packed = pack(&record, &out, &Wanted::default()).unwrap();
    let sums = packed.sums.as_bytes();
    let asked = request(sums, [0xff, 1, 2, 3, 4, 5, 6, 7]).unwrap();

    for (kind, new_key) in [
        ("rsa", "genrsa"),
        ("ecdsa", "ecparam -name prime256v1 -genkey -noout"),
    ] {
        let dir = scratch.join(kind);
        authority(&dir, new_key);
        fs::write(dir.join("SHA256SUMS"), sums).unwrap();
        let answer = answer(&dir, &asked);
        let said = openssl(&dir, "ts -query -in q.tsq -text");
        assert!(
            said.contains("sha256") && said.contains("Certificate required: yes"),
            "{said}"
        );

        let report = checked(&out, &answer, Some(&asked));
        let said = report.to_string();
        assert!(
            report.ok() && said.contains("CN=Invented-Time-Stamps"),
            "{kind}: {said}"
        );
        assert!(
            said.contains("openssl ts -verify"),
            "what is not checked is said: {said}"
        );
        let verify = "ts -verify -data SHA256SUMS -in r.tsr -CAfile ca.pem";
        assert!(openssl(&dir, verify).contains("Verification: OK"));
        let report = checked(&out, &answer, None);
        assert!(
            report.ok() && report.notes.iter().any(|note| note.contains("nonce")),
            "{report}"
        );

        // Changed anywhere that counts, it does not hold, and openssl says so too.
        let time = at_of_time(&answer);
        for (what, at, named) in [
            ("its time", time, "time stamp: was changed"),
            (
                "its signature",
                answer.len() - 1,
                "time stamp: its signature",
            ),
        ] {
            let mut changed = answer.clone();
            changed[at] ^= 1;
            let report = checked(&out, &changed, Some(&asked));
            assert!(
                report.fails.iter().any(|fail| fail.starts_with(named)),
                "{kind}, {what}: {report}"
            );
            fs::write(dir.join("r.tsr"), changed).unwrap();
            assert!(!tried(&dir, verify).0, "{kind}, {what}");
        }
        // Every other byte too: changed, it is refused or tells the same.
        let sound = checked(&out, &answer, Some(&asked)).to_string();
        for at in (0..answer.len()).step_by(61) {
            let mut changed = answer.clone();
            changed[at] ^= 0x10;
            let told = checked(&out, &changed, Some(&asked)).to_string();
            assert!(
                told.contains("DOES NOT HOLD") || told == sound,
                "{kind}, byte {at}: {told}"
            );
        }

        let other = request(sums, [1; 8]).unwrap();
        let report = checked(&out, &answer, Some(&other));
        assert!(report.fails[0].contains("the nonce is another"), "{report}");
        let of_others = self::answer(&dir, &request(b"other sums", [1; 8]).unwrap());
        let report = checked(&out, &of_others, None);
        assert!(report.fails[0].contains("is about other files"), "{report}");
        let refused = {
            openssl(&dir, "ts -query -data SHA256SUMS -sha384 -out q.tsq");
            tried(
                &dir,
                "ts -reply -config tsa.cnf -queryfile q.tsq -signer tsa.pem -inkey tsa.key -out r.tsr",
            );
            fs::read(dir.join("r.tsr")).unwrap()
        };
        let report = checked(&out, &refused, None);
        assert!(
            report.fails[0].contains("was not granted (status 2)"),
            "{report}"
        );

        // It can be put into the pack, which is otherwise the same; one of another pack cannot.
        let stamped = scratch.join(&format!("{kind}.zip"));
        let wanted = |answer: Vec<u8>| Wanted {
            answer: Some((answer, Some(asked.clone()))),
            ..Wanted::default()
        };
        assert_eq!(
            pack(&record, &stamped, &wanted(answer)).unwrap().sums,
            packed.sums
        );
        let report = check(&stamped, &Known::default()).unwrap();
        assert!(
            report.ok() && report.to_string().contains("holds: time stamp: "),
            "{report}"
        );
        let error = pack(&record, &scratch.join("no.zip"), &wanted(of_others)).unwrap_err();
        assert!(matches!(error, EvidenceError::TimeStamp { .. }), "{error}");
        assert!(!scratch.join("no.zip").exists());
    }
}

/// Where a digit of the seconds stands in the answer's first GeneralizedTime.
fn at_of_time(answer: &[u8]) -> usize {
    // Tag 0x18, 15 bytes, all digits but the last.
    let is_time = |w: &[u8]| w[..2] == [0x18, 15] && w[2..16].iter().all(u8::is_ascii_digit);
    answer.windows(17).position(is_time).unwrap() + 15
}
