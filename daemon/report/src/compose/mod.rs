//! From rows to a document, without touching anything outside.

mod axis;
mod bench;
mod causes;
pub mod chart;
mod closeups;
mod cycling;
mod events;
mod first;
mod folded;
mod foundation;
mod learned;
mod marks;
mod nights;
mod own;
mod said;
mod sureness;
mod trips;
mod unit;

use nightclamp_analysis::evidence::Span;
use nightclamp_analysis::job::TemperatureScale;
use sha2::{Digest, Sha256};

use crate::document::{Block, Document, Excerpt, Part};
use crate::material::Material;
use crate::scribe::Scribe;
use crate::words::{Source, Words};
use unit::Unit;

/// Puts a record into words, tables and charts. Temperatures are shown as the job file says unless `scale` is given.
pub fn compose(material: &Material, scale: Option<TemperatureScale>) -> Document {
    let scale = scale.unwrap_or(material.job.temperature);
    let mut parts: Vec<Part> = Vec::new();
    parts.extend(
        material
            .bench
            .iter()
            .map(|results| bench::part(material, results, scale)),
    );
    let units = material.units.iter();
    let units: Vec<Unit<'_>> = units.map(|unit| Unit::new(material, unit, scale)).collect();
    parts.extend(units.iter().map(part_of));
    let mut foundation = foundation::part(material, &units);
    if material.bench.is_some() {
        let scribe = Scribe::new(material.job.timezone, 0, scale, Span { from: 0, until: 0 });
        foundation.blocks.extend(bench::cautions(&scribe));
    }
    parts.push(foundation);
    Document {
        title: format!("{}: what the record shows", material.job.name),
        head: job_words(material),
        foot: Words::of("Nightclamp ")
            .figure(material.software.clone(), Source::Record("software"))
            .say(" · record ")
            .figure(short(&material.manifest.chain), Source::Record("chain")),
        id: id(material, scale),
        parts,
    }
}

/// The job's name with its site.
fn job_words(material: &Material) -> Words {
    let of_job = |key| Source::Job {
        unit: String::new(),
        key,
    };
    let name = Words::figured(material.job.name.clone(), of_job("name"));
    match &material.job.site {
        Some(site) => name.say(" · ").figure(site.clone(), of_job("site")),
        None => name,
    }
}

/// The beginning of a hash: enough to tell records apart by eye.
fn short(hash: &str) -> String {
    hash.chars().take(16).collect()
}

/// What the report is of: the same for the same record and the same wishes.
fn id(material: &Material, scale: TemperatureScale) -> [u8; 16] {
    let mut digest = Sha256::new();
    digest.update(&material.software);
    digest.update(&material.manifest.chain);
    digest.update(scale.as_str());
    for unit in &material.units {
        let span = unit.span.map_or((0, 0), |span| (span.from, span.until));
        digest.update(span.0.to_be_bytes());
        digest.update(span.1.to_be_bytes());
        digest.update(unit.samples.to_be_bytes());
    }
    for (_, sha256) in &material.job_files {
        digest.update(sha256);
    }
    let whole = digest.finalize();
    let mut id = [0; 16];
    id.iter_mut()
        .zip(whole)
        .for_each(|(into, from)| *into = from);
    id
}

/// What paper shows of a table with so many rows, of which so many are printed: nothing to say if those are all.
fn excerpt(rows: usize, printed: usize, place: &'static str) -> Option<Excerpt> {
    let more = rows.checked_sub(printed).filter(|more| *more > 0)?;
    Some(Excerpt {
        rows: printed,
        more: Words::figured(more.to_string(), Source::Paper).say(match printed {
            0 => ", not printed",
            _ => " more, not printed",
        }),
        place: Words::of(place),
    })
}

fn part_of(unit: &Unit<'_>) -> Part {
    let mut blocks = first::page(unit);
    if unit.material.span.is_some() {
        blocks.push(Block::NewPage);
        blocks.extend(said::section(unit));
        blocks.extend(nights::section(unit));
        blocks.extend(closeups::nights(unit));
        blocks.extend(trips::section(unit));
        blocks.extend(closeups::section(unit));
        blocks.extend(cycling::section(unit));
        blocks.extend(events::section(unit));
        blocks.extend(learned::section(unit));
        blocks.extend(own::section(unit));
        blocks.extend(trips::every_period(unit));
    }
    Part {
        blocks,
        is_one_sheet: false,
    }
}
