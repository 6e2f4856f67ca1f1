//! The yardstick of `tests/benchmark`: reads a raw log, takes off the stamps, decodes and checks every line, counts, and does
//! nothing else. `parse_only RAW.log` prints `LINES lines, SAMPLES samples, REFUSED refused, SECONDS s`.

use std::error::Error;
use std::fs::File;
use std::io::Read;
use std::time::Instant;

use nightclamp_analysis::rawlog::{self, Entry};
use nightclamp_protocol::{Record, decode};

/// Bytes read at a time, and so the longest line that can be read.
const CHUNK_BYTES: usize = 1 << 20;

#[derive(Default)]
struct Counts {
    lines: u64,
    samples: u64,
    refused: u64,
}

impl Counts {
    fn count(&mut self, line: &[u8]) {
        self.lines += 1;
        let Entry::Board { line, .. } = rawlog::parse(line) else {
            return;
        };
        match decode(line) {
            Ok(Record::Sample(_)) => self.samples += 1,
            Ok(_) => {}
            Err(_) => self.refused += 1,
        }
    }

    /// Counts the whole lines of `bytes`; how many bytes they take.
    fn take_lines(&mut self, bytes: &[u8]) -> usize {
        let mut begin = 0;
        for end in memchr::memchr_iter(b'\n', bytes) {
            self.count(&bytes[begin..end]);
            begin = end + 1;
        }
        begin
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let path = std::env::args().nth(1).ok_or("usage: parse_only RAW.log")?;
    let began = Instant::now();
    let mut log = File::open(path)?;
    let mut buffer = vec![0; CHUNK_BYTES];
    let (mut kept, mut counts) = (0, Counts::default());
    loop {
        let read = log.read(&mut buffer[kept..])?;
        if read == 0 {
            break;
        }
        let filled = kept + read;
        let taken = counts.take_lines(&buffer[..filled]);
        if taken == 0 && filled == buffer.len() {
            return Err("a line is too long".into());
        }
        buffer.copy_within(taken..filled, 0);
        kept = filled - taken;
    }
    let Counts {
        lines,
        samples,
        refused,
    } = counts;
    let seconds = began.elapsed().as_secs_f64();
    println!("{lines} lines, {samples} samples, {refused} refused, {seconds:.3} s");
    Ok(())
}
