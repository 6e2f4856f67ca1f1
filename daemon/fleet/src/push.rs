//! Pushing a record: sealed files, each once, verified; then the manifest that vouches for them.

use std::collections::HashSet;
use std::fs::File;
use std::io::Read as _;
use std::path::{Path as FilePath, PathBuf};

use nightclamp_analysis::job::Job;
use nightclamp_archive::{CUSTOMER_FILE, Listed, Stored, units_table};
use object_store::path::Path;
use object_store::{ObjectStoreExt as _, PutPayload, WriteMultipart};
use sha2::{Digest, Sha256};

use crate::error::{FleetError, Result};
use crate::place::{Places, is_name};
use crate::store::Target;

/// Bytes that are sent or read back at a time; a longer file goes in parts of so many.
const PART_BYTES: usize = 8 << 20;
/// Parts under way at a time.
const PARTS_UNDER_WAY: usize = 2;

/// What was pushed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Pushed {
    /// The site, as the job file names it.
    pub site: String,
    /// The record's name in the dataset.
    pub record: String,
    /// Files uploaded now, and their bytes.
    pub files: usize,
    /// Bytes of these.
    pub bytes: u64,
    /// Files that were there already.
    pub there: usize,
    /// Places in the dataset of tables that the record has withdrawn since, because another job file came into force. Nothing is
    /// deleted from afar: a person has to.
    pub stale: Vec<String>,
    /// Whether what identifies a customer was kept at home.
    pub has_kept_customer: bool,
}

/// Pushes what is sealed of the record in `dir`; `tell` hears the name of each file that is uploaded.
///
/// # Errors
/// The record cannot be pushed, something else is at its place, or the store fails: what was uploaded by then stays and is not
/// uploaded again.
pub async fn push(target: &Target, dir: &FilePath, mut tell: impl FnMut(&str)) -> Result<Pushed> {
    let ready = Ready::of(target, dir)?;
    let vouched = ready.vouched(target).await?;
    let mut pushed = Pushed {
        site: ready.places.site.clone(),
        record: ready.places.record.clone(),
        has_kept_customer: ready.files.iter().any(|file| file.path == CUSTOMER_FILE),
        stale: ready.stale(&vouched),
        ..Pushed::default()
    };
    for file in ready.files.iter().filter(|file| file.path != CUSTOMER_FILE) {
        let is_vouched = vouched.contains(&(file.path.clone(), file.sha256.clone()));
        if is_vouched || ready.is_there(target, file).await? {
            pushed.there += 1;
            continue;
        }
        tell(&file.path);
        upload(
            target,
            &dir.join(&file.path),
            &ready.places.of(&file.path),
            &file.sha256,
        )
        .await?;
        pushed.files += 1;
        pushed.bytes += file.bytes;
    }
    small(target, &ready.places.units(), &ready.units).await?;
    small(target, &ready.places.manifest(), &ready.manifest).await?;
    Ok(pushed)
}

/// A path and a SHA-256 that it has, or had.
type Named = (String, String);

/// A record that can be pushed.
struct Ready {
    places: Places,
    files: Vec<Listed>,
    manifest: Vec<u8>,
    /// All that its manifest ever listed.
    ever: HashSet<Named>,
    /// Paths of tables that were withdrawn.
    withdrawn: HashSet<String>,
    units: Vec<u8>,
}

