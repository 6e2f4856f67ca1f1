//! The recorded raw log, line by line: what the board sent and what the recorder noted.
//!
//! ```text
//! @MICROSECONDS LINE      a line as the board sent it, and when its LF arrived
//! #MICROSECONDS TEXT      the recorder's own note
//! ```
//!
//! MICROSECONDS is the host's wall clock, µs since the Unix epoch. What follows `@MICROSECONDS ` is the board's, whatever
//! it holds, so no board can write a note.

/// One line of a raw log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Entry<'a> {
    /// A line from the board.
    Board {
        /// When its LF arrived, by the host's wall clock, µs.
        arrival_us: i64,
        /// The line as it came, without LF.
        line: &'a [u8],
    },
    /// A note of the recorder.
    Note {
        /// When it was written, by the host's wall clock, µs.
        at_us: i64,
        /// Its text.
        text: &'a [u8],
    },
    /// Neither: the log itself is damaged here.
    Damaged,
}

/// Largest number of digits of a stamp: year 2286 needs 17.
const STAMP_DIGITS_MAX: usize = 18;

/// Reads one line of a raw log (without its LF).
pub fn parse(line: &[u8]) -> Entry<'_> {
    let Some((&mark, rest)) = line.split_first() else {
        return Entry::Damaged;
    };
    let mut stamp_us = 0i64;
    let mut digits = 0;
    for &byte in rest {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 || digits == STAMP_DIGITS_MAX {
            break;
        }
        stamp_us = stamp_us * 10 + i64::from(digit);
        digits += 1;
    }
    let body = match rest.get(digits..) {
        Some([b' ', body @ ..]) if digits > 0 => body,
        _ => return Entry::Damaged,
    };
    match mark {
        b'@' => Entry::Board {
            arrival_us: stamp_us,
            line: body,
        },
        b'#' => Entry::Note {
            at_us: stamp_us,
            text: body,
        },
        _ => Entry::Damaged,
    }
}

/// What a note says, where the heart needs it; everything else is for people.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Note<'a> {
    /// The host's clocks at the very beginning of the record.
    Began {
        /// Wall clock, µs.
        wall_us: i64,
        /// Boot-time clock, µs.
        boot_us: i64,
        /// Which boot of the host.
        host_boot: &'a str,
    },
    /// The host's boot-time clock at the note's stamp.
    Clock {
        /// Boot-time clock, µs.
        boot_us: i64,
        /// Which boot of the host.
        host_boot: &'a str,
    },
    /// The recorder started.
    Started,
    /// The recorder stopped.
    Stopped,
    /// The port was opened.
    Opened,
    /// The port was lost, and why.
    Lost(&'a str),
    /// So many bytes of what the board said were lost because the disk took nothing.
    Dropped(&'a str),
    /// From here on this job file holds.
    Job {
        /// Its name in `raw/`.
        file: &'a str,
        /// Of its bytes, hexadecimal.
        sha256: &'a str,
    },
    /// A person marked this instant.
    Mark(&'a str),
    /// A person measured something by hand: see [`crate::reading`].
    Reading(&'a str),
    /// What a person did in a bench test: see [`crate::bench::Act`].
    Bench(&'a str),
    /// Something else.
    Other,
}

impl<'a> Note<'a> {
    /// Reads a note's text. What cannot be read is [`Note::Other`]: a reader skips notes that it does not know.
    pub fn parse(text: &'a [u8]) -> Self {
        let Ok(text) = core::str::from_utf8(text) else {
            return Self::Other;
        };
        let (word, rest) = text.split_once(' ').unwrap_or((text, ""));
        Self::known(word, rest).unwrap_or(Self::Other)
    }

    fn known(word: &str, rest: &'a str) -> Option<Self> {
        Some(match word {
            "began" => Self::Began {
                wall_us: field(rest, "wall")?.parse().ok()?,
                boot_us: field(rest, "boot")?.parse().ok()?,
                host_boot: field(rest, "host-boot")?,
            },
            "clock" => Self::Clock {
                boot_us: field(rest, "boot")?.parse().ok()?,
                host_boot: field(rest, "host-boot")?,
            },
            "started" => Self::Started,
            "stopped" => Self::Stopped,
            "opened" => Self::Opened,
            "lost" => Self::Lost(rest.strip_prefix("reason=").unwrap_or(rest)),
            "dropped" => Self::Dropped(field(rest, "bytes").unwrap_or(rest)),
            "job" => Self::Job {
                file: field(rest, "file")?,
                sha256: field(rest, "sha256")?,
            },
            "mark" => Self::Mark(rest),
            "reading" => Self::Reading(rest),
            "bench" => Self::Bench(rest),
            _ => return None,
        })
    }
}

/// The value of `key=` in space-separated `key=value` pairs.
fn field<'a>(text: &'a str, key: &str) -> Option<&'a str> {
    text.split(' ')
        .find_map(|pair| pair.strip_prefix(key)?.strip_prefix('='))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_the_boards_or_the_recorders_or_damaged() {
        let board = |arrival_us, line| Entry::Board { arrival_us, line };
        assert_eq!(
            parse(b"@1764093600000000 S 0 1~0000"),
            board(1_764_093_600_000_000, b"S 0 1~0000")
        );
        assert_eq!(parse(b"@5 "), board(5, b""));
        assert_eq!(parse(b"@5 #6 stopped"), board(5, b"#6 stopped"));
        assert_eq!(
            parse(b"#7 stopped"),
            Entry::Note {
                at_us: 7,
                text: b"stopped"
            }
        );
        for damaged in [
            &b""[..],
            b"@",
            b"@ S",
            b"@12",
            b"@1x S",
            b"12 S",
            b"@-5 S",
            b"@1234567890123456789 S",
        ] {
            assert_eq!(parse(damaged), Entry::Damaged, "{damaged:?}");
        }
    }

    #[test]
    fn notes_are_read_where_the_heart_needs_them() {
        let clock = Note::Clock {
            boot_us: -12,
            host_boot: "ab-1",
        };
        assert_eq!(Note::parse(b"clock boot=-12 host-boot=ab-1"), clock);
        assert_eq!(
            Note::parse(b"began wall=9 boot=3 host-boot=q stream=s segment=1"),
            Note::Began {
                wall_us: 9,
                boot_us: 3,
                host_boot: "q"
            }
        );
        assert_eq!(
            Note::parse(b"lost reason=read returned 0 bytes"),
            Note::Lost("read returned 0 bytes")
        );
        assert_eq!(
            Note::parse(b"job file=job-0002.toml sha256=0a"),
            Note::Job {
                file: "job-0002.toml",
                sha256: "0a"
            }
        );
        for other in [&b"clock boot=x"[..], b"", b"fridge", b"job file=x", b"\xff"] {
            assert_eq!(Note::parse(other), Note::Other);
        }
    }
}
