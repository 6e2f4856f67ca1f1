//! Platinum resistance thermometers (IEC 60751) and NTC thermistors (Steinhart-Hart, beta).

use super::RangeError;

/// IEC 60751: R = R0 (1 + A t + B t² + C (t - 100) t³), the term with C below 0 °C only. 1/K.
const PT_A: f64 = 3.9083e-3;
/// IEC 60751, 1/K².
const PT_B: f64 = -5.775e-7;
/// IEC 60751, 1/K⁴.
const PT_C: f64 = -4.183e-12;
/// The range of IEC 60751's relation, °C.
const PT_RANGE_C: (f64, f64) = (-200.0, 850.0);
/// Newton steps below 0 °C; from the quadratic's answer three reach the limit of the arithmetic.
const PT_STEPS: usize = 4;

/// 0 °C in K.
const ZERO_C_IN_K: f64 = 273.15;
/// Where a thermistor's answer is believed, °C. Beads of this trade are made for about -55 to 150 (common practice, no source);
/// what lies beyond these wide limits is a wiring fault or wrong coefficients.
const NTC_RANGE_C: (f64, f64) = (-100.0, 350.0);
/// Resistances a thermistor may have, Ohm.
const NTC_RANGE_OHM: (f64, f64) = (1e-3, 1e9);
/// Halvings that bring ln R to the limit of the arithmetic.
const NTC_HALVINGS: usize = 60;
/// The temperature that R25 belongs to, °C.
const NTC_R25_AT_C: f64 = 25.0;

/// A platinum resistance thermometer after IEC 60751 (alpha 0.00385).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Platinum {
    /// Resistance at 0 °C, Ohm.
    r0_ohm: f64,
    name: &'static str,
}

impl Platinum {
    /// 100 Ohm at 0 °C.
    pub const PT100: Self = Self {
        r0_ohm: 100.0,
        name: "pt100",
    };
    /// 1000 Ohm at 0 °C.
    pub const PT1000: Self = Self {
        r0_ohm: 1000.0,
        name: "pt1000",
    };

    /// Resistance in Ohm at `t_c` °C.
    ///
    /// # Errors
    /// Outside -200..850 °C, or not a number.
    pub fn resistance_ohm(self, t_c: f64) -> Result<f64, RangeError> {
        let (min, max) = PT_RANGE_C;
        if (min..=max).contains(&t_c) {
            Ok(self.r0_ohm * platinum_ratio(t_c).0)
        } else {
            Err(RangeError {
                what: self.name,
                value: t_c,
                min,
                max,
                unit: "Cel",
            })
        }
    }

    /// Temperature in °C at a resistance in Ohm; the exact inverse of [`Self::resistance_ohm`].
    ///
    /// # Errors
    /// A resistance outside those of -200..850 °C (for Pt100 18.52..390.48 Ohm), or not a number.
    pub fn temperature_c(self, resistance_ohm: f64) -> Result<f64, RangeError> {
        let (min_c, max_c) = PT_RANGE_C;
        let (min, max) = (
            self.r0_ohm * platinum_ratio(min_c).0,
            self.r0_ohm * platinum_ratio(max_c).0,
        );
        if !(min..=max).contains(&resistance_ohm) {
            return Err(RangeError {
                what: self.name,
                value: resistance_ohm,
                min,
                max,
                unit: "Ohm",
            });
        }
        let ratio = resistance_ohm / self.r0_ohm;
        // Written so that nothing cancels near 0 °C: 2(1-w)/(-A - sqrt(D)) instead of (-A + sqrt(D))/(2B).
        let root = (PT_A * PT_A - 4.0 * PT_B * (1.0 - ratio)).sqrt();
        let mut t_c = 2.0 * (ratio - 1.0) / (PT_A + root);
        if ratio < 1.0 {
            for _ in 0..PT_STEPS {
                let (here, slope) = platinum_ratio(t_c);
                t_c -= (here - ratio) / slope;
            }
        }
        Ok(t_c.clamp(min_c, max_c))
    }
}

/// R/R0 and its derivative in 1/K.
fn platinum_ratio(t_c: f64) -> (f64, f64) {
    let (ratio, slope) = (1.0 + t_c * (PT_A + t_c * PT_B), PT_A + 2.0 * PT_B * t_c);
    if t_c >= 0.0 {
        return (ratio, slope);
    }
    let cube = t_c * t_c * t_c;
    (
        ratio + PT_C * (t_c - 100.0) * cube,
        slope + PT_C * (4.0 * cube - 300.0 * t_c * t_c),
    )
}

