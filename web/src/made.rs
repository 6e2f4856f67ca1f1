//! What is worked out from rows and shown on the page, as tables: sentences, how it cycled, what cycles were said to be before.

use nightclamp_analysis::cycling::{BIN_EDGES_S, Cycling, Judged, Term, Times, Violation};
use nightclamp_analysis::excerpt::Made;
use nightclamp_analysis::night::{RowRef, Sentence, night};
use nightclamp_analysis::rows::{Cause, EndedBy, RecordTime};

use crate::cycling::terms_of;
use crate::evidence::Copied;
use crate::live::Live;
use crate::night::PLACES_MAX;
use crate::params::{POINTS_MAX, Params, stamp};
use crate::problem::Problem;
use crate::verdicts::Verdict;

/// A stretch in sentences, in the order in which they are told.
pub fn sentences(live: &Live, params: &Params) -> Result<Made, Problem> {
    let copied = Copied::of(live, params)?;
    let told: Vec<(usize, Sentence)> = night(&copied.evidence(), copied.asked)
        .sentences
        .into_iter()
        .enumerate()
        .collect();
    let first = |said: &Sentence| said.places.first().copied();
    let made = Made::of(&params.unit, &told)
        .count("number", |(n, _)| Some(n + 1))
        .word("kind", |(_, said)| Some(said.kind.as_str()))
        .word("weight", |(_, said)| Some(said.weight.as_str()))
        .word("text", |(_, said)| Some(said.text.clone()))
        .word("check", |(_, said)| {
            Some(said.check.clone()).filter(|check| !check.is_empty())
        })
        .instant("seen_from", |(_, said)| first(said).map(|place| place.from))
        .instant("seen_until", |(_, said)| {
            first(said).map(|place| place.until)
        })
        .count("places", |(_, said)| Some(said.places.len()))
        .count("rows", |(_, said)| Some(said.rows.len()))
        .word("rests_on", |(_, said)| Some(rests_on(said)));
    Ok(made.made())
}

/// The rows of a sentence in words, the first [`PLACES_MAX`] of them: `cycle 2026-11-25T18:00:00.000000Z; event ...`.
fn rests_on(said: &Sentence) -> String {
    let rows = said.rows.iter().take(PLACES_MAX).map(|row| {
        let (of, at_us) = match *row {
            RowRef::Cycle(at_us) => ("cycle", at_us),
            RowRef::Event(at_us) => ("event", at_us),
        };
        let at = stamp(at_us, "%Y-%m-%dT%H:%M:%S%.6fZ").unwrap_or_default();
        format!("{of} {at}")
    });
    rows.collect::<Vec<_>>().join("; ")
}

/// Starts in the hour that ends at an instant, wherever that changes.
pub fn starts(live: &Live, params: &Params) -> Result<Made, Problem> {
    let copied = Copied::of(live, params)?;
    let evidence = copied.evidence_asked();
    let hours = Cycling::of(&evidence)
        .starts
        .in_rolling_hour(evidence.span, POINTS_MAX);
    let made = Made::of(&params.unit, &hours)
        .instant("time", |hour| Some(hour.at))
        .count("starts_in_the_hour_before", |hour| Some(hour.seen as usize))
        .count("of_them_not_after_the_protector", |hour| {
            Some(hour.control as usize)
        });
    Ok(made.made())
}

/// On- and off-times, counted by their length.
pub fn times(live: &Live, params: &Params) -> Result<Made, Problem> {
    let copied = Copied::of(live, params)?;
    let cycling = Cycling::of(&copied.evidence_asked());
    let off = &cycling.off_times;
    let all: [(&str, &str, &Times); 5] = [
        ("on", "", &cycling.on_times),
        ("off", "control", &off.control),
        ("off", "protector", &off.protector),
        ("off", "supply", &off.supply),
        ("off", "unknown", &off.unknown),
    ];
    let bins: Vec<_> = all
        .into_iter()
        .flat_map(|(what, after, times)| {
            let bins = times.bins.into_iter().enumerate();
            bins.map(move |(n, count)| (what, after, n, count))
        })
        .collect();
    let edge = |n: usize| BIN_EDGES_S.get(n).copied();
    let made = Made::of(&params.unit, &bins)
        .word("times", |(what, ..)| Some(*what))
        .word("after", |(_, after, ..)| {
            Some(*after).filter(|after| !after.is_empty())
        })
        .figure("from_s", |(.., n, _)| edge(*n))
        .figure("until_s", |(.., n, _)| edge(*n + 1))
        .count("count", |(.., count)| Some(*count as usize));
    Ok(made.made())
}

/// The terms of the job, one row for each group of cycles, and one for each pair that breaks it.
pub fn terms(live: &Live, params: &Params) -> Result<Made, Problem> {
    type Row<'a> = (&'a Term, &'a Judged, Option<&'a Violation>);
    let copied = Copied::of(live, params)?;
    let cycling = Cycling::of(&copied.evidence_asked());
    let rows: Vec<Row<'_>> = terms_of(&cycling)
        .flat_map(|term| term.judged.iter().map(move |judged| (term, judged)))
        .flat_map(|(term, judged)| {
            let pairs = judged.violations.iter().map(Some);
            std::iter::once(None)
                .chain(pairs)
                .map(move |pair| (term, judged, pair))
        })
        .collect();
    let made = Made::of(&params.unit, &rows)
        .word("term", |(term, ..)| Some(term.kind.as_str()))
        .figure("limit", |(term, ..)| Some(term.limit))
        .word("stands_in", |(term, ..)| term.citation.clone())
        .word("cycles", |(_, judged, _)| Some(judged.whose.as_str()))
        .count("pairs", |(_, judged, _)| Some(judged.pairs))
        .count("cannot_be_told", |(_, judged, _)| Some(judged.open))
        .count("broken", |(_, judged, _)| Some(judged.violations.len()))
        .instant("pair_from", |(.., pair)| pair.map(|pair| pair.first_at))
        .instant("pair_until", |(.., pair)| pair.map(|pair| pair.second_at))
        .figure("pair_is", |(.., pair)| pair.map(|pair| pair.value));
    Ok(made.made())
}

/// What the cycles of a stretch were said to be, as far as the dashboard has seen it.
pub fn revisions(live: &Live, params: &Params) -> Result<Made, Problem> {
    let (from_us, to_us) = params.range();
    let said: Vec<(RecordTime, Verdict)> = {
        let view = live.view();
        let unit = crate::api::unit(&view, params)?;
        let lists = view.lists.get(&unit.name);
        let verdicts = lists
            .into_iter()
            .flat_map(|lists| lists.verdicts.within(from_us, to_us));
        verdicts
            .map(|(on_at, verdict)| (on_at, verdict.clone()))
            .collect()
    };
    let made = Made::of(&params.unit, &said)
        .instant("on_at", |(on_at, _)| Some(*on_at))
        .instant("said_at", |(_, said)| Some(said.at_us))
        .word("start", |(_, said)| Some(said.start.as_str()))
        .word("ended_by", |(_, said)| said.ended_by.map(EndedBy::as_str))
        .word("cause", |(_, said)| said.cause.map(Cause::as_str))
        .word("basis", |(_, said)| Some(said.basis.clone()))
        .truth("final", |(_, said)| Some(said.is_final));
    Ok(made.made())
}
