//! `manifest.jsonl`: one line for every sealed file, in the order they were sealed, each chained to the line before.
//!
//! # Layout
//!
//! A line is a JSON object without spaces, ended by LF. Keys, in this order, those in parentheses only where they apply:
//!
//! | key | meaning |
//! | --- | --- |
//! | `path` | the file, from the record directory, with `/` |
//! | `bytes` | its length |
//! | `rows` | rows of a table, lines of a raw log, null for a job file and a customer's |
//! | `first_time`, `last_time` | the smallest and largest `time` (`on_at` for cycles), or the first and last stamp of a raw log; RFC 3339 with six decimals, UTC; null where there is none |
//! | `sha256` | of the file's bytes, 64 hexadecimal digits |
//! | (`replaces`) | the `sha256` that the same path had on an earlier line: columns were added, or the rows derived anew |
//! | (`withdrawn`) | true: a table file that was removed because another job file has come into force |
//! | (`began_us`) | when a bare board dump began, µs since the Unix epoch |
//! | (`early`) | true: a table file that was cut before a row of a later day had come, so that raw logs could be removed |
//! | (`without`) | of a table file: so many raw logs had been removed when the projection that gave its rows began |
//! | (`removed`) | of a raw log: when it was removed because a limit had been set, by the host's clock; its other keys are those of its line before |
//! | (`newest`) | beside `removed`: the newest instant of the record then, in record time |
//! | (`stepped_us`) | beside `removed`, where it is not 0: the host's clock at the end of that raw log minus record time, µs |
//! | (`end`) | true: the last raw log, listed once more as the last line, but for a customer's file, of a record that has ended and is wholly sealed |
//! | `chain` | SHA-256 over: the `chain` of the line before (64 zeros before the first), one LF, the line's text with its `chain` key left out (`{...,"sha256":"..."}` without the closing LF) |
//!
//! The last line that names a path is the one that holds for it. A raw log is removed after the line that says so is synced;
//! one that is still there, because the power went in between, is removed at the next opening. To check a chain by hand:
//!
//! ```sh
#![doc = include_str!("chain.sh")]
//! ```
//!
//! # Limits and recovery
//!
//! A line is appended and synced after its file is in place. If the recorder dies between, the file is there and the line
//! is not; the file is then written again when the record is next projected, with the same name, bytes and line. A last
//! line without its LF is the trace of such a death: it is cut off at the next opening. If a write or a sync of the manifest
//! fails, that file is not appended to again: one with the same lines and the next is put in its place.

