//! Rows of the table `overview`: what a unit showed in eight seconds, lowest and highest of each of its lines.
//!
//! A chart of a month cannot read a month of samples, and must not lose one of them. Eight seconds are a power of two, so
//! that the wider buckets of any chart are made of whole rows. What the board measures can be read again from the samples
//! where a chart looks closer; the modelled disc cannot, it is nobody's channel. So each row also keeps where the model
//! stood at its first sample, and [`DiscTrace`] draws it on from there through the samples of the row.

use serde::Serialize;

use super::Range;
use crate::job::Protector;
use crate::protector::Heating;
use crate::rows::RecordTime;
use crate::unit::above_floor;

/// Length of a row, µs.
pub const ROW_US: i64 = 8_000_000;
/// What is kept of a modelled temperature and of a clamp's floor, parts of a K and of an A: finer than anything is known, and
/// the same on every machine, whose exponentials may differ in the last bit.
const DISC_STEPS: f64 = 1e3;
const FLOOR_STEPS: f64 = 1e4;
/// Lines that a unit can have.
pub const LINES: usize = 9;

/// What is drawn of a unit over time: a channel by its role, or the disc.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Line {
    /// RMS current in the lead, A.
    Current,
    /// Protector's case, Cel.
    Case,
    /// Ambient air, Cel.
    Ambient,
    /// Compressor's shell, Cel.
    Dome,
    /// Air of the cooled space, Cel.
    Box,
    /// Line voltage, V.
    Supply,
    /// Contact, 1 while power is offered.
    Demand,
    /// RMS current in the start lead, A.
    Start,
    /// The protector's disc by the model, Cel.
    Disc,
}

impl Line {
    /// All of them, in the order of [`OverviewRow::ranges`].
    pub const ALL: [Self; LINES] = [
        Self::Current,
        Self::Case,
        Self::Ambient,
        Self::Dome,
        Self::Box,
        Self::Supply,
        Self::Demand,
        Self::Start,
        Self::Disc,
    ];

    /// Names of the columns of the lowest and the highest value.
    pub const fn columns(self) -> (&'static str, &'static str) {
        match self {
            Self::Current => ("current_low_a", "current_high_a"),
            Self::Case => ("case_low_c", "case_high_c"),
            Self::Ambient => ("ambient_low_c", "ambient_high_c"),
            Self::Dome => ("dome_low_c", "dome_high_c"),
            Self::Box => ("box_low_c", "box_high_c"),
            Self::Supply => ("supply_low_v", "supply_high_v"),
            Self::Demand => ("demand_low", "demand_high"),
            Self::Start => ("start_low_a", "start_high_a"),
            Self::Disc => ("disc_low_c", "disc_high_c"),
        }
    }

    /// UCUM unit of the values.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Current | Self::Start => "A",
            Self::Case | Self::Ambient | Self::Dome | Self::Box | Self::Disc => "Cel",
            Self::Supply => "V",
            Self::Demand => "1",
        }
    }
}

/// A modelled temperature as it is kept, Cel.
pub(crate) fn kept_disc_c(disc_c: f64) -> f64 {
    (disc_c * DISC_STEPS).round() / DISC_STEPS
}

/// What a unit shows at one sample.
#[derive(Debug, Clone, Copy)]
pub struct Look {
    /// When.
    pub time: RecordTime,
    /// A value a line, in the order of [`Line::ALL`]; NaN where there is none.
    pub values: [f64; LINES],
    /// What the clamp shows without current, A; NaN where the disc is not followed.
    pub floor_a: f64,
}

impl Look {
    /// The modelled disc, Cel; NaN where it is not known.
    pub const fn disc_c(&self) -> f64 {
        self.values[Line::Disc as usize]
    }
}

/// One row of the table `overview`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OverviewRow {
    /// Where its eight seconds begin: a multiple of [`ROW_US`].
    pub time: RecordTime,
    /// Its first sample.
    pub first: RecordTime,
    /// Its last sample.
    pub last: RecordTime,
    /// How many samples.
    pub samples: u32,
    /// Lowest and highest of each line, in the order of [`Line::ALL`].
    pub ranges: [Range; LINES],
    /// The modelled disc at the first sample, Cel; null where it is not known.
    pub disc_first_c: Option<f64>,
    /// What the clamp showed without current, as the model took it, A.
    pub floor_a: Option<f64>,
}

