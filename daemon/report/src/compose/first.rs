//! The first page: the finding, of what, by whom, and how far it can be trusted.

use nightclamp_analysis::job::{ClampOn, ProtectorKind};

use super::said;
use super::sureness::Given;
use super::unit::Unit;
use crate::document::Block;
use crate::scribe::{NOTHING, duration};
use crate::words::{Fold, Source, Words};

/// The first page of a unit.
pub fn page(unit: &Unit<'_>) -> Vec<Block> {
    let mut blocks = vec![
        Block::Title {
            above: super::job_words(unit.all),
            title: unit
                .heart("name", unit.name())
                .say(": what its overload protector did"),
        },
        Block::Finding(said::finding(unit)),
    ];
    blocks.extend(doubts(unit));
    if unit.material.span.is_some() {
        blocks.push(Block::Figures(figures(unit)));
    }
    blocks.push(Block::Facts(facts(unit)));
    blocks.push(Block::Subheading(Words::of("Who measured")));
    blocks.push(Block::Fields(fields(unit)));
    blocks.push(Block::Warning(
        Words::of("Before anybody acts on this: cautions"),
        cautions(),
    ));
    blocks.push(Block::Subheading(Words::of("What this method cannot tell")));
    blocks.push(Block::List(limits(unit)));
    blocks
}

/// What makes the record less than whole.
fn doubts(unit: &Unit<'_>) -> Vec<Block> {
    let check = &unit.all.check;
    let mut said = Vec::new();
    let told = |text: &String| Words::figured(text.clone(), Source::Record("check"));
    said.extend(check.fails.iter().take(FAILS_SHOWN).map(told));
    if check.fails.len() > FAILS_SHOWN {
        said.push(Words::of("More is listed under “The check of the record”."));
    }
    said.extend(
        check
            .left_out
            .iter()
            .take(FAILS_SHOWN)
            .map(|text| Words::of("Left out of this report: ").then(told(text))),
    );
    let mut blocks = Vec::new();
    if !said.is_empty() {
        let head = Words::of(
            "The record is damaged or does not agree with itself. What is said here rests on what is left of it:",
        );
        blocks.push(Block::Warning(head, said));
    }
    if check.removed > 0 {
        blocks.push(Block::Small(
            Words::figured(check.removed.to_string(), Source::Record("removed")).say(
                " raw logs were removed on purpose, because a limit had been set, and the manifest announced it. Rows that come \
                 from them were not derived again for this report: of them only hashes and chain were checked. Which stretch that \
                 is stands under “The check of the record”.",
            ),
        ));
    }
    if check.is_live {
        blocks.push(Block::Small(Words::of(
            "The record was still being written when this report was made: it goes up to what was sealed or open then.",
        )));
    }
    if unit.material.shown_offset_us != 0 {
        let by = duration(unit.material.shown_offset_us.unsigned_abs() as f64 / 1e6);
        let which = if unit.material.shown_offset_us > 0 {
            " forward"
        } else {
            " back"
        };
        blocks.push(Block::Small(
            Words::of("The host’s clock was set while it recorded, by ")
                .then(unit.heart("shown_offset_us", by))
                .say(which)
                .say(" in all. Instants are named by the clock as last set; order and lengths are true all the same."),
        ));
    }
    blocks
}

/// Of what does not hold, so much stands on the first page.
const FAILS_SHOWN: usize = 4;

fn figures(unit: &Unit<'_>) -> Vec<(Words, Words)> {
    let trips: Vec<_> = unit.trips().collect();
    let starts: Vec<_> = unit
        .material
        .cycles
        .iter()
        .filter(|cycle| cycle.on_seen)
        .collect();
    let number = |of: usize| of.to_string();
    let duty = unit.cycling.duty.share;
    let mut figures = vec![
        (
            unit.cells(
                trips.iter().copied(),
                "on_at",
                Fold::Count,
                number(trips.len()),
            ),
            Words::of("openings of the protector"),
        ),
        (
            unit.cells(
                starts.iter().copied(),
                "on_at",
                Fold::Count,
                number(starts.len()),
            ),
            Words::of("starts seen"),
        ),
    ];
    if let Some(rolling) = unit.cycling.rolling {
        figures.push((
            unit.heart("cycling.rolling.seen", rolling.seen.to_string()),
            Words::of("starts in the busiest hour"),
        ));
    }
    figures.push((
        unit.heart(
            "cycling.duty.share",
            if duty.is_finite() {
                unit.scribe.share(duty)
            } else {
                NOTHING.to_owned()
            },
        ),
        Words::of("of the observed time on"),
    ));
    figures.push((
        unit.heart(
            "night.coverage",
            unit.scribe.share(unit.night.counts.coverage),
        ),
        Words::of("of the period observed"),
    ));
    figures
}

