//! Notices when most of what comes over a line is damaged: the usual sign of another baud rate.

/// How long it has to be so, µs.
const WINDOW_US: i64 = 2_000_000;
/// Bytes in a window below which nothing is concluded: one damaged line is no wrong baud rate.
const BYTES_MIN: usize = 100;

/// Counts bytes of one opening of a port.
#[derive(Debug, Default)]
pub struct BaudWatch {
    since_us: Option<i64>,
    bytes: usize,
    good: usize,
    said: bool,
}

impl BaudWatch {
    /// A line of `bytes` without its LF was whole.
    pub const fn good(&mut self, bytes: usize) {
        self.good += bytes + 1;
    }

    /// A chunk of `bytes` came at `now_us`. True once an opening: most bytes of two seconds were in no whole line.
    pub fn chunk(&mut self, now_us: i64, bytes: usize) -> bool {
        let since_us = *self.since_us.get_or_insert(now_us);
        self.bytes += bytes;
        if now_us - since_us < WINDOW_US {
            return false;
        }
        let is_bad = self.bytes >= BYTES_MIN && self.good * 2 < self.bytes;
        (self.since_us, self.bytes, self.good) = (Some(now_us), 0, 0);
        is_bad && !std::mem::replace(&mut self.said, true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_is_said_once_after_two_seconds_and_a_damaged_line_never() {
        let mut noise = BaudWatch::default();
        let said: Vec<i64> = (0..100)
            .map(|k| k * 100_000)
            .filter(|&t| noise.chunk(t, 60))
            .collect();
        assert_eq!(said, [2_000_000]);

        let mut one_in_four = BaudWatch::default();
        for k in 0..200 {
            if k % 4 != 0 {
                one_in_four.good(59);
            }
            assert!(!one_in_four.chunk(k * 100_000, 60));
        }
    }
}
