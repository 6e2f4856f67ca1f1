//! What the archive has to tell a person while it works: said once, in plain words, for the shell to print and to show.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

use crate::worker::lock;

/// Notices kept at most until they are taken; the oldest go first.
const NOTICES_MAX: usize = 256;

/// How serious a notice is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// All is well again.
    Well,
    /// Nothing is lost; a person should know.
    Warning,
    /// Something is lost, or will be if nobody comes.
    Loss,
}

/// What a notice is about. A later one about the same thing takes the place of an earlier one on a page.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Topic {
    /// A raw log that cannot be written or synced.
    RawLog,
    /// Space on the disk.
    Space,
    /// A file of the record is damaged, or gone.
    Damage,
    /// Old raw logs that were removed because a person had set a limit.
    Retention,
}

/// One thing to tell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notice {
    /// What about.
    pub topic: Topic,
    /// How serious.
    pub weight: Weight,
    /// In plain words, naming the file.
    pub text: String,
}

/// Where notices gather.
#[derive(Debug, Clone, Default)]
pub(crate) struct Notices(Arc<Mutex<VecDeque<Notice>>>);

impl Notices {
    pub fn tell(&self, topic: Topic, weight: Weight, text: String) {
        let mut notices = lock(&self.0);
        let notice = Notice {
            topic,
            weight,
            text,
        };
        if notices.contains(&notice) {
            return;
        }
        if notices.len() == NOTICES_MAX {
            notices.pop_front();
        }
        notices.push_back(notice);
    }

    pub fn take(&self) -> Vec<Notice> {
        lock(&self.0).drain(..).collect()
    }
}
