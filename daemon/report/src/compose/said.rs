//! The finding, and what happened, in the heart's own sentences: the same as on the page.

use nightclamp_analysis::night::{RowRef, Sentence, SentenceKind, Weight};

use super::unit::Unit;
use crate::document::Block;
use crate::words::{Source, Words};

/// The finding: what the protector did and why, with the figures that carry it.
pub fn finding(unit: &Unit<'_>) -> Vec<Words> {
    if unit.material.span.is_none() {
        return vec![Words::of(
            "The record holds no samples of this unit within the period.",
        )];
    }
    let said = unit.night.sentences.iter();
    let found: Vec<Words> = said
        .filter(|sentence| is_finding(sentence))
        .map(|sentence| quoted(unit, sentence, &sentence.text))
        .collect();
    if found.is_empty() {
        return vec![Words::of("No opening of the protector was seen.")];
    }
    found
}

fn is_finding(sentence: &Sentence) -> bool {
    sentence.weight == Weight::Danger
        || matches!(
            sentence.kind,
            SentenceKind::Trips | SentenceKind::TripsByCause
        )
}

/// What happened, and what to check next.
pub fn section(unit: &Unit<'_>) -> Vec<Block> {
    let said = unit.night.sentences.iter();
    let points: Vec<Words> = said
        .filter(|sentence| !is_finding(sentence) || !sentence.check.is_empty())
        .map(|sentence| with_check(unit, sentence))
        .collect();
    if points.is_empty() {
        return Vec::new();
    }
    vec![
        Block::Heading(Words::of("What happened, and what to check")),
        Block::List(points),
    ]
}

fn with_check(unit: &Unit<'_>, sentence: &Sentence) -> Words {
    let words = quoted(unit, sentence, &sentence.text);
    if sentence.check.is_empty() {
        return words;
    }
    words
        .say(" ")
        .stress("Check: ")
        .then(quoted(unit, sentence, &sentence.check))
}

fn quoted(unit: &Unit<'_>, sentence: &Sentence, text: &str) -> Words {
    let time = |row: &RowRef| match row {
        RowRef::Cycle(time) | RowRef::Event(time) => *time,
    };
    let source = Source::Sentence {
        unit: unit.name().to_owned(),
        kind: sentence.kind.as_str(),
        rows: sentence.rows.iter().map(time).collect(),
    };
    Words::figured(unit.scribe.told(text), source)
}