use std::collections::HashMap;
use std::io::{self, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use chrono::{DateTime, SecondsFormat};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::customer::CUSTOMER;
use crate::disk::{self, Disk, WriteFile};
use crate::error::{At, Result};

/// The manifest's name in a record directory.
pub(crate) const MANIFEST: &str = "manifest.jsonl";
/// The chain before the first line.
const NO_CHAIN: &str = "0000000000000000000000000000000000000000000000000000000000000000";
/// What stands before the chain in a line.
const CHAIN_KEY: &str = ",\"chain\":\"";

/// One line, without its chain.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Entry {
    pub path: String,
    pub bytes: u64,
    pub rows: Option<u64>,
    pub first_time: Option<String>,
    pub last_time: Option<String>,
    pub sha256: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replaces: Option<String>,
    #[serde(default, skip_serializing_if = "is_false")]
    pub withdrawn: bool,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub began_us: Option<i64>,
    #[serde(default, skip_serializing_if = "is_false")]
    pub early: bool,
    #[serde(default, skip_serializing_if = "is_nought")]
    pub without: u64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub removed: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub newest: Option<String>,
    #[serde(default, skip_serializing_if = "is_still")]
    pub stepped_us: i64,
    #[serde(default, skip_serializing_if = "is_false")]
    pub end: bool,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde wants a reference")]
const fn is_false(value: &bool) -> bool {
    !*value
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde wants a reference")]
const fn is_nought(value: &u64) -> bool {
    *value == 0
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde wants a reference")]
const fn is_still(value: &i64) -> bool {
    *value == 0
}

impl Entry {
    /// `first_time`, µs.
    pub fn first_us(&self) -> Option<i64> {
        instant_us(self.first_time.as_deref()?)
    }

    /// `last_time`, µs.
    pub fn last_us(&self) -> Option<i64> {
        instant_us(self.last_time.as_deref()?)
    }

    /// Whether nothing is at its path any more, and rightly so.
    pub const fn is_gone(&self) -> bool {
        self.withdrawn || self.removed.is_some()
    }

    pub fn with_times(self, range_us: Option<(i64, i64)>) -> Self {
        let (first, last) = range_us.unzip();
        Self {
            first_time: first.and_then(instant),
            last_time: last.and_then(instant),
            ..self
        }
    }
}

/// An instant as the manifest writes it.
pub(crate) fn instant(us: i64) -> Option<String> {
    Some(DateTime::from_timestamp_micros(us)?.to_rfc3339_opts(SecondsFormat::Micros, true))
}

fn instant_us(text: &str) -> Option<i64> {
    Some(DateTime::parse_from_rfc3339(text).ok()?.timestamp_micros())
}

/// Hexadecimal SHA-256.
pub(crate) fn sha256(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

pub(crate) fn hex(digest: &[u8]) -> String {
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The whole manifest as read.
#[derive(Debug, Default)]
pub(crate) struct Reading {
    pub entries: Vec<Entry>,
    /// What is wrong with it, line by line; a torn last line is not.
    pub problems: Vec<String>,
    pub chain: String,
    /// Bytes of its whole lines, and of a torn one after them.
    pub whole_bytes: u64,
    pub torn_bytes: u64,
}

impl Reading {
    /// Whether the record has ended and everything in it is sealed.
    pub fn has_ended(&self) -> bool {
        // A customer may be set after the end.
        let mut lines = self.entries.iter().rev();
        lines
            .find(|entry| entry.path != CUSTOMER)
            .is_some_and(|entry| entry.end)
    }

    /// The entry that holds for each path, in the order in which the paths were first named.
    pub fn in_force(&self) -> Vec<&Entry> {
        let mut order: Vec<&Entry> = Vec::new();
        let mut place: HashMap<&str, usize> = HashMap::new();
        for entry in &self.entries {
            let at = *place.entry(&entry.path).or_insert(order.len());
            match order.get_mut(at) {
                Some(earlier) => *earlier = entry,
                None => order.push(entry),
            }
        }
        order.retain(|entry| !entry.is_gone());
        order
    }

    /// The last entry of each path at which nothing is any more.
    pub fn gone(&self) -> impl Iterator<Item = &Entry> {
        let mut last: HashMap<&str, &Entry> = HashMap::new();
        for entry in &self.entries {
            last.insert(&entry.path, entry);
        }
        last.into_values().filter(|entry| entry.is_gone())
    }

    /// The raw logs that were removed because a limit had been set, in the order in which they were.
    pub fn removed(&self) -> impl Iterator<Item = &Entry> {
        self.entries.iter().filter(|entry| entry.removed.is_some())
    }
}

/// Reads a manifest; one that is not there is empty.
pub(crate) fn read(disk: &dyn Disk, path: &Path) -> Result<Reading> {
    let mut bytes = Vec::new();
    match disk.open(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        other => {
            other
                .at(path, "open")?
                .read_to_end(&mut bytes)
                .at(path, "read")?;
        }
    }
    let whole = bytes
        .iter()
        .rposition(|&byte| byte == b'\n')
        .map_or(0, |at| at + 1);
    let mut reading = Reading {
        chain: NO_CHAIN.to_owned(),
        ..Reading::default()
    };
    reading.whole_bytes = whole as u64;
    reading.torn_bytes = (bytes.len() - whole) as u64;
    let text = String::from_utf8_lossy(bytes.get(..whole).unwrap_or_default());
    for (index, line) in text.lines().enumerate() {
        read_line(&mut reading, index + 1, line);
    }
    Ok(reading)
}

/// Whether a path stays in the record: a manifest may be a stranger's.
fn is_inside(path: &str) -> bool {
    let is_name = |part: &str| !matches!(part, "" | "." | "..");
    path.split('/').all(is_name) && !path.contains(['\\', ':', '\0'])
}

fn read_line(reading: &mut Reading, number: usize, line: &str) {
    let Some((body, chain)) = split_chain(line) else {
        reading
            .problems
            .push(format!("manifest line {number} has no chain"));
        return;
    };
    if chain != next_chain(&reading.chain, &body) {
        reading.problems.push(format!(
            "manifest line {number} is not what was chained to the line before"
        ));
    }
    chain.clone_into(&mut reading.chain);
    match serde_json::from_str::<Entry>(&body) {
        Ok(entry) if !is_inside(&entry.path) => reading.problems.push(format!(
            "manifest line {number} names {}, which is no path in a record",
            entry.path.escape_default()
        )),
        Ok(entry) => reading.entries.push(entry),
        Err(error) => reading
            .problems
            .push(format!("manifest line {number}: {error}")),
    }
}

fn split_chain(line: &str) -> Option<(String, &str)> {
    let at = line.rfind(CHAIN_KEY)?;
    let chain = line.get(at + CHAIN_KEY.len()..)?.strip_suffix("\"}")?;
    Some((format!("{}}}", line.get(..at)?), chain))
}

fn next_chain(before: &str, body: &str) -> String {
    hex(&Sha256::new()
        .chain_update(before)
        .chain_update("\n")
        .chain_update(body)
        .finalize())
}

/// The manifest, open for appending.
pub(crate) struct Manifest {
    disk: Arc<dyn Disk>,
    path: PathBuf,
    file: Option<Box<dyn WriteFile>>,
    /// A write or a sync of it failed: what the system says of this file is not believed any more.
    is_suspect: bool,
    len: u64,
    chain: String,
    in_force: HashMap<String, Entry>,
    /// Every hash that each path has had.
    hashes: HashMap<String, Vec<String>>,
    /// The raw log listed last.
    last_raw: Option<String>,
    /// Raw logs removed because a limit had been set.
    removed: Vec<String>,
}

impl Manifest {
    /// Opens the manifest of a record; a torn last line is cut off.
    pub fn open(disk: Arc<dyn Disk>, record: &Path) -> Result<(Self, Reading)> {
        let path = record.join(MANIFEST);
        let reading = read(&*disk, &path)?;
        if reading.torn_bytes > 0 {
            tracing::warn!(
                "{}: cutting off a last line without its end; its file is made again",
                path.display()
            );
            disk.truncate(&path, reading.whole_bytes).at(&path, "cut")?;
        }
        for problem in &reading.problems {
            tracing::error!("{}: {problem}", path.display());
        }
        let (len, chain) = (reading.whole_bytes, reading.chain.clone());
        let mut manifest = Self {
            disk,
            path,
            file: None,
            is_suspect: false,
            len,
            chain,
            in_force: HashMap::new(),
            hashes: HashMap::new(),
            last_raw: None,
            removed: Vec::new(),
        };
        reading
            .entries
            .iter()
            .for_each(|entry| manifest.remember(entry));
        Ok((manifest, reading))
    }

    fn remember(&mut self, entry: &Entry) {
        self.hashes
            .entry(entry.path.clone())
            .or_default()
            .push(entry.sha256.clone());
        if entry.path.starts_with("raw/") && entry.rows.is_some() && !entry.is_gone() {
            self.last_raw = Some(entry.path.clone());
        }
        if entry.removed.is_some() {
            self.removed.push(entry.path.clone());
        }
        if entry.is_gone() {
            self.in_force.remove(&entry.path);
            self.hashes.remove(&entry.path);
        } else {
            self.in_force.insert(entry.path.clone(), entry.clone());
        }
    }

    /// The entry that holds for a path.
    pub fn entry(&self, path: &str) -> Option<&Entry> {
        self.in_force.get(path)
    }

    /// How many raw logs have been removed because a limit had been set.
    pub const fn removed(&self) -> u64 {
        self.removed.len() as u64
    }

    /// All paths in force, and those of raw logs that were removed.
    pub fn ever(&self) -> impl Iterator<Item = &String> {
        self.in_force.keys().chain(&self.removed)
    }

    /// All paths in force.
    pub fn paths(&self) -> Vec<String> {
        let mut paths: Vec<String> = self.in_force.keys().cloned().collect();
        paths.sort();
        paths
    }

    /// What is in force.
    pub fn entries(&self) -> impl Iterator<Item = &Entry> {
        self.in_force.values()
    }

    /// Whether this path ever had these bytes.
    pub fn knows(&self, path: &str, sha256: &str) -> bool {
        self.hashes
            .get(path)
            .is_some_and(|hashes| hashes.iter().any(|hash| hash == sha256))
    }

    /// Adds a line, durably. If a path is named again with other bytes, `replaces` is filled in.
    pub fn add(&mut self, mut entry: Entry) -> Result<()> {
        if let Some(earlier) = self.in_force.get(&entry.path) {
            entry.replaces = Some(earlier.sha256.clone()).filter(|sha256| *sha256 != entry.sha256);
        }
        let body = serde_json::to_string(&entry)
            .map_err(io::Error::other)
            .at(&self.path, "write")?;
        let chain = next_chain(&self.chain, &body);
        let line = format!(
            "{}{CHAIN_KEY}{chain}\"}}\n",
            body.strip_suffix('}').unwrap_or(&body)
        );
        self.append(line.as_bytes())?;
        self.len += line.len() as u64;
        self.chain = chain;
        self.remember(&entry);
        Ok(())
    }

    /// The record has ended: lists its last raw log once more, with `end`.
    pub fn add_end(&mut self) -> Result<()> {
        let last = self
            .last_raw
            .as_ref()
            .and_then(|path| self.in_force.get(path))
            .cloned();
        last.map_or(Ok(()), |last| self.add(Entry { end: true, ..last }))
    }

    fn append(&mut self, line: &[u8]) -> Result<()> {
        if self.is_suspect {
            return self.write_anew(line);
        }
        let appended = self.append_here(line);
        self.is_suspect = appended.is_err();
        appended
    }

    fn append_here(&mut self, line: &[u8]) -> Result<()> {
        let mut file = match self.file.take() {
            Some(file) => file,
            None => self.reopen()?,
        };
        file.write_all(line).at(&self.path, "write")?;
        file.sync().at(&self.path, "sync")?;
        self.file = Some(file);
        Ok(())
    }

    fn reopen(&self) -> Result<Box<dyn WriteFile>> {
        let file = self.disk.append(&self.path).at(&self.path, "open")?;
        disk::sync_parent(&*self.disk, &self.path)?;
        Ok(file)
    }

    /// Puts another file with the same lines and this one in its place.
    fn write_anew(&mut self, line: &[u8]) -> Result<()> {
        self.file = None;
        let mut bytes = match self.len {
            0 => Vec::new(),
            _ => disk::read(&*self.disk, &self.path)?,
        };
        bytes.truncate(usize::try_from(self.len).unwrap_or(usize::MAX));
        bytes.extend_from_slice(line);
        disk::publish(&*self.disk, &self.path, &bytes)?;
        self.is_suspect = false;
        Ok(())
    }
}
