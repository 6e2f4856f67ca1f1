//! One unit while its part is written: its rows, what the heart makes of them, and how figures are written with their source.

use nightclamp_analysis::cycling::Cycling;
use nightclamp_analysis::evidence::{Evidence, Span};
use nightclamp_analysis::findings::{Learned, learned};
use nightclamp_analysis::job::{Sensors, TemperatureScale};
use nightclamp_analysis::night::{Night, night};
use nightclamp_analysis::rows::{CycleRow, EndedBy, EventRow, RecordTime};

use crate::material::{Material, UnitMaterial};
use crate::scribe::{NOTHING, Scribe};
use crate::words::{Fold, Source, Table, Words};

/// One unit.
pub struct Unit<'a> {
    /// Everything.
    pub all: &'a Material,
    /// Its own.
    pub material: &'a UnitMaterial,
    /// Its rows as the heart takes them.
    pub evidence: Evidence<'a>,
    /// Its cycling.
    pub cycling: Cycling,
    /// What its rows show of the machine.
    pub learned: Learned,
    /// What happened in sentences.
    pub night: Night,
    /// How figures are written.
    pub scribe: Scribe,
}

impl<'a> Unit<'a> {
    /// Lets the heart look at a unit's rows.
    pub fn new(all: &'a Material, material: &'a UnitMaterial, scale: TemperatureScale) -> Self {
        let zone = all.job.timezone;
        let evidence = material.evidence(zone);
        let span = material.span.unwrap_or(Span { from: 0, until: 0 });
        Self {
            cycling: Cycling::of(&evidence),
            learned: learned(&evidence),
            night: night(&evidence, whole(span)),
            scribe: Scribe::new(zone, material.shown_offset_us, scale, span),
            all,
            material,
            evidence,
        }
    }

    /// Its name.
    pub fn name(&self) -> &str {
        &self.material.unit.name
    }

    /// What its section of the job file gives of its sensors.
    pub const fn sensors(&self) -> Sensors {
        self.material.unit.sensors
    }

    /// The cycles that the protector ended.
    pub fn trips(&self) -> impl Iterator<Item = &'a CycleRow> {
        let cycles = &self.material.cycles;
        cycles
            .iter()
            .filter(|cycle| cycle.ended_by == Some(EndedBy::Protector))
    }

    /// A figure that the heart computes.
    pub fn heart(&self, name: impl Into<String>, shown: impl Into<String>) -> Words {
        let source = Source::Heart {
            unit: self.name().to_owned(),
            name: name.into(),
        };
        Words::figured(shown, source)
    }

    /// A key of the unit's section.
    pub fn job(&self, key: &'static str, shown: impl Into<String>) -> Words {
        let source = Source::Job {
            unit: self.name().to_owned(),
            key,
        };
        Words::figured(shown, source)
    }

    /// A cell of a cycle.
    pub fn cell(&self, cycle: &CycleRow, column: &'static str, shown: Option<String>) -> Words {
        self.any_cell(Table::Cycles, self.name(), cycle.on_at, column, shown)
    }

    /// A cell of an event.
    pub fn event_cell(
        &self,
        unit: &str,
        event: &EventRow,
        column: &'static str,
        shown: Option<String>,
    ) -> Words {
        self.any_cell(Table::Events, unit, event.time, column, shown)
    }

    fn any_cell(
        &self,
        table: Table,
        unit: &str,
        row: RecordTime,
        column: &'static str,
        shown: Option<String>,
    ) -> Words {
        match shown {
            Some(shown) => Words::figured(
                shown,
                Source::Cell {
                    table,
                    unit: unit.to_owned(),
                    row,
                    column,
                },
            ),
            None => Words::of(NOTHING),
        }
    }

    /// Cells of several cycles taken together.
    pub fn cells<'c>(
        &self,
        cycles: impl Iterator<Item = &'c CycleRow>,
        column: &'static str,
        fold: Fold,
        shown: impl Into<String>,
    ) -> Words {
        let source = Source::Cells {
            unit: self.name().to_owned(),
            rows: cycles.map(|cycle| cycle.on_at).collect(),
            column,
            fold,
        };
        Words::figured(shown, source)
    }

    /// A current of a cycle.
    pub fn amps(&self, cycle: &CycleRow, column: &'static str, value_a: Option<f64>) -> Words {
        self.cell(
            cycle,
            column,
            value_a.map(|value_a| self.scribe.amps(value_a)),
        )
    }

    /// A temperature of a cycle.
    pub fn temp(&self, cycle: &CycleRow, column: &'static str, value_c: Option<f64>) -> Words {
        self.cell(
            cycle,
            column,
            value_c.map(|value_c| self.scribe.temp(value_c)),
        )
    }

    /// A length of time of a cycle.
    pub fn seconds(&self, cycle: &CycleRow, column: &'static str, value_s: Option<f64>) -> Words {
        self.cell(
            cycle,
            column,
            value_s.map(|value_s| self.scribe.duration(value_s)),
        )
    }

    /// An instant of a cycle.
    pub fn instant(
        &self,
        cycle: &CycleRow,
        column: &'static str,
        time: Option<RecordTime>,
    ) -> Words {
        self.cell(cycle, column, time.map(|time| self.scribe.instant(time)))
    }
}

/// A span with its last instant.
pub const fn whole(span: Span) -> Span {
    Span {
        from: span.from,
        until: span.until.saturating_add(1),
    }
}
