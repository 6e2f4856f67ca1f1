//! The sheet of a bench test: all that `nightclamp bench --results` says, and its curve, on one sheet.

mod curve;
mod runs;
mod verdicts;

use nightclamp_analysis::bench::{CAUTIONS, Load, Results, Step, WHO};
use nightclamp_analysis::evidence::Span;
use nightclamp_analysis::job::TemperatureScale;

use super::sureness::class_words;
use crate::document::{Block, Part};
use crate::material::Material;
use crate::scribe::{NOTHING, Scribe};
use crate::words::{Source, Words};

/// The sheet.
pub fn part(material: &Material, results: &Results, scale: TemperatureScale) -> Part {
    let sheet = Sheet::new(material, results, scale);
    let mut blocks = vec![
        Block::Title {
            above: super::job_words(material).say(" · bench test"),
            title: sheet
                .of("unit", results.unit.name.clone())
                .say(": bench test of its overload protector"),
        },
        Block::Finding(sheet.finding()),
        Block::Facts(sheet.facts()),
        Block::Subheading(Words::of("Runs")),
        runs::table(&sheet),
        Block::Beside(runs::statistics(&sheet), curve::section(&sheet)),
    ];
    blocks.extend(verdicts::section(&sheet));
    blocks.push(Block::Beside(
        curve::constants(&sheet),
        verdicts::by_hand(&sheet),
    ));
    blocks.push(Block::Warning(
        Words::of("Cautions, in full at the end"),
        vec![heads()],
    ));
    blocks.push(Block::Fields(
        [
            "measured by (name in print), date, signature",
            "protector: maker, part number; compressor: model, serial number",
        ]
        .map(Words::of)
        .into(),
    ));
    Part {
        blocks,
        is_one_sheet: true,
    }
}

/// The cautions as they were shown before the test.
pub fn cautions(scribe: &Scribe) -> Vec<Block> {
    let caution = |caution: &nightclamp_analysis::bench::Caution| {
        let text = scribe.told(caution.text);
        let head = Words::new().stress(caution.head).say(" ");
        head.figure(text, Source::Rule("bench.CAUTIONS"))
    };
    vec![
        Block::Heading(Words::of("The cautions of the bench test")),
        Block::Paragraph(Words::of(WHO)),
        Block::List(CAUTIONS.iter().map(caution).collect()),
    ]
}

/// What catches the eye of each caution.
fn heads() -> Words {
    CAUTIONS.iter().fold(Words::of(WHO), |words, caution| {
        words
            .say(" · ")
            .say(caution.head.trim_end_matches([',', ':', '.']))
    })
}

/// A sheet while it is written.
struct Sheet<'a> {
    results: &'a Results,
    scribe: Scribe,
}

impl<'a> Sheet<'a> {
    fn new(material: &Material, results: &'a Results, scale: TemperatureScale) -> Self {
        let (from, until) = results.span.unwrap_or((0, 0));
        let mut units = material.units.iter();
        let unit = units.find(|unit| unit.unit.name == results.unit.name);
        let shown_offset_us = unit.map_or(0, |unit| unit.shown_offset_us);
        let span = Span { from, until };
        Self {
            results,
            scribe: Scribe::new(material.job.timezone, shown_offset_us, scale, span),
        }
    }

    /// Something of the results, by its name there.
    fn of(&self, name: impl Into<String>, shown: impl Into<String>) -> Words {
        Words::figured(shown, Source::Bench(name.into()))
    }

    /// A sentence of the results.
    fn sentence(&self, name: &str, text: &str) -> Words {
        self.of(name, self.scribe.told(text))
    }

    /// A figure that may not be there.
    fn maybe(&self, name: String, shown: Option<String>) -> Words {
        match shown {
            Some(shown) => self.of(name, shown),
            None => Words::of(NOTHING),
        }
    }

    /// A figure of that unit.
    fn figure(&self, value: f64, unit: &str) -> String {
        match unit {
            "Cel" => self.scribe.temp(value),
            _ => format!("{value:.2}\u{a0}{unit}"),
        }
    }

