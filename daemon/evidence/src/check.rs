//! Checking a pack, packed or unpacked, or a plain record: what holds and what does not, in words.

use std::collections::BTreeSet;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use nightclamp_archive::{Disk, RealDisk, VerifyReport, heart_of, verify, verify_with};
use ssh_key::HashAlg;

use crate::error::{At, EvidenceError, Result};
use crate::sums::{self, Sums};
use crate::zipped::Pack;
use crate::{ANSWER, FOLDER, README, RECORD, REQUEST, SIGNATURE, SUMS, signature, time_stamp};

/// Largest file that is read as a whole: sums, signature, time stamp. Bytes.
const WHOLE_BYTES_MAX: u64 = 256 << 20;
/// Directories in each other at most, in an unpacked pack.
const DEPTH_MAX: usize = 32;

/// What the caller knows beside what is in the pack.
#[derive(Debug, Clone, Default)]
pub struct Known {
    /// Text of a file with the public keys of whom he knows; a signature has to be by one of them.
    pub signers: Option<String>,
    /// The answer to a request for a time stamp, as it came, if it is not in the pack.
    pub answer: Option<Vec<u8>>,
    /// The request, if it is not in the pack.
    pub request: Option<Vec<u8>>,
}

/// Checks what is at `path`: a pack, the folder that one unpacks to, or a record directory.
///
/// # Errors
/// There is none of the three, or it cannot be read. What does not hold is in the report.
pub fn check(path: &Path, known: &Known) -> Result<VerifyReport> {
    if path.is_file() {
        let pack = Pack::open(path)?;
        let files = pack.names().map(str::to_owned).collect();
        return check_pack(Arc::new(pack), Path::new(FOLDER), files, known, path);
    }
    // Somebody may point at the folder or at the one that it lies in.
    for folder in [path.to_path_buf(), path.join(FOLDER)] {
        if folder.join(SUMS).is_file() {
            let files = files_of(&folder)?;
            return check_pack(Arc::new(RealDisk), &folder, files, known, path);
        }
    }
    if path.join(RECORD).is_dir() && path.join(README).is_file() {
        return Err(EvidenceError::NotAPack {
            path: path.to_path_buf(),
            why: format!(
                "is an unpacked pack whose {SUMS} is gone: nothing says what was packed. What is left of the record in it is checked by itself: nightclamp verify {}",
                path.join(RECORD).display()
            ),
        });
    }
    let mut report = verify(path, heart_of)?;
    if known.signers.is_some() || known.answer.is_some() {
        report.fails.push(
            "signature and time stamp are of a pack, and this is a record: nightclamp report DIR --pack makes one".to_owned(),
        );
    }
    Ok(report)
}

/// The files of an unpacked pack, as whole paths.
fn files_of(folder: &Path) -> Result<Vec<String>> {
    let (mut files, mut waiting) = (Vec::new(), vec![(folder.to_path_buf(), 0)]);
    while let Some((directory, depth)) = waiting.pop() {
        for entry in std::fs::read_dir(&directory).at(&directory, "list")? {
            let entry = entry.at(&directory, "list")?;
            let (path, kind) = (entry.path(), entry.file_type().at(&directory, "list")?);
            let name = path.to_str().map(str::to_owned);
            match name {
                Some(name) if kind.is_file() => files.push(name),
                Some(_) if kind.is_dir() && depth < DEPTH_MAX => waiting.push((path, depth + 1)),
                _ => {
                    return Err(EvidenceError::NotAPack {
                        path,
                        why: "is neither a plain file nor a directory, or its name is not UTF-8; a pack has no such thing".to_owned(),
                    });
                }
            }
        }
    }
    Ok(files)
}

/// A pack that is being checked.
struct Checking<'a> {
    disk: Arc<dyn Disk>,
    root: &'a Path,
    /// From the pack's folder.
    files: BTreeSet<String>,
    report: VerifyReport,
}

fn check_pack(
    disk: Arc<dyn Disk>,
    root: &Path,
    files: Vec<String>,
    known: &Known,
    shown: &Path,
) -> Result<VerifyReport> {
    let inside = |path: &String| {
        let path = Path::new(path).strip_prefix(root).ok()?;
        path.to_str().map(str::to_owned)
    };
    let strange = files.iter().find(|path| inside(path).is_none());
    if let Some(path) = strange {
        return Err(EvidenceError::NotAPack {
            path: shown.to_path_buf(),
            why: format!("{} is not in its folder {FOLDER}/", path.escape_default()),
        });
    }
    let mut checking = Checking {
        disk: disk.clone(),
        root,
        files: files.iter().filter_map(inside).collect(),
        report: VerifyReport::default(),
    };
    let Some(text) = checking.whole(SUMS)? else {
        return Err(EvidenceError::NotAPack {
            path: shown.to_path_buf(),
            why: format!("has no {FOLDER}/{SUMS}, so it is not a pack of ours"),
        });
    };
    checking.check_sums(&text)?;
    checking.check_signature(&text, known.signers.as_deref())?;
    checking.check_time_stamp(&text, known)?;
    let mut report = checking.report;
    let record = verify_with(disk, &root.join(RECORD), heart_of)?;
    report.holds.extend(record.holds);
    report.notes.extend(record.notes);
    report.fails.extend(record.fails);
    Ok(report)
}

