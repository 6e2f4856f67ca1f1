//! The durable record: raw logs on disk, the Parquet tables derived from them, the manifest, replay and verify.
//!
//! What the boards said is written down first ([`RawWriter`]), synced, and only then projected ([`Projector`]) into tables.
//! Everything but the raw logs can be lost and made again: recovery after a crash, `replay` and `verify` are all the same
//! act, projecting from the start.

mod ahead;
mod chunk;
mod columns;
mod contents;
mod csv_text;
mod customer;
mod disk;
mod encoding;
mod error;
mod excerpt;
mod formed;
mod frame;
mod jobs;
mod limits;
mod manifest;
mod notice;
mod overheard;
mod packed;
mod parquet_file;
mod project;
mod projector;
mod raw;
mod readback;
mod reading;
mod record;
mod replay;
mod retention;
mod samples;
mod sealing;
mod seam;
mod segments;
mod space;
mod stored;
mod tables;
mod units;
mod verify;
mod worker;

pub use contents::{Contents, contents};
pub use csv_text::write_csv;
pub use customer::{CUSTOMER as CUSTOMER_FILE, Customer, customer_of, set_customer};
pub use disk::{Disk, Found, Lock, RealDisk, WriteFile};
pub use error::{ArchiveError, Result};
pub use jobs::{KeptJob, heart_of};
pub use limits::Limits;
pub use notice::{Notice, Topic, Weight};
pub use overheard::{Ear, bench_of, verify_overheard};
pub use project::Project;
pub use projector::{Progress, Projector};
pub use raw::{HostClock, RawWriter};
pub use readback::Readback;
pub use reading::Totals;
pub use record::RecordDir;
pub use replay::{ReplayReport, replay, replay_with};
pub use retention::{MARGIN_US, Retention};
pub use stored::{Listed, Stored};
pub use units::units_table;
pub use verify::{VerifyReport, verify, verify_with};