impl Ready {
    fn of(target: &Target, dir: &FilePath) -> Result<Self> {
        let not_ready = |path: PathBuf, why: String| FleetError::NotReady { path, why };
        let stored = Stored::open(dir)?;
        if let Some(problem) = stored.problems().first() {
            let why = format!("{problem}; nightclamp verify says what does not hold");
            return Err(not_ready(dir.to_path_buf(), why));
        }
        let jobs = stored.jobs()?;
        let newest = jobs.last().map(|job| job.text.as_str()).unwrap_or_default();
        let job = Job::parse(newest, "the job file in force")
            .map_err(|error| not_ready(dir.to_path_buf(), error.to_string()))?;
        let site = job.site.clone().ok_or_else(|| {
            not_ready(
                dir.join("job.toml"),
                "job.site: is needed to tell the sites apart".to_owned(),
            )
        })?;
        let whole = std::path::absolute(dir).map_err(|source| FleetError::Io {
            path: dir.to_path_buf(),
            source,
        })?;
        let record = whole
            .file_name()
            .and_then(|name| name.to_str())
            .filter(|name| is_name(name));
        let record = record.ok_or_else(|| {
            let why =
                "the directory's name becomes the record's: letters, digits, -, _ and . are needed";
            not_ready(dir.to_path_buf(), why.to_owned())
        })?;
        let manifest = manifest(dir, stored.chain().1)?;
        let (ever, withdrawn) = named_in(&manifest);
        Ok(Self {
            places: Places {
                base: target.base.clone(),
                site,
                record: record.to_owned(),
            },
            files: stored.listed(),
            ever,
            withdrawn,
            manifest,
            units: units_table(&job)?,
        })
    }

    /// What the manifest that is there lists: all of it was uploaded and read back.
    async fn vouched(&self, target: &Target) -> Result<HashSet<Named>> {
        let place = self.places.manifest();
        let Some(there) = whole(target, &place).await? else {
            return Ok(HashSet::new());
        };
        if self.manifest.starts_with(&there) {
            return Ok(named_in(&there).0);
        }
        let why = match there.starts_with(&self.manifest) {
            true => "more of this record is there than here: an older copy of it is being pushed",
            false => "another record of this name is there; give the directory another name",
        };
        Err(FleetError::Occupied {
            place: place.to_string(),
            why: why.to_owned(),
        })
    }

    /// Tables that are vouched for there and withdrawn here.
    fn stale(&self, vouched: &HashSet<Named>) -> Vec<String> {
        let is_gone = |path: &&String| {
            self.withdrawn.contains(*path) && self.files.iter().all(|file| file.path != **path)
        };
        let paths: HashSet<&String> = vouched
            .iter()
            .map(|(path, _)| path)
            .filter(is_gone)
            .collect();
        let mut stale: Vec<String> = paths
            .into_iter()
            .map(|path| self.places.of(path).to_string())
            .collect();
        stale.sort();
        stale
    }

    /// Whether a file was uploaded by a push that did not come to its end.
    async fn is_there(&self, target: &Target, file: &Listed) -> Result<bool> {
        let place = self.places.of(&file.path);
        let Some(sha256) = hash_there(target, &place).await? else {
            return Ok(false);
        };
        if sha256 == file.sha256 {
            return Ok(true);
        }
        // It may be what the file was before it was replaced; anything else is not ours.
        match self.ever.contains(&(file.path.clone(), sha256)) {
            true => Ok(false),
            false => Err(FleetError::Occupied {
                place: place.to_string(),
                why: "is there with other bytes than any that this record sealed under that name"
                    .to_owned(),
            }),
        }
    }
}

/// The first `lines` lines of the record's manifest.
fn manifest(dir: &FilePath, lines: usize) -> Result<Vec<u8>> {
    let path = dir.join("manifest.jsonl");
    let bytes = std::fs::read(&path).map_err(|source| FleetError::Io { path, source })?;
    let ends = bytes.iter().enumerate().filter(|(_, byte)| **byte == b'\n');
    let end = ends.take(lines).last().map_or(0, |(at, _)| at + 1);
    Ok(bytes.get(..end).unwrap_or_default().to_vec())
}

/// What a manifest ever listed, and the paths it withdrew last.
fn named_in(manifest: &[u8]) -> (HashSet<Named>, HashSet<String>) {
    let (mut named, mut withdrawn) = (HashSet::new(), HashSet::new());
    for line in manifest.split(|byte| *byte == b'\n') {
        let Ok(line) = serde_json::from_slice::<serde_json::Value>(line) else {
            continue;
        };
        let text = |key: &str| {
            line.get(key)
                .and_then(|value| value.as_str())
                .map(str::to_owned)
        };
        if let (Some(path), Some(sha256)) = (text("path"), text("sha256")) {
            match line.get("withdrawn").is_some() {
                true => withdrawn.insert(path.clone()),
                false => withdrawn.remove(&path),
            };
            named.insert((path, sha256));
        }
    }
    (named, withdrawn)
}

