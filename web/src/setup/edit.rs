//! A form written into the text of a job file: what is typed changes, all else (comments, order, blank lines, keys the form
//! does not have) stays as the person who wrote it left it.

use toml_edit::{
    ArrayOfTables, DocumentMut, Formatted, Item, Table, TableLike, Value, value as item_of,
};

use super::form::{BENCH, BOARD, Degrees, Entry, Fields, Form, JOB, Kind, UNIT};

/// Decimals that are kept of a temperature typed in °F: finer than any data sheet.
const DECIMALS: f64 = 100.0;

/// The text of the job file `text` after `form`. What is typed is not judged here but by reading the outcome as a job file:
/// a number that is none is written as a text, and told by the same words as in a file written by hand.
///
/// # Errors
/// The text is no TOML, or tables stand in a way that only a person can edit; in words.
pub fn edit(text: &str, form: &Form) -> Result<String, String> {
    form.check()?;
    let mut document: DocumentMut = text
        .parse()
        .map_err(|error: toml_edit::TomlError| format!("not TOML: {}", error.message()))?;
    let root = document.as_table_mut();
    set_fields(table_in(root, "job")?, &form.job, &JOB, form.degrees)?;
    set_entries(root, "board", &form.boards, &BOARD, form.degrees)?;
    set_entries(root, "unit", &form.units, &UNIT, form.degrees)?;
    if let Some(fields) = &form.bench {
        set_fields(table_in(root, "bench")?, fields, &BENCH, form.degrees)?;
    }
    Ok(document.to_string())
}

/// The entries of the array of tables `key` become those of the form, in its order; one that `was` keeps its text.
fn set_entries(
    root: &mut Table,
    key: &str,
    entries: &[Entry],
    known: &[(&str, Kind)],
    degrees: Degrees,
) -> Result<(), String> {
    let mut old = taken(root, key)?;
    let mut new = ArrayOfTables::new();
    for entry in entries {
        let mut table = match entry.was {
            Some(was) => old.get_mut(was).and_then(Option::take).ok_or_else(|| {
                format!(
                    "the job file has no {key} number {}, or it is there twice",
                    was + 1
                )
            })?,
            None => Table::new(),
        };
        set_fields(&mut table, &entry.fields, known, degrees)?;
        new.push(table);
    }
    if !new.is_empty() {
        root.insert(key, Item::ArrayOfTables(new));
    }
    Ok(())
}

/// The tables of `[[key]]`, taken out of the document.
fn taken(root: &mut Table, key: &str) -> Result<Vec<Option<Table>>, String> {
    match root.remove(key) {
        None => Ok(Vec::new()),
        Some(Item::ArrayOfTables(tables)) => Ok(tables.into_iter().map(Some).collect()),
        Some(_) => Err(format!(
            "{key}: is not written as [[{key}]]; write it so by hand first"
        )),
    }
}

fn set_fields(
    table: &mut dyn TableLike,
    fields: &Fields,
    known: &[(&str, Kind)],
    degrees: Degrees,
) -> Result<(), String> {
    // In the order of the documentation, so that a new file reads as the documented one does.
    for (key, kind) in known {
        if let Some(text) = fields.get(*key) {
            set_field(table, key, text.trim(), *kind, degrees)?;
        }
    }
    Ok(())
}

fn set_field(
    table: &mut dyn TableLike,
    key: &str,
    text: &str,
    kind: Kind,
    degrees: Degrees,
) -> Result<(), String> {
    match key.split_once('.') {
        Some((inner, rest)) if text.is_empty() => {
            let Some(item) = table.get_mut(inner) else {
                return Ok(());
            };
            let below = as_table(item, inner)?;
            let was_empty = below.is_empty();
            set_field(below, rest, text, kind, degrees)?;
            // An empty table may mean that what it is about was asked for, and forgotten.
            if !was_empty && below.is_empty() {
                table.remove(inner);
            }
            Ok(())
        }
        Some((inner, rest)) => set_field(table_in(table, inner)?, rest, text, kind, degrees),
        None if text.is_empty() => {
            table.remove(key);
            Ok(())
        }
        None => {
            put(table, key, value_of(text, kind, degrees));
            Ok(())
        }
    }
}

