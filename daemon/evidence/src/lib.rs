//! A record as evidence: one archive that somebody who was not there can check, with this program or without.
//!
//! # Layout
//!
//! A pack is a zip archive without compression (what is in it is compressed already), with the same bytes whenever the same
//! record is packed in the same way. It unpacks to one folder:
//!
//! ```text
//! evidence/README.txt         what this is, and how to check it with common tools alone
//! evidence/check_chain.py     the manifest's chain in a few lines of Python
//! evidence/report.*           documents, if any were made
//! evidence/record/            the record as it was recorded: raw logs, job files, tables, manifest
//! evidence/SHA256SUMS         SHA-256 of every file above, for `sha256sum -c`
//! evidence/SHA256SUMS.sig     optional: an SSH signature of SHA256SUMS
//! evidence/SHA256SUMS.tsq     optional: the request for a trusted time stamp of SHA256SUMS (RFC 3161)
//! evidence/SHA256SUMS.tsr     optional: the answer to it
//! ```
//!
//! [`pack`] makes one, [`check`] checks one, packed or unpacked. Nothing is unpacked for it: an archive from a stranger is
//! read where it lies, and one that is not built as ours are is refused before anything in it is read.

mod certificate;
mod check;
mod error;
mod pack;
mod readme;
mod signature;
mod sums;
mod time_stamp;
mod zipped;

pub use check::{Known, beside, check};
pub use error::{EvidenceError, Result};
pub use pack::{Document, Packed, Wanted, pack, pack_checked};
pub use signature::{KEY_KIND, Locked, NAMESPACE, Signer};
pub use time_stamp::request;

/// The folder that a pack unpacks to.
pub(crate) const FOLDER: &str = "evidence";
/// The page for strangers.
pub(crate) const README: &str = "README.txt";
/// The record's directory in it.
pub(crate) const RECORD: &str = "record";
/// What stands beside the sums and is not in them.
pub(crate) const SUMS: &str = "SHA256SUMS";
pub(crate) const SIGNATURE: &str = "SHA256SUMS.sig";
pub(crate) const REQUEST: &str = "SHA256SUMS.tsq";
pub(crate) const ANSWER: &str = "SHA256SUMS.tsr";
