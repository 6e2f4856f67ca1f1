//! Figures of the repeats: mean, spread, drift.

use super::{BEYOND, Drift, Evidence, Statistic};
use crate::bench::plan::Start;
use crate::bench::repeat::Repeat;
use crate::bench::uncertainty::{Part, Uncertain, spread};
use crate::statistics::Line;

impl Evidence<'_> {
    pub(super) fn statistics(&self) -> Vec<Statistic> {
        let of = |what, unit, start: Option<Start>, figure: fn(&Repeat) -> Option<f64>| {
            let runs = self
                .openings()
                .filter(|run| start.is_none() || run.start == start);
            statistic(what, unit, runs.filter_map(figure).collect())
        };
        let (cold, warm) = (Some(Start::Cold), Some(Start::Warm));
        // A winding and a case that are warm already make other figures: what depends on them is of one kind of run only.
        let kind = self.usual_start();
        let named = |[from_cold, warm, of_unknown]: [&'static str; 3]| match kind {
            Some(Start::Cold) => from_cold,
            Some(Start::Warm) => warm,
            None => of_unknown,
        };
        [
            of("time to trip from cold", "s", cold, |run| Some(run.on_s?.s)),
            of("time to trip, warm", "s", warm, |run| Some(run.on_s?.s)),
            of(
                named([
                    "current at the start, from cold",
                    "current at the start, warm",
                    "current at the start",
                ]),
                "A",
                kind,
                |run| run.start_a,
            ),
            of(
                named([
                    "current at the end, from cold",
                    "current at the end, warm",
                    "current at the end",
                ]),
                "A",
                kind,
                |run| run.end_a,
            ),
            of(
                named([
                    "current, square mean, from cold",
                    "current, square mean, warm",
                    "current, square mean",
                ]),
                "A",
                kind,
                |run| run.rms_a,
            ),
            of("I²t from cold", "A²s", cold, |run| run.i2t_a2s),
            of("I²t, warm", "A²s", warm, |run| run.i2t_a2s),
            of(
                named([
                    "case when it opened, from cold",
                    "case when it opened, warm",
                    "case when it opened",
                ]),
                "Cel",
                kind,
                |run| run.case_trip_c,
            ),
            of(
                named([
                    "case at its hottest, from cold",
                    "case at its hottest, warm",
                    "case at its hottest",
                ]),
                "Cel",
                kind,
                |run| run.case_max_c,
            ),
            of(
                named([
                    "time to reset, from cold",
                    "time to reset, warm",
                    "time to reset",
                ]),
                "s",
                kind,
                |run| Some(run.reset?.s),
            ),
            of(
                named([
                    "case when it had closed, from cold",
                    "case when it had closed, warm",
                    "case when it had closed",
                ]),
                "Cel",
                kind,
                |run| run.case_reset_c,
            ),
            of("modelled disc when it opened", "Cel", None, |run| {
                run.disc_trip_c
            }),
            of("modelled disc when it closed", "Cel", None, |run| {
                run.disc_reset_c
            }),
        ]
        .into_iter()
        .flatten()
        .collect()
    }
}

impl Evidence<'_> {
    /// From where most of the openings began, as far as that is known.
    fn usual_start(&self) -> Option<Start> {
        let count = |start| self.started(start).count();
        match (count(Start::Cold), count(Start::Warm)) {
            (0, 0) => None,
            (cold, warm) if cold > warm => Some(Start::Cold),
            _ => Some(Start::Warm),
        }
    }
}

impl Statistic {
    /// A line through its values, from repeat to repeat; `None` of fewer than three.
    fn line(&self) -> Option<Line> {
        let values = self.values.iter().copied();
        Line::through(&(1..).map(f64::from).zip(values).collect::<Vec<_>>())
    }
}

/// What drifts from repeat to repeat beyond what chance does to one of so many figures: said with the verdict, whatever that is.
/// A mean and its type A uncertainty are of repeats under repeatability conditions (JCGM 100:2008, 4.2.1), which a drift denies;
/// but the decision rule was agreed before the figures (ILAC-G8:09/2019, 4), so that the verdict itself stays.
pub(super) fn drifting(statistics: &[Statistic]) -> String {
    let of_all = BEYOND / statistics.len().max(1) as f64;
    let stands_out = |of: &&Statistic| {
        of.line()
            .is_some_and(|line| line.slope.abs() > line.slope_within(of_all))
    };
    let what: Vec<&str> = statistics
        .iter()
        .filter(stands_out)
        .map(|of| of.what)
        .collect();
    if what.is_empty() {
        return String::new();
    }
    format!(
        " From repeat to repeat there is a drift of: {}. A mean of what drifts holds for these repeats and not for the next ones.",
        what.join(", ")
    )
}

fn statistic(what: &'static str, unit: &'static str, values: Vec<f64>) -> Option<Statistic> {
    let summary = spread(&values)?;
    let of_scatter =
        Part::of_scatter(&summary).map(|part| Uncertain::new(summary.mean, vec![part]).expanded());
    let mut of = Statistic {
        what,
        unit,
        values,
        summary,
        of_scatter,
        drift: None,
    };
    of.drift = of.line().map(|line| Drift {
        slope: line.slope,
        within: line.slope_within(BEYOND),
    });
    Some(of)
}
