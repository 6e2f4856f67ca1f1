//! A file system in memory that keeps apart what is durable and what is not, loses the latter when its power is cut, and
//! fails when told to.
//!
//! Data and length of a file are durable once the file is synced; a name, its change or its removal once its directory is.
//! A power cut leaves of everything else what a seed decides: nothing, all, or any part of it, writes torn or as holes of
//! zeros. A sync that fails forgets what it should have written, as Linux does: the next sync of that file succeeds without
//! it.

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};

use nightclamp_archive::{Disk, Found, Lock, WriteFile};

/// Reproducible numbers (SplitMix64, Steele, Lea and Flood, 2014).
pub struct Dice(pub u64);

impl Dice {
    pub fn below(&mut self, n: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % n.max(1)
    }
}

/// What is left of what was not durable.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Left {
    Nothing,
    All,
    /// Names stay, lengths stay, data does not: zeros.
    Zeros,
    /// Any part.
    Some(u64),
}

/// How an operation fails.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// No space left, for what needs space.
    Full,
    /// Input/output error, for every operation, reading included.
    Io,
    /// Interrupted by a signal, for every operation.
    Interrupted,
    /// Only syncs fail.
    Sync,
    /// Only cutting a file fails.
    Cut,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Deed {
    Write,
    Name,
    Sync,
    Cut,
    Read,
}

#[derive(Debug, Default, Clone)]
struct Inode {
    now: Vec<u8>,
    durable: Vec<u8>,
    /// Writes since the last sync: offset and bytes.
    pending: Vec<(usize, Vec<u8>)>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Node {
    File(usize),
    Dir,
}

/// A change of names: those that go, those that come.
#[derive(Debug, Clone)]
struct Change {
    gone: Vec<PathBuf>,
    come: Vec<(PathBuf, Node)>,
}

impl Change {
    fn touches(&self, directories: &HashSet<PathBuf>) -> bool {
        self.paths()
            .any(|path| directories.contains(path.parent().unwrap()))
    }

    fn paths(&self) -> impl Iterator<Item = &PathBuf> {
        self.gone
            .iter()
            .chain(self.come.iter().map(|(path, _)| path))
    }

    fn apply(&self, names: &mut BTreeMap<PathBuf, Node>) {
        for path in &self.gone {
            names.remove(path);
        }
        for (path, node) in &self.come {
            names.insert(path.clone(), *node);
        }
    }
}

#[derive(Debug, Default)]
struct World {
    inodes: Vec<Inode>,
    now: BTreeMap<PathBuf, Node>,
    durable: BTreeMap<PathBuf, Node>,
    pending: Vec<Change>,
    /// Operations that change something, and all.
    changes: u64,
    operations: u64,
    /// Dies at this change.
    dies_at: Option<u64>,
    is_dead: bool,
    /// Power cuts so far: what was opened before one is of no use.
    life: u64,
    fault: Option<(Fault, u64, bool)>,
    faults_met: u64,
    capacity: Option<u64>,
    locks: BTreeMap<PathBuf, u64>,
    names_locked: u64,
}

/// The disk.
#[derive(Clone, Default)]
pub struct Sim(Arc<Mutex<World>>);

impl Sim {
    pub fn new() -> Arc<Self> {
        Arc::default()
    }

    fn world(&self) -> MutexGuard<'_, World> {
        self.0
            .lock()
            .unwrap_or_else(|poisoned| poisoned.into_inner())
    }

    /// Operations so far that changed something.
    pub fn changes(&self) -> u64 {
        self.world().changes
    }

    /// All operations so far.
    pub fn operations(&self) -> u64 {
        self.world().operations
    }

    /// The power goes at this change, counted from now; `Some(0)` at the next one.
    pub fn dies_after(&self, changes: Option<u64>) {
        let mut world = self.world();
        world.dies_at = changes.map(|changes| world.changes + changes);
    }

    /// The operation `after` from now fails, and if `forever` all after it.
    pub fn fails_after(&self, fault: Fault, after: u64, forever: bool) {
        let mut world = self.world();
        world.fault = Some((fault, world.operations + after, forever));
    }

    pub fn heals(&self) {
        self.world().fault = None;
    }

    pub fn faults_met(&self) -> u64 {
        self.world().faults_met
    }

    /// The file system has so many bytes in all.
    pub fn set_capacity(&self, bytes: Option<u64>) {
        self.world().capacity = bytes;
    }

    pub fn used(&self) -> u64 {
        self.world().used()
    }

