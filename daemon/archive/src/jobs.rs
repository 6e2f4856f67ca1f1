//! The job files that were in force: `raw/job-0001.toml`, `raw/job-0002.toml`, ...
//!
//! Each holds from the note that names it in a raw log (`job file=job-0002.toml sha256=...`), for that log; the first holds
//! before any note.

use std::path::Path;

use nightclamp_analysis::job::{Job, JobVersion};
use nightclamp_analysis::projection::Projection;

use crate::disk::{self, Disk};
use crate::error::{ArchiveError, At, Result};
use crate::manifest::sha256;
use crate::segments::RAW;

/// A job file as a record keeps it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptJob {
    /// Its name in `raw/`.
    pub file: String,
    /// Its SHA-256, 64 hexadecimal digits.
    pub sha256: String,
    /// Its text.
    pub text: String,
}

/// The heart under the job files of a record, each from its note on.
///
/// # Errors
/// What is wrong with one of them, or that there is none.
pub fn heart_of(jobs: &[KeptJob]) -> std::result::Result<Projection, String> {
    let version = |kept: &KeptJob| {
        let job = Job::parse(&kept.text, &format!("{RAW}/{}", kept.file));
        Ok(JobVersion {
            file: kept.file.clone(),
            sha256: kept.sha256.clone(),
            job: job.map_err(|error| error.to_string())?,
        })
    };
    let versions: std::result::Result<Vec<JobVersion>, String> = jobs.iter().map(version).collect();
    let mut versions = versions?.into_iter();
    let first = versions.next().ok_or("the record keeps no job file")?;
    Ok(Projection::under(first, versions.collect()))
}

/// All job files of a record, in the order in which they came into force.
pub(crate) fn kept_jobs(disk: &dyn Disk, root: &Path) -> Result<Vec<KeptJob>> {
    let raw = root.join(RAW);
    let found = disk.list(&raw).at(&raw, "list")?;
    let mut numbers: Vec<u32> = found
        .iter()
        .filter_map(|found| job_number(&found.name))
        .collect();
    numbers.sort_unstable();
    numbers
        .into_iter()
        .map(|number| {
            let file = job_name(number);
            let path = raw.join(&file);
            let bytes = disk::read(disk, &path)?;
            let hash = sha256(&bytes);
            let text = String::from_utf8(bytes).map_err(|error| ArchiveError::BadJob {
                path,
                why: error.to_string(),
            })?;
            Ok(KeptJob {
                file,
                sha256: hash,
                text,
            })
        })
        .collect()
}

/// The newest job file in `raw/`.
pub(crate) fn newest_job(disk: &dyn Disk, root: &Path) -> Result<Option<String>> {
    let raw = root.join(RAW);
    let found = disk.list(&raw).at(&raw, "list")?;
    let numbers = found
        .iter()
        .filter_map(|found| Some((job_number(&found.name)?, &found.name)));
    Ok(numbers.max().map(|(_, name)| name.clone()))
}

pub(crate) fn job_name(number: u32) -> String {
    format!("job-{number:04}.toml")
}

/// The number of a kept job file, if that is what the name is.
pub(crate) fn job_number(name: &str) -> Option<u32> {
    name.strip_prefix("job-")?
        .strip_suffix(".toml")?
        .parse()
        .ok()
}
