//! What the archive has to tell a person while it works: said once, in plain words, for the shell to print and to show.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex};

use crate::worker::lock;

/// Notices kept at most until they are taken; the oldest go first.
const NOTICES_MAX: usize = 256;
/// Things that stand at most: a record damaged all over is not told file by file.
const STANDING_MAX: usize = 32;

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

/// What a notice is about. A later one about the same thing takes the place of an earlier one that stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Topic {
    /// A raw log that cannot be written or synced.
    RawLog,
    /// Something that the board said is lost, because the disk took nothing for too long.
    Lost,
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
    /// Which of them: the stream, the file; empty where there is only one.
    pub about: String,
    /// How serious.
    pub weight: Weight,
    /// In plain words, naming the file.
    pub text: String,
}

/// Where notices gather.
#[derive(Debug, Clone, Default)]
pub(crate) struct Notices(Arc<Mutex<Told>>);

#[derive(Debug, Default)]
struct Told {
    untaken: VecDeque<Notice>,
    standing: BTreeMap<(Topic, String), Notice>,
}

impl Notices {
    /// Tells something, once; it stands until it is told that all is well with it.
    pub fn tell(&self, topic: Topic, about: &str, weight: Weight, text: String) {
        let notice = Notice {
            topic,
            about: about.to_owned(),
            weight,
            text,
        };
        if !self.stand(notice.clone()) {
            return;
        }
        let untaken = &mut lock(&self.0).untaken;
        if untaken.contains(&notice) {
            return;
        }
        if untaken.len() == NOTICES_MAX {
            untaken.pop_front();
        }
        untaken.push_back(notice);
    }

    /// As [`Self::tell`], without telling it anew: what stands reads differently by now. Whether it does.
    pub fn stand(&self, notice: Notice) -> bool {
        let standing = &mut lock(&self.0).standing;
        let key = (notice.topic, notice.about.clone());
        if notice.weight == Weight::Well {
            standing.remove(&key);
            return true;
        }
        if standing.get(&key) == Some(&notice) {
            return false;
        }
        if standing.len() < STANDING_MAX || standing.contains_key(&key) {
            standing.insert(key, notice);
        }
        true
    }

    /// Whatever stands of it does no more, and nobody has to be told.
    pub fn settle(&self, topic: Topic, about: &str) {
        lock(&self.0).standing.remove(&(topic, about.to_owned()));
    }

    pub fn take(&self) -> Vec<Notice> {
        lock(&self.0).untaken.drain(..).collect()
    }

    pub fn standing(&self) -> Vec<Notice> {
        lock(&self.0).standing.values().cloned().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_told_stands_until_all_is_well_with_it() {
        let notices = Notices::default();
        let tell = |about, weight, text: &str| {
            notices.tell(Topic::RawLog, about, weight, text.to_owned());
        };
        let standing = || -> Vec<String> {
            let texts = notices.standing().into_iter().map(|notice| notice.text);
            texts.collect()
        };
        tell("7f3a91c2", Weight::Warning, "could not sync");
        tell("0d44e0b1", Weight::Warning, "could not write");
        tell("7f3a91c2", Weight::Loss, "lines are lost from now on");
        assert_eq!(
            standing(),
            ["could not write", "lines are lost from now on"]
        );
        tell("7f3a91c2", Weight::Well, "written again");
        assert_eq!(standing(), ["could not write"]);
        assert_eq!(notices.take().len(), 4, "each was told once");
    }
}