/// The table `key`, made if it is not there.
fn table_in<'t>(table: &'t mut dyn TableLike, key: &str) -> Result<&'t mut dyn TableLike, String> {
    if !table.contains_key(key) {
        table.insert(key, Item::Table(Table::new()));
    }
    let item = table.get_mut(key).ok_or_else(|| key.to_owned())?;
    as_table(item, key)
}

fn as_table<'t>(item: &'t mut Item, key: &str) -> Result<&'t mut dyn TableLike, String> {
    item.as_table_like_mut()
        .ok_or_else(|| format!("{key}: is no table; write it as one by hand first"))
}

/// Puts a value, with the comment that stands behind it; one that says the same stays as it is written.
fn put(table: &mut dyn TableLike, key: &str, mut new: Value) {
    match table.get_mut(key).and_then(Item::as_value_mut) {
        Some(old) if says_the_same(old, &new) => {}
        Some(old) => {
            *new.decor_mut() = old.decor().clone();
            *old = new;
        }
        None => {
            table.insert(key, item_of(new));
        }
    }
}

fn says_the_same(old: &Value, new: &Value) -> bool {
    let number = |value: &Value| {
        value
            .as_float()
            .or_else(|| value.as_integer().map(|whole| whole as f64))
    };
    match (number(old), number(new)) {
        (Some(old), Some(new)) => old == new,
        _ => {
            matches!((old.as_str(), new.as_str()), (Some(old), Some(new)) if old == new)
                || matches!((old.as_bool(), new.as_bool()), (Some(old), Some(new)) if old == new)
        }
    }
}

fn value_of(text: &str, kind: Kind, degrees: Degrees) -> Value {
    if let (Kind::Flag, Ok(flag)) = (kind, text.parse::<bool>()) {
        return Value::from(flag);
    }
    let number = match kind {
        Kind::Text | Kind::Flag => None,
        // Half of the world types a comma.
        Kind::Number | Kind::Temperature | Kind::Difference => text.replace(',', ".").parse().ok(),
    };
    let Some(number) = number.filter(|number: &f64| number.is_finite()) else {
        return Value::from(text);
    };
    match (kind, degrees) {
        (Kind::Temperature, Degrees::Fahrenheit) => rounded((number - 32.0) / 1.8),
        (Kind::Difference, Degrees::Fahrenheit) => rounded(number / 1.8),
        _ => as_typed(text, number),
    }
}

fn rounded(celsius: f64) -> Value {
    Value::from((celsius * DECIMALS).round() / DECIMALS)
}

