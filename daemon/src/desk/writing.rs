//! Putting a job file in the place of another.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::Path;

/// Puts `text` in the place of the file at `path`: whole or not at all, also over a power cut. Who may read the file stays as
/// it was. A symbolic link is followed, so that a file kept elsewhere is changed there.
///
/// # Errors
/// The disk's; then the file is as it was.
pub fn replace(path: &Path, text: &str) -> io::Result<()> {
    let path = fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    let mut beside = path.clone().into_os_string();
    beside.push(".new");
    let beside = Path::new(&beside);
    match fs::remove_file(beside) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let placed = fill(beside, text, &path).and_then(|()| fs::rename(beside, &path));
    if placed.is_err() {
        // What is half written is of no use; the disk may not let it go either.
        fs::remove_file(beside).unwrap_or_default();
    }
    placed?;
    let directory = path.parent().filter(|parent| *parent != Path::new(""));
    File::open(directory.unwrap_or(Path::new(".")))?.sync_all()
}

fn fill(beside: &Path, text: &str, like: &Path) -> io::Result<()> {
    let mut file = OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(beside)?;
    file.write_all(text.as_bytes())?;
    if let Ok(meta) = fs::metadata(like) {
        file.set_permissions(meta.permissions())?;
    }
    file.sync_all()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test stops at the first thing that is not as it should be

    use std::os::unix::fs::{PermissionsExt, symlink};

    use super::*;

    #[test]
    fn a_file_is_replaced_where_it_lies_and_stays_as_private_as_it_was() {
        let scratch =
            std::env::temp_dir().join(format!("nightclamp-writing-{}", std::process::id()));
        fs::create_dir_all(&scratch).unwrap();
        let (kept, link) = (scratch.join("kept.toml"), scratch.join("job.toml"));
        replace(&kept, "one").unwrap();
        fs::set_permissions(&kept, fs::Permissions::from_mode(0o640)).unwrap();
        symlink(&kept, &link).unwrap();
        replace(&link, "two").unwrap();
        assert_eq!(fs::read_to_string(&kept).unwrap(), "two");
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(
            fs::metadata(&kept).unwrap().permissions().mode() & 0o777,
            0o640
        );
        assert_eq!(fs::read_dir(&scratch).unwrap().count(), 2);
        // One that cannot be written leaves what was.
        assert!(replace(&scratch.join("nowhere/job.toml"), "three").is_err());
        fs::remove_dir_all(&scratch).unwrap();
    }
}
