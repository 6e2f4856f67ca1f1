//! One table of a job file, read key by key. Every reader notes what is wrong and goes on, so that one reading finds all.

use std::cell::RefCell;
use std::ops::{Range, RangeInclusive};

use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};

use super::problem::Problem;
use super::words::{described, is_name, is_unfit, shown, wrong_with_place};

/// Longest text of a key, characters.
const TEXT_CHARS_MAX: usize = 200;
/// Longest site or unit name, characters: it becomes part of a directory's name.
const NAME_CHARS_MAX: usize = 64;
/// Keys that somebody with another kind of compressor might try.
const OUT_OF_SCOPE: [&str; 12] = [
    "phase",
    "phases",
    "three_phase",
    "three-phase",
    "drive",
    "inverter",
    "inverter_drive",
    "vfd",
    "vsd",
    "variable_speed",
    "frequency_converter",
    "soft_starter",
];

/// Where problems are noted; also turns places in the text into lines.
pub(super) struct Notes {
    /// Where each line ends: a file with very many problems must not be gone through from its beginning for each.
    line_ends: Vec<usize>,
    problems: RefCell<Vec<Problem>>,
}

impl Notes {
    pub(super) fn new(text: &str) -> Self {
        Self {
            line_ends: text.match_indices('\n').map(|(at, _)| at).collect(),
            problems: RefCell::new(Vec::new()),
        }
    }

    /// Notes a problem at a place in the text.
    pub(super) fn note(&self, at: &Range<usize>, key: String, what: String) {
        let line = 1 + self.line_ends.partition_point(|&end| end < at.start);
        self.problems.borrow_mut().push(Problem { line, key, what });
    }

    pub(super) fn into_problems(self) -> Vec<Problem> {
        self.problems.into_inner()
    }
}

/// A table of the file, or one that is not there and of which every key is absent.
pub(crate) struct Section<'a> {
    notes: &'a Notes,
    /// The table's name with those around it, such as `unit.protector`; empty for the whole file.
    path: String,
    at: Range<usize>,
    table: Option<&'a DeTable<'a>>,
    /// Something that is no table stands in its place; that has been noted, so what it lacks need not be.
    is_wrong: bool,
}

impl<'a> Section<'a> {
    /// The whole file.
    pub(super) fn root(notes: &'a Notes, table: &'a DeTable<'a>, allowed: &[&str]) -> Self {
        let root = Self {
            notes,
            path: String::new(),
            at: 0..0,
            table: Some(table),
            is_wrong: false,
        };
        root.note_unknown_keys(allowed);
        root
    }

    fn note_unknown_keys(&self, allowed: &[&str]) {
        for key in self.keys().into_iter().filter(|key| !allowed.contains(key)) {
            if self.path.starts_with("unit") && OUT_OF_SCOPE.contains(&key) {
                let what = "out of scope: only single-phase compressors switched by contacts are judged, not three-phase ones \
                            and not inverter drives; leave the key out if yours is single-phase";
                self.note(key, what);
            } else {
                self.note(
                    key,
                    format!("unknown key; allowed here: {}", allowed.join(", ")),
                );
            }
        }
    }

    /// Notes a problem with a key of this table, or with the table itself if the key is empty or missing.
    pub(crate) fn note(&self, key: &str, what: impl Into<String>) {
        let at = self.find(key).map_or_else(|| self.at.clone(), |(at, _)| at);
        self.notes
            .note(&at, joined(&self.path, &shown(key)), what.into());
    }

    /// Notes a problem with a key of a table below this one, the first where there are several; where that is not there, in
    /// the place where it would be.
    pub(crate) fn note_below(&self, path: &[&str], what: impl Into<String>) {
        let (mut at, mut table) = (self.at.clone(), self.table);
        for name in path {
            let Some((name, value)) = table.and_then(|table| table.get_key_value(*name)) else {
                break;
            };
            at = name.span();
            table = match value.get_ref() {
                DeValue::Table(inner) => Some(inner),
                DeValue::Array(items) => items.first().and_then(|item| item.get_ref().as_table()),
                _ => None,
            };
        }
        self.notes.note(&at, path.join("."), what.into());
    }

