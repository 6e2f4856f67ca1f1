//! Packing a record.

use std::io;
use std::path::{Path, PathBuf};

use nightclamp_archive::{
    CUSTOMER_FILE, Contents, Stored, VerifyReport, contents, heart_of, verify,
};

use crate::error::{At, EvidenceError, Result};
use crate::readme::{self, CHECK_CHAIN};
use crate::signature::Signer;
use crate::sums::{self, Sums};
use crate::zipped::Writer;
use crate::{ANSWER, FOLDER, README, RECORD, REQUEST, SIGNATURE, SUMS, time_stamp};

/// Longest name in a pack, bytes.
const NAME_BYTES_MAX: usize = 1000;

/// A document that goes into the pack beside the record, such as a report.
#[derive(Debug, Clone)]
pub struct Document {
    /// File name.
    pub name: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// What is to go into a pack beside the record.
#[derive(Debug, Default)]
pub struct Wanted {
    /// Documents.
    pub documents: Vec<Document>,
    /// Leave out what identifies the customer.
    pub without_customer: bool,
    /// Sign it.
    pub signer: Option<Signer>,
    /// Answer to a request for a time stamp of the same pack, as it came, and the request if it is there.
    pub answer: Option<(Vec<u8>, Option<Vec<u8>>)>,
}

/// What was packed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Packed {
    /// Files in it.
    pub files: usize,
    /// The text of its `SHA256SUMS`: what a request for a time stamp is made of.
    pub sums: String,
    /// SHA-256 of that.
    pub sums_sha256: String,
    /// Whether a customer was left out.
    pub is_customer_left_out: bool,
    /// The signing key's fingerprint.
    pub signed_by: Option<String>,
}

/// Whether a name is one that a pack may have: it stays in its folder on every system.
pub(crate) fn is_plain(name: &str) -> bool {
    let is_part = |part: &str| !matches!(part, "" | "." | "..");
    let is_known = |c: char| !c.is_control() && !matches!(c, '\\' | ':');
    name.len() <= NAME_BYTES_MAX && name.split('/').all(is_part) && name.chars().all(is_known)
}

/// Checks the record in `dir` and packs it into a new archive `out`.
///
/// # Errors
/// As [`pack_checked`].
pub fn pack(dir: &Path, out: &Path, wanted: &Wanted) -> Result<Packed> {
    pack_checked(dir, &verify(dir, heart_of)?, out, wanted)
}

/// Packs the record in `dir`, of which `checked` is what [`verify`] has just said: deriving every table takes long, and is not done
/// twice. What has changed since is found, because each sealed file is hashed while it is copied.
///
/// # Errors
/// The record is being recorded into, does not agree with itself, or has changed since it was checked; there is something at
/// `out`; a time stamp is not one of this pack; or something cannot be read or written.
pub fn pack_checked(
    dir: &Path,
    checked: &VerifyReport,
    out: &Path,
    wanted: &Wanted,
) -> Result<Packed> {
    let contents = ready(dir, checked)?;
    let mut writer = Writer::create(out)?;
    let packed = write(dir, &contents, wanted, &mut writer).and_then(|packed| {
        writer.finish()?;
        Ok(packed)
    });
    if packed.is_err() {
        // Half a pack is nobody's; if it cannot be removed either, it does not open.
        std::fs::remove_file(out).unwrap_or_default();
    }
    packed
}

/// The files of a record that can be packed.
fn ready(dir: &Path, report: &VerifyReport) -> Result<Contents> {
    let not_ready = |why: String| EvidenceError::NotReady {
        path: dir.to_path_buf(),
        why,
    };
    if report.live || Stored::open(dir)?.is_live() {
        return Err(not_ready(
            "it is being recorded into; stop the recorder first".to_owned(),
        ));
    }
    if let Some(first) = report.fails.first() {
        return Err(not_ready(format!(
            "it does not agree with itself ({first}); nightclamp verify says what does not hold"
        )));
    }
    let contents = contents(dir)?;
    match contents.files.iter().find(|path| !is_plain(path)) {
        None => Ok(contents),
        Some(path) => Err(not_ready(format!(
            "the name {} is not one that every system can have",
            path.escape_default()
        ))),
    }
}

