//! Old raw logs removed, because somebody had set a limit to their age or to their size: which, and how.
//!
//! A raw log is the source of everything, so it goes only if all of this holds: it is sealed; the UTC day in which it ends
//! has been over for [`MARGIN_US`] of record time; no row that comes from it may still be revised or waits to be sealed (what
//! waits of such days is sealed first); its bytes, and those of every table file that touches its time, are what was sealed;
//! and everything older of its stream went before it. What is kept for one of these reasons is told.
//!
//! Then a line in the manifest says that it is removed, and is synced; only then it is. If the power goes in between, the
//! next opening of the record removes it. The rows that came from it stay as they were sealed.
//!
//! The projection that runs goes on as if nothing had happened. One that begins later begins where the kept raw logs do:
//! it is told where record time stood there ([`crate::Project::resume`]), leaves alone what was sealed before, and learns
//! everything else anew.

use std::collections::{BTreeSet, HashSet};

use crate::disk;
use crate::error::Result;
use crate::manifest::{Entry, Manifest, instant};
use crate::notice::{Topic, Weight};
use crate::reading::Passed;
use crate::segments::{State, Stream};
use crate::tables::DAY_US;
use crate::worker::{Hands, hash_file, lock};

/// The day in which a raw log ends has to be over for so long, µs: enough for what runs to learn everything anew.
pub const MARGIN_US: i64 = DAY_US;
/// A table file touches a raw log's time if they are no further apart than this, µs.
const TOUCHES_US: i64 = 5_000_000;

/// How long, and how much, raw logs are kept that are sealed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Retention {
    /// Those that ended longer ago than this are removed, µs of record time.
    pub keep_us: Option<i64>,
    /// The oldest are removed while all together take more than this, bytes.
    pub keep_bytes: Option<u64>,
}

impl Retention {
    /// Whether there is a limit at all.
    pub const fn is_set(&self) -> bool {
        self.keep_us.is_some() || self.keep_bytes.is_some()
    }
}

/// A raw log that is to be removed.
#[derive(Debug, Clone)]
pub(crate) struct Retiring {
    pub stream: usize,
    /// From the record directory.
    pub path: String,
    /// Record time of its first and last stamp, µs.
    pub range_us: (i64, i64),
    /// The host's clock minus record time at its end, µs.
    pub stepped_us: i64,
    /// The newest instant of the record, µs of record time.
    pub newest_us: i64,
    /// The host's clock now, µs since the Unix epoch.
    pub now_us: i64,
}

/// What a limit asks for.
#[derive(Debug, Default)]
pub(crate) struct Wanted {
    /// Oldest first.
    pub files: Vec<Retiring>,
    /// What the raw logs will take all together when these are gone, bytes.
    pub bytes_after: u64,
}

/// The instant before which days have to be over, µs of record time.
pub(crate) const fn over_by(newest_us: i64) -> i64 {
    newest_us.saturating_sub(MARGIN_US)
}

/// The sealed raw logs that are old enough and that the limits want removed.
pub(crate) fn wanted(
    retention: Retention,
    passed: &[Passed],
    streams: &[Stream],
    manifest: &Manifest,
    newest_us: i64,
    now_us: i64,
) -> Wanted {
    let raw = manifest
        .entries()
        .filter(|entry| entry.path.starts_with("raw/"));
    let mut bytes_after: u64 = raw.map(|entry| entry.bytes).sum();
    let mut old: Vec<(Retiring, u64)> = passed
        .iter()
        .filter_map(|passed| old_enough(passed, streams, manifest, newest_us, now_us))
        .collect();
    old.sort_by_key(|(file, _)| file.range_us.1);
    let mut files = Vec::new();
    for (file, bytes) in old {
        let age_us = newest_us.saturating_sub(file.range_us.1);
        let is_old = retention.keep_us.is_some_and(|keep_us| age_us > keep_us);
        let is_much = retention.keep_bytes.is_some_and(|most| bytes_after > most);
        if !is_old && !is_much {
            break;
        }
        bytes_after -= bytes.min(bytes_after);
        files.push(file);
    }
    Wanted { files, bytes_after }
}

