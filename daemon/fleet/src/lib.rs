//! The records of many sites as one dataset, on a disk or in S3-compatible storage.
//!
//! # Layout
//!
//! ```text
//! URL/samples/site=SITE/record=RECORD/board=b-ID/date=YYYY-MM-DD/*.parquet
//! URL/events/site=SITE/record=RECORD/unit=NAME/*.parquet
//! URL/cycles/site=SITE/record=RECORD/unit=NAME/*.parquet
//! URL/overview/site=SITE/record=RECORD/unit=NAME/*.parquet
//! URL/units/site=SITE/record=RECORD/units.parquet     what the job file says of the units
//! URL/raw/site=SITE/record=RECORD/*                   raw logs and job files
//! URL/manifest/site=SITE/record=RECORD/manifest.jsonl
//! ```
//!
//! Each of the first five is one hive-partitioned table of all sites. `SITE` is the job file's, `RECORD` the record directory's
//! name. What identifies a customer stays at home, and so does what is not sealed yet.
//!
//! # Rules
//!
//! [`push`] uploads a sealed file once: one that is there is read back and hashed, not sent again. Each upload is read back and
//! hashed before it counts. The manifest goes last, so the manifest that is there vouches for all that it lists, and a push that
//! was interrupted is simply called again. Nothing is ever deleted, and nothing is overwritten but the manifest by a longer one that
//! begins with it, the units by those of a newer job file, and a table by the file that replaced it in the record.

mod error;
mod place;
mod push;
mod store;

pub use error::{FleetError, Result};
pub use push::{Pushed, push};
pub use store::Target;
