//! Cautions are acknowledged one by one, by one person: another begins anew. Only that all of them were goes into the record.

use nightclamp_analysis::bench::{CAUTIONS, Caution};

/// Who is reading the cautions, and how far.
#[derive(Debug, Default)]
pub struct Acknowledging {
    by: String,
    read: [bool; CAUTIONS.len()],
}

impl Acknowledging {
    /// `by` has read the caution of that key and keeps to it. `None`: there is no such caution; else whether that were all.
    pub fn read(&mut self, by: &str, key: &str) -> Option<bool> {
        let at = CAUTIONS.iter().position(|caution| caution.key == key)?;
        if self.by != by {
            *self = Self {
                by: by.to_owned(),
                ..Self::default()
            };
        }
        if let Some(read) = self.read.get_mut(at) {
            *read = true;
        }
        Some(self.read.iter().all(|read| *read))
    }

    /// Who reads.
    pub fn by(&self) -> &str {
        &self.by
    }

    /// The keys of what he has read.
    pub fn keys(&self) -> Vec<&'static str> {
        let read = CAUTIONS.iter().zip(&self.read).filter(|(_, read)| **read);
        read.map(|(Caution { key, .. }, _)| *key).collect()
    }
}