fn at<T>(place: &Path, done: object_store::Result<T>) -> Result<T> {
    done.map_err(|source| FleetError::Store {
        place: place.to_string(),
        source,
    })
}

fn hex(digest: &[u8]) -> String {
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A small object, if it is there.
async fn whole(target: &Target, place: &Path) -> Result<Option<Vec<u8>>> {
    match target.store.get(place).await {
        Err(object_store::Error::NotFound { .. }) => Ok(None),
        other => Ok(Some(at(place, at(place, other)?.bytes().await)?.to_vec())),
    }
}

/// The SHA-256 of what is there, read back; `None` if nothing is.
async fn hash_there(target: &Target, place: &Path) -> Result<Option<String>> {
    let size = match target.store.head(place).await {
        Err(object_store::Error::NotFound { .. }) => return Ok(None),
        other => at(place, other)?.size,
    };
    let (mut hasher, mut from) = (Sha256::new(), 0);
    while from < size {
        let until = size.min(from + PART_BYTES as u64);
        hasher.update(at(place, target.store.get_range(place, from..until).await)?);
        from = until;
    }
    Ok(Some(hex(&hasher.finalize())))
}

/// Puts a small object there unless it is there, and reads it back.
async fn small(target: &Target, place: &Path, bytes: &[u8]) -> Result<()> {
    if whole(target, place).await?.as_deref() == Some(bytes) {
        return Ok(());
    }
    at(
        place,
        target
            .store
            .put(place, PutPayload::from(bytes.to_vec()))
            .await,
    )?;
    match whole(target, place).await?.as_deref() == Some(bytes) {
        true => Ok(()),
        false => Err(FleetError::NotAsSent {
            place: place.to_string(),
        }),
    }
}

/// Uploads a sealed file, and reads it back.
async fn upload(target: &Target, path: &FilePath, place: &Path, sha256: &str) -> Result<()> {
    let failed = |source| FleetError::Io {
        path: path.to_path_buf(),
        source,
    };
    let mut file = File::open(path).map_err(failed)?;
    let (mut hasher, mut part) = (Sha256::new(), Vec::new());
    let mut next = |part: &mut Vec<u8>| {
        part.clear();
        file.by_ref()
            .take(PART_BYTES as u64)
            .read_to_end(part)
            .map_err(failed)?;
        hasher.update(&part);
        Ok::<_, FleetError>(hex(&hasher.clone().finalize()))
    };
    let first = next(&mut part)?;
    if part.len() < PART_BYTES {
        is_sealed(path, &first, sha256)?;
        at(place, target.store.put(place, PutPayload::from(part)).await)?;
    } else {
        let mut parts = WriteMultipart::new_with_chunk_size(
            at(place, target.store.put_multipart(place).await)?,
            PART_BYTES,
        );
        let mut sent = first;
        while !part.is_empty() {
            at(place, parts.wait_for_capacity(PARTS_UNDER_WAY).await)?;
            parts.write(&part);
            sent = next(&mut part)?;
        }
        if let Err(error) = is_sealed(path, &sent, sha256) {
            // What cannot be given up now the store forgets by its own rules; nothing of it is ever seen.
            parts.abort().await.unwrap_or_default();
            return Err(error);
        }
        at(place, parts.finish().await)?;
    }
    match hash_there(target, place).await?.as_deref() == Some(sha256) {
        true => Ok(()),
        false => Err(FleetError::NotAsSent {
            place: place.to_string(),
        }),
    }
}

fn is_sealed(path: &FilePath, is: &str, sealed: &str) -> Result<()> {
    if is == sealed {
        return Ok(());
    }
    Err(FleetError::NotReady {
        path: path.to_path_buf(),
        why: "its bytes are not those that were sealed; nightclamp verify says more".to_owned(),
    })
}
