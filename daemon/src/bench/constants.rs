//! The constants that a bench test measured, written into a job file: comments, order and all other keys stay as they are.

use std::fs;
use std::path::Path;

use anyhow::{Context, anyhow};
use nightclamp_analysis::bench::Results;
use nightclamp_analysis::job::Job;
use toml_edit::{DocumentMut, Item, Table, TableLike, value};

use crate::Failure;
use crate::jobfile::JobFile;
use crate::say;

/// Writes them into the job file at `path`, for the compressor `unit` or the only one, and says which.
///
/// # Errors
/// A wrong call: the job file is wrong, or has no such compressor, or the runs tell nothing. Else it cannot be written.
pub fn write(results: &Results, path: &Path, unit: Option<&str>) -> Result<(), Failure> {
    let keys = results.to_job_keys();
    if keys.is_empty() {
        return Err(Failure::CouldNot(anyhow!(
            "{}: not changed, since the runs tell no constant of the protector",
            path.display()
        )));
    }
    let JobFile { text, .. } = JobFile::read(path)?;
    let text = edited(&text, &keys, unit)
        .map_err(|why| Failure::call(format!("{}: {why}", path.display())))?;
    Job::parse(&text, &path.display().to_string()).map_err(|error| Failure::Call(error.into()))?;
    let beside = path.with_extension("toml.new");
    fs::write(&beside, &text)
        .and_then(|()| fs::File::open(&beside)?.sync_all())
        .and_then(|()| fs::rename(&beside, path))
        .with_context(|| format!("{}: could not be written", path.display()))?;
    say::to_people(&format!("Written into {}:", path.display()));
    say::to_people(keys.trim_end());
    Ok(())
}

/// The text of a job file with `keys` in `[unit.protector]` of the compressor named, or of the only one.
fn edited(text: &str, keys: &str, unit: Option<&str>) -> Result<String, String> {
    let parsed = |text: &str| {
        text.parse::<DocumentMut>()
            .map_err(|error| error.to_string())
    };
    let (mut document, keys) = (parsed(text)?, parsed(keys)?);
    let units = document
        .get_mut("unit")
        .and_then(Item::as_array_of_tables_mut);
    let mut units: Vec<&mut Table> = units
        .into_iter()
        .flat_map(|units| units.iter_mut())
        .collect();
    let name = |table: &Table| Some(table.get("name")?.as_str()?.to_owned());
    let names: Vec<String> = units.iter().filter_map(|table| name(table)).collect();
    let at = match unit {
        Some(unit) => names.iter().position(|name| name == unit),
        None => (names.len() == 1).then_some(0),
    };
    let chosen = at.and_then(|at| units.get_mut(at)).ok_or_else(|| {
        format!(
            "which compressor is meant? --unit with one of: {}",
            names.join(", ")
        )
    })?;
    let protector = chosen
        .entry("protector")
        .or_insert_with(|| Item::Table(Table::new()));
    let protector: &mut dyn TableLike = protector
        .as_table_like_mut()
        .ok_or("unit.protector is no table")?;
    for (key, item) in keys.iter() {
        let number = item.as_float().ok_or("a constant is no number")?;
        match protector.get_mut(key).and_then(Item::as_value_mut) {
            // What stands around it, a comment on its line for instance, belongs to the person.
            Some(old) => {
                let decor = old.decor().clone();
                *old = item.as_value().cloned().unwrap_or_else(|| number.into());
                *old.decor_mut() = decor;
            }
            None => {
                protector.insert(
                    key,
                    item.as_value()
                        .map_or_else(|| value(number), |v| value(v.clone())),
                );
            }
        }
    }
    Ok(document.to_string())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test that fails should say where

    use super::*;

    #[test]
    fn only_the_constants_change_and_every_comment_stays() {
        let job = "# mine\n[job]\nname = \"x\"\n\n[[unit]] # first\nname = \"freezer\"\n[unit.protector]\n\
                   kind = \"external-strip\"  # seen\nopens_c = 120.0  # sheet\n\n[[unit]]\nname = \"cooler\"\n";
        let keys = "opens_c = 113.4\nheating_tau_s = 11.20\n";
        let text = edited(job, keys, Some("freezer")).unwrap();
        let wanted = job.replace(
            "opens_c = 120.0  # sheet\n",
            "opens_c = 113.4  # sheet\nheating_tau_s = 11.20\n",
        );
        assert_eq!(text, wanted);
        let text = edited(job, keys, Some("cooler")).unwrap();
        assert!(text.starts_with(job), "{text}");
        assert!(
            text.ends_with("[unit.protector]\nopens_c = 113.4\nheating_tau_s = 11.20\n"),
            "{text}"
        );
        assert!(
            edited(job, keys, None)
                .unwrap_err()
                .contains("freezer, cooler")
        );
    }
}
