//! Charts of the night, and from near the events that stand for the others and those that stand out.

use nightclamp_analysis::rows::{Cause, CycleRow};

use super::chart::{Chart, span_words};
use super::unit::Unit;
use crate::document::Block;
use crate::series::Series;
use crate::views::{Part, View, Why};
use crate::words::Words;

/// The night, or each of the nights.
pub fn nights(unit: &Unit<'_>) -> Vec<Block> {
    let of_nights = unit.material.charts.iter().enumerate();
    let nights: Vec<(usize, &(View, Series))> = of_nights
        .filter(|(_, (view, _))| !view.why.is_near())
        .collect();
    let mut blocks = vec![Block::Heading(Words::of(match nights.len() {
        1 => "The record as a chart",
        _ => "The record as charts",
    }))];
    blocks.push(Block::Small(Words::of(
        "Current, temperatures and supply as far as they were wired; of each slot of time the lowest and the highest reading. Broken \
         red lines: the protector opened; where that was too often for lines, its marks alone say so. Marks that no eye would part are drawn as one.",
    )));
    for (n, (view, series)) in nights {
        let span = span_words(view.span, &unit.scribe, unit.name(), &format!("charts.{n}"));
        let caption = Words::of(part(&view.why)).then(span).say(".");
        blocks.push(chart(unit, view, series, caption));
    }
    blocks
}

/// What stands before the times of a part of the record.
const fn part(why: &Why) -> &'static str {
    let Why::Night(part) = why else { return "" };
    match part {
        Part::Each => "",
        Part::Whole => "The whole record, ",
        Part::Week => "A week of it, ",
        Part::MostOpenings => "The night with most openings of the protector, ",
        Part::Most(Cause::LockedRotor) => "The night with most openings with a locked rotor, ",
        Part::Most(Cause::Overload) => "The night with most openings on overload, ",
        Part::Most(Cause::Overheat) => "The night with most openings on overheat, ",
        Part::Most(Cause::Early) => "The night with most early openings, ",
        Part::Most(Cause::Undetermined) => {
            "The night with most openings of an undetermined cause, "
        }
        Part::Middle => "The night in the middle by how often the protector opened, ",
        Part::Quiet => "The first night with starts and without an opening, ",
        Part::LeastSeen => "The night of which least was observed, ",
    }
}

fn chart(unit: &Unit<'_>, view: &View, series: &Series, caption: Words) -> Block {
    let chart = Chart {
        evidence: &unit.evidence,
        scribe: &unit.scribe,
        view,
        series,
    };
    Block::Chart(chart.drawings(), caption)
}

/// The close-ups.
pub fn section(unit: &Unit<'_>) -> Vec<Block> {
    let near = unit
        .material
        .charts
        .iter()
        .filter(|(view, _)| view.why.is_near());
    let blocks: Vec<Block> = near
        .map(|(view, series)| {
            let heading = Block::Subheading(Words::of(title(unit, &view.why)));
            Block::Together(vec![
                heading,
                chart(unit, view, series, caption(unit, view)),
            ])
        })
        .collect();
    if blocks.is_empty() {
        return blocks;
    }
    let mut all = vec![
        Block::Heading(Words::of("From near")),
        Block::Paragraph(Words::of(match unit.trips().next() {
            Some(_) => {
                "Of each cause the opening whose on-period is the middle one by its length, then those that stand out, and a sound \
                 start to hold them against."
            }
            None => {
                "A sound start: of all of them the one whose on-period is the middle one by its length."
            }
        })),
    ];
    all.extend(blocks);
    all
}

fn title(unit: &Unit<'_>, why: &Why) -> &'static str {
    let is_only = |cause: Cause| {
        unit.trips()
            .filter(|trip| trip.cause == Some(cause))
            .count()
            == 1
    };
    match why {
        Why::Night(_) => "The night",
        Why::Usual(Cause::LockedRotor) if is_only(Cause::LockedRotor) => {
            "Locked rotor: the only one"
        }
        Why::Usual(Cause::Overload) if is_only(Cause::Overload) => "Overload: the only one",
        Why::Usual(Cause::Overheat) if is_only(Cause::Overheat) => "Overheat: the only one",
        Why::Usual(Cause::Early) if is_only(Cause::Early) => "Early: the only one",
        Why::Usual(Cause::Undetermined) if is_only(Cause::Undetermined) => {
            "Undetermined: the only one"
        }
        Why::Usual(Cause::LockedRotor) => "Locked rotor: the middle one",
        Why::Usual(Cause::Overload) => "Overload: the middle one",
        Why::Usual(Cause::Overheat) => "Overheat: the middle one",
        Why::Usual(Cause::Early) => "Early: the middle one",
        Why::Usual(Cause::Undetermined) => "Undetermined: the middle one",
        Why::Hottest => "The opening with the hottest case",
        Why::LongestLocked => "The longest that the rotor stood",
        Why::Late => "Where the protector should have opened and had not",
        Why::SoundStart => "A sound start",
    }
}

fn caption(unit: &Unit<'_>, view: &View) -> Words {
    let cycle = unit
        .material
        .cycles
        .iter()
        .find(|cycle| Some(cycle.on_at) == view.row);
    let Some(cycle) = cycle else {
        let late = unit
            .material
            .events
            .iter()
            .find(|event| Some(event.time) == view.row);
        return late.map_or_else(Words::new, |event| {
            unit.event_cell(
                unit.name(),
                event,
                "detail",
                Some(unit.scribe.told(&event.detail)),
            )
        });
    };
    match view.why {
        Why::SoundStart => start_caption(unit, cycle),
        _ => trip_caption(unit, cycle),
    }
}

fn trip_caption(unit: &Unit<'_>, cycle: &CycleRow) -> Words {
    let mut words = Words::of("Opened at ")
        .then(unit.instant(cycle, "off_at", cycle.off_at))
        .say(" after ")
        .then(unit.seconds(cycle, "on_s", cycle.on_s));
    if cycle.end_a.is_some() {
        words = words
            .say(", with ")
            .then(unit.amps(cycle, "end_a", cycle.end_a))
            .say(" in its last second");
    }
    if cycle.case_off_c.is_some() {
        words =
            words
                .say(" and the case at ")
                .then(unit.temp(cycle, "case_off_c", cycle.case_off_c));
    }
    words.say(".")
}

fn start_caption(unit: &Unit<'_>, cycle: &CycleRow) -> Words {
    let mut words =
        Words::of("Current began at ").then(unit.instant(cycle, "on_at", Some(cycle.on_at)));
    if cycle.peak_a.is_some() {
        words = words
            .say(", at most ")
            .then(unit.amps(cycle, "peak_a", cycle.peak_a));
    }
    if cycle.start_s.is_some() {
        words = words.say(", down to running after ").then(unit.seconds(
            cycle,
            "start_s",
            cycle.start_s,
        ));
    }
    if cycle.run_a.is_some() {
        words = words
            .say(", then ")
            .then(unit.amps(cycle, "run_a", cycle.run_a));
    }
    words.say(".")
}
