//! The samples of a unit, read once: counted, drawn, and handed to the fit of its protector's constants.

use std::ops::RangeInclusive;

use nightclamp_analysis::evidence::Evidence;
use nightclamp_analysis::job;
use nightclamp_analysis::protector::{Own, OwnRuns, Reading};
use nightclamp_archive::{ArchiveError, Stored};

use crate::series::{Series, Trace};
use crate::views::{self, View};

/// What is made of a unit's samples.
pub struct Read {
    /// How many there are from the first to the last of the period.
    pub samples: u64,
    /// What is drawn.
    pub charts: Vec<(View, Series)>,
    /// The protector's constants by its own trips, where they can be told.
    pub own: Option<Own>,
}

/// Reads the samples of a unit, from the first to the last of `evidence` and as far around it as charts reach.
///
/// # Errors
/// A table file cannot be read at all.
pub fn read(
    stored: &mut Stored,
    evidence: &Evidence<'_>,
    period_ms: u32,
) -> Result<Read, ArchiveError> {
    let unit = evidence.unit;
    let (kinds, places): (Vec<Trace>, Vec<&str>) = traces(unit).into_iter().unzip();
    let period = evidence.span.from..=evidence.span.until;
    let mut reader = Reader {
        charts: new_charts(evidence, &kinds, period_ms),
        runs: OwnRuns::of(evidence),
        case: kinds.iter().position(|kind| *kind == Trace::Case),
        turns: f64::from(unit.clamp_turns.max(1)),
        span_s: f64::from(period_ms) / 1e3,
        values: vec![f64::NAN; kinds.len()],
        samples: 0,
        period,
    };
    let whole = reader.reach();
    let span = *whole.start()..whole.end().saturating_add(1);
    stored.samples(&unit.board.to_string(), &places, span, |time, values| {
        reader.sample(time, values);
    })?;
    Ok(Read {
        samples: reader.samples,
        charts: reader.charts,
        own: reader.runs.map(OwnRuns::finish),
    })
}

/// What is drawn of a unit, and at which place on its board it is.
fn traces(unit: &job::Unit) -> Vec<(Trace, &str)> {
    let channels = &unit.channels;
    let optional = [
        (Trace::Case, &channels.case),
        (Trace::Ambient, &channels.ambient),
        (Trace::Dome, &channels.dome),
        (Trace::CooledSpace, &channels.cooled_space),
        (Trace::Supply, &channels.supply),
    ];
    let given = optional
        .into_iter()
        .filter_map(|(trace, place)| Some((trace, place.as_deref()?)));
    std::iter::once((Trace::Current, channels.current.as_str()))
        .chain(given)
        .collect()
}

fn new_charts(evidence: &Evidence<'_>, kinds: &[Trace], period_ms: u32) -> Vec<(View, Series)> {
    let new = |view: View| {
        let series = Series::new(view.span, kinds, i64::from(period_ms) * 1000);
        (view, series)
    };
    views::of(evidence).into_iter().map(new).collect()
}

/// What takes a unit's samples one by one.
struct Reader {
    charts: Vec<(View, Series)>,
    runs: Option<OwnRuns>,
    /// Which of the values is the case's temperature. The first is the current.
    case: Option<usize>,
    /// How often the lead goes through the clamp.
    turns: f64,
    /// What a sample covers, s.
    span_s: f64,
    /// The values of a sample as they are on the lead.
    values: Vec<f64>,
    samples: u64,
    /// From the first to the last sample of the period.
    period: RangeInclusive<i64>,
}

impl Reader {
    /// From where to where samples are wanted: close-ups may begin a little before the period or end after it.
    fn reach(&self) -> RangeInclusive<i64> {
        let mut whole = (*self.period.start(), *self.period.end());
        for (view, _) in &self.charts {
            whole = (whole.0.min(view.span.from), whole.1.max(view.span.until));
        }
        whole.0..=whole.1
    }

    fn sample(&mut self, time: i64, values: &[f64]) {
        self.values.copy_from_slice(values);
        if let Some(amps) = self.values.first_mut() {
            *amps /= self.turns;
        }
        for (_, series) in &mut self.charts {
            series.push(time, self.values.iter().copied());
        }
        if self.period.contains(&time) {
            self.samples += 1;
            let value = |n: usize| self.values.get(n).copied().unwrap_or(f64::NAN);
            let (amps, case_c) = (value(0), self.case.map_or(f64::NAN, value));
            if let Some(runs) = &mut self.runs {
                runs.push(Reading {
                    time,
                    span_s: self.span_s,
                    amps,
                    case_c,
                });
            }
        }
    }
}
