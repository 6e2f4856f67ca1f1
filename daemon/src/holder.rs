//! Who holds what this program wants: a record, a serial port, an address. As far as /proc lets us see.

use std::fs;
use std::net::SocketAddr;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use nix::sys::stat::{major, minor};

use crate::text::printable;

/// Where the kernel lists who holds which lock.
const LOCKS_PATH: &str = "/proc/locks";
/// Where the kernel lists its TCP sockets.
const SOCKETS_PATH: &str = "/proc/net/tcp";
/// State of a socket that listens, in [`SOCKETS_PATH`].
const LISTENS: &str = "0A";

/// A process that holds something.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Holder {
    /// Its id.
    pub pid: u32,
    /// The name of its program.
    pub program: String,
}

impl Holder {
    /// The process `pid`, named as well as can be.
    pub fn of(pid: u32) -> Self {
        let comm = fs::read_to_string(format!("/proc/{pid}/comm")).unwrap_or_default();
        let program = printable(comm.trim());
        let program = match program.is_empty() {
            true => "a program".to_owned(),
            false => program,
        };
        Self { pid, program }
    }

    /// Whether it is another process of this same program.
    pub fn is_our_kind(&self) -> bool {
        self.pid != std::process::id() && self.program == Self::of(std::process::id()).program
    }
}

impl std::fmt::Display for Holder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} (process {})", self.program, self.pid)
    }
}

/// Processes other than this one that hold a port: those with a lock on it, else those that have it open.
pub fn of_port(path: &Path) -> Vec<Holder> {
    let Ok(real) = fs::canonicalize(path) else {
        return Vec::new();
    };
    let mut pids = lock_holders(&real);
    if pids.is_empty() {
        pids = with_open(&real);
    }
    pids.retain(|&pid| pid != std::process::id());
    pids.dedup();
    pids.into_iter().map(Holder::of).collect()
}

/// Who listens on an IPv4 address.
pub fn of_address(address: SocketAddr) -> Option<Holder> {
    let wanted = match address {
        SocketAddr::V4(v4) => format!(
            "{:08X}:{:04X}",
            u32::from_le_bytes(v4.ip().octets()),
            v4.port()
        ),
        SocketAddr::V6(_) => return None,
    };
    let sockets = fs::read_to_string(SOCKETS_PATH).ok()?;
    let inode = sockets.lines().find_map(|line| {
        let fields: Vec<&str> = line.split_whitespace().collect();
        let is_it = fields.get(1) == Some(&wanted.as_str()) && fields.get(3) == Some(&LISTENS);
        fields
            .get(9)
            .filter(|_| is_it)
            .map(|inode| (*inode).to_owned())
    })?;
    let socket = PathBuf::from(format!("socket:[{inode}]"));
    with_open(&socket).first().copied().map(Holder::of)
}

/// Lines of /proc/locks look like `3: FLOCK  ADVISORY  WRITE 2131 00:15:3 0 EOF`; device numbers are hexadecimal.
fn lock_holders(real: &Path) -> Vec<u32> {
    let Ok(meta) = fs::metadata(real) else {
        return Vec::new();
    };
    let wanted = format!(
        "{:02x}:{:02x}:{}",
        major(meta.dev()),
        minor(meta.dev()),
        meta.ino()
    );
    let locks = fs::read_to_string(LOCKS_PATH).unwrap_or_default();
    let holder = |line: &str| {
        let fields: Vec<&str> = line.split_whitespace().collect();
        let at = fields.iter().position(|field| *field == wanted)?;
        fields.get(at.checked_sub(1)?)?.parse().ok()
    };
    locks.lines().filter_map(holder).collect()
}

/// Processes one of whose descriptors points to `target`.
fn with_open(target: &Path) -> Vec<u32> {
    running().filter(|pid| has_open(*pid, target)).collect()
}

fn running() -> impl Iterator<Item = u32> {
    let processes = fs::read_dir("/proc").into_iter().flatten().flatten();
    processes.filter_map(|entry| entry.file_name().to_str()?.parse::<u32>().ok())
}

fn has_open(pid: u32, target: &Path) -> bool {
    let Ok(descriptors) = fs::read_dir(PathBuf::from(format!("/proc/{pid}/fd"))) else {
        return false;
    };
    descriptors
        .flatten()
        .any(|entry| fs::read_link(entry.path()).is_ok_and(|link| link == target))
}

/// Running processes whose program is called one of `programs`.
pub fn running_as(programs: &[&str]) -> Vec<Holder> {
    let all = running().map(Holder::of);
    all.filter(|holder| programs.contains(&holder.program.as_str()))
        .collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test stops at the first thing that is not as it should be
    use super::*;

    #[test]
    fn who_listens_on_an_address_is_named() {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let holder = of_address(listener.local_addr().unwrap()).unwrap();
        assert_eq!(holder, Holder::of(std::process::id()));
        assert!(!holder.is_our_kind(), "this process is not another one");
    }
}