    /// The power is cut and comes back.
    pub fn cut(&self, left: Left) {
        let mut world = self.world();
        world.life += 1;
        let mut dice = Dice(match left {
            Left::Some(seed) => seed,
            _ => 0,
        });
        for inode in &mut world.inodes {
            settle(inode, left, &mut dice);
        }
        for change in std::mem::take(&mut world.pending) {
            let is_kept = match left {
                Left::Nothing => false,
                Left::All | Left::Zeros => true,
                Left::Some(_) => dice.below(2) == 0,
            };
            if is_kept {
                change.apply(&mut world.durable);
            }
        }
        let durable = world.durable.clone();
        let is_reachable = |path: &Path| {
            path.ancestors()
                .skip(1)
                .all(|above| above == Path::new("/") || durable.get(above) == Some(&Node::Dir))
        };
        world.durable.retain(|path, _| is_reachable(path));
        world.now = world.durable.clone();
        world.locks.clear();
        (world.is_dead, world.dies_at, world.fault) = (false, None, None);
    }

    /// The program is killed; the machine goes on.
    pub fn kill(&self) {
        let mut world = self.world();
        world.life += 1;
        world.locks.clear();
        (world.is_dead, world.dies_at, world.fault) = (false, None, None);
    }

    /// All files below `root` as a program sees them, as paths from there.
    pub fn files(&self, root: &Path) -> BTreeMap<String, Vec<u8>> {
        let world = self.world();
        let file = |(path, node): (&PathBuf, &Node)| match node {
            Node::File(inode) => {
                let name = path.strip_prefix(root).ok()?.to_str()?.to_owned();
                Some((name, world.inodes[*inode].now.clone()))
            }
            Node::Dir => None,
        };
        world.now.iter().filter_map(file).collect()
    }

    /// Writes a file as somebody else would, durably.
    pub fn put(&self, path: &Path, bytes: &[u8]) {
        let mut world = self.world();
        world.inodes.push(Inode {
            now: bytes.to_vec(),
            durable: bytes.to_vec(),
            pending: Vec::new(),
        });
        let node = Node::File(world.inodes.len() - 1);
        world.now.insert(path.to_path_buf(), node);
        world.durable.insert(path.to_path_buf(), node);
    }

    /// Removes a file as somebody else would, durably.
    pub fn take(&self, path: &Path) {
        let mut world = self.world();
        world.now.remove(path);
        world.durable.remove(path);
    }

    /// A copy that goes its own way.
    pub fn copy(&self) -> Arc<Self> {
        let world = self.world();
        Arc::new(Self(Arc::new(Mutex::new(World {
            inodes: world.inodes.clone(),
            now: world.now.clone(),
            durable: world.durable.clone(),
            pending: world.pending.clone(),
            ..World::default()
        }))))
    }
}

fn settle(inode: &mut Inode, left: Left, dice: &mut Dice) {
    for (offset, bytes) in std::mem::take(&mut inode.pending) {
        let (bytes, kept) = match left {
            Left::Nothing => continue,
            Left::All => {
                let len = bytes.len();
                (bytes, len)
            }
            Left::Zeros => (vec![0; bytes.len()], bytes.len()),
            Left::Some(_) => match dice.below(4) {
                0 => continue,
                1 => (vec![0; bytes.len()], bytes.len()),
                2 => {
                    let kept = dice.below(bytes.len() as u64 + 1) as usize;
                    (bytes, kept)
                }
                _ => {
                    let len = bytes.len();
                    (bytes, len)
                }
            },
        };
        put_at(&mut inode.durable, offset, &bytes[..kept]);
    }
    inode.now = inode.durable.clone();
}

fn put_at(file: &mut Vec<u8>, offset: usize, bytes: &[u8]) {
    let end = offset + bytes.len();
    if file.len() < end {
        file.resize(end, 0);
    }
    file[offset..end].copy_from_slice(bytes);
}

impl World {
    fn used(&self) -> u64 {
        let named: BTreeSet<usize> = self
            .now
            .values()
            .filter_map(|node| match node {
                Node::File(inode) => Some(*inode),
                Node::Dir => None,
            })
            .collect();
        named
            .iter()
            .map(|inode| self.inodes[*inode].now.len() as u64)
            .sum()
    }

    /// Every operation begins here.
    fn begin(&mut self, deed: Deed) -> io::Result<()> {
        let operation = self.operations;
        self.operations += 1;
        if self.is_dead {
            return Err(io::Error::other("there is no power"));
        }
        if deed != Deed::Read {
            if self.dies_at.is_some_and(|at| self.changes >= at) {
                self.is_dead = true;
                return Err(io::Error::other("the power goes"));
            }
            self.changes += 1;
        }
        let Some((fault, from, forever)) = self.fault else {
            return Ok(());
        };
        let is_hit = match fault {
            Fault::Full => matches!(deed, Deed::Write | Deed::Name),
            Fault::Io | Fault::Interrupted => true,
            Fault::Sync => deed == Deed::Sync,
            Fault::Cut => deed == Deed::Cut,
        };
        if !is_hit || operation < from {
            return Ok(());
        }
        self.faults_met += 1;
        if !forever {
            self.fault = None;
        }
        Err(match fault {
            Fault::Full => io::Error::from(io::ErrorKind::StorageFull),
            Fault::Io | Fault::Sync | Fault::Cut => io::Error::other("input/output error"),
            Fault::Interrupted => io::Error::from(io::ErrorKind::Interrupted),
        })
    }