fn write(dir: &Path, contents: &Contents, wanted: &Wanted, writer: &mut Writer) -> Result<Packed> {
    let is_left_out = wanted.without_customer && contents.has_customer;
    let mut sums = Sums::new();
    let mut add = |writer: &mut Writer, name: &str, bytes: &[u8]| {
        put(writer, name, bytes)?;
        sums.insert(
            name.to_owned(),
            sums::hash(&mut &*bytes, |_| Ok(())).at(Path::new(name), "read")?,
        );
        Ok::<(), EvidenceError>(())
    };
    let about = readme::About {
        contents,
        is_customer_left_out: is_left_out,
        documents: &wanted.documents,
    };
    add(writer, README, about.text().as_bytes())?;
    add(writer, "check_chain.py", CHECK_CHAIN.as_bytes())?;
    for document in &wanted.documents {
        let name = &document.name;
        if !is_plain(name) || name.contains('/') || name.starts_with(SUMS) || name == RECORD {
            return Err(EvidenceError::NotAPack {
                path: PathBuf::from(name),
                why: "is no name for a document in a pack".to_owned(),
            });
        }
        add(writer, name, &document.bytes)?;
    }
    for path in &contents.files {
        if !(is_left_out && path == CUSTOMER_FILE) {
            let name = format!("{RECORD}/{path}");
            let sha256 = copy(writer, &name, &dir.join(path))?;
            if contents.sealed.get(path).is_some_and(|of| *of != sha256) {
                return Err(EvidenceError::NotReady {
                    path: dir.to_path_buf(),
                    why: format!("{path} has changed since it was checked"),
                });
            }
            sums.insert(name, sha256);
        }
    }
    finish(writer, sums, wanted, is_left_out)
}

/// Adds the sums, and what stands beside them.
fn finish(
    writer: &mut Writer,
    sums: Sums,
    wanted: &Wanted,
    is_customer_left_out: bool,
) -> Result<Packed> {
    let text = sums::to_text(&sums);
    put(writer, SUMS, text.as_bytes())?;
    if let Some(signer) = &wanted.signer {
        put(writer, SIGNATURE, signer.sign(text.as_bytes())?.as_bytes())?;
    }
    if let Some((answer, request)) = &wanted.answer {
        time_stamp::check(text.as_bytes(), answer, request.as_deref())
            .map_err(|why| EvidenceError::TimeStamp { why })?;
        if let Some(request) = request {
            put(writer, REQUEST, request)?;
        }
        put(writer, ANSWER, answer)?;
    }
    Ok(Packed {
        files: sums.len(),
        sums_sha256: sums::hash(&mut text.as_bytes(), |_| Ok(())).at(Path::new(SUMS), "read")?,
        sums: text,
        is_customer_left_out,
        signed_by: wanted.signer.as_ref().map(Signer::fingerprint),
    })
}

fn put(writer: &mut Writer, name: &str, bytes: &[u8]) -> Result<()> {
    writer.add(&format!("{FOLDER}/{name}"), bytes.len() as u64, |to| {
        to.write_all(bytes)
    })
}

/// Copies a file of the record; its SHA-256.
fn copy(writer: &mut Writer, name: &str, path: &Path) -> Result<String> {
    let mut from = std::fs::File::open(path).at(path, "open")?;
    let len = from.metadata().at(path, "look at")?.len();
    writer.add(&format!("{FOLDER}/{name}"), len, |to| {
        let mut copied = 0;
        let sha256 = sums::hash(&mut from, |bytes| {
            copied += bytes.len() as u64;
            to.write_all(bytes)
        })?;
        match copied == len {
            true => Ok(sha256),
            false => Err(io::Error::other(format!("{name} changed meanwhile"))),
        }
    })
}
