//! How sure the figures are: limits of error as they were given, what they come to, and the clocks.

use nightclamp_analysis::bench::{ClampClass, Results};

use super::unit::Unit;
use crate::document::{Block, Column, Row, Table};
use crate::material::Material;
use crate::scribe::duration;
use crate::words::{Source, Words};

/// What the job file, or the plan of a bench test, gives of a unit's sensors.
pub struct Given<'a> {
    unit: &'a Unit<'a>,
    /// The plan says it, not the unit's section.
    is_plan: bool,
    /// Clamp with its board.
    pub clamp: Option<ClampClass>,
    /// Bead on the case, ± K.
    pub bead_k: Option<f64>,
}

impl<'a> Given<'a> {
    /// Of a unit. What a bench test's plan says of its sensors goes before.
    pub fn of(unit: &'a Unit<'a>) -> Self {
        let tested = |bench: &&Results| bench.unit.name == unit.name();
        let plan = unit.all.bench.as_ref().filter(tested);
        let (plan, own) = (plan.map(|bench| bench.plan.sensors), unit.sensors());
        let of_plan = plan.filter(|of| of.clamp.is_some() || of.bead_k.is_some());
        Self {
            unit,
            is_plan: of_plan.is_some(),
            clamp: of_plan.map_or(own.clamp, |of| of.clamp),
            bead_k: of_plan.map_or(own.bead_k, |of| of.bead_k),
        }
    }

    fn source(&self, key: &'static str, of_plan: &str) -> Source {
        match self.is_plan {
            true => Source::Bench(format!("plan.sensors.{of_plan}")),
            false => Source::Job {
                unit: self.unit.name().to_owned(),
                key,
            },
        }
    }

    fn clamp_words(&self) -> Option<Words> {
        let shown = class_words(&self.clamp?);
        Some(Words::of("clamp ± ").figure(shown, self.source("sensors.clamp", "clamp")))
    }

    fn bead_words(&self) -> Option<Words> {
        let shown = self.unit.scribe.temp_difference(self.bead_k?);
        Some(Words::of("bead ± ").figure(shown, self.source("sensors.bead_k", "bead_k")))
    }

    /// All that is given, with the host's clock, in a few words.
    pub fn words(&self) -> Words {
        let clock =
            clock_words(self.unit.all).map(|words| Words::of("host’s clock ± ").then(words));
        [self.clamp_words(), self.bead_words(), clock]
            .into_iter()
            .flatten()
            .reduce(|all, one| all.say(", ").then(one))
            .unwrap_or_else(|| Words::of("not given"))
    }

    /// What the limits come to where it matters.
    fn rows(&self) -> Vec<Row> {
        let (of, learned) = (&self.unit.material.unit, &self.unit.learned);
        let running_a = learned.running_a.map(|running| running.median);
        let locked_a = learned.locked_a.map(|(locked, _)| locked.median);
        let levels = [
            ("at rated load, ", "rated", of.rated_load_a, false),
            (
                "at its running current, ",
                "running",
                running_a,
                of.rated_load_a.is_some(),
            ),
            ("at locked rotor, ", "locked", of.locked_rotor_a, false),
            (
                "at locked rotor as it was seen, ",
                "locked_seen",
                locked_a,
                of.locked_rotor_a.is_some(),
            ),
        ];
        let amps = |value: f64| self.unit.scribe.amps(value);
        let clamp = levels.into_iter().filter(|(.., is_given)| !is_given);
        let clamp = clamp.filter_map(|(at, name, level_a, _)| {
            let limit_a = self.clamp?.limit_a(level_a?);
            let at = Words::of(at).then(self.figure("clamp", name, "level", amps(level_a?)));
            Some(self.row(
                self.clamp_words()?,
                at,
                ("clamp", name),
                [limit_a, uncertainty(limit_a)].map(amps),
            ))
        });
        let temp = |value: f64| self.unit.scribe.temp_difference(value);
        let bead = self.bead_k.and_then(|limit_k| {
            let at = Words::of("at any temperature");
            Some(self.row(
                self.bead_words()?,
                at,
                ("bead", "any"),
                [limit_k, uncertainty(limit_k)].map(temp),
            ))
        });
        clamp.chain(bead).collect()
    }

    fn figure(&self, what: &str, at: &str, which: &str, shown: String) -> Words {
        self.unit
            .heart(format!("sensors.{what}.{at}.{which}"), shown)
    }

    fn row(
        &self,
        what: Words,
        at: Words,
        (sensor, level): (&str, &str),
        [limit, standard]: [String; 2],
    ) -> Row {
        Row {
            cells: vec![
                self.unit.heart("name", self.unit.name()),
                what,
                at,
                Words::of("± ").then(self.figure(sensor, level, "limit", limit)),
                self.figure(sensor, level, "standard", standard),
            ],
            note: None,
        }
    }
}