/// A number in the digits it was typed in: a whole one stays whole.
fn as_typed(text: &str, number: f64) -> Value {
    match text.parse::<i64>() {
        Ok(whole) => Value::Integer(Formatted::new(whole)),
        Err(_) => Value::from(number),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test that fails should say where

    use nightclamp_analysis::job::Job;

    use super::*;

    const HAND_WRITTEN: &str = r#"# The bakery's freezer, behind the ovens.
[job]
name = "Proofing-room freezer"   # as on the door
timezone = "Europe/Lisbon"

[[board]]
id = "7f3a91c2"
port = "/dev/serial/by-id/usb-refboard_7f3a91c2-if00"
[board.ntc.box]   # from the controller's data sheet
beta_k = 3950
r25_ohm = 10000

# the small one
[[unit]]
name = "freezer"
board = "7f3a91c2"
rated_load_a = 1.90  # nameplate, photographed
channels.current = "common"
[unit.protector]
kind = "external-strip"
opens_c = 120.0      # data sheet, page 2
"#;

    fn fields(given: &[(&str, &str)]) -> Fields {
        let owned = given
            .iter()
            .map(|(key, text)| ((*key).to_owned(), (*text).to_owned()));
        owned.collect()
    }

    fn form(job: &[(&str, &str)], unit: &[(&str, &str)]) -> Form {
        let entry = |given| Entry {
            was: Some(0),
            fields: fields(given),
        };
        Form {
            job: fields(job),
            boards: vec![entry(&[])],
            units: vec![entry(unit)],
            ..Form::default()
        }
    }

    #[test]
    fn what_is_not_typed_stays_to_the_letter() {
        let same = form(
            &[("name", "Proofing-room freezer"), ("site", "")],
            &[
                ("rated_load_a", "1.9"),
                ("protector.opens_c", "120"),
                ("limits.min_off_s", ""),
            ],
        );
        assert_eq!(edit(HAND_WRITTEN, &same).unwrap(), HAND_WRITTEN);
    }

    #[test]
    fn one_figure_changes_and_its_comment_stays() {
        let typed = form(&[], &[("rated_load_a", "2,1")]);
        let text = edit(HAND_WRITTEN, &typed).unwrap();
        let line = "rated_load_a = 2.1  # nameplate, photographed";
        assert_eq!(
            text,
            HAND_WRITTEN.replace("rated_load_a = 1.90  # nameplate, photographed", line)
        );
    }

    #[test]
    fn fahrenheit_is_typed_and_celsius_is_written() {
        let mut typed = form(
            &[],
            &[
                ("protector.opens_c", "248"),
                ("protector.closes_c", "142"),
                ("protector.opens_tol_c", "9"),
            ],
        );
        typed.degrees = Degrees::Fahrenheit;
        let text = edit(HAND_WRITTEN, &typed).unwrap();
        let job = Job::parse(&text, "job.toml").unwrap();
        let protector = &job.units[0].protector;
        assert_eq!(protector.opens_c, Some(120.0)); // 248 °F, and as it was written
        assert!(
            text.contains("opens_c = 120.0      # data sheet, page 2"),
            "{text}"
        );
        assert_eq!(
            (protector.closes_c, protector.opens_tol_c),
            (Some(61.11), Some(5.0))
        );
    }

    #[test]
    fn a_new_file_is_a_job_file_and_a_second_compressor_is_put_beside_the_first() {
        let mut new = Form {
            job: fields(&[("name", "Freezer"), ("timezone", "Europe/Lisbon")]),
            ..Form::default()
        };
        new.boards.push(Entry {
            was: None,
            fields: fields(&[("id", "7f3a91c2"), ("port", "/dev/ttyACM0")]),
        });
        let unit = |name, place| Entry {
            was: None,
            fields: fields(&[
                ("name", name),
                ("board", "7f3a91c2"),
                ("channels.current", place),
                ("limits.min_off_s", "180"),
                ("limits.min_off_from", "controller manual, section 4"),
            ]),
        };
        new.units.push(unit("freezer", "common"));
        let text = edit("", &new).unwrap();
        let job = Job::parse(&text, "job.toml").unwrap();
        assert_eq!((job.boards.len(), job.units.len()), (1, 1), "{text}");
        assert_eq!(job.units[0].limits.min_off_s, Some(180.0));

        new.boards[0].was = Some(0);
        new.units[0].was = Some(0);
        new.units.insert(0, unit("chiller", "second"));
        let text = edit(&text, &new).unwrap();
        let job = Job::parse(&text, "job.toml").unwrap();
        let names: Vec<&str> = job.units.iter().map(|unit| unit.name.as_str()).collect();
        assert_eq!(names, ["chiller", "freezer"], "{text}");
    }

    #[test]
    fn a_number_that_is_none_is_told_as_in_any_job_file() {
        let typed = form(&[], &[("rated_load_a", "about two")]);
        let text = edit(HAND_WRITTEN, &typed).unwrap();
        let told = Job::parse(&text, "job.toml").unwrap_err().to_string();
        assert!(
            told.starts_with("job.toml:17: unit.rated_load_a: "),
            "{told}"
        );
    }

    #[test]
    fn what_no_form_sends_is_refused_in_words() {
        let mut typed = form(&[], &[("rated_load_a; drop", "1")]);
        assert!(
            edit(HAND_WRITTEN, &typed)
                .unwrap_err()
                .contains("is no field of a job")
        );
        typed = form(&[], &[]);
        typed.units.push(typed.units[0].clone());
        assert!(
            edit(HAND_WRITTEN, &typed)
                .unwrap_err()
                .contains("is there twice")
        );
        assert!(
            edit("[job", &form(&[], &[]))
                .unwrap_err()
                .starts_with("not TOML")
        );
    }
}
