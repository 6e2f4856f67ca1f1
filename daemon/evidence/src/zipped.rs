//! The archive: written so that the same files give the same bytes, and read where it lies.
//!
//! A pack comes from a stranger. One is read only if it is built as ours are: nothing compressed or encrypted (so there is
//! nothing to blow up), no name that leaves its folder, no name twice, no link, no two entries with the same bytes, and both
//! of the format's two listings the same, so that no two programs see different files in it.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use nightclamp_archive::{Disk, Found, Lock, WriteFile};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

use crate::error::{At, EvidenceError, Result};

/// Files in a pack at most.
const FILES_MAX: usize = 1 << 20;
/// A file of this many bytes needs the format's longer fields.
const LONG_BYTES: u64 = u32::MAX as u64;

/// An archive being written.
pub(crate) struct Writer {
    path: PathBuf,
    zip: ZipWriter<File>,
}

impl Writer {
    /// Begins an archive; there must be nothing at `path`.
    pub fn create(path: &Path) -> Result<Self> {
        let file = match File::create_new(path) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                return Err(EvidenceError::Exists {
                    path: path.to_path_buf(),
                });
            }
            other => other.at(path, "create")?,
        };
        Ok(Self {
            path: path.to_path_buf(),
            zip: ZipWriter::new(file),
        })
    }

    /// Adds a file of `len` bytes; `write` writes them.
    pub fn add<T>(
        &mut self,
        name: &str,
        len: u64,
        write: impl FnOnce(&mut dyn Write) -> io::Result<T>,
    ) -> Result<T> {
        // The time is the earliest that the format knows: what was when stands in the record.
        let options = SimpleFileOptions::default()
            .compression_method(CompressionMethod::Stored)
            .last_modified_time(zip::DateTime::default())
            .unix_permissions(0o644)
            .large_file(len >= LONG_BYTES);
        let began = self.zip.start_file(name, options);
        began.map_err(io::Error::other).at(&self.path, "write")?;
        write(&mut self.zip).at(&self.path, "write")
    }

    /// Ends the archive, durably.
    pub fn finish(self) -> Result<()> {
        let file = self.zip.finish().map_err(io::Error::other);
        file.and_then(|file| file.sync_all())
            .at(&self.path, "write")
    }
}

/// Where a file lies in the archive.
#[derive(Debug, Clone, Copy)]
struct Place {
    at: u64,
    len: u64,
}

/// A pack as a file system that can only be read.
#[derive(Debug)]
pub(crate) struct Pack {
    path: PathBuf,
    files: BTreeMap<String, Place>,
}

impl Pack {
    /// Looks an archive over.
    ///
    /// # Errors
    /// It cannot be read, or is not built as ours are.
    pub fn open(path: &Path) -> Result<Self> {
        let file = File::open(path).at(path, "open")?;
        let files = places(file).map_err(|why| EvidenceError::NotAPack {
            path: path.to_path_buf(),
            why,
        })?;
        Ok(Self {
            path: path.to_path_buf(),
            files,
        })
    }

    /// The names of all files.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.files.keys().map(String::as_str)
    }

    fn place(&self, path: &Path) -> io::Result<Place> {
        let place = path.to_str().and_then(|name| self.files.get(name));
        place.copied().ok_or_else(|| io::ErrorKind::NotFound.into())
    }
}

fn places(file: File) -> std::result::Result<BTreeMap<String, Place>, String> {
    let not_zip =
        |error: zip::result::ZipError| format!("is not a zip archive that can be read: {error}");
    let mut archive = ZipArchive::new(file).map_err(not_zip)?;
    if archive.len() > FILES_MAX {
        return Err(format!("{} files are more than {FILES_MAX}", archive.len()));
    }
    if archive.offset() != 0 {
        return Err("something stands before the archive".to_owned());
    }
    archive.validate_header_consistency().map_err(not_zip)?;
    if archive.has_overlapping_entries().map_err(not_zip)? {
        return Err("two of its files are the same bytes of it".to_owned());
    }
    let mut places = BTreeMap::new();
    for index in 0..archive.len() {
        let entry = archive.by_index_raw(index).map_err(not_zip)?;
        let name = std::str::from_utf8(entry.name_raw())
            .map_err(|_| "a name in it is not UTF-8".to_owned())?
            .to_owned();
        let told = name.escape_default();
        if !crate::pack::is_plain(&name) {
            return Err(format!("{told}: is no name that a pack of ours has"));
        }
        let is_plain = entry.compression() == CompressionMethod::Stored
            && !entry.encrypted()
            && !entry.is_symlink()
            && entry.size() == entry.compressed_size();
        let place = entry.data_start().filter(|_| is_plain).map(|at| Place {
            at,
            len: entry.size(),
        });
        let place = place.ok_or_else(|| {
            format!("{told}: is not stored plainly, so this is not a pack as it was made; unpack it and check the folder")
        })?;
        places.insert(name, place);
    }
    Ok(places)
}

impl Disk for Pack {
    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        let place = self.place(path)?;
        let mut file = File::open(&self.path)?;
        file.seek(SeekFrom::Start(place.at))?;
        Ok(Box::new(file.take(place.len)))
    }

    fn len(&self, path: &Path) -> io::Result<u64> {
        Ok(self.place(path)?.len)
    }

    fn is_dir(&self, path: &Path) -> bool {
        self.names()
            .any(|name| Path::new(name) != path && Path::new(name).starts_with(path))
    }

    fn list(&self, path: &Path) -> io::Result<Vec<Found>> {
        let below = |name: &str| {
            let rest = Path::new(name).strip_prefix(path).ok()?.to_str()?;
            let (first, is_dir) = match rest.split_once('/') {
                Some((first, _)) => (first, true),
                None => (rest, false),
            };
            (!first.is_empty()).then(|| Found {
                name: first.to_owned(),
                is_dir,
            })
        };
        let mut found: Vec<Found> = self.names().filter_map(below).collect();
        found.sort();
        found.dedup();
        Ok(found)
    }

    fn is_locked(&self, _: &Path) -> bool {
        false
    }

    fn create(&self, _: &Path) -> io::Result<Box<dyn WriteFile>> {
        Err(io::ErrorKind::ReadOnlyFilesystem.into())
    }

    fn append(&self, _: &Path) -> io::Result<Box<dyn WriteFile>> {
        Err(io::ErrorKind::ReadOnlyFilesystem.into())
    }

    fn truncate(&self, _: &Path, _: u64) -> io::Result<()> {
        Err(io::ErrorKind::ReadOnlyFilesystem.into())
    }

    fn rename(&self, _: &Path, _: &Path) -> io::Result<()> {
        Err(io::ErrorKind::ReadOnlyFilesystem.into())
    }

    fn link(&self, _: &Path, _: &Path) -> io::Result<()> {
        Err(io::ErrorKind::ReadOnlyFilesystem.into())
    }

    fn remove(&self, _: &Path) -> io::Result<()> {
        Err(io::ErrorKind::ReadOnlyFilesystem.into())
    }

    fn make_dirs(&self, _: &Path) -> io::Result<()> {
        Err(io::ErrorKind::ReadOnlyFilesystem.into())
    }

    fn sync_dir(&self, _: &Path) -> io::Result<()> {
        Err(io::ErrorKind::ReadOnlyFilesystem.into())
    }

    fn lock(&self, _: &Path, _: &str) -> io::Result<Lock> {
        Err(io::ErrorKind::ReadOnlyFilesystem.into())
    }

    fn free_bytes(&self, _: &Path) -> io::Result<u64> {
        Err(io::ErrorKind::ReadOnlyFilesystem.into())
    }
}
