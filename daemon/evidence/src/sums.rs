//! `SHA256SUMS`: a line for each file, as `sha256sum` writes and checks it.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::{self, Read};

use sha2::{Digest, Sha256};

/// Bytes hashed at a time.
const STEP_BYTES: usize = 1 << 18;

/// SHA-256 by path.
pub(crate) type Sums = BTreeMap<String, String>;

/// The file's text: sorted by path.
pub(crate) fn to_text(sums: &Sums) -> String {
    sums.iter().fold(String::new(), |mut text, (path, sha256)| {
        writeln!(text, "{sha256}  {path}").unwrap_or_default();
        text
    })
}

/// Reads the file's text; what is wrong with a line is in the second part.
pub(crate) fn from_text(text: &str) -> (Sums, Vec<String>) {
    let (mut sums, mut problems) = (Sums::new(), Vec::new());
    for (index, line) in text.lines().enumerate() {
        let is_hash = |hash: &str| hash.len() == 64 && hash.bytes().all(|b| b.is_ascii_hexdigit());
        match line.split_once("  ") {
            Some((sha256, path)) if is_hash(sha256) => {
                if sums.insert(path.to_owned(), sha256.to_owned()).is_some() {
                    problems.push(format!("SHA256SUMS:{}: names {path} again", index + 1));
                }
            }
            _ => problems.push(format!("SHA256SUMS:{}: is no checksum and file", index + 1)),
        }
    }
    (sums, problems)
}

/// Hexadecimal.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Hexadecimal SHA-256 of what a reader gives; `also` sees every byte.
pub(crate) fn hash(
    from: &mut dyn Read,
    mut also: impl FnMut(&[u8]) -> io::Result<()>,
) -> io::Result<String> {
    let (mut hasher, mut buffer) = (Sha256::new(), vec![0; STEP_BYTES]);
    loop {
        let read = match from.read(&mut buffer) {
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            other => other?,
        };
        let bytes = buffer.get(..read).unwrap_or_default();
        if bytes.is_empty() {
            return Ok(hex(&hasher.finalize()));
        }
        hasher.update(bytes);
        also(bytes)?;
    }
}
