//! A real file system of a few megabytes, for as long as a test looks at how it fills.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A file system in memory, unmounted with the test.
pub struct Mounted(PathBuf);

impl Mounted {
    /// One of so many bytes at `path`; `None` where this user may not mount any.
    pub fn new(path: PathBuf, bytes: usize) -> Option<Self> {
        fs::create_dir_all(&path).unwrap();
        let size = format!("size={bytes}");
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", &size, "tmpfs"]).arg(&path);
        let is_mounted = mount.output().is_ok_and(|done| done.status.success());
        is_mounted.then_some(Self(path))
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.0
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        let done = Command::new("umount").arg("-l").arg(&self.0).status();
        done.map(drop).unwrap_or_default();
    }
}
