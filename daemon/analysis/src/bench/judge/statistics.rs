//! Figures of the repeats: mean, spread, drift.

use super::{BEYOND, DRIFT_FROM, Drift, Evidence, Statistic};
use crate::bench::plan::Start;
use crate::bench::repeat::Repeat;
use crate::bench::uncertainty::{Part, Uncertain, spread};
use crate::statistics::Line;

/// What one figure is called where it is of runs from cold, of warm ones, and of runs of which that is not known.
type Named = [&'static str; 3];

const START_A: Named = [
    "current at the start, from cold",
    "current at the start, warm",
    "current at the start",
];
const END_A: Named = [
    "current at the end, from cold",
    "current at the end, warm",
    "current at the end",
];
const RMS_A: Named = [
    "current, square mean, from cold",
    "current, square mean, warm",
    "current, square mean",
];
const CASE_TRIP: Named = [
    "case when it opened, from cold",
    "case when it opened, warm",
    "case when it opened",
];
const CASE_MOST: Named = [
    "case at its hottest, from cold",
    "case at its hottest, warm",
    "case at its hottest",
];
pub(super) const RESET: Named = [
    "time to reset, from cold",
    "time to reset, warm",
    "time to reset",
];
const CASE_RESET: Named = [
    "case when it had closed, from cold",
    "case when it had closed, warm",
    "case when it had closed",
];
const DISC_TRIP: Named = [
    "modelled disc when it opened, from cold",
    "modelled disc when it opened, warm",
    "modelled disc when it opened",
];
const DISC_RESET: Named = [
    "modelled disc when it closed, from cold",
    "modelled disc when it closed, warm",
    "modelled disc when it closed",
];

impl Evidence<'_> {
    pub(super) fn statistics(&self) -> Vec<Statistic> {
        let of_kind = |what, unit, start, figure: fn(&Repeat) -> Option<f64>| {
            let values = self.started(start).filter_map(figure);
            statistic(what, unit, values.collect())
        };
        // A winding and a case that are warm already make other figures: what depends on them is of one kind of run only.
        let of = |what, unit, figure: fn(&Repeat) -> Option<f64>| {
            statistic(
                self.named(what),
                unit,
                self.alike().filter_map(figure).collect(),
            )
        };
        let (cold, warm) = (Start::Cold, Start::Warm);
        let mut all: Vec<Statistic> = [
            of_kind("time to trip from cold", "s", cold, |run| Some(run.on_s?.s)),
            of_kind("time to trip, warm", "s", warm, |run| Some(run.on_s?.s)),
            of(START_A, "A", |run| run.start_a),
            of(END_A, "A", |run| run.end_a),
            of(RMS_A, "A", |run| run.rms_a),
            of_kind("I²t from cold", "A²s", cold, |run| run.i2t_a2s),
            of_kind("I²t, warm", "A²s", warm, |run| run.i2t_a2s),
            of(CASE_TRIP, "Cel", |run| run.case_trip_c),
            of(CASE_MOST, "Cel", |run| run.case_max_c),
            of(RESET, "s", |run| Some(run.reset?.s)),
            of(CASE_RESET, "Cel", |run| run.case_reset_c),
            of(DISC_TRIP, "Cel", |run| run.disc_trip_c),
            of(DISC_RESET, "Cel", |run| run.disc_reset_c),
        ]
        .into_iter()
        .flatten()
        .collect();
        mark_drifts(&mut all);
        all
    }

    /// From where most of the openings began, as far as that is known.
    fn usual_start(&self) -> Option<Start> {
        let count = |start| self.started(start).count();
        match (count(Start::Cold), count(Start::Warm)) {
            (0, 0) => None,
            (cold, warm) if cold > warm => Some(Start::Cold),
            _ => Some(Start::Warm),
        }
    }

    /// The openings of which there are most alike: all from cold, or all warm.
    pub(super) fn alike(&self) -> impl Iterator<Item = &Repeat> {
        let start = self.usual_start();
        self.openings()
            .filter(move |run| start.is_none() || run.start == start)
    }

    /// What a figure of these is called.
    pub(super) fn named(&self, [from_cold, warm, of_unknown]: Named) -> &'static str {
        match self.usual_start() {
            Some(Start::Cold) => from_cold,
            Some(Start::Warm) => warm,
            None => of_unknown,
        }
    }
}

impl Statistic {
    /// A line through its values, from repeat to repeat; `None` of too few.
    fn line(&self) -> Option<Line> {
        if self.values.len() < DRIFT_FROM {
            return None;
        }
        let values = self.values.iter().copied();
        Line::through(&(1..).map(f64::from).zip(values).collect::<Vec<_>>())
    }
}

/// What drifts from repeat to repeat beyond what chance does to one of so many figures: said with the verdict, whatever that is.
/// A mean and its type A uncertainty are of repeats under repeatability conditions (JCGM 100:2008, 4.2.1), which a drift denies;
/// but the decision rule was agreed before the figures (ILAC-G8:09/2019, 4), so that the verdict itself stays.
pub(super) fn drifting(statistics: &[Statistic]) -> String {
    let drifts = |of: &&Statistic| of.drift.is_some_and(|drift| drift.stands_out);
    let what: Vec<&str> = statistics.iter().filter(drifts).map(|of| of.what).collect();
    if what.is_empty() {
        return String::new();
    }
    format!(
        " From repeat to repeat there is a drift of: {}. A mean of what drifts holds for these repeats and not for the next ones.",
        what.join(", ")
    )
}

/// Writes beside each figure how it goes from repeat to repeat, where there are enough of them.
fn mark_drifts(statistics: &mut [Statistic]) {
    let lines: Vec<Option<Line>> = statistics.iter().map(Statistic::line).collect();
    let of_all = BEYOND / lines.iter().flatten().count().max(1) as f64;
    for (of, line) in statistics.iter_mut().zip(lines) {
        of.drift = line.map(|line| Drift {
            slope: line.slope,
            within: line.slope_within(BEYOND),
            stands_out: line.slope.abs() > line.slope_within(of_all),
        });
    }
}

fn statistic(what: &'static str, unit: &'static str, values: Vec<f64>) -> Option<Statistic> {
    let summary = spread(&values)?;
    let of_scatter =
        Part::of_scatter(&summary).map(|part| Uncertain::new(summary.mean, vec![part]).expanded());
    Some(Statistic {
        what,
        unit,
        values,
        summary,
        of_scatter,
        drift: None,
    })
}
