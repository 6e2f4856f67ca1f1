//! What lets somebody in: as hard to guess as a key, and short enough to be typed on a phone.

use std::fmt;

use super::is_same;

/// Letters and digits that are not taken for each other when read aloud or copied by hand (Crockford's base 32).
const LETTERS: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";
/// Letters of a token: 100 bits of chance.
const LENGTH: usize = 20;
/// Written in groups of so many letters.
const GROUP: usize = 5;

/// Letters in groups, like `k3fd9-x2m7q-0tr4w-npz8a`.
#[derive(Clone, PartialEq, Eq)]
pub struct Token(String);

impl Token {
    /// A new one, by the system's randomness.
    ///
    /// # Errors
    /// The system gives none.
    pub fn random() -> Result<Self, getrandom::Error> {
        let mut bytes = [0; LENGTH];
        getrandom::fill(&mut bytes)?;
        let mut text = String::with_capacity(LENGTH + LENGTH / GROUP);
        for (at, byte) in bytes.iter().enumerate() {
            if at > 0 && at % GROUP == 0 {
                text.push('-');
            }
            // 32 divides 256: every letter is as likely as any other.
            let letter = LETTERS.get(usize::from(byte % 32)).unwrap_or(&b'0');
            text.push(char::from(*letter));
        }
        Ok(Self(text))
    }

    /// One that was written down before; `None` if it cannot be one.
    pub fn read(text: &str) -> Option<Self> {
        let letters = text.trim().bytes().filter(|byte| *byte != b'-');
        let is_fit =
            letters.clone().count() == LENGTH && letters.clone().all(|b| LETTERS.contains(&b));
        is_fit.then(|| Self(text.trim().to_owned()))
    }

    /// As it is written down.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Whether `shown` is this one, in constant time. Capitals, and letters that look like digits, are taken for what they
    /// stand for; spaces and hyphens do not count.
    pub fn is(&self, shown: &str) -> bool {
        if shown.len() > 4 * LENGTH {
            return false;
        }
        let shown: String = shown.chars().filter_map(plain).collect();
        let own: String = self.0.chars().filter_map(plain).collect();
        is_same(&own, &shown)
    }
}

fn plain(c: char) -> Option<char> {
    match c.to_ascii_lowercase() {
        '-' | ' ' => None,
        'o' => Some('0'),
        'i' | 'l' => Some('1'),
        c => Some(c),
    }
}

/// Never the token itself: what is logged is not for everybody.
impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token(..)")
    }
}
