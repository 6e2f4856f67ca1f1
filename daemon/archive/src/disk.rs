//! Every file operation of the archive goes through here, so that a file system that fails can stand in its place.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::error::{At, Result};

/// What the archive asks of a file system. Paths are whole paths.
pub trait Disk: Send + Sync {
    /// Creates a file that must not exist yet, for writing.
    fn create(&self, path: &Path) -> io::Result<Box<dyn WriteFile>>;
    /// Opens or creates a file for appending.
    fn append(&self, path: &Path) -> io::Result<Box<dyn WriteFile>>;
    /// Opens a file for reading.
    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>>;
    /// Cuts a file to `len` bytes and syncs it.
    fn truncate(&self, path: &Path, len: u64) -> io::Result<()>;
    /// Length of a file, bytes.
    fn len(&self, path: &Path) -> io::Result<u64>;
    /// Whether a directory is there.
    fn is_dir(&self, path: &Path) -> bool;
    /// Puts `from` in the place of `to`, at once.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Gives a file a second name; fails across file systems.
    fn link(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Removes a file.
    fn remove(&self, path: &Path) -> io::Result<()>;
    /// Makes a directory and those above it.
    fn make_dirs(&self, path: &Path) -> io::Result<()>;
    /// Makes the names in a directory durable.
    fn sync_dir(&self, path: &Path) -> io::Result<()>;
    /// Names and kinds in a directory, sorted by name; an absent directory is empty.
    fn list(&self, path: &Path) -> io::Result<Vec<Found>>;
    /// Takes a lock that other processes respect, and writes `holder` into its file.
    fn lock(&self, path: &Path, holder: &str) -> io::Result<Lock>;
    /// Whether somebody has the lock.
    fn is_locked(&self, path: &Path) -> bool;
    /// Bytes that may still be written to the file system on which `path` is.
    fn free_bytes(&self, path: &Path) -> io::Result<u64>;
}

/// What came of taking a lock.
pub enum Lock {
    /// It is held until this is dropped.
    Held(Box<dyn Send + Sync>),
    /// Somebody else has it: what he wrote into its file.
    Taken(String),
}

/// A file open for writing.
pub trait WriteFile: Write + Send {
    /// Makes what was written durable (`fdatasync`).
    fn sync(&mut self) -> io::Result<()>;
}

/// A name in a directory.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Found {
    /// Its name; one that is not UTF-8 is left out of every list.
    pub name: String,
    /// Whether it is a directory.
    pub is_dir: bool,
}

/// The machine's own file system.
#[derive(Debug, Clone, Copy, Default)]
pub struct RealDisk;

impl WriteFile for File {
    fn sync(&mut self) -> io::Result<()> {
        self.sync_data()
    }
}

impl Disk for RealDisk {
    fn create(&self, path: &Path) -> io::Result<Box<dyn WriteFile>> {
        Ok(Box::new(
            OpenOptions::new().write(true).create_new(true).open(path)?,
        ))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn WriteFile>> {
        Ok(Box::new(
            OpenOptions::new().append(true).create(true).open(path)?,
        ))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        Ok(Box::new(File::open(path)?))
    }

    fn truncate(&self, path: &Path, len: u64) -> io::Result<()> {
        let file = OpenOptions::new().write(true).open(path)?;
        file.set_len(len)?;
        file.sync_all()
    }

    fn len(&self, path: &Path) -> io::Result<u64> {
        Ok(fs::metadata(path)?.len())
    }

    fn is_dir(&self, path: &Path) -> bool {
        path.is_dir()
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::hard_link(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }

    fn make_dirs(&self, path: &Path) -> io::Result<()> {
        fs::create_dir_all(path)
    }

    fn sync_dir(&self, path: &Path) -> io::Result<()> {
        File::open(path)?.sync_all()
    }

    fn list(&self, path: &Path) -> io::Result<Vec<Found>> {
        let entries = match fs::read_dir(path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            other => other?,
        };
        let mut found = Vec::new();
        for entry in entries {
            let entry = entry?;
            if let Ok(name) = entry.file_name().into_string() {
                found.push(Found {
                    name,
                    is_dir: entry.file_type()?.is_dir(),
                });
            }
        }
        found.sort();
        Ok(found)
    }

    fn lock(&self, path: &Path, holder: &str) -> io::Result<Lock> {
        let mut options = File::options();
        options.read(true).write(true).create(true).truncate(false);
        let mut file = options.open(path)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut other = String::new();
                file.read_to_string(&mut other)?;
                return Ok(Lock::Taken(other));
            }
            Err(TryLockError::Error(error)) => return Err(error),
        }
        // Who holds it is for people. It may not be written on a disk that is full: the lock holds all the same.
        if file.set_len(0).is_ok() {
            writeln!(file, "{holder}").unwrap_or_default();
        }
        Ok(Lock::Held(Box::new(file)))
    }