    /// Whether a key is written there, below this table; of an array of tables in the first.
    pub(crate) fn is_written(&self, path: &[&str]) -> bool {
        let mut table = self.table;
        path.iter().all(|name| {
            let Some(value) = table.and_then(|table| table.get(*name)) else {
                return false;
            };
            table = match value.get_ref() {
                DeValue::Table(inner) => Some(inner),
                DeValue::Array(items) => items.first().and_then(|item| item.get_ref().as_table()),
                _ => None,
            };
            true
        })
    }

    /// The names of its keys, in the order of the file.
    pub(crate) fn keys(&self) -> Vec<&'a str> {
        let mut keys: Vec<_> = self
            .table
            .into_iter()
            .flat_map(|table| table.keys())
            .collect();
        keys.sort_by_key(|key| key.span().start);
        keys.into_iter().map(|key| key.get_ref().as_ref()).collect()
    }

    /// Where a key stands, and its value.
    fn find(&self, key: &str) -> Option<(Range<usize>, &'a DeValue<'a>)> {
        let (name, value) = self.table?.get_key_value(key)?;
        Some((name.span(), value.get_ref()))
    }

    /// Says that a key which has no default is missing. `found` is what reading it gave.
    pub(crate) fn required<T>(&self, key: &str, found: Option<T>, rule: &str) -> Option<T> {
        if found.is_none() && self.find(key).is_none() && !self.is_wrong {
            self.note(
                key,
                format!("missing, and it has no default; {rule} is needed"),
            );
        }
        found
    }

    /// A table in this table, with the keys it may hold.
    pub(crate) fn table(&self, key: &str, allowed: &[&str]) -> Self {
        let section = self.table_of_any(key);
        section.note_unknown_keys(allowed);
        section
    }

    /// A table in this table that may hold any keys.
    pub(super) fn table_of_any(&self, key: &str) -> Self {
        let path = joined(&self.path, &shown(key));
        let found = self.find(key);
        let table = found.as_ref().and_then(|(_, value)| value.as_table());
        let is_wrong = found.is_some() && table.is_none();
        if let Some((_, value)) = found.as_ref().filter(|_| is_wrong) {
            self.note(
                key,
                format!("{}; a table is needed: [{path}]", described(value)),
            );
        }
        let at = found.map_or_else(|| self.at.clone(), |(at, _)| at);
        Self {
            notes: self.notes,
            path,
            at,
            table,
            is_wrong: is_wrong || self.is_wrong,
        }
    }

    /// Whether the table is in the file.
    pub(crate) const fn is_present(&self) -> bool {
        self.table.is_some()
    }

    /// An array of tables in this table: `[[key]]`.
    pub(super) fn tables(&self, key: &str, count_max: usize, allowed: &[&str]) -> Vec<Self> {
        let array = match self.find(key) {
            None => return Vec::new(),
            Some((_, DeValue::Array(array))) => array,
            Some((_, other)) => {
                self.note(
                    key,
                    format!(
                        "{}; there may be several: write [[{key}]]",
                        described(other)
                    ),
                );
                return Vec::new();
            }
        };
        if array.len() > count_max {
            self.note(
                key,
                format!("there are {}; at most {count_max} are allowed", array.len()),
            );
        }
        let sections: Vec<_> = array
            .iter()
            .take(count_max)
            .map(|item| self.item(key, item))
            .collect();
        for section in &sections {
            section.note_unknown_keys(allowed);
        }
        sections
    }

    fn item(&self, key: &str, item: &'a Spanned<DeValue<'a>>) -> Self {
        let path = joined(&self.path, key);
        let table = item.get_ref().as_table();
        if table.is_none() {
            let what = format!(
                "{}; a table is needed: [[{path}]]",
                described(item.get_ref())
            );
            self.notes.note(&item.span(), path.clone(), what);
        }
        Self {
            notes: self.notes,
            path,
            at: item.span(),
            table,
            is_wrong: table.is_none(),
        }
    }

    /// A text of 1 to 200 characters without anything that ends a line or commands a terminal.
    pub(crate) fn text(&self, key: &str) -> Option<&'a str> {
        let (_, value) = self.find(key)?;
        let Some(text) = value.as_str() else {
            self.note(
                key,
                format!("{}; a text in quotes is needed", described(value)),
            );
            return None;
        };
        if text.trim().is_empty()
            || text.chars().count() > TEXT_CHARS_MAX
            || text.chars().any(is_unfit)
        {
            let rule = format!("a text of 1 to {TEXT_CHARS_MAX} characters on one line is needed");
            self.note(key, format!("{:?}; {rule}", shown(text)));
            return None;
        }
        Some(text)
    }

    /// A name, `[a-z][a-z0-9-]*`.
    pub(super) fn name(&self, key: &str) -> Option<&'a str> {
        let text = self.text(key)?;
        if is_name(text, NAME_CHARS_MAX) {
            return Some(text);
        }
        let rule = "a name begins with a letter a-z and has only a-z, 0-9 and -";
        self.note(
            key,
            format!(
                "{:?}; {rule}, at most {NAME_CHARS_MAX} characters",
                shown(text)
            ),
        );
        None
    }

    /// The place of a channel on a board.
    pub(super) fn place(&self, key: &str) -> Option<&'a str> {
        let place = self.text(key)?;
        if let Some(wrong) = wrong_with_place(place) {
            self.note(key, wrong);
            return None;
        }
        Some(place)
    }

    /// One of a few words.
    pub(crate) fn word<T: Copy>(&self, key: &str, words: &[(&str, T)]) -> Option<T> {
        let text = self.text(key)?;
        let meant = words
            .iter()
            .find(|(word, _)| *word == text)
            .map(|&(_, value)| value);
        if meant.is_none() {
            let allowed: Vec<_> = words
                .iter()
                .map(|(word, _)| format!("\"{word}\""))
                .collect();
            self.note(
                key,
                format!("{:?}; allowed are {}", shown(text), allowed.join(", ")),
            );
        }
        meant
    }

    /// A number from a range.
    pub(crate) fn number(&self, key: &str, range: RangeInclusive<f64>, unit: &str) -> Option<f64> {
        let (_, value) = self.find(key)?;
        let inside = number_of(value).filter(|number| range.contains(number));
        if inside.is_none() {
            let rule = format!("a number from {} to {} {unit}", range.start(), range.end());
            self.note(
                key,
                format!("{}; {} is needed", described(value), rule.trim_end()),
            );
        }
        inside
    }

    /// True or false.
    pub(crate) fn flag(&self, key: &str) -> Option<bool> {
        let (_, value) = self.find(key)?;
        let flag = value.as_bool();
        if flag.is_none() {
            self.note(
                key,
                format!("{}; true or false is needed", described(value)),
            );
        }
        flag
    }

    /// A whole number from a range.
    pub(crate) fn whole(&self, key: &str, range: RangeInclusive<u32>) -> Option<u32> {
        let (_, value) = self.find(key)?;
        let whole = value
            .as_integer()
            .and_then(|whole| u32::from_str_radix(whole.as_str(), whole.radix()).ok());
        let inside = whole.filter(|whole| range.contains(whole));
        if inside.is_none() {
            let rule = format!(
                "a whole number from {} to {} is needed",
                range.start(),
                range.end()
            );
            self.note(key, format!("{}; {rule}", described(value)));
        }
        inside
    }

    /// Exactly `N` finite numbers.
    pub(super) fn numbers<const N: usize>(&self, key: &str) -> Option<[f64; N]> {
        let (_, value) = self.find(key)?;
        let numbers = value
            .as_array()
            .and_then(numbers_of)
            .and_then(|numbers| <[f64; N]>::try_from(numbers).ok());
        if numbers.is_none() {
            self.note(
                key,
                format!("{}; {N} numbers in brackets are needed", described(value)),
            );
        }
        numbers
    }
}

fn joined(path: &str, key: &str) -> String {
    let dot = if path.is_empty() || key.is_empty() {
        ""
    } else {
        "."
    };
    format!("{path}{dot}{key}")
}

/// A finite number; the file may write a whole one without a point.
fn number_of(value: &DeValue<'_>) -> Option<f64> {
    let number = match value {
        DeValue::Integer(whole) => i64::from_str_radix(whole.as_str(), whole.radix()).ok()? as f64,
        DeValue::Float(float) => float.as_str().parse().ok()?,
        _ => return None,
    };
    Some(number).filter(|number: &f64| number.is_finite())
}

fn numbers_of(array: &DeArray<'_>) -> Option<Vec<f64>> {
    array.iter().map(|item| number_of(item.get_ref())).collect()
}
