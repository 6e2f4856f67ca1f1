//! The customer file: all that identifies a customer, in one place, outside of everything that is derived.
//!
//! # Layout
//!
//! `DIR/customer.toml`:
//!
//! ```toml
//! salt = "64 hexadecimal digits of randomness"
//!
//! [customer]
//! name = "Harbour Bakery, Lda."
//! # ....... dots up to a whole number of KiB
//! ```
//!
//! The manifest lists it like any other file, with its SHA-256. Because of the salt, which stands nowhere else, nobody who has
//! only the manifest can find the customer by trying names; because of the dots its length does not tell either. So the file
//! can be left out, and the manifest holds; whoever is handed the file later can check that it is the one.
//!
//! Nothing is derived from it. A file that has come into the place of another is listed with `replaces`.

use std::fmt::Write as _;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::disk::{self, Disk, RealDisk, Steady};
use crate::error::{ArchiveError, At, Result};
use crate::manifest::{Entry, MANIFEST, Manifest, hex, sha256};
use crate::record::{RecordDir, hold};
use crate::segments::RAW;
use crate::worker::lock;

/// The customer file's name in a record directory.
pub const CUSTOMER: &str = "customer.toml";
/// Bytes of the salt.
const SALT_BYTES: usize = 32;
/// The file is as long as a whole number of these, bytes.
const STEP_BYTES: usize = 1024;
/// Longest text of one key, characters.
const TEXT_CHARS_MAX: usize = 1000;

/// What identifies a customer. Every key may be absent.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Customer {
    /// Person or company.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Where the compressor stands.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
    /// Whom to ask.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub contact: Option<String>,
    /// Telephone number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phone: Option<String>,
    /// Address for mail.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub email: Option<String>,
    /// The job's or the claim's number with whoever pays for it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
    /// Anything else that identifies somebody.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// A customer file as a person writes it, or as a record keeps it.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default, skip_serializing_if = "String::is_empty")]
    salt: String,
    customer: Customer,
}

impl Customer {
    /// Reads a customer file; `file` is its name for the error. A salt in it is passed over: each record has its own.
    ///
    /// # Errors
    /// What is wrong, with file, line and key.
    pub fn parse(text: &str, file: &str) -> std::result::Result<Self, String> {
        let File { customer, .. } = toml::from_str(text).map_err(|error| {
            let before = error.span().and_then(|span| text.get(..span.start));
            let line = 1 + before.unwrap_or_default().matches('\n').count();
            format!("{file}:{line}: {}", error.message().replace('\n', " "))
        })?;
        for (key, value) in customer.told() {
            let chars = value.chars().count();
            if !(1..=TEXT_CHARS_MAX).contains(&chars) {
                return Err(format!(
                    "{file}: customer.{key}: {chars} characters; text of 1 to {TEXT_CHARS_MAX} is needed"
                ));
            }
        }
        Ok(customer)
    }

    /// Keys that are given, and their text, in the order in which they are shown.
    pub fn told(&self) -> impl Iterator<Item = (&'static str, &str)> {
        let all = [
            ("name", &self.name),
            ("address", &self.address),
            ("contact", &self.contact),
            ("phone", &self.phone),
            ("email", &self.email),
            ("reference", &self.reference),
            ("note", &self.note),
        ];
        all.into_iter()
            .filter_map(|(key, value)| Some((key, value.as_deref()?)))
    }

    /// The bytes of a record's customer file.
    fn salted(&self, salt: &[u8]) -> std::result::Result<Vec<u8>, String> {
        let file = File {
            salt: hex(salt),
            customer: self.clone(),
        };
        let mut text = toml::to_string(&file).map_err(|error| error.to_string())?;
        text.push_str("# ");
        let dots = STEP_BYTES - 1 - text.len() % STEP_BYTES;
        writeln!(text, "{}", ".".repeat(dots)).map_err(|error| error.to_string())?;
        Ok(text.into_bytes())
    }
}

impl RecordDir {
    /// Puts this customer beside the record; false if it is the one that is there already. Nothing that is derived changes.
    ///
    /// # Errors
    /// The system has no randomness, or the file cannot be written.
    pub fn accept_customer(&self, customer: &Customer) -> Result<bool> {
        accept(&*self.disk, self.path(), customer, |entry| {
            lock(&self.manifest).add(entry)
        })
    }
}

/// Puts a customer beside a record that nobody records into; false if it is the one that is there already. The record's end
/// stays its end.
///
/// # Errors
/// There is no record, somebody records into it, or the file cannot be written.
pub fn set_customer(dir: &Path, customer: &Customer) -> Result<bool> {
    let disk: std::sync::Arc<dyn Disk> = std::sync::Arc::new(Steady(std::sync::Arc::new(RealDisk)));
    require_record(&*disk, dir)?;
    let _held = hold(&*disk, dir)?;
    let (mut manifest, _) = Manifest::open(disk.clone(), dir)?;
    accept(&*disk, dir, customer, |entry| manifest.add(entry))
}