fn old_enough(
    passed: &Passed,
    streams: &[Stream],
    manifest: &Manifest,
    newest_us: i64,
    now_us: i64,
) -> Option<(Retiring, u64)> {
    let range_us = passed.range_us?;
    let day = range_us.1.div_euclid(DAY_US);
    if day.saturating_add(1).saturating_mul(DAY_US) > over_by(newest_us) {
        return None;
    }
    // By now it may have been compressed.
    let entry = [passed.path.clone(), format!("{}.zst", passed.path)]
        .into_iter()
        .find_map(|path| manifest.entry(&path))?;
    let last = streams.get(passed.stream)?.segments.last()?;
    let retiring = Retiring {
        stream: passed.stream,
        path: entry.path.clone(),
        range_us,
        stepped_us: passed.stepped_us,
        newest_us,
        now_us,
    };
    (last.path != entry.path).then_some((retiring, entry.bytes))
}

impl Hands {
    /// Removes raw logs, the oldest first; of a stream none after one that has to stay.
    pub fn retire(&self, files: Vec<Retiring>) -> Result<()> {
        let (mut sound, mut held) = (HashSet::new(), BTreeSet::new());
        for file in files {
            if held.contains(&file.stream) {
                continue;
            }
            match self.why_it_stays(&file, &mut sound) {
                None => self.remove_announced(&file)?,
                Some(why) => {
                    held.insert(file.stream);
                    let text = format!(
                        "{}: is old enough to be removed, and stays with all that is newer: {why}",
                        file.path
                    );
                    self.notices
                        .tell(Topic::Retention, &file.path, Weight::Warning, text);
                }
            }
        }
        Ok(())
    }

    /// Why it cannot be vouched for, if so; what was found to be sound is not looked at again.
    fn why_it_stays(&self, file: &Retiring, sound: &mut HashSet<String>) -> Option<String> {
        let (first_us, last_us) = file.range_us;
        let touches = |entry: &&Entry| {
            let range = entry.first_us().zip(entry.last_us());
            entry.path.ends_with(".parquet")
                && range.is_some_and(|(first, last)| {
                    first <= last_us.saturating_add(TOUCHES_US)
                        && last >= first_us.saturating_sub(TOUCHES_US)
                })
        };
        let to_check: Vec<Entry> = {
            let manifest = lock(&self.manifest);
            let Some(raw) = manifest.entry(&file.path) else {
                return Some("it is not in the manifest any more".to_owned());
            };
            let tables = manifest.entries().filter(touches);
            std::iter::once(raw).chain(tables).cloned().collect()
        };
        for entry in to_check {
            if sound.contains(&entry.path) {
                continue;
            }
            match hash_file(&*self.disk, &self.root.join(&entry.path)) {
                Ok((_, sha256)) if sha256 == entry.sha256 => sound.insert(entry.path),
                Ok(_) => {
                    return Some(format!(
                        "the bytes of {} are not those that were sealed",
                        entry.path
                    ));
                }
                Err(error) => return Some(error.to_string()),
            };
        }
        None
    }

    fn remove_announced(&self, file: &Retiring) -> Result<()> {
        let Some(entry) = lock(&self.manifest).entry(&file.path).cloned() else {
            return Ok(());
        };
        let announced = Entry {
            replaces: None,
            end: false,
            removed: instant(file.now_us),
            newest: instant(file.newest_us),
            stepped_us: file.stepped_us,
            ..entry.clone()
        };
        lock(&self.manifest).add(announced)?;
        self.now_removed(file);
        let whole = self.root.join(&file.path);
        disk::remove_if_there(&*self.disk, &whole)?;
        disk::sync_parent(&*self.disk, &whole)?;
        let text = format!(
            "{}: was removed, as the limit asks ({} lines, {} to {}); its rows stay in the tables",
            file.path,
            entry.rows.unwrap_or(0),
            entry.first_time.unwrap_or_default(),
            entry.last_time.unwrap_or_default(),
        );
        self.notices
            .tell(Topic::Retention, &file.path, Weight::Well, text);
        Ok(())
    }

    /// Whoever reads the record from its beginning again begins after it.
    fn now_removed(&self, file: &Retiring) {
        let mut streams = lock(&self.streams);
        let Some(stream) = streams.get_mut(file.stream) else {
            return;
        };
        stream.resumes_at = Some(file.stepped_us);
        let mut segments = stream.segments.iter_mut();
        if let Some(segment) = segments.find(|segment| segment.path == file.path) {
            segment.state = State::Removed;
        }
    }
}