    /// A difference of that unit: no zero to be shifted.
    fn difference(&self, value: f64, unit: &str) -> String {
        match unit {
            "Cel" => self.scribe.temp_difference(value),
            _ => format!("{value:.2}\u{a0}{unit}"),
        }
    }

    fn finding(&self) -> Vec<Words> {
        let judged = &self.results.judged;
        let mut said = vec![
            Words::of("Whole: ")
                .then(self.of("whole", judged.whole.as_str()))
                .say("."),
        ];
        let sentence = judged
            .sentence
            .trim_end_matches(self.results.partial)
            .trim_end();
        if sentence.trim_end_matches('.') != judged.whole.as_str() {
            said.push(self.sentence("sentence", sentence));
        }
        if self.results.step != Step::Finished {
            said.push(
                Words::of("The test was not finished: it stands at ")
                    .then(self.of("step", self.results.step.as_str()))
                    .say("."),
            );
        }
        said.push(Words::of(self.results.partial));
        said
    }

    fn facts(&self) -> Vec<(Words, Words)> {
        let results = self.results;
        let plan = &results.plan;
        let seconds = |name: &str, s: f64| self.of(name, format!("{s}\u{a0}s"));
        let mut facts: Vec<(Words, Words)> = Vec::new();
        let mut add = |name: &'static str, value: Words| facts.push((Words::of(name), value));
        if let Some((from, until)) = results.span {
            add(
                "From",
                self.of("span.from", self.scribe.instant_with_offset(from)),
            );
            add(
                "to",
                self.of("span.until", self.scribe.instant_with_offset(until)),
            );
        }
        add(
            "Load",
            Words::of(match plan.load {
                Load::LockedRotor => "compressor, its rotor locked",
                Load::SafeLoad => "a load in the compressor’s place",
            }),
        );
        add(
            "Openings to be timed",
            self.of("plan.repeats", plan.repeats.to_string()),
        );
        add(
            "Between two runs",
            match plan.rest_s {
                Some(s) => Words::of("no current for ").then(seconds("plan.rest_s", s)),
                None => Words::of("power stays on; a reset begins the next run"),
            },
        );
        add(
            "May carry current for",
            seconds("plan.longest_trip_s", plan.longest_trip_s),
        );
        if let Some(s) = plan.longest_reset_s {
            add("May stay open for", seconds("plan.longest_reset_s", s));
        }
        add("Limits of error", self.classes());
        add(
            "Cautions acknowledged",
            match &results.acknowledged {
                Some((at, by)) => Words::of("by ")
                    .then(self.of("acknowledged.by", by.clone()))
                    .say(", ")
                    .then(self.of("acknowledged.at", self.scribe.clock(*at))),
                None => Words::of("by nobody"),
            },
        );
        facts
    }

    /// What the plan gives of the instruments.
    fn classes(&self) -> Words {
        let classes = &self.results.plan.sensors;
        let of = |key: &str, shown: String| self.of(format!("plan.sensors.{key}"), shown);
        let mut given: Vec<Words> = Vec::new();
        if let Some(clamp) = classes.clamp {
            given.push(Words::of("clamp ± ").then(of("clamp", class_words(&clamp))));
        }
        if let Some(bead_k) = classes.bead_k {
            given.push(Words::of("bead ± ").then(of("bead_k", self.difference(bead_k, "Cel"))));
        }
        if let Some(time_s) = classes.time_s {
            given.push(Words::of("instants ± ").then(of("time_s", format!("{time_s}\u{a0}s"))));
        }
        if let Some(meter) = classes.meter {
            let shown = format!("({} % + {}\u{a0}Ohm)", meter.percent, meter.ohm);
            given.push(Words::of("ohmmeter ± ").then(of("meter", shown)));
        }
        given
            .into_iter()
            .reduce(|all, one| all.say(", ").then(one))
            .unwrap_or_else(|| Words::of("none given"))
    }
}
