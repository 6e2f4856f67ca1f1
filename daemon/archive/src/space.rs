//! Space on the disk: how fast it goes, and how long it will last.
//!
//! The rate is that of the last hour, whoever fills the disk. A warning comes when at this rate the disk is full within a
//! day, again each time the time left has halved, and once more when it is over.

use std::collections::VecDeque;

use crate::notice::{Notice, Notices, Topic, Weight};

/// The rate is taken over this long, µs.
const WINDOW_US: i64 = 3_600_000_000;
/// And over no less than this: a file that is just being sealed is no rate, µs.
const WINDOW_US_LEAST: i64 = 600_000_000;
/// Looks kept at most.
const LOOKS_MAX: usize = 720;
/// A disk that is full within this is warned of, s.
const WARN_S: f64 = 86_400.0;
/// With less than this free it is warned of, however slowly it fills, bytes.
const WARN_BYTES: u64 = 64 << 20;

/// Watches the free space of a file system.
#[derive(Debug, Default)]
pub(crate) struct SpaceWatch {
    /// Monotonic time, µs, and bytes free.
    looks: VecDeque<(i64, u64)>,
    /// The time left that was last told, s; `None` while all is well.
    told_s: Option<f64>,
}

impl SpaceWatch {
    /// Takes a look, `now_us` of a clock that is never set; tells what there is to tell. Seconds until the disk is full at
    /// this rate, if it fills.
    pub fn look(&mut self, now_us: i64, free_bytes: u64, notices: &Notices) -> Option<f64> {
        while self.looks.len() == LOOKS_MAX
            || self
                .looks
                .front()
                .is_some_and(|(at_us, _)| now_us - at_us > WINDOW_US)
        {
            self.looks.pop_front();
        }
        self.looks.push_back((now_us, free_bytes));
        let full_in_s = self.full_in_s(now_us, free_bytes);
        let left_s = match full_in_s {
            Some(left_s) if left_s < WARN_S => left_s,
            _ if free_bytes < WARN_BYTES => full_in_s.unwrap_or(WARN_S),
            _ => {
                if self.told_s.take().is_some() {
                    let text = format!(
                        "there is space again on the disk: {} free",
                        size(free_bytes)
                    );
                    notices.tell(Topic::Space, "", Weight::Well, text);
                }
                return full_in_s;
            }
        };
        let text = warning(free_bytes, full_in_s);
        if self.told_s.is_none_or(|told_s| left_s < told_s / 2.0) {
            self.told_s = Some(left_s);
            notices.tell(Topic::Space, "", Weight::Warning, text);
        } else {
            notices.stand(Notice {
                topic: Topic::Space,
                about: String::new(),
                weight: Weight::Warning,
                text,
            });
        }
        full_in_s
    }

    fn full_in_s(&self, now_us: i64, free_bytes: u64) -> Option<f64> {
        let (then_us, then_bytes) = *self.looks.front()?;
        let gone = then_bytes.checked_sub(free_bytes)?;
        if gone == 0 || now_us - then_us < WINDOW_US_LEAST {
            return None;
        }
        Some(free_bytes as f64 * (now_us - then_us) as f64 / 1e6 / gone as f64)
    }
}

fn warning(free_bytes: u64, full_in_s: Option<f64>) -> String {
    match full_in_s {
        Some(left_s) if left_s >= 2.0 * 3600.0 => format!(
            "at this rate the disk is full in {:.0} hours ({} free)",
            left_s / 3600.0,
            size(free_bytes)
        ),
        Some(left_s) => format!(
            "at this rate the disk is full in {:.0} minutes ({} free)",
            left_s / 60.0,
            size(free_bytes)
        ),
        None => format!("the disk is nearly full: {} free", size(free_bytes)),
    }
}

/// Bytes for people.
pub(crate) fn size(bytes: u64) -> String {
    match bytes {
        0..10_000_000 => format!("{:.1} MB", bytes as f64 / 1e6),
        10_000_000..10_000_000_000 => format!("{:.0} MB", bytes as f64 / 1e6),
        _ => format!("{:.0} GB", bytes as f64 / 1e9),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_disk_that_fills_is_told_of_in_time_and_not_too_often() {
        let (mut watch, notices) = (SpaceWatch::default(), Notices::default());
        // 1 GB free, 100 MB an hour, looked at every minute: full in ten hours, less and less.
        let rate = 100_000_000 / 60;
        for minute in 0..600u64 {
            let free = 1_000_000_000u64.saturating_sub(minute * rate);
            watch.look(minute as i64 * 60_000_000, free, &notices);
        }
        watch.look(600 * 60_000_000, 2_000_000_000, &notices);
        let told: Vec<String> = notices
            .take()
            .into_iter()
            .map(|notice| notice.text)
            .collect();
        assert_eq!(
            told,
            [
                "at this rate the disk is full in 10 hours (983 MB free)",
                "at this rate the disk is full in 5 hours (490 MB free)",
                "at this rate the disk is full in 2 hours (243 MB free)",
                "at this rate the disk is full in 72 minutes (120 MB free)",
                "at this rate the disk is full in 35 minutes (58 MB free)",
                "at this rate the disk is full in 17 minutes (28 MB free)",
                "at this rate the disk is full in 8 minutes (13 MB free)",
                "at this rate the disk is full in 3 minutes (5.0 MB free)",
                "at this rate the disk is full in 1 minutes (1.7 MB free)",
                "there is space again on the disk: 2000 MB free",
            ]
        );
    }

    #[test]
    fn a_disk_that_does_not_fill_is_nothing_to_tell() {
        let (mut watch, notices) = (SpaceWatch::default(), Notices::default());
        for minute in 0..600 {
            // A file is sealed now and then, and removed again.
            let free = 1_000_000_000 - u64::from(minute % 60 == 30) * 5_000_000;
            watch.look(minute * 60_000_000, free, &notices);
        }
        assert!(notices.take().is_empty());
    }
}