impl OverviewRow {
    /// The range of a line.
    pub const fn range(&self, line: Line) -> Range {
        self.ranges[line as usize]
    }
}

/// Makes rows of samples.
#[derive(Debug, Clone, Default)]
pub struct Gather(Option<Begun>);

/// A row that has begun. Its ranges lie as one array of the lowest and one of the highest, both beyond every value at first:
/// this is done at every sample of every board, and so a processor does several lines at once.
#[derive(Debug, Clone)]
struct Begun {
    time: RecordTime,
    /// Where the next row begins.
    end: RecordTime,
    first: RecordTime,
    last: RecordTime,
    samples: u32,
    low: [f64; LINES],
    high: [f64; LINES],
    disc_first_c: f64,
    floor_a: f64,
}

impl Begun {
    fn by(look: &Look) -> Self {
        let time = look.time.div_euclid(ROW_US).saturating_mul(ROW_US);
        Self {
            time,
            end: time.saturating_add(ROW_US),
            first: look.time,
            last: look.time,
            samples: 0,
            low: [f64::INFINITY; LINES],
            high: [f64::NEG_INFINITY; LINES],
            disc_first_c: look.disc_c(),
            floor_a: look.floor_a,
        }
    }

    #[inline]
    fn add(&mut self, look: &Look) {
        self.last = self.last.max(look.time);
        self.samples = self.samples.saturating_add(1);
        for ((low, high), value) in self.low.iter_mut().zip(&mut self.high).zip(look.values) {
            // NaN is neither less nor more.
            *low = if value < *low { value } else { *low };
            *high = if value > *high { value } else { *high };
        }
    }

    fn row(&self) -> OverviewRow {
        let finite = |value: f64| value.is_finite().then_some(value);
        let disc_first_c = finite(self.disc_first_c);
        let mut ranges = [Range::EMPTY; LINES];
        for ((range, &low), &high) in ranges.iter_mut().zip(&self.low).zip(&self.high) {
            if low <= high {
                *range = Range { low, high };
            }
        }
        OverviewRow {
            time: self.time,
            first: self.first,
            last: self.last,
            samples: self.samples,
            ranges,
            disc_first_c,
            floor_a: disc_first_c
                .and(finite(self.floor_a))
                .map(|floor_a| (floor_a * FLOOR_STEPS).round() / FLOOR_STEPS),
        }
    }
}

impl Gather {
    /// Takes a sample in; the row before it, if that has ended. Record time never goes back; a sample that claims to be
    /// older than the newest is kept with the newest row rather than lost.
    #[inline]
    pub fn push(&mut self, look: &Look) -> Option<OverviewRow> {
        match &mut self.0 {
            Some(row) if look.time < row.end => {
                row.add(look);
                None
            }
            _ => self.begin(look),
        }
    }

    #[inline(never)]
    fn begin(&mut self, look: &Look) -> Option<OverviewRow> {
        let ended = self.take();
        self.0.insert(Begun::by(look)).add(look);
        ended
    }

    /// The row that has begun, as it stands.
    pub fn begun(&self) -> Option<OverviewRow> {
        self.0.as_ref().map(Begun::row)
    }

    /// Ends the row that has begun.
    pub fn take(&mut self) -> Option<OverviewRow> {
        self.0.take().map(|row| row.row())
    }
}

/// Draws the modelled disc through samples that were read back, from where the rows of the overview say that it stood.
///
/// Within a row the clamp's floor stays what it was at its first sample, and the bead is believed throughout if it was
/// then: the heart itself follows both from sample to sample.
#[derive(Debug, Clone)]
pub struct DiscTrace {
    heating: Heating,
    rows: Vec<OverviewRow>,
    at: usize,
    now: Option<(RecordTime, f64)>,
    case_c: f64,
}

impl DiscTrace {
    /// For a protector of which the constants are known; `rows` in order of time.
    pub fn new(protector: &Protector, rows: Vec<OverviewRow>) -> Option<Self> {
        Some(Self {
            heating: Heating::new(protector.heating_c_per_a2?, protector.heating_tau_s?)?,
            rows,
            at: 0,
            now: None,
            case_c: f64::NAN,
        })
    }

