//! Thermocouples by the ITS-90 reference functions (NIST Monograph 175, IEC 60584-1).
//!
//! Forward is the reference function itself. Backward solves the forward function by Newton's method, begun at NIST's
//! approximate inverse, so that both directions are one function to the limit of the arithmetic; the approximate inverse
//! alone would be off by up to 0.06 °C.

use super::{RangeError, its90};

/// Newton steps before the solver gives what it has; two are enough where NIST gives an inverse, the flat end near -270 °C
/// takes about ten.
const STEPS_MAX: usize = 60;
/// A step shorter than this, in °C, was the last one needed: the error that remains goes with its square.
const LAST_STEP_C: f64 = 1e-6;
/// Where an EMF is nearer to an end of NIST's inverses than this, in mV, the exact end is looked at.
const END_MARGIN_MV: f64 = 0.01;

/// A polynomial piece of a reference function: E in mV, t in °C.
pub(super) struct Piece {
    /// Begin of the piece, °C.
    pub from_c: f64,
    /// End of the piece, °C.
    pub to_c: f64,
    /// Coefficients, that of t^0 first.
    pub mv: &'static [f64],
    /// The exponential term, of type K above 0 only.
    pub bump: Option<Bump>,
}

/// The term a0 exp(a1 (t - a2)^2).
pub(super) struct Bump {
    /// Height, mV.
    pub a0_mv: f64,
    /// Width, 1/K².
    pub a1: f64,
    /// Place, °C.
    pub a2_c: f64,
}

/// A polynomial piece of NIST's approximate inverse: t in °C, E in mV.
pub(super) struct Inverse {
    /// Begin of the piece, mV.
    pub from_mv: f64,
    /// End of the piece, mV.
    pub to_mv: f64,
    /// Coefficients, that of E^0 first.
    pub c: &'static [f64],
}

/// The reference function of one type and where its inverse is begun; pieces in rising order, without a gap.
pub(super) struct Curve {
    /// The reference function.
    pub pieces: &'static [Piece],
    /// NIST's approximate inverse; it may begin above the lowest temperature.
    pub inverses: &'static [Inverse],
}

/// A thermocouple type of which the reference function is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ThermocoupleType {
    /// Nickel-chromium against nickel-aluminium, -270 to 1372 °C.
    K,
    /// Iron against copper-nickel, -210 to 1200 °C.
    J,
    /// Copper against copper-nickel, -270 to 400 °C.
    T,
    /// Nickel-chromium-silicon against nickel-silicon, -270 to 1300 °C.
    N,
    /// Nickel-chromium against copper-nickel, -270 to 1000 °C.
    E,
}

impl ThermocoupleType {
    /// All types, in the order of the board protocol.
    pub const ALL: [Self; 5] = [Self::K, Self::J, Self::T, Self::N, Self::E];

    /// The type a board's sensor name means: `tc-K`, `tc-J`, `tc-T`, `tc-N`, `tc-E`; none for any other name.
    pub fn from_sensor(sensor: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.sensor() == sensor)
    }

    /// The sensor name in the board protocol.
    pub const fn sensor(self) -> &'static str {
        match self {
            Self::K => "tc-K",
            Self::J => "tc-J",
            Self::T => "tc-T",
            Self::N => "tc-N",
            Self::E => "tc-E",
        }
    }

    const fn curve(self) -> &'static Curve {
        match self {
            Self::K => &its90::TYPE_K,
            Self::J => &its90::TYPE_J,
            Self::T => &its90::TYPE_T,
            Self::N => &its90::TYPE_N,
            Self::E => &its90::TYPE_E,
        }
    }

    /// Lowest and highest temperature of the reference function, °C.
    pub fn range_c(self) -> (f64, f64) {
        self.curve().range_c()
    }

    /// EMF in V at `t_c` °C with the reference junction at 0 °C.
    ///
    /// # Errors
    /// Outside [`Self::range_c`], or not a number.
    pub fn emf_v(self, t_c: f64) -> Result<f64, RangeError> {
        Ok(self.emf_mv(t_c)? / 1e3)
    }

    /// Temperature in °C at an EMF in V with the reference junction at 0 °C; the exact inverse of [`Self::emf_v`].
    ///
    /// # Errors
    /// An EMF outside those of [`Self::range_c`], or not a number.
    pub fn temperature_c(self, emf_v: f64) -> Result<f64, RangeError> {
        self.solve(emf_v * 1e3)
    }

    /// Temperature in °C of the measuring junction from the EMF in V between it and a reference junction at `reference_c` °C:
    /// T = E⁻¹(V + E(T_ref)). Adding the temperatures instead would be wrong by up to 3 °C.
    ///
    /// # Errors
    /// Either temperature outside [`Self::range_c`], or not a number.
    pub fn compensated_c(self, emf_v: f64, reference_c: f64) -> Result<f64, RangeError> {
        self.solve(emf_v * 1e3 + self.emf_mv(reference_c)?)
    }

    fn emf_mv(self, t_c: f64) -> Result<f64, RangeError> {
        let (min_c, max_c) = self.range_c();
        if (min_c..=max_c).contains(&t_c) {
            Ok(self.curve().mv(t_c))
        } else {
            Err(RangeError {
                what: self.sensor(),
                value: t_c,
                min: min_c,
                max: max_c,
                unit: "Cel",
            })
        }
    }

    fn solve(self, mv: f64) -> Result<f64, RangeError> {
        let curve = self.curve();
        if curve.reaches(mv) {
            return Ok(curve.solve(mv));
        }
        let (min_c, max_c) = curve.range_c();
        Err(RangeError {
            what: self.sensor(),
            value: mv / 1e3,
            min: curve.mv(min_c) / 1e3,
            max: curve.mv(max_c) / 1e3,
            unit: "V",
        })
    }
}