    fn is_locked(&self, path: &Path) -> bool {
        File::open(path)
            .is_ok_and(|file| matches!(file.try_lock_shared(), Err(TryLockError::WouldBlock)))
    }

    #[allow(clippy::useless_conversion, reason = "narrower on other machines")]
    fn free_bytes(&self, path: &Path) -> io::Result<u64> {
        let space = nix::sys::statvfs::statvfs(path)?;
        // As a program without privileges sees it: what is kept for the system is not ours to fill.
        Ok(u64::from(space.blocks_available()) * u64::from(space.fragment_size()))
    }
}

/// A disk on which a call that a signal interrupted is made again, whatever call it is.
pub(crate) struct Steady(pub Arc<dyn Disk>);

fn again<T>(mut call: impl FnMut() -> io::Result<T>) -> io::Result<T> {
    loop {
        match call() {
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            other => return other,
        }
    }
}

struct SteadyFile<F>(F);

impl Write for SteadyFile<Box<dyn WriteFile>> {
    fn write(&mut self, buffer: &[u8]) -> io::Result<usize> {
        again(|| self.0.write(buffer))
    }

    fn flush(&mut self) -> io::Result<()> {
        again(|| self.0.flush())
    }
}

impl WriteFile for SteadyFile<Box<dyn WriteFile>> {
    fn sync(&mut self) -> io::Result<()> {
        again(|| self.0.sync())
    }
}

impl Read for SteadyFile<Box<dyn Read + Send>> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        again(|| self.0.read(buffer))
    }
}

impl Disk for Steady {
    fn create(&self, path: &Path) -> io::Result<Box<dyn WriteFile>> {
        Ok(Box::new(SteadyFile(again(|| self.0.create(path))?)))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn WriteFile>> {
        Ok(Box::new(SteadyFile(again(|| self.0.append(path))?)))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        Ok(Box::new(SteadyFile(again(|| self.0.open(path))?)))
    }

    fn truncate(&self, path: &Path, len: u64) -> io::Result<()> {
        again(|| self.0.truncate(path, len))
    }

    fn len(&self, path: &Path) -> io::Result<u64> {
        again(|| self.0.len(path))
    }

    fn is_dir(&self, path: &Path) -> bool {
        self.0.is_dir(path)
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        again(|| self.0.rename(from, to))
    }

    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        again(|| self.0.link(from, to))
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        again(|| self.0.remove(path))
    }

    fn make_dirs(&self, path: &Path) -> io::Result<()> {
        again(|| self.0.make_dirs(path))
    }

    fn sync_dir(&self, path: &Path) -> io::Result<()> {
        again(|| self.0.sync_dir(path))
    }

    fn list(&self, path: &Path) -> io::Result<Vec<Found>> {
        again(|| self.0.list(path))
    }

    fn lock(&self, path: &Path, holder: &str) -> io::Result<Lock> {
        again(|| self.0.lock(path, holder))
    }

    fn is_locked(&self, path: &Path) -> bool {
        self.0.is_locked(path)
    }

