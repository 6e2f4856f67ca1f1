//! Telling readers when a table is being sealed.
//!
//! For the while between the removal of an `open.parquet` and the line of the manifest, its rows are in no file that is listed.
//! The writer counts up before and after; a reader that looked within one even count has seen all rows, each once. The writer
//! waits for nobody.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;
use std::time::Duration;

/// A reader looks again after so long, and so many times: a slow disk may take seconds to sync a file.
const AGAIN_AFTER: Duration = Duration::from_millis(20);
const LOOKS_MAX: usize = 1_000;

/// Odd while a file is being sealed.
#[derive(Debug, Clone, Default)]
pub(crate) struct Sealing(Arc<AtomicU64>);

/// A file is being sealed until this is dropped.
pub(crate) struct Begun<'a>(&'a AtomicU64);

impl Sealing {
    /// A file is being sealed from now on. There is one writer.
    pub fn begin(&self) -> Begun<'_> {
        self.0.fetch_add(1, Ordering::AcqRel);
        Begun(&self.0)
    }

    /// What `look` sees while nothing is being sealed; `None` if something always is.
    pub fn undisturbed<T>(&self, mut look: impl FnMut() -> T) -> Option<T> {
        for _ in 0..LOOKS_MAX {
            let before = self.0.load(Ordering::Acquire);
            if before.is_multiple_of(2) {
                let seen = look();
                if self.0.load(Ordering::Acquire) == before {
                    return Some(seen);
                }
            }
            thread::sleep(AGAIN_AFTER);
        }
        None
    }
}

impl Drop for Begun<'_> {
    fn drop(&mut self) {
        self.0.fetch_add(1, Ordering::AcqRel);
    }
}
