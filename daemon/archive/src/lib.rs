//! The durable record: raw logs on disk, the Parquet tables derived from them, the manifest, replay and verify.
//!
//! What the boards said is written down first ([`RawWriter`]), synced, and only then projected ([`Projector`]) into tables.
//! Everything but the raw logs can be lost and made again: recovery after a crash, `replay` and `verify` are all the same
//! act, projecting from the start.

mod disk;
mod error;
mod limits;
mod project;
mod projector;
mod raw;
mod record;
mod replay;
mod verify;

pub use disk::{Disk, Found, RealDisk, WriteFile};
pub use error::{ArchiveError, Result};
pub use limits::Limits;
pub use project::Project;
pub use projector::{Progress, Projector, Totals};
pub use raw::{HostClock, RawWriter};
pub use record::RecordDir;
pub use replay::{ReplayReport, replay};
pub use verify::{VerifyReport, verify};
