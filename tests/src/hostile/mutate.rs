//! Mutations of a corpus, the same for the same seed: what a fuzzer does, without looking where it leads.

/// Pieces that mean something to one of the readers.
const WORDS: [&str; 48] = [
    "~",
    "\n",
    "\r\n",
    "@",
    "#",
    " ",
    "-",
    "0",
    "1",
    "9",
    "4294967295",
    "4294967296",
    "65535",
    "9223372036854775807",
    "-9223372036854775808",
    "999999999999999999",
    "-1",
    "x",
    "o",
    "H 1 7f3a91c2 18 2 100 f~\n",
    "C 0 current A -3 common ct~\n",
    "N 0 boot power-on~\n",
    "N 5 mark~\n",
    "S 1 200 1 2~\n",
    "@1795629600000000 ",
    "#1795629600000000 ",
    "#0 clock boot=0 host-boot=a\n",
    "#1795629660000000 clock boot=-9 host-boot=b\n",
    "#9 began wall=1 boot=1 host-boot=a stream=s segment=1\n",
    "#5 stopped\n",
    "#7 started\n",
    "#6 lost reason=x\n",
    "#4 job file=job-0001.toml sha256=a\n",
    "#4 job file=job-0002.toml sha256=b\n",
    "#4 job file=job-0003.toml sha256=c\n",
    "#3 dropped bytes=9\n",
    "#8 mark here\n",
    "[",
    "]",
    "\"",
    "'''",
    "=",
    ".",
    "[[unit]]\n",
    "nan",
    "inf",
    "1e999",
    "\u{1b}[2J\u{202e}",
];
/// Runs that are copied, taken out or repeated have a length below a power of two, up to this one: short ones as often as
/// long ones.
const RUN_BITS_MAX: usize = 9;
/// Longest text that comes out, bytes.
const TEXT_BYTES_MAX: usize = 8 << 10;

/// A source of mutations.
#[derive(Debug, Clone)]
pub struct Mutator {
    state: u64,
}

impl Mutator {
    /// The same mutations for the same seed.
    pub const fn new(seed: u64) -> Self {
        Self {
            state: seed ^ 0x9E37_79B9_7F4A_7C15,
        }
    }

    /// The next number below `below` (0 if that is 0). A xorshift generator (Marsaglia, "Xorshift RNGs", 2003).
    pub fn below(&mut self, below: usize) -> usize {
        self.state ^= self.state << 13;
        self.state ^= self.state >> 7;
        self.state ^= self.state << 17;
        let below = below as u64;
        self.state
            .checked_rem(below)
            .map_or(0, |number| number as usize)
    }

    /// One of `corpus`, changed a few times.
    pub fn mutated(&mut self, corpus: &[Vec<u8>]) -> Vec<u8> {
        let mut text = self.one_of(corpus);
        for _ in 0..=self.below(4) {
            let other = self.one_of(corpus);
            self.change(&mut text, &other);
        }
        text.truncate(TEXT_BYTES_MAX);
        text
    }

    fn one_of(&mut self, corpus: &[Vec<u8>]) -> Vec<u8> {
        let at = self.below(corpus.len());
        corpus.get(at).cloned().unwrap_or_default()
    }

    fn change(&mut self, text: &mut Vec<u8>, other: &[u8]) {
        let (from, to) = self.run_of(text.len());
        match self.below(8) {
            0 => {
                if let Some(byte) = text.get_mut(from) {
                    *byte ^= 1 << self.below(8);
                }
            }
            1 => drop(text.splice(from..to, [])),
            2 => {
                let run = text.get(from..to).unwrap_or_default().to_vec();
                let at = self.below(text.len() + 1);
                drop(text.splice(at..at, run));
            }
            3 => {
                let (from_other, to_other) = self.run_of(other.len());
                let run = other.get(from_other..to_other).unwrap_or_default().to_vec();
                drop(text.splice(from..from, run));
            }
            4 => self.another_number(text),
            5 => {
                let bytes = [self.below(256) as u8; 1];
                drop(text.splice(from..from, bytes));
            }
            6 => {
                let run = text
                    .get(from..to)
                    .unwrap_or_default()
                    .repeat(1 + self.below(8));
                drop(text.splice(from..to, run));
            }
            _ => {
                let at = self.below(WORDS.len());
                let word = WORDS.get(at).copied().unwrap_or_default();
                drop(text.splice(from..from, word.bytes()));
            }
        }
    }

    /// Begin and end of a run within so many bytes.
    fn run_of(&mut self, len: usize) -> (usize, usize) {
        let from = self.below(len + 1);
        let most = 1 << self.below(RUN_BITS_MAX + 1);
        let run = self.below(most.min(len - from) + 1);
        (from, from + run)
    }

    /// Puts another number in the place of one.
    fn another_number(&mut self, text: &mut Vec<u8>) {
        let from = self.below(text.len() + 1);
        let Some(begin) = text
            .iter()
            .skip(from)
            .position(u8::is_ascii_digit)
            .map(|at| at + from)
        else {
            return;
        };
        let digits = text
            .iter()
            .skip(begin)
            .take_while(|byte| byte.is_ascii_digit())
            .count();
        let bits = self.below(64);
        let number = self.below(usize::MAX) >> bits;
        drop(text.splice(begin..begin + digits, number.to_string().bytes()));
    }
}