impl Checking<'_> {
    /// A small file of the pack, if it is there.
    fn whole(&self, name: &str) -> Result<Option<Vec<u8>>> {
        let path = self.root.join(name);
        let Ok(len) = self.disk.len(&path) else {
            return Ok(None);
        };
        let mut bytes = Vec::new();
        let file = self.disk.open(&path).at(&path, "open")?;
        file.take(WHOLE_BYTES_MAX)
            .read_to_end(&mut bytes)
            .at(&path, "read")?;
        match bytes.len() as u64 == len {
            true => Ok(Some(bytes)),
            false => Err(EvidenceError::NotAPack {
                path,
                why: format!("{len} bytes are more than such a file has"),
            }),
        }
    }

    fn check_sums(&mut self, text: &[u8]) -> Result<()> {
        let (sums, problems) = sums::from_text(&String::from_utf8_lossy(text));
        self.report.fails.extend(problems);
        let mut whole = 0;
        for (name, sha256) in &sums {
            if !self.files.contains(name) {
                self.fail(format!("{name}: is in {SUMS} and not in the pack"));
                continue;
            }
            let path = self.root.join(name);
            let mut file = self.disk.open(&path).at(&path, "open")?;
            match sums::hash(&mut file, |_| Ok(())).at(&path, "read")? == *sha256 {
                true => whole += 1,
                false => self.fail(format!("{name}: is not what was packed: another SHA-256")),
            }
        }
        self.check_no_more(&sums);
        self.report.holds.push(format!(
            "{SUMS}: {whole} of {} files with the listed SHA-256",
            sums.len()
        ));
        Ok(())
    }

    /// Nothing was added.
    fn check_no_more(&mut self, sums: &Sums) {
        let beside = [SUMS, SIGNATURE, REQUEST, ANSWER];
        let is_more =
            |name: &&String| !sums.contains_key(*name) && !beside.contains(&name.as_str());
        let more: Vec<String> = self.files.iter().filter(is_more).cloned().collect();
        for name in more {
            self.fail(format!("{name}: is in the pack and not in {SUMS}"));
        }
    }

    fn check_signature(&mut self, sums: &[u8], signers: Option<&str>) -> Result<()> {
        let Some(signature) = self.whole(SIGNATURE)? else {
            match signers {
                Some(_) => self.fail("signature: there is none".to_owned()),
                None => {
                    self.note("signature: there is none; who packed this cannot be told".to_owned())
                }
            }
            return Ok(());
        };
        let key = match signature::signer_of(sums, &signature) {
            Ok(key) => key,
            Err(why) => {
                self.fail(format!("{SIGNATURE}: {why}"));
                return Ok(());
            }
        };
        let fingerprint = key.fingerprint(HashAlg::Sha256);
        let signed = format!("signature: {SUMS} is signed with the key {fingerprint}");
        let Some(signers) = signers else {
            self.report.holds.push(signed);
            self.note("signature: whose key that is stands nowhere in here: compare the fingerprint with what he tells you, or give his public key with --signer".to_owned());
            return Ok(());
        };
        let keys = signature::known_keys(signers);
        if keys.iter().any(|known| known.key_data() == key.key_data()) {
            self.report
                .holds
                .push(format!("{signed}, which is one of yours"));
        } else {
            self.fail(format!(
                "signature: it is by the key {fingerprint}, which is none of the {} that you know",
                keys.len()
            ));
        }
        Ok(())
    }

    fn check_time_stamp(&mut self, sums: &[u8], known: &Known) -> Result<()> {
        let or = |given: &Option<Vec<u8>>, inside| given.clone().map_or(inside, Some);
        let answer = or(&known.answer, self.whole(ANSWER)?);
        let request = or(&known.request, self.whole(REQUEST)?);
        let Some(answer) = answer else {
            self.note("time stamp: there is none; when this was packed cannot be told".to_owned());
            return Ok(());
        };
        match time_stamp::check(sums, &answer, request.as_deref()) {
            Ok(stamped) => {
                self.report.holds.push(format!(
                    "time stamp: {SUMS} was there on {}, signed by the authority's certificate {}",
                    stamped.time, stamped.by
                ));
                for note in stamped.notes {
                    self.note(format!("time stamp: {note}"));
                }
                self.note(format!(
                    "time stamp: whether that certificate is one to trust is not checked here; with its issuer's: openssl ts -verify -data {SUMS} -in {ANSWER} -CAfile ISSUER.pem"
                ));
            }
            Err(why) => self.fail(format!("time stamp: {why}")),
        }
        Ok(())
    }

    fn fail(&mut self, what: String) {
        self.report.fails.push(what);
    }

    fn note(&mut self, what: String) {
        self.report.notes.push(what);
    }
}

/// Where the answer to a pack's request is looked for beside it, and the request: `PACK.tsr`, `PACK.tsq`.
#[must_use]
pub fn beside(pack: &Path) -> (PathBuf, PathBuf) {
    let with = |ending: &str| {
        let mut name = pack.as_os_str().to_owned();
        name.push(ending);
        PathBuf::from(name)
    };
    (with(".tsr"), with(".tsq"))
}