    fn file(&self, path: &Path) -> io::Result<usize> {
        match self.now.get(path) {
            Some(Node::File(inode)) => Ok(*inode),
            _ => Err(io::ErrorKind::NotFound.into()),
        }
    }

    fn is_dir(&self, path: &Path) -> bool {
        path == Path::new("/") || self.now.get(path) == Some(&Node::Dir)
    }

    fn change(&mut self, gone: Vec<PathBuf>, come: Vec<(PathBuf, Node)>) -> io::Result<()> {
        let change = Change { gone, come };
        if change
            .paths()
            .any(|path| !self.is_dir(path.parent().unwrap()))
        {
            return Err(io::ErrorKind::NotFound.into());
        }
        change.apply(&mut self.now);
        self.pending.push(change);
        Ok(())
    }

    /// Makes the names in a directory durable, and whatever they depend on.
    fn sync_dir(&mut self, path: &Path) {
        let mut directories = HashSet::from([path.to_path_buf()]);
        let (mut done, mut left) = (Vec::new(), Vec::new());
        for change in std::mem::take(&mut self.pending).into_iter().rev() {
            if change.touches(&directories) {
                let above = change
                    .paths()
                    .map(|path| path.parent().unwrap().to_path_buf());
                directories.extend(above);
                done.push(change);
            } else {
                left.push(change);
            }
        }
        done.iter()
            .rev()
            .for_each(|change| change.apply(&mut self.durable));
        left.reverse();
        self.pending = left;
    }

    fn create(&mut self, path: &Path) -> io::Result<usize> {
        self.inodes.push(Inode::default());
        let inode = self.inodes.len() - 1;
        self.change(Vec::new(), vec![(path.to_path_buf(), Node::File(inode))])?;
        Ok(inode)
    }
}

struct Handle {
    sim: Sim,
    inode: usize,
    life: u64,
}

