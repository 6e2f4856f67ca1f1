//! Where the files of a record are in the dataset.

use object_store::path::Path;

/// A record's places.
#[derive(Debug, Clone)]
pub(crate) struct Places {
    pub base: Path,
    pub site: String,
    pub record: String,
}

impl Places {
    /// Of a file of the record, `TABLE/REST`: `TABLE/site=SITE/record=RECORD/REST`.
    pub fn of(&self, path: &str) -> Path {
        let (kind, rest) = path.split_once('/').unwrap_or(("", path));
        let hive = [
            format!("site={}", self.site),
            format!("record={}", self.record),
        ];
        let parts = std::iter::once(kind.to_owned())
            .chain(hive)
            .chain(rest.split('/').map(str::to_owned))
            .filter(|part| !part.is_empty());
        parts.fold(self.base.clone(), |place, part| place.join(part))
    }

    /// Of the manifest.
    pub fn manifest(&self) -> Path {
        self.of("manifest/manifest.jsonl")
    }

    /// Of the table of units.
    pub fn units(&self) -> Path {
        self.of("units/units.parquet")
    }
}

/// Whether a record directory's name can be one of the dataset's.
pub(crate) fn is_name(name: &str) -> bool {
    let is_known = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    !name.is_empty() && !name.starts_with('.') && name.chars().all(is_known)
}