    fn free_bytes(&self, path: &Path) -> io::Result<u64> {
        again(|| self.0.free_bytes(path))
    }
}

/// What every temporary file's name begins with; such a file is nobody's and is cleared at the next opening.
pub(crate) const TEMPORARY: &str = ".tmp-";

/// The temporary name beside `path`.
pub(crate) fn temporary(path: &Path) -> PathBuf {
    let name = path
        .file_name()
        .map(|name| name.to_string_lossy())
        .unwrap_or_default();
    path.with_file_name(format!("{TEMPORARY}{}", name.trim_end_matches(".parquet")))
}

/// Writes a whole file so that a reader sees all of it or none: temporary file, sync, rename, sync of the directory.
pub(crate) fn publish(disk: &dyn Disk, path: &Path, bytes: &[u8]) -> Result<()> {
    let unfinished = temporary(path);
    let mut file = begin_temporary(disk, &unfinished)?;
    file.write_all(bytes).at(&unfinished, "write")?;
    file.sync().at(&unfinished, "sync")?;
    drop(file);
    put_in_place(disk, &unfinished, path)
}

/// Creates a temporary file, over one that an earlier try has left.
pub(crate) fn begin_temporary(disk: &dyn Disk, path: &Path) -> Result<Box<dyn WriteFile>> {
    match disk.remove(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => {
            return Err(error).at(path, "remove");
        }
        _ => {}
    }
    disk.create(path).at(path, "create")
}

/// Renames a synced temporary file to its name and makes the name durable.
pub(crate) fn put_in_place(disk: &dyn Disk, unfinished: &Path, path: &Path) -> Result<()> {
    disk.rename(unfinished, path).at(path, "put in place")?;
    sync_parent(disk, path)
}

/// Makes the name `path` durable.
pub(crate) fn sync_parent(disk: &dyn Disk, path: &Path) -> Result<()> {
    let parent = path.parent().unwrap_or(Path::new("."));
    disk.sync_dir(parent).at(parent, "sync")
}

/// The directory of files that were damaged, from the record directory.
pub(crate) const DAMAGED: &str = "damaged";

/// Moves a damaged file of the record to where it is in nobody's way, and is kept; its path there, from the record directory.
pub(crate) fn set_aside(disk: &dyn Disk, root: &Path, path: &str) -> Result<String> {
    let directory = root.join(DAMAGED);
    make_dirs_synced(disk, root, &directory)?;
    let name = path.replace('/', "~");
    let mut number = 1;
    loop {
        let aside = format!("{DAMAGED}/{name}.{number}");
        let whole = root.join(&aside);
        if disk.len(&whole).is_err() {
            disk.rename(&root.join(path), &whole)
                .at(&root.join(path), "set aside")?;
            sync_parent(disk, &whole)?;
            sync_parent(disk, &root.join(path))?;
            return Ok(aside);
        }
        number += 1;
    }
}

/// Removes a file if it is there; whether it was.
pub(crate) fn remove_if_there(disk: &dyn Disk, path: &Path) -> Result<bool> {
    match disk.remove(path) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
        Err(error) => Err(error).at(path, "remove"),
    }
}

/// Reads a whole file.
pub(crate) fn read(disk: &dyn Disk, path: &Path) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    disk.open(path)
        .at(path, "open")?
        .read_to_end(&mut bytes)
        .at(path, "read")?;
    Ok(bytes)
}

/// Makes a directory below `root` and syncs every new name on the way, so that a synced file in it cannot vanish.
pub(crate) fn make_dirs_synced(disk: &dyn Disk, root: &Path, path: &Path) -> Result<()> {
    disk.make_dirs(path).at(path, "create")?;
    let mut above = path.parent();
    while let Some(directory) = above {
        disk.sync_dir(directory).at(directory, "sync")?;
        if directory == root || !directory.starts_with(root) {
            break;
        }
        above = directory.parent();
    }
    Ok(())
}
