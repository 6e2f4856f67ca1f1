//! Opening a serial port, and saying in full why it could not be opened.

use std::fmt::Write as _;
use std::fs;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::Path;

use nix::unistd::{AccessFlags, Gid, Group, Uid, User, access};
use tokio_serial::{ErrorKind, SerialPortBuilderExt, SerialStream};

use crate::holder;

/// Default link of the board line protocol, baud; 8 data bits, no parity and 1 stop bit go with it.
pub const BAUD: u32 = 115_200;

/// Why a port is not open, in words for a person, with the remedy where there is one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotOpened(pub String);

impl std::fmt::Display for NotOpened {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for NotOpened {}

/// Opens `path` at [`BAUD`], exclusively (TIOCEXCL and an flock). A symbolic link is followed afresh at every call, so
/// that a board that came back under another name is found. May block for as long as the driver takes.
///
/// # Errors
/// What stands in the way: absent, no permission (with the remedy), held by somebody else (who), or no serial port.
pub fn open(path: &Path) -> Result<SerialStream, NotOpened> {
    tokio_serial::new(path.to_string_lossy(), BAUD)
        .open_native_async()
        .map_err(|error| NotOpened(explain(path, &error)))
}

fn explain(path: &Path, error: &tokio_serial::Error) -> String {
    let shown = path.display();
    match error.kind() {
        ErrorKind::Io(std::io::ErrorKind::NotFound) => {
            format!("{shown} is not there: is the board plugged in?")
        }
        ErrorKind::Io(std::io::ErrorKind::PermissionDenied) => explain_permission(path),
        ErrorKind::NoDevice => explain_held(path),
        _ if fs::metadata(path).is_ok_and(|m| !m.file_type().is_char_device()) => {
            format!("{shown} is not a serial port")
        }
        _ => format!("{shown} cannot be opened: {}", error.description),
    }
}

/// Who owns the port, who asks, and what would let them in.
pub fn explain_permission(path: &Path) -> String {
    let user = User::from_uid(Uid::effective())
        .ok()
        .flatten()
        .map_or_else(|| "this user".to_owned(), |u| u.name);
    let Ok(meta) = fs::metadata(path) else {
        return format!(
            "{} may not be opened by {user}: a directory on the way to it is closed",
            path.display()
        );
    };
    let owner = User::from_uid(Uid::from_raw(meta.uid())).ok().flatten();
    let owner = owner.map_or_else(|| meta.uid().to_string(), |u| u.name);
    let group = Group::from_gid(Gid::from_raw(meta.gid())).ok().flatten();
    let group = group.map_or_else(|| meta.gid().to_string(), |g| g.name);
    let mode = meta.mode() & 0o777;
    let remedy = if mode & 0o060 == 0o060 && group != "root" {
        format!("sudo usermod -aG {group} {user}, then log out and in again")
    } else {
        format!(
            "its group may not read and write it; sudo chmod g+rw {} lets group {group} in",
            path.display()
        )
    };
    format!(
        "{} may not be opened by {user}: it belongs to {owner}, group {group}, mode {mode:04o}. Remedy: {remedy}",
        path.display()
    )
}

fn explain_held(path: &Path) -> String {
    let mut text = format!("{} is in use by another program", path.display());
    let holders = holder::of_port(path);
    if holders.is_empty() {
        text.push_str("; who holds it cannot be seen from here (sudo fuser -v shows it)");
    }
    for holder in holders {
        // Writing to a String cannot fail.
        write!(text, ", held by {holder}").unwrap_or_default();
    }
    text
}

/// Whether this user may open the port for reading and writing, as far as permissions go.
pub fn may_open(path: &Path) -> bool {
    access(path, AccessFlags::R_OK | AccessFlags::W_OK).is_ok()
}

#[cfg(test)]
mod tests {
    #![allow(
        clippy::unwrap_used,
        reason = "a test stops at the first thing that is not as it should be"
    )]
    use super::*;

    #[test]
    fn a_port_that_is_not_there_and_a_file_that_is_no_port_are_told_apart() {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        let _inside = runtime.enter();
        let absent = open(Path::new("/dev/serial/by-id/nobody")).unwrap_err();
        assert!(
            absent.0.contains("/dev/serial/by-id/nobody is not there"),
            "{absent}"
        );
        let file = std::env::current_exe().unwrap();
        let no_port = open(&file).unwrap_err();
        assert!(
            no_port.0.contains("is not a serial port") || no_port.0.contains("in use"),
            "{no_port}"
        );
    }

    #[test]
    fn missing_permission_names_owner_group_mode_and_remedy() {
        let path =
            std::env::temp_dir().join(format!("nightclamp-permission-{}", std::process::id()));
        fs::write(&path, "").unwrap();
        fs::set_permissions(&path, std::os::unix::fs::PermissionsExt::from_mode(0o600)).unwrap();
        let text = explain_permission(&path);
        fs::remove_file(&path).unwrap();
        for part in ["belongs to ", "group ", "mode 0600", "Remedy: "] {
            assert!(text.contains(part), "{part:?} missing in {text:?}");
        }
    }
}