/// The customer of a record, if one is given and its file is there.
///
/// # Errors
/// There is no record, or the file cannot be read or understood.
pub fn customer_of(dir: &Path) -> Result<Option<Customer>> {
    require_record(&RealDisk, dir)?;
    there(&RealDisk, dir)
}

fn require_record(disk: &dyn Disk, dir: &Path) -> Result<()> {
    if disk.is_dir(&dir.join(RAW)) {
        return Ok(());
    }
    Err(ArchiveError::NoRecord {
        path: dir.to_path_buf(),
        missing: "raw/",
    })
}

fn there(disk: &dyn Disk, dir: &Path) -> Result<Option<Customer>> {
    let path = dir.join(CUSTOMER);
    if disk.len(&path).is_err() {
        return Ok(None);
    }
    let bad = |why: String| ArchiveError::BadCustomer {
        path: path.clone(),
        why,
    };
    let bytes = disk::read(disk, &path)?;
    let text = std::str::from_utf8(&bytes).map_err(|error| bad(error.to_string()))?;
    Customer::parse(text, CUSTOMER).map(Some).map_err(bad)
}

fn accept(
    disk: &dyn Disk,
    dir: &Path,
    customer: &Customer,
    list: impl FnOnce(Entry) -> Result<()>,
) -> Result<bool> {
    // One that is there and cannot be understood is replaced.
    if there(disk, dir).is_ok_and(|there| there.as_ref() == Some(customer)) {
        return Ok(false);
    }
    let path = dir.join(CUSTOMER);
    let mut salt = [0; SALT_BYTES];
    getrandom::fill(&mut salt)
        .map_err(|error| std::io::Error::other(error.to_string()))
        .at(&path, "find randomness for")?;
    let bytes = customer
        .salted(&salt)
        .map_err(|why| ArchiveError::BadCustomer {
            path: path.clone(),
            why,
        })?;
    disk::publish(disk, &path, &bytes)?;
    list(entry(&bytes))?;
    Ok(true)
}

fn entry(bytes: &[u8]) -> Entry {
    Entry {
        path: CUSTOMER.to_owned(),
        bytes: bytes.len() as u64,
        sha256: sha256(bytes),
        ..Entry::default()
    }
}

/// Lists a customer file that was put in place and not listed, because the recorder died between.
pub(crate) fn settle(disk: &dyn Disk, dir: &Path, manifest: &mut Manifest) -> Result<()> {
    let path = dir.join(CUSTOMER);
    if manifest.entry(CUSTOMER).is_some() || disk.len(&path).is_err() {
        return Ok(());
    }
    manifest.add(entry(&disk::read(disk, &path)?))
}

/// What verify says of a customer file that the manifest lists and that is not there.
pub(crate) fn left_out(entry: &Entry) -> String {
    format!(
        "{CUSTOMER}: is not here. It may be left out on request: nothing is derived from it. {MANIFEST} lists it with SHA-256 {}; that cannot be checked without it",
        entry.sha256
    )
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)] // a test that fails should say so at once

    use super::*;

    #[test]
    fn what_is_kept_reads_back_and_its_length_tells_nothing() {
        let mut lengths = Vec::new();
        for name in ["A", "Harbour Bakery, \"Lda.\"", &"x".repeat(700)] {
            let customer = Customer {
                name: Some(name.to_owned()),
                address: Some("Quay 4\nHarbour".to_owned()),
                ..Customer::default()
            };
            let bytes = customer.salted(&[7; SALT_BYTES]).unwrap();
            lengths.push(bytes.len());
            let text = String::from_utf8(bytes.clone()).unwrap();
            assert_eq!(Customer::parse(&text, CUSTOMER).unwrap(), customer);
            assert_ne!(bytes, customer.salted(&[8; SALT_BYTES]).unwrap());
        }
        assert_eq!(lengths, [1024, 1024, 1024]);
    }

    #[test]
    fn what_is_wrong_is_told_by_file_line_and_key() {
        for (text, parts) in [
            ("[customer]\nnmae = \"x\"\n", ["c.toml:2: ", "nmae"]),
            ("[customer]\nname = 5\n", ["c.toml:2: ", "string"]),
            ("name = \"x\"\n", ["c.toml:1: ", "name"]),
            ("", ["c.toml:1: ", "customer"]),
            (
                "[customer]\nname = \"\"\n",
                ["c.toml: customer.name", "0 characters"],
            ),
            ("[customer", ["c.toml:1: ", ""]),
        ] {
            let error = Customer::parse(text, "c.toml").unwrap_err();
            assert!(parts.iter().all(|part| error.contains(part)), "{error}");
        }
    }
}
