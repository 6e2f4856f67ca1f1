//! What a person has to know of the record itself: the disk, the raw logs, damage.

use serde::Serialize;

/// Whether somebody has to come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// Something is being lost, or will be if nobody comes.
    Danger,
    /// Nothing is being lost; it should be known.
    Notice,
}

/// One thing that holds now.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct NoticeView {
    /// Whether somebody has to come.
    pub level: Level,
    /// What it is about, in a word or two: `disk`, `raw log`.
    pub about: &'static str,
    /// What is the matter, in plain words.
    pub text: String,
    /// What to do.
    pub todo: String,
}

/// About the raw log of a board.
pub const RAW_LOG: &str = "raw log";
/// About the tables.
pub const TABLES: &str = "tables";

impl NoticeView {
    /// What comes cannot be written down as long as this holds.
    pub(crate) fn is_unwritten(&self) -> bool {
        self.level == Level::Danger && matches!(self.about, RAW_LOG | TABLES)
    }
}