impl Write for Handle {
    fn write(&mut self, buffer: &[u8]) -> io::Result<usize> {
        let mut world = self.sim.world();
        if world.life != self.life {
            return Err(io::Error::other("opened before the power was cut"));
        }
        let begun = world.begin(Deed::Write);
        let mut taken = buffer.len();
        if let Err(error) = begun {
            // Whatever stops a write may stop it half-way.
            if error.kind() != io::ErrorKind::Interrupted && world.is_dead {
                let offset = world.inodes[self.inode].now.len();
                let half = buffer[..buffer.len() / 2].to_vec();
                world.inodes[self.inode].pending.push((offset, half));
            }
            return Err(error);
        }
        if let Some(capacity) = world.capacity {
            let free = capacity.saturating_sub(world.used());
            taken = taken.min(free as usize);
            if taken == 0 && !buffer.is_empty() {
                return Err(io::ErrorKind::StorageFull.into());
            }
        }
        let inode = &mut world.inodes[self.inode];
        let offset = inode.now.len();
        inode.now.extend_from_slice(&buffer[..taken]);
        inode.pending.push((offset, buffer[..taken].to_vec()));
        Ok(taken)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl WriteFile for Handle {
    fn sync(&mut self) -> io::Result<()> {
        let mut world = self.sim.world();
        if world.life != self.life {
            return Err(io::Error::other("opened before the power was cut"));
        }
        let begun = world.begin(Deed::Sync);
        let is_dead = world.is_dead;
        let inode = &mut world.inodes[self.inode];
        if let Err(error) = begun {
            if !is_dead && error.kind() != io::ErrorKind::Interrupted {
                inode.pending.clear();
            }
            return Err(error);
        }
        for (offset, bytes) in std::mem::take(&mut inode.pending) {
            put_at(&mut inode.durable, offset, &bytes);
        }
        Ok(())
    }
}

/// Reads a file as it grows, as a descriptor does.
struct Reading {
    sim: Sim,
    inode: usize,
    at: usize,
}

impl Read for Reading {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut world = self.sim.world();
        world.begin(Deed::Read)?;
        let file = &world.inodes[self.inode].now;
        let left = file.get(self.at..).unwrap_or_default();
        let read = left.len().min(buffer.len());
        buffer[..read].copy_from_slice(&left[..read]);
        self.at += read;
        Ok(read)
    }
}

struct Held {
    sim: Sim,
    path: PathBuf,
    number: u64,
}

impl Drop for Held {
    fn drop(&mut self) {
        let mut world = self.sim.world();
        if world.locks.get(&self.path) == Some(&self.number) {
            world.locks.remove(&self.path);
        }
    }
}

impl Disk for Sim {
    fn create(&self, path: &Path) -> io::Result<Box<dyn WriteFile>> {
        let mut world = self.world();
        world.begin(Deed::Name)?;
        if world.now.contains_key(path) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let inode = world.create(path)?;
        let life = world.life;
        let sim = self.clone();
        Ok(Box::new(Handle { sim, inode, life }))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn WriteFile>> {
        let mut world = self.world();
        world.begin(Deed::Name)?;
        let inode = match world.file(path) {
            Ok(inode) => inode,
            Err(_) => world.create(path)?,
        };
        let life = world.life;
        let sim = self.clone();
        Ok(Box::new(Handle { sim, inode, life }))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        let mut world = self.world();
        world.begin(Deed::Read)?;
        let inode = world.file(path)?;
        let sim = self.clone();
        Ok(Box::new(Reading { sim, inode, at: 0 }))
    }

    fn truncate(&self, path: &Path, len: u64) -> io::Result<()> {
        let mut world = self.world();
        world.begin(Deed::Cut)?;
        let inode = world.file(path)?;
        let inode = &mut world.inodes[inode];
        inode.now.truncate(len as usize);
        // Pages that a failed sync gave up are still not on the disk.
        for (offset, bytes) in std::mem::take(&mut inode.pending) {
            put_at(&mut inode.durable, offset, &bytes);
        }
        inode.durable.resize(len as usize, 0);
        Ok(())
    }

    fn len(&self, path: &Path) -> io::Result<u64> {
        let mut world = self.world();
        world.begin(Deed::Read)?;
        let inode = world.file(path)?;
        Ok(world.inodes[inode].now.len() as u64)
    }

    fn is_dir(&self, path: &Path) -> bool {
        self.world().is_dir(path)
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let mut world = self.world();
        world.begin(Deed::Name)?;
        let inode = world.file(from)?;
        let come = vec![(to.to_path_buf(), Node::File(inode))];
        world.change(vec![from.to_path_buf()], come)
    }

    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        let mut world = self.world();
        world.begin(Deed::Name)?;
        let inode = world.file(from)?;
        world.change(Vec::new(), vec![(to.to_path_buf(), Node::File(inode))])
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        let mut world = self.world();
        // A name that is not there costs nothing to remove.
        world.file(path)?;
        world.begin(Deed::Sync)?;
        world.change(vec![path.to_path_buf()], Vec::new())
    }

    fn make_dirs(&self, path: &Path) -> io::Result<()> {
        let mut world = self.world();
        let mut above: Vec<&Path> = path.ancestors().collect();
        above.reverse();
        for directory in above {
            if !world.is_dir(directory) {
                world.begin(Deed::Name)?;
                world.change(Vec::new(), vec![(directory.to_path_buf(), Node::Dir)])?;
            }
        }
        Ok(())
    }

    fn sync_dir(&self, path: &Path) -> io::Result<()> {
        let mut world = self.world();
        world.begin(Deed::Sync)?;
        world.sync_dir(path);
        Ok(())
    }

    fn list(&self, path: &Path) -> io::Result<Vec<Found>> {
        let mut world = self.world();
        world.begin(Deed::Read)?;
        let inside = |(at, node): (&PathBuf, &Node)| {
            (at.parent() == Some(path)).then(|| Found {
                name: at.file_name().unwrap().to_str().unwrap().to_owned(),
                is_dir: *node == Node::Dir,
            })
        };
        Ok(world.now.iter().filter_map(inside).collect())
    }

    fn lock(&self, path: &Path, holder: &str) -> io::Result<Lock> {
        let mut world = self.world();
        world.begin(Deed::Read)?;
        if world.locks.contains_key(path) {
            return Ok(Lock::Taken(holder.to_owned()));
        }
        world.names_locked += 1;
        let number = world.names_locked;
        world.locks.insert(path.to_path_buf(), number);
        let (sim, path) = (self.clone(), path.to_path_buf());
        Ok(Lock::Held(Box::new(Held { sim, path, number })))
    }

    fn is_locked(&self, path: &Path) -> bool {
        self.world().locks.contains_key(path)
    }

    fn free_bytes(&self, _: &Path) -> io::Result<u64> {
        let world = self.world();
        let capacity = world.capacity.unwrap_or(1 << 40);
        Ok(capacity.saturating_sub(world.used()))
    }
}