impl Curve {
    fn range_c(&self) -> (f64, f64) {
        match (self.pieces.first(), self.pieces.last()) {
            (Some(first), Some(last)) => (first.from_c, last.to_c),
            _ => (f64::NAN, f64::NAN),
        }
    }

    /// The piece for a temperature; at a seam the lower one, which gives exactly 0 mV at 0 °C for every type.
    fn piece(&self, t_c: f64) -> &Piece {
        let inside = self.pieces.iter().position(|piece| t_c <= piece.to_c);
        &self.pieces[inside.unwrap_or(self.pieces.len() - 1)]
    }

    fn mv(&self, t_c: f64) -> f64 {
        self.piece(t_c).mv_and_slope(t_c).0
    }

    /// Whether an EMF belongs to a temperature of the range. The exact ends are worked out only for an EMF near or beyond them.
    fn reaches(&self, mv: f64) -> bool {
        let (min_c, max_c) = self.range_c();
        let within = |edge: Option<&Inverse>, inside: fn(&Inverse, f64) -> bool| {
            edge.is_some_and(|piece| inside(piece, mv))
        };
        let above = within(self.inverses.first(), |piece, mv| {
            mv > piece.from_mv + END_MARGIN_MV
        }) || mv >= self.mv(min_c);
        let below = within(self.inverses.last(), |piece, mv| {
            mv < piece.to_mv - END_MARGIN_MV
        }) || mv <= self.mv(max_c);
        above && below
    }

    /// Where to begin: NIST's inverse, and below it the square root that the flat end of the curve resembles.
    fn first_guess_c(&self, mv: f64) -> f64 {
        let (min_c, max_c) = self.range_c();
        let Some(lowest) = self.inverses.first() else {
            return 0.0;
        };
        if mv < lowest.from_mv {
            let end_mv = self.mv(min_c);
            let share = ((mv - end_mv) / (lowest.from_mv - end_mv)).clamp(0.0, 1.0);
            let lowest_c = horner(lowest.c, lowest.from_mv).0;
            return min_c + (lowest_c - min_c) * share.sqrt();
        }
        let piece = self
            .inverses
            .iter()
            .find(|piece| mv <= piece.to_mv)
            .or(self.inverses.last())
            .unwrap_or(lowest);
        horner(piece.c, mv).0.clamp(min_c, max_c)
    }

    /// Newton's method, held inside the interval that is known to contain the answer: a step that would leave it halves it.
    fn solve(&self, mv: f64) -> f64 {
        let (mut low_c, mut high_c) = self.range_c();
        let mut t_c = self.first_guess_c(mv);
        for _ in 0..STEPS_MAX {
            let (here_mv, slope) = self.piece(t_c).mv_and_slope(t_c);
            let miss_mv = here_mv - mv;
            if miss_mv > 0.0 {
                high_c = t_c;
            } else {
                low_c = t_c;
            }
            let next_c = t_c - miss_mv / slope;
            if (next_c - t_c).abs() <= LAST_STEP_C {
                return next_c.clamp(self.range_c().0, self.range_c().1);
            }
            t_c = if next_c > low_c && next_c < high_c {
                next_c
            } else {
                0.5 * (low_c + high_c)
            };
        }
        t_c
    }
}

impl Piece {
    /// E in mV and dE/dt in mV/K.
    fn mv_and_slope(&self, t_c: f64) -> (f64, f64) {
        let (mv, slope) = horner(self.mv, t_c);
        match &self.bump {
            None => (mv, slope),
            Some(bump) => {
                let away_c = t_c - bump.a2_c;
                let height_mv = bump.a0_mv * (bump.a1 * away_c * away_c).exp();
                (mv + height_mv, slope + 2.0 * bump.a1 * away_c * height_mv)
            }
        }
    }
}

/// Value and derivative of a polynomial by Horner's rule, the coefficient of x^0 first.
fn horner(coefficients: &[f64], x: f64) -> (f64, f64) {
    coefficients
        .iter()
        .rev()
        .fold((0.0, 0.0), |(value, slope), &c| {
            (value * x + c, slope * x + value)
        })
}