    /// The disc at the next sample, Cel; NaN where it is not known. `amps` in the lead, `case_c` as the bead shows it.
    pub fn step(&mut self, time: RecordTime, amps: f64, case_c: f64) -> f64 {
        while self.rows.get(self.at).is_some_and(|row| row.last < time) {
            self.at += 1;
        }
        let Some(row) = self.rows.get(self.at).filter(|row| row.first <= time) else {
            self.now = None;
            return f64::NAN;
        };
        if case_c.is_finite() {
            self.case_c = case_c;
        }
        let (Some(first_c), Some(floor_a)) = (row.disc_first_c, row.floor_a) else {
            self.now = None;
            return f64::NAN;
        };
        self.now = match self.now {
            Some((before, disc_c)) if time > row.first && amps.is_finite() => {
                let elapsed_s = (time - before) as f64 / 1e6;
                let amps = above_floor(amps, floor_a);
                Some((
                    time,
                    self.heating.carried_c(disc_c, amps, self.case_c, elapsed_s),
                ))
            }
            _ if time == row.first => Some((time, first_c)),
            // Begun in the midst of a row: what came before is not at hand.
            other => other,
        };
        match self.now {
            Some((at, disc_c)) if at == time => disc_c,
            _ => f64::NAN,
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test that fails should say where

    use super::*;
    use proptest::prelude::*;

    fn look(time: i64, amps: f64) -> Look {
        let mut values = [f64::NAN; LINES];
        values[Line::Current as usize] = amps;
        Look {
            time,
            values,
            floor_a: f64::NAN,
        }
    }

    proptest! {
        #[test]
        fn every_row_is_the_range_of_its_samples_and_no_sample_is_left_out(
            began in -1_000_000_000..1_000_000_000_i64,
            steps in prop::collection::vec((0..3_000_000_i64, -5.0..50.0), 1..300),
        ) {
            let mut time = began;
            let samples: Vec<(i64, f64)> = steps.into_iter().map(|(step, amps)| { time += step; (time, amps) }).collect();
            let mut gather = Gather::default();
            let mut rows: Vec<_> = samples.iter().filter_map(|(time, amps)| gather.push(&look(*time, *amps))).collect();
            rows.extend(gather.take());
            prop_assert_eq!(rows.iter().map(|row| row.samples as usize).sum::<usize>(), samples.len());
            for row in &rows {
                let within: Vec<_> = samples.iter().filter(|(time, _)| (row.time..row.time + ROW_US).contains(time)).collect();
                prop_assert_eq!(within.len(), row.samples as usize);
                prop_assert_eq!((row.first, row.last), (within[0].0, within[within.len() - 1].0));
                let mut range = Range::EMPTY;
                within.iter().for_each(|(_, amps)| range.add(*amps));
                prop_assert_eq!(row.range(Line::Current), range);
                prop_assert!(row.range(Line::Case).is_empty() && row.time % ROW_US == 0);
            }
        }
    }

    #[test]
    fn the_disc_is_drawn_again_as_it_was_followed() {
        let protector = Protector {
            heating_c_per_a2: Some(0.62),
            heating_tau_s: Some(9.0),
            ..Protector::default()
        };
        let heating = Heating::new(0.62, 9.0).unwrap();
        // A stall, then it cools: 30 °C of case, 0.05 A of floor.
        let (mut gather, mut rows, mut samples, mut disc_c) =
            (Gather::default(), Vec::new(), Vec::new(), 30.0);
        for n in 0..400_i64 {
            let (time, amps) = (n * 100_000, if n < 90 { 11.8 } else { 0.05 });
            if n > 0 {
                disc_c = heating.carried_c(disc_c, above_floor(amps, 0.05), 30.0, 0.1);
            }
            let mut look = Look {
                floor_a: 0.05,
                ..look(time, amps)
            };
            look.values[Line::Disc as usize] = disc_c;
            rows.extend(gather.push(&look));
            samples.push((time, amps, disc_c));
        }
        rows.extend(gather.take());
        let mut trace = DiscTrace::new(&protector, rows).unwrap();
        for (time, amps, disc_c) in samples {
            let drawn_c = trace.step(time, amps, 30.0);
            assert!(
                (drawn_c - disc_c).abs() < 1e-9,
                "{time}: {drawn_c}, {disc_c}"
            );
        }
    }
}
