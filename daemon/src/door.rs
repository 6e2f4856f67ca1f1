//! The dashboard's door: by which names it answers, whether it needs the access token, and TLS.
//!
//! On a loopback address whoever can reach the dashboard is on this machine, and nothing is asked. On any other the access
//! token is needed, without exception: also from this machine, since a proxy on it would look the same. It is made once and
//! lies in the record's directory, for its owner's eyes only; remove the file and start again for a new one.

use std::fs::{self, OpenOptions};
use std::io::{self, Read, Write};
use std::net::SocketAddr;
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, anyhow, bail};
use nightclamp_web::Site;
use nightclamp_web::access::Token;
use nightclamp_web::tls::{Tls, TlsError};

use crate::Failure;
use crate::cli::DoorArgs;

/// Name of the token's file in the record's directory.
const TOKEN_FILE: &str = "access-token";
/// Its owner may read and write it.
const TOKEN_MODE: u32 = 0o600;
/// Largest file that is taken for a token, a certificate or a key, bytes.
const FILE_BYTES_MAX: u64 = 1 << 20;

/// Where the access token of the record in `out` lies.
pub fn token_path(out: &Path) -> PathBuf {
    out.join(TOKEN_FILE)
}

/// A dashboard's door. By default: by this machine's own names, in the clear.
#[derive(Clone, Default)]
pub struct Door {
    names: Vec<String>,
    tls: Option<Tls>,
}

impl Door {
    /// As the call says.
    ///
    /// # Errors
    /// A wrong call: the files for TLS cannot be read, or are not a certificate and its key.
    pub fn of(args: &DoorArgs) -> Result<Self, Failure> {
        let tls = match (&args.tls_cert, &args.tls_key) {
            (Some(cert), Some(key)) => Some(tls(cert, key).map_err(Failure::Call)?),
            _ => None,
        };
        let names = args.host.clone();
        Ok(Self { names, tls })
    }

    /// Whether it is under TLS.
    pub const fn is_tls(&self) -> bool {
        self.tls.is_some()
    }

    /// The access token of the record in `out`, if `address` needs one; made, if there is none yet.
    ///
    /// # Errors
    /// The file cannot be read, made or understood, or others can read it.
    pub fn token(&self, address: SocketAddr, out: &Path) -> Result<Option<Token>> {
        if address.ip().is_loopback() {
            return Ok(None);
        }
        let path = token_path(out);
        let token = match read(&path) {
            Ok(text) => {
                only_its_owner_reads(&path)?;
                let text = String::from_utf8(text).ok();
                text.and_then(|text| Token::read(&text)).ok_or_else(|| {
                    anyhow!(
                        "{}: is no access token; remove it and a new one is made",
                        path.display()
                    )
                })?
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                make(&path).with_context(|| format!("{}: could not be made", path.display()))?
            }
            Err(error) => return Err(unread(&path, error)),
        };
        Ok(Some(token))
    }

    /// Puts it before `site`.
    pub fn site(self, site: Site, token: Option<Token>) -> Site {
        let mut site = site.with_names(self.names);
        if let Some(tls) = self.tls {
            site = site.with_tls(tls);
        }
        match token {
            Some(token) => site.with_token(token),
            None => site,
        }
    }
}

fn make(path: &Path) -> Result<Token> {
    let token =
        Token::random().map_err(|error| anyhow!("the system gives no randomness: {error}"))?;
    let mut file = OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(TOKEN_MODE)
        .open(path)?;
    writeln!(file, "{}", token.as_str())?;
    file.sync_all()?;
    Ok(token)
}

fn only_its_owner_reads(path: &Path) -> Result<()> {
    let mode = fs::metadata(path)
        .map_err(|error| unread(path, error))?
        .permissions()
        .mode();
    if mode & 0o077 != 0 {
        let shown = path.display();
        bail!("{shown}: others can read it; remove it and a new one is made, or chmod 600 {shown}");
    }
    Ok(())
}

fn tls(cert: &Path, key: &Path) -> Result<Tls> {
    let texts = [cert, key].map(|path| read(path).map_err(|error| unread(path, error)));
    let [cert_text, key_text] = texts;
    Tls::from_pem(&cert_text?, &key_text?).map_err(|error| {
        let file = match &error {
            TlsError::Key(_) => key,
            _ => cert,
        };
        anyhow!("{}: {error}", file.display())
    })
}

fn unread(path: &Path, error: io::Error) -> anyhow::Error {
    anyhow::Error::new(error).context(format!("{}: could not be read", path.display()))
}

fn read(path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    fs::File::open(path)?
        .take(FILE_BYTES_MAX)
        .read_to_end(&mut bytes)?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test stops at the first thing that is not as it should be

    use super::*;

    #[test]
    fn beyond_loopback_there_is_a_token_that_stays_and_only_its_owner_reads() {
        let out = std::env::temp_dir().join(format!("nightclamp-door-{}", std::process::id()));
        fs::create_dir_all(&out).unwrap();
        let door = Door::default();
        let token = |address: &str| door.token(address.parse().unwrap(), &out);
        for loopback in ["127.0.0.1:8722", "[::1]:8722", "127.3.2.1:1"] {
            assert!(token(loopback).unwrap().is_none(), "{loopback}");
        }
        assert!(!token_path(&out).exists());
        let made = token("0.0.0.0:8722").unwrap().unwrap();
        assert_eq!(token("192.0.2.7:8722").unwrap(), Some(made.clone()));
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!(mode(&token_path(&out)), TOKEN_MODE);
        fs::set_permissions(token_path(&out), fs::Permissions::from_mode(0o640)).unwrap();
        let error = token("[::]:8722").unwrap_err().to_string();
        assert!(error.contains("others can read it"), "{error}");
        fs::remove_file(token_path(&out)).unwrap();
        assert_ne!(token("[::]:8722").unwrap(), Some(made));
        fs::remove_dir_all(&out).unwrap();
    }
}