fn facts(unit: &Unit<'_>) -> Vec<(Words, Words)> {
    let of = &unit.material.unit;
    let mut facts: Vec<(Words, Words)> = Vec::new();
    let mut add = |name: &'static str, value: Words| facts.push((Words::of(name), value));
    if let Some(span) = unit.material.span {
        add(
            "Period, from",
            unit.heart("span.from", unit.scribe.instant(span.from)),
        );
        add(
            "to",
            unit.heart("span.until", unit.scribe.instant(span.until)),
        );
        let zone = Words::figured(
            unit.all.job.timezone.name(),
            Source::Job {
                unit: String::new(),
                key: "timezone",
            },
        );
        let offset = unit.scribe.offset(span.from);
        add(
            "Clock of",
            match unit.scribe.has_offsets {
                true => zone.say(": its offset from UTC changes, so each instant carries it"),
                false => zone.say(", ").then(unit.heart("span.offset", offset)),
            },
        );
    }
    add("Unit", unit.job("name", unit.name()));
    let given = |value: Option<f64>| {
        value.map_or_else(
            || "not given".to_owned(),
            |value_a| unit.scribe.amps(value_a),
        )
    };
    add(
        "Nameplate, rated load",
        unit.job("rated_load_a", given(of.rated_load_a)),
    );
    add(
        "Nameplate, locked rotor",
        unit.job("locked_rotor_a", given(of.locked_rotor_a)),
    );
    add("Protector", protector(unit));
    add("Clamp", clamp(unit));
    add("Limits of error", Given::of(unit).words());
    add(
        "Board",
        Words::figured(of.board.to_string(), Source::Record("board")),
    );
    let wired: Vec<&str> = of.channels.roles().map(|(role, _)| role).collect();
    add("Measured", unit.job("channels", wired.join(", ")));
    if unit.material.span.is_some() {
        add(
            "Samples",
            unit.heart("samples", unit.material.samples.to_string()),
        );
    }
    facts
}

fn protector(unit: &Unit<'_>) -> Words {
    let of = &unit.material.unit.protector;
    let mut words = Words::of(match of.kind {
        ProtectorKind::ExternalStrip => "external, strip",
        ProtectorKind::ExternalRound => "external, round",
        ProtectorKind::Internal => "internal",
        ProtectorKind::Unknown => "kind not given",
    });
    let tolerance = |tol_c: Option<f64>, key| match tol_c {
        Some(tol_c) => Words::of(" ± ").then(unit.job(key, unit.scribe.temp_difference(tol_c))),
        None => Words::new(),
    };
    if let Some(opens_c) = of.opens_c {
        words = words
            .say(", opens ")
            .then(unit.job("protector.opens_c", unit.scribe.temp(opens_c)))
            .then(tolerance(of.opens_tol_c, "protector.opens_tol_c"));
    }
    if let Some(closes_c) = of.closes_c {
        words = words
            .say(", closes ")
            .then(unit.job("protector.closes_c", unit.scribe.temp(closes_c)))
            .then(tolerance(of.closes_tol_c, "protector.closes_tol_c"));
    }
    words
}

fn clamp(unit: &Unit<'_>) -> Words {
    let of = &unit.material.unit;
    let on = match of.clamp_on {
        ClampOn::Common => "on the lead to the common terminal",
        ClampOn::Appliance => "on the lead of the whole appliance",
    };
    match of.clamp_turns {
        1 => Words::of(on),
        turns => Words::of(on)
            .say(", ")
            .then(unit.job("clamp_turns", turns.to_string()))
            .say(" turns"),
    }
}

/// Lines to fill in by hand: what the job file gives is not asked for again.
fn fields(unit: &Unit<'_>) -> Vec<Words> {
    let given = Given::of(unit);
    [
        "measured by (name in print)",
        "company",
        "compressor, model and serial number",
        "protector, part number",
        match given.clamp {
            None => "clamp, make, serial number, class",
            Some(_) => "clamp, make, serial number",
        },
        match given.bead_k {
            None => "case bead, type and class, how fixed",
            Some(_) => "case bead, type, how fixed",
        },
        "place and date",
        "signature",
    ]
    .into_iter()
    .map(Words::of)
    .collect()
}

fn cautions() -> Vec<Words> {
    [
        "For qualified persons, under local code and the employer’s rules. Isolate, lock out, prove dead and discharge \
         capacitors before anything is touched. The protector’s case and the bead on it count as live.",
        "Never energise a hermetic compressor with its terminal cover off or with an earth fault: terminals can be ejected with \
         burning oil and refrigerant. Never bridge a protector, not for a moment. With flammable refrigerants check for leaks \
         and ventilate first.",
    ]
    .into_iter()
    .map(Words::of)
    .collect()
}

/// What the wiring of this record leaves open.
fn limits(unit: &Unit<'_>) -> Vec<Words> {
    let of = &unit.material.unit;
    let channels = &of.channels;
    let mut said = vec![Words::of(
        "It sees the lead’s current and the protector’s case, not the winding. A cause is said only where the figures carry it; \
         “undetermined” and “unknown” are answers, not failures.",
    )];
    let mut add = |is_so: bool, text: &'static str| {
        if is_so {
            said.push(Words::of(text));
        }
    };
    add(
        channels.demand.is_none(),
        "No demand contact was wired: a weak protector that opens a cool compressor at its usual current looks like a control.",
    );
    add(
        channels.supply.is_none(),
        "No supply was measured: a supply failure looks like a control.",
    );
    add(
        channels.case.is_none(),
        "No bead was on the protector’s case: causes are not judged by temperature.",
    );
    add(
        of.clamp_on == ClampOn::Appliance,
        "The clamp was on the appliance’s lead: fans, lamps and heaters share its current.",
    );
    add(
        true,
        "A rotor that stands while its protector is weak as well is told as a locked rotor: the protector is judged on the bench.",
    );
    said
}