/// Standard uncertainty of what lies anywhere within a limit of error: JCGM 100:2008, 4.3.7.
fn uncertainty(limit: f64) -> f64 {
    limit / 3.0_f64.sqrt()
}

/// How far off the host's clock was at most, as the job file says.
fn clock_words(material: &Material) -> Option<Words> {
    let shown = format!("{}\u{a0}s", material.job.clock_s?);
    let (unit, key) = (String::new(), "clock_s");
    Some(Words::figured(shown, Source::Job { unit, key }))
}

/// A clamp's limit of error as data sheets write it.
pub fn class_words(of: &ClampClass) -> String {
    let mut parts = Vec::new();
    if of.percent > 0.0 {
        parts.push(format!("{} %", of.percent));
    }
    if of.range_percent > 0.0 {
        parts.push(format!("{} % of {}\u{a0}A", of.range_percent, of.range_a));
    }
    if of.amps > 0.0 {
        parts.push(format!("{}\u{a0}A", of.amps));
    }
    match parts.len() {
        0 => "0".to_owned(),
        1 => parts.concat(),
        _ => format!("({})", parts.join(" + ")),
    }
}

/// The section.
pub fn section(material: &Material, units: &[Unit<'_>]) -> Vec<Block> {
    let rows: Vec<Row> = units
        .iter()
        .flat_map(|unit| Given::of(unit).rows())
        .collect();
    let mut blocks = vec![Block::Heading(Words::of("How sure it is"))];
    let mut said = vec![Words::of(match rows.is_empty() {
        true => {
            "Current and temperature are as sure as the clamp and the bead that were used: their classes are not in the record. \
             The person who measured enters them on the first page, from the certificates or data sheets."
        }
        false => {
            "Current and temperature are as sure as clamp and bead: the limits of error are those that the person who measured gave. \
             Any value within them is as likely, so that the standard uncertainty is the limit over the square root of three \
             (JCGM 100:2008, 4.3.7). How well a bead touches is not in it, and no cause was judged by it."
        }
    })];
    if !rows.is_empty() {
        blocks.push(Block::Table(limits(rows)));
    }
    said.push(Words::of(
        "A bead under tape reads the case, and lags behind it; the case lags behind the disc inside. Opening temperatures read from \
         the case while a locked rotor heats the disc are lower than the disc’s.",
    ));
    said.extend(clocks(material));
    said.push(Words::of(
        "What was not observed is told as a gap with its cause, and everything that gaps could hide is given with its least and its \
         most.",
    ));
    blocks.push(Block::List(said));
    blocks
}

fn limits(rows: Vec<Row>) -> Table {
    Table {
        columns: vec![
            Column::left("unit", 1.2),
            Column::left("limit of error as given", 2.4),
            Column::left("of a reading", 3.0),
            Column::right("comes to", 1.0),
            Column::right("standard uncertainty", 1.2),
        ],
        rows,
        caption: Words::of("Limits of error, and what they come to"),
        is_mono: false,
        excerpt: None,
    }
}

/// Lengths and instants.
fn clocks(material: &Material) -> Vec<Words> {
    let mut said = vec![Words::of(
        "Lengths of time come from the board’s clock, steered by the host’s over the whole boot; across boots from the host’s clock \
         since it was started. An edge is dated to a part of a sample period. Where neither clock reaches, the record says that a \
         length is not known, and none is claimed.",
    )];
    said.extend(material.boards.iter().filter_map(|board| {
        let rate = board.rate?;
        let of = |name, shown: String| Words::figured(shown, Source::Record(name));
        Some(
            Words::of("The clock of board ")
                .then(of("board", board.id.clone()))
                .say(" ran ")
                .then(of("rate", format!("{:.0}\u{a0}ppm", rate.fast_ppm.abs())))
                .say(match rate.fast_ppm < 0.0 {
                    true => " slow",
                    false => " fast",
                })
                .say(" against the host’s over ")
                .then(of("rate_over", duration(rate.over_s)))
                .say(", its longest stretch without a boot: lengths have that taken out."),
        )
    }));
    let instants = Words::of(
        "Instants are on one continuous scale, the host’s clock as it stood when the record began; they are shown as the host’s \
         clock was last set. ",
    );
    said.push(match clock_words(material) {
        Some(clock_s) => instants
            .say("When the job was set up it was off by no more than ")
            .then(clock_s)
            .say(", as the job file says."),
        None => instants.say("How right that clock was is not in the record."),
    });
    said
}
