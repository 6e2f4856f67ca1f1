//! Where the dataset is: an address, opened.

use std::path::Path as FilePath;

use object_store::path::Path;
use object_store::{ObjectStore, parse_url_opts};
use tokio_rustls::rustls::crypto::ring;
use url::Url;

use crate::error::{FleetError, Result};

/// A dataset that can be pushed to.
#[derive(Debug)]
pub struct Target {
    /// The store.
    pub store: Box<dyn ObjectStore>,
    /// Where in it.
    pub base: Path,
}

impl Target {
    /// Opens an address: a directory, `file:///DIRECTORY` or `s3://BUCKET/PREFIX`. For S3 the usual variables of the environment hold,
    /// given as `settings`: `AWS_ACCESS_KEY_ID`, `AWS_SECRET_ACCESS_KEY`, `AWS_REGION`, and `AWS_ENDPOINT_URL` for another store
    /// that speaks S3 (`AWS_ALLOW_HTTP=true` if it speaks no TLS).
    ///
    /// # Errors
    /// The address is none of these, or a setting is wrong.
    pub fn open(address: &str, settings: impl Iterator<Item = (String, String)>) -> Result<Self> {
        let bad = |why: String| FleetError::Address {
            url: address.to_owned(),
            why,
        };
        let url = match address.contains("://") {
            true => Url::parse(address).map_err(|error| bad(error.to_string()))?,
            false => directory(address).map_err(bad)?,
        };
        if !matches!(url.scheme(), "file" | "s3") {
            return Err(bad(
                "a directory, file:///DIRECTORY or s3://BUCKET/PREFIX is needed".to_owned(),
            ));
        }
        // If the program has chosen one already, that one serves.
        ring::default_provider()
            .install_default()
            .unwrap_or_default();
        let settings = settings
            .filter(|(key, _)| key.starts_with("AWS_"))
            .map(|(key, value)| (key.to_ascii_lowercase(), value));
        let (store, base) =
            parse_url_opts(&url, settings).map_err(|error| bad(error.to_string()))?;
        Ok(Self { store, base })
    }
}

fn directory(path: &str) -> std::result::Result<Url, String> {
    let whole = std::path::absolute(FilePath::new(path)).map_err(|error| error.to_string())?;
    Url::from_directory_path(whole).map_err(|()| "is no directory's name".to_owned())
}
