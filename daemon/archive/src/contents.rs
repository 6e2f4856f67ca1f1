//! What a record is made of, for whoever hands it on.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::DateTime;
use nightclamp_analysis::job::Job;

use crate::customer::CUSTOMER;
use crate::disk::{Disk, RealDisk};
use crate::error::{ArchiveError, Result};
use crate::jobs::kept_jobs;
use crate::manifest::{self, MANIFEST};
use crate::record::{JOB, TABLES};
use crate::segments::RAW;
use crate::tables::files_below;

/// The files of a record, and what it is about in a few words.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Contents {
    /// All that belongs to the record, as paths from its directory, in order: `customer.toml` if there is one, the job file in
    /// force, the manifest, raw logs and job files, tables. Not what was set aside as damaged.
    pub files: Vec<String>,
    /// SHA-256 of those that are sealed, as the manifest lists them.
    pub sealed: BTreeMap<String, String>,
    /// Whether what identifies a customer is among them.
    pub has_customer: bool,
    /// The job's name, of the newest job file.
    pub job_name: String,
    /// The site's, if it has one.
    pub site: Option<String>,
    /// The units, in the job file's order.
    pub units: Vec<String>,
    /// The first stamp in the raw logs, by the clocks of the place, with their offset: `2026-11-25 17:00:00+00:00`.
    pub first_time: Option<String>,
    /// The last one.
    pub last_time: Option<String>,
    /// The zone of those clocks, IANA.
    pub timezone: String,
    /// Raw logs that were removed because a limit had been set.
    pub removed: usize,
    /// Lines of the manifest.
    pub lines: usize,
    /// The chain of its last one, 64 hexadecimal digits.
    pub chain: String,
}

/// What the record in `dir` is made of.
///
/// # Errors
/// There is no record, or it cannot be read.
pub fn contents(dir: &Path) -> Result<Contents> {
    let disk = RealDisk;
    let missing = |missing| ArchiveError::NoRecord {
        path: dir.to_path_buf(),
        missing,
    };
    let jobs = kept_jobs(&disk, dir)?;
    let newest = jobs.last().ok_or_else(|| missing("raw/job-0001.toml"))?;
    let file = format!("{RAW}/{}", newest.file);
    let job = Job::parse(&newest.text, &file).map_err(|error| ArchiveError::BadJob {
        path: dir.join(&file),
        why: error.to_string(),
    })?;
    let listed = manifest::read(&disk, &dir.join(MANIFEST))?;
    let in_force = listed.in_force();
    let raw = || {
        in_force
            .iter()
            .filter(|entry| entry.path.starts_with("raw/"))
    };
    let is_there = |name: &&str| disk.len(&dir.join(name)).is_ok();
    let top = [CUSTOMER, JOB, MANIFEST].into_iter().filter(is_there);
    let mut files: Vec<String> = top.map(str::to_owned).collect();
    let has_customer = files.iter().any(|path| path == CUSTOMER);
    files.extend(files_below(&disk, dir, &[RAW])?);
    files.extend(files_below(&disk, dir, &TABLES)?);
    files.retain(|path| !path.contains("/.tmp-"));
    let by_its_clocks = |time: String| match DateTime::parse_from_rfc3339(&time) {
        Ok(time) => {
            let time = time.with_timezone(&job.timezone);
            time.format("%Y-%m-%d %H:%M:%S%:z").to_string()
        }
        Err(_) => time,
    };
    let first_time = raw().filter_map(|entry| entry.first_time.clone()).min();
    let last_time = raw().filter_map(|entry| entry.last_time.clone()).max();
    let (first_time, last_time) = (first_time.map(by_its_clocks), last_time.map(by_its_clocks));
    let sealed = in_force.iter();
    let sealed = sealed.map(|entry| (entry.path.clone(), entry.sha256.clone()));
    Ok(Contents {
        files,
        sealed: sealed.collect(),
        has_customer,
        job_name: job.name,
        site: job.site,
        units: job.units.into_iter().map(|unit| unit.name).collect(),
        first_time,
        last_time,
        timezone: job.timezone.to_string(),
        removed: listed.removed().count(),
        lines: listed.entries.len(),
        chain: listed.chain.clone(),
    })
}
