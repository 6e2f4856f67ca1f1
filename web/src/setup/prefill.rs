//! A job file as the fields of a form, and where in a form a problem of the job file belongs.

use nightclamp_analysis::job::{Job, JobError};
use serde::Serialize;
use toml_edit::{Document, Item, TableLike, Value};

use super::form::{BENCH, BOARD, Degrees, Entry, Fields, JOB, Kind, UNIT};

/// Decimals of a temperature that is shown in °F: as many as a data sheet has.
const SHOWN_DECIMALS: f64 = 10.0;

/// What a form begins with.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Prefill {
    /// Fields of `[job]`.
    pub job: Fields,
    /// The boards.
    pub boards: Vec<Entry>,
    /// The compressors.
    pub units: Vec<Entry>,
    /// Fields of `[bench]`, if a bench test is planned.
    pub bench: Option<Fields>,
}

/// The fields of a job file's text; none of a text that is no TOML.
pub fn prefill(text: &str, degrees: Degrees) -> Prefill {
    let Ok(document) = Document::parse(text) else {
        return Prefill::default();
    };
    let root = document.as_table();
    let entries = |key: &str, known: &[(&str, Kind)]| {
        let tables = root.get(key).and_then(Item::as_array_of_tables);
        let entry = |(was, table): (usize, &toml_edit::Table)| Entry {
            was: Some(was),
            fields: fields(table, known, degrees),
        };
        tables
            .map(|tables| tables.iter().enumerate().map(entry).collect())
            .unwrap_or_default()
    };
    let table = |key: &str, known: &[(&str, Kind)]| {
        let table = root.get(key)?.as_table_like()?;
        Some(fields(table, known, degrees))
    };
    Prefill {
        job: table("job", &JOB).unwrap_or_default(),
        bench: table("bench", &BENCH),
        boards: entries("board", &BOARD),
        units: entries("unit", &UNIT),
    }
}

fn fields(table: &dyn TableLike, known: &[(&str, Kind)], degrees: Degrees) -> Fields {
    let field = |(key, kind): &(&str, Kind)| {
        let value = find(table, key)?;
        Some(((*key).to_owned(), shown(value, *kind, degrees)))
    };
    known.iter().filter_map(field).collect()
}

fn find<'t>(table: &'t dyn TableLike, key: &str) -> Option<&'t Value> {
    match key.split_once('.') {
        Some((inner, rest)) => find(table.get(inner)?.as_table_like()?, rest),
        None => table.get(key)?.as_value(),
    }
}

fn shown(value: &Value, kind: Kind, degrees: Degrees) -> String {
    let number = value
        .as_float()
        .or_else(|| value.as_integer().map(|whole| whole as f64));
    let fahrenheit = match (kind, degrees, number) {
        (Kind::Temperature, Degrees::Fahrenheit, Some(celsius)) => Some(celsius * 1.8 + 32.0),
        (Kind::Difference, Degrees::Fahrenheit, Some(kelvin)) => Some(kelvin * 1.8),
        _ => None,
    };
    if let Some(fahrenheit) = fahrenheit {
        return ((fahrenheit * SHOWN_DECIMALS).round() / SHOWN_DECIMALS).to_string();
    }
    match value.as_str() {
        Some(text) => text.to_owned(),
        None => value.clone().decorated("", "").to_string(),
    }
}

/// A problem beside the field it is about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// `job`, `board`, `unit`, `bench`, or nothing if it is about the whole file.
    pub table: String,
    /// Which of them, counted from 0.
    pub index: usize,
    /// The field; may be the name of a table or nothing.
    pub field: String,
    /// Its line in the text that would be written.
    pub line: usize,
    /// What is wrong and what is allowed.
    pub what: String,
}

/// What is wrong with the text of a job file, each problem with its field.
///
/// # Errors
/// The problems.
pub fn read(text: &str) -> Result<Job, Vec<Problem>> {
    Job::parse(text, "the job file").map_err(|error| with_fields(text, error))
}

fn with_fields(text: &str, error: JobError) -> Vec<Problem> {
    let begins = Begins::of(text);
    let problem = |problem: nightclamp_analysis::job::Problem| {
        let (table, field) = problem.key.split_once('.').unwrap_or((&problem.key, ""));
        Problem {
            table: table.to_owned(),
            index: begins.index(table, problem.line),
            field: field.to_owned(),
            line: problem.line,
            what: problem.what,
        }
    };
    error.problems.into_iter().map(problem).collect()
}

/// The lines on which the tables of `[[board]]` and `[[unit]]` begin.
struct Begins {
    board: Vec<usize>,
    unit: Vec<usize>,
}

impl Begins {
    fn of(text: &str) -> Self {
        let document = Document::parse(text).ok();
        let lines = |key: &str| -> Vec<usize> {
            let tables = document
                .as_ref()
                .and_then(|document| document.as_table().get(key)?.as_array_of_tables());
            let spans = tables
                .into_iter()
                .flat_map(|tables| tables.iter().filter_map(toml_edit::Table::span));
            spans
                .map(|span| {
                    1 + text
                        .get(..span.start)
                        .unwrap_or_default()
                        .matches('\n')
                        .count()
                })
                .collect()
        };
        Self {
            board: lines("board"),
            unit: lines("unit"),
        }
    }

    fn index(&self, table: &str, line: usize) -> usize {
        let begins = match table {
            "board" => &self.board,
            "unit" => &self.unit,
            _ => return 0,
        };
        begins
            .partition_point(|begin| *begin <= line)
            .saturating_sub(1)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test that fails should say where

    use super::super::edit::edit;
    use super::super::form::Form;
    use super::*;

    const JOB: &str = r#"[job]
name = "Freezer"
timezone = "Europe/Lisbon"
[[board]]
id = "7f3a91c2"
[[unit]]
name = "one"
board = "7f3a91c2"
rated_load_a = 1.90
channels.current = "common"
[[unit]]
name = "two"
board = "7f3a91c2"
[unit.channels]
current = "second"
[unit.protector]
opens_c = 120.0
opens_tol_c = 5
"#;

    #[test]
    fn the_fields_of_a_file_written_back_leave_it_to_the_letter() {
        for degrees in [Degrees::Celsius, Degrees::Fahrenheit] {
            let begun = prefill(JOB, degrees);
            let form = Form {
                degrees,
                job: begun.job,
                boards: begun.boards,
                units: begun.units,
                ..Form::default()
            };
            assert_eq!(edit(JOB, &form).unwrap(), JOB);
        }
        let shown = prefill(JOB, Degrees::Fahrenheit);
        assert_eq!(shown.units[1].fields["protector.opens_c"], "248");
        assert_eq!(shown.units[1].fields["protector.opens_tol_c"], "9");
        assert_eq!(shown.units[0].fields["rated_load_a"], "1.9");
    }

    #[test]
    fn a_problem_stands_beside_its_field_in_the_right_compressor() {
        let wrong = JOB.replace("opens_c = 120.0", "opens_c = 400");
        let problems = read(&wrong).unwrap_err();
        assert_eq!(problems.len(), 1);
        let problem = &problems[0];
        assert_eq!((problem.table.as_str(), problem.index), ("unit", 1));
        assert_eq!(problem.field, "protector.opens_c");
        assert!(problem.what.contains("from 40 to 250"), "{}", problem.what);
    }
}
