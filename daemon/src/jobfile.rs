//! Reading a job file named on the command line.

use std::fs;
use std::io::Read;
use std::path::Path;

use anyhow::{Context, anyhow};
use nightclamp_analysis::job::Job;

use crate::Failure;

/// Largest job or customer file, bytes: far more than any needs, far less than a file named by mistake can be.
const JOB_BYTES_MAX: u64 = 1 << 20;

/// A job file as read and as understood.
#[derive(Debug, Clone)]
pub struct JobFile {
    /// Its text.
    pub text: String,
    /// What it says, checked.
    pub job: Job,
}

impl JobFile {
    /// Reads and checks the job file at `path`.
    ///
    /// # Errors
    /// A wrong call: there is no such file, it cannot be read, or it is wrong (with key and line).
    pub fn read(path: &Path) -> Result<Self, Failure> {
        let shown = path.display();
        let bytes = read_named(path)?;
        let job = Job::parse_bytes(&bytes, &shown.to_string())
            .map_err(|error| Failure::Call(error.into()))?;
        let text =
            String::from_utf8(bytes).map_err(|error| Failure::Call(anyhow!("{shown}: {error}")))?;
        Ok(Self { text, job })
    }

    /// The same for recording: at least one board needs a port.
    ///
    /// # Errors
    /// As [`JobFile::read`], and if there is nothing to record from.
    pub fn read_to_record(path: &Path) -> Result<Self, Failure> {
        let file = Self::read(path)?;
        if file.has_port() {
            return Ok(file);
        }
        Err(Failure::call(format!(
            "{}: no [[board]] has a `port`, so there is nothing to record from (nightclamp ports lists them)",
            path.display()
        )))
    }

    /// Whether there is anything to record from.
    pub fn has_port(&self) -> bool {
        self.job.boards.iter().any(|board| board.port.is_some())
    }
}

/// Reads a small file that the call names.
///
/// # Errors
/// A wrong call: there is no such file, it cannot be read, or it is far too long.
pub fn read_named(path: &Path) -> Result<Vec<u8>, Failure> {
    let shown = path.display();
    let bytes = read_bounded(path)
        .with_context(|| format!("{shown}: could not be read"))
        .map_err(Failure::Call)?;
    if bytes.len() as u64 > JOB_BYTES_MAX {
        return Err(Failure::call(format!(
            "{shown}: is longer than {JOB_BYTES_MAX} bytes, no file of this kind is"
        )));
    }
    Ok(bytes)
}

/// The text of the job file at `path`, whatever it says.
///
/// # Errors
/// It cannot be read, or is no text, or longer than any job file.
pub fn read_text(path: &Path) -> std::io::Result<String> {
    let bytes = read_bounded(path)?;
    if bytes.len() as u64 > JOB_BYTES_MAX {
        return Err(std::io::Error::other(format!(
            "is longer than {JOB_BYTES_MAX} bytes, no job file is"
        )));
    }
    String::from_utf8(bytes).map_err(std::io::Error::other)
}

fn read_bounded(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    fs::File::open(path)?
        .take(JOB_BYTES_MAX + 1)
        .read_to_end(&mut bytes)?;
    Ok(bytes)
}