/// What is known of an NTC thermistor. Either form comes from the maker's data sheet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Ntc {
    /// 1/T = a + b ln R + c (ln R)³, T in K, R in Ohm.
    SteinhartHart {
        /// 1/K
        a: f64,
        /// 1/K
        b: f64,
        /// 1/K
        c: f64,
    },
    /// R = r25 exp(beta (1/T - 1/298.15 K)).
    Beta {
        /// K
        beta_k: f64,
        /// Resistance at 25 °C, Ohm.
        r25_ohm: f64,
    },
}

impl Ntc {
    /// Betas of thermistors made for measuring, K; data sheets have about 2600 to 5000 (common practice, no source).
    pub const BETA_RANGE_K: std::ops::RangeInclusive<f64> = 1500.0..=7000.0;

    /// Temperature in °C at a resistance in Ohm.
    ///
    /// # Errors
    /// A resistance outside 0.001 Ohm..1 GOhm, or a temperature outside -100..350 °C, or not a number.
    pub fn temperature_c(self, resistance_ohm: f64) -> Result<f64, RangeError> {
        let (min, max) = NTC_RANGE_OHM;
        if !(min..=max).contains(&resistance_ohm) {
            return Err(RangeError {
                what: "ntc",
                value: resistance_ohm,
                min,
                max,
                unit: "Ohm",
            });
        }
        within_ntc_range(1.0 / self.per_kelvin(resistance_ohm.ln()) - ZERO_C_IN_K)
    }

    /// Resistance in Ohm at `t_c` °C.
    ///
    /// # Errors
    /// Outside -100..350 °C, not a number, or no resistance from 0.001 Ohm to 1 GOhm gives that temperature.
    pub fn resistance_ohm(self, t_c: f64) -> Result<f64, RangeError> {
        let per_kelvin = 1.0 / (within_ntc_range(t_c)? + ZERO_C_IN_K);
        let (mut low, mut high) = (NTC_RANGE_OHM.0.ln(), NTC_RANGE_OHM.1.ln());
        let inside = self.per_kelvin(low) <= per_kelvin && per_kelvin <= self.per_kelvin(high);
        if !inside {
            return Err(RangeError {
                what: "ntc",
                value: t_c,
                min: NTC_RANGE_C.0,
                max: NTC_RANGE_C.1,
                unit: "Cel",
            });
        }
        for _ in 0..NTC_HALVINGS {
            let middle = 0.5 * (low + high);
            if self.per_kelvin(middle) < per_kelvin {
                low = middle;
            } else {
                high = middle;
            }
        }
        Ok((0.5 * (low + high)).exp())
    }

    /// Whether the coefficients can be those of a thermistor: between 0 and 50 °C they come to a beta from
    /// [`Self::BETA_RANGE_K`]. Exchanged coefficients and slips of the decimal point do not.
    pub fn is_plausible(self) -> bool {
        let ln_r = |t_c| self.resistance_ohm(t_c).map(f64::ln);
        let (Ok(cold), Ok(warm)) = (ln_r(0.0), ln_r(50.0)) else {
            return false;
        };
        let beta_k = (cold - warm) / (1.0 / ZERO_C_IN_K - 1.0 / (50.0 + ZERO_C_IN_K));
        Self::BETA_RANGE_K.contains(&beta_k)
    }

    /// 1/T in 1/K at ln(R/Ohm).
    fn per_kelvin(self, ln_r: f64) -> f64 {
        match self {
            Self::SteinhartHart { a, b, c } => a + ln_r * (b + c * ln_r * ln_r),
            Self::Beta { beta_k, r25_ohm } => {
                1.0 / (NTC_R25_AT_C + ZERO_C_IN_K) + (ln_r - r25_ohm.ln()) / beta_k
            }
        }
    }
}

fn within_ntc_range(t_c: f64) -> Result<f64, RangeError> {
    let (min, max) = NTC_RANGE_C;
    if (min..=max).contains(&t_c) {
        Ok(t_c)
    } else {
        Err(RangeError {
            what: "ntc",
            value: t_c,
            min,
            max,
            unit: "Cel",
        })
    }
}
