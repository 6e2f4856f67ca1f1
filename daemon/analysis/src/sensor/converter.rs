//! From the integer a board sent to the value of its channel.

use nightclamp_protocol::Quantity;

use super::{Ntc, Platinum, ThermocoupleType};

/// Place of the `temperature` channel that is the reference junction of a board's thermocouples.
pub const REFERENCE_PLACE: &str = "cold-junction";

/// Turns the readings of one channel into values. Made anew for every channel table.
///
/// | quantity | sensor | value | unit |
/// | --- | --- | --- | --- |
/// | `current`, `voltage`, `temperature`, `contact` | any | integer x 10^EXP | that of the quantity |
/// | `emf` | `tc-K` `tc-J` `tc-T` `tc-N` `tc-E` | temperature, with the reference junction's | `Cel` |
/// | `emf` | any other | none: NaN, for volts must never be taken for degrees | `V` |
/// | `resistance` | `pt100`, `pt1000` | temperature | `Cel` |
/// | `resistance` | `ntc` with coefficients from the job file | temperature | `Cel` |
/// | `resistance` | `ntc` without, or any other | integer x 10^EXP | `Ohm` |
#[derive(Debug, Clone)]
pub struct Converter {
    scale: Scale,
    rule: Rule,
    unit: &'static str,
    /// Conversions made before, each in the one place that its integers lead to; empty where none is needed.
    known: Vec<Option<Known>>,
}

/// What follows the scaling.
#[derive(Debug, Clone, Copy)]
enum Rule {
    AsIs,
    Nothing,
    Thermocouple(ThermocoupleType),
    Platinum(Platinum),
    Ntc(Ntc),
}

/// A temperature that is computed from a voltage or a resistance is kept to a thousandth of a degree: far finer than any
/// sensor, and the raw reading stands beside it in the table.
const STEPS_PER_C: f64 = 1000.0;

/// Conversions kept for a channel, as a power of two: temperatures change so slowly that the same few integers, and the same
/// pairs of them with a reference junction, come again and again. What is kept changes nothing but the time it takes.
const KNOWN_BITS: u32 = 13;
/// 2^64 over the golden ratio: sets reference temperatures far apart. Neighbouring integers of one reference stay neighbours,
/// so that those of a few minutes lie together in the processor's nearest memory.
const SPREAD: u64 = 0x9E37_79B9_7F4A_7C15;

/// A conversion made before.
#[derive(Debug, Clone, Copy)]
struct Known {
    raw: i32,
    reference_bits: u64,
    value: f64,
}

impl Converter {
    /// For a channel as its board declares it. `ntc` are the coefficients that the job file gives for the channel's place.
    pub fn new(quantity: Quantity, exp: i8, sensor: &str, ntc: Option<Ntc>) -> Self {
        let rule = Rule::of(quantity, sensor, ntc);
        let unit = match rule {
            Rule::AsIs | Rule::Nothing => quantity.unit(),
            Rule::Thermocouple(_) | Rule::Platinum(_) | Rule::Ntc(_) => "Cel",
        };
        Self {
            scale: Scale::new(exp),
            rule,
            unit,
            known: match rule {
                Rule::AsIs | Rule::Nothing => Vec::new(),
                _ => vec![None; 1 << KNOWN_BITS],
            },
        }
    }

    /// The value of a reading, in [`Self::unit_after`]. `reference_c` is the value of the board's [`REFERENCE_PLACE`] in the
    /// same sample, in °C; only thermocouples look at it. NaN where there is no value: no reference temperature, or a
    /// temperature outside the sensor's standard range.
    #[inline]
    pub fn value(&mut self, raw: i32, reference_c: Option<f64>) -> f64 {
        match self.rule {
            Rule::AsIs => self.scale.apply(raw),
            _ => self.converted(raw, reference_c),
        }
    }

    fn converted(&mut self, raw: i32, reference_c: Option<f64>) -> f64 {
        let reference_c = match self.rule {
            Rule::AsIs => return self.scale.apply(raw),
            Rule::Nothing => return f64::NAN,
            Rule::Thermocouple(_) => reference_c.unwrap_or(f64::NAN),
            Rule::Platinum(_) | Rule::Ntc(_) => f64::NAN,
        };
        let reference_bits = reference_c.to_bits();
        let from = reference_bits.wrapping_mul(SPREAD) >> (64 - KNOWN_BITS);
        let at = from.wrapping_add(u64::from(raw.cast_unsigned())) & ((1 << KNOWN_BITS) - 1);
        let place = self.known.get_mut(at as usize);
        if let Some(Some(known)) = &place
            && known.raw == raw
            && known.reference_bits == reference_bits
        {
            return known.value;
        }
        let converted = self.rule.apply(self.scale.apply(raw), reference_c);
        let value = (converted * STEPS_PER_C).round() / STEPS_PER_C;
        if let Some(place) = place {
            *place = Some(Known {
                raw,
                reference_bits,
                value,
            });
        }
        value
    }

    /// The unit of [`Self::value`]: `A`, `V`, `Cel`, `Ohm` or `1`.
    pub const fn unit_after(&self) -> &'static str {
        self.unit
    }

    /// Whether a reading has no value without the reference junction's temperature.
    pub const fn needs_reference(&self) -> bool {
        matches!(self.rule, Rule::Thermocouple(_))
    }
}

impl Rule {
    fn of(quantity: Quantity, sensor: &str, ntc: Option<Ntc>) -> Self {
        match quantity {
            Quantity::Current | Quantity::Voltage | Quantity::Temperature | Quantity::Contact => {
                Self::AsIs
            }
            Quantity::Emf => {
                ThermocoupleType::from_sensor(sensor).map_or(Self::Nothing, Self::Thermocouple)
            }
            Quantity::Resistance => match (sensor, ntc) {
                ("pt100", _) => Self::Platinum(Platinum::PT100),
                ("pt1000", _) => Self::Platinum(Platinum::PT1000),
                ("ntc", Some(ntc)) => Self::Ntc(ntc),
                _ => Self::AsIs,
            },
        }
    }

    fn apply(self, scaled: f64, reference_c: f64) -> f64 {
        let converted = match self {
            Self::AsIs => Ok(scaled),
            Self::Nothing => Ok(f64::NAN),
            Self::Thermocouple(kind) => kind.compensated_c(scaled, reference_c),
            Self::Platinum(element) => element.temperature_c(scaled),
            Self::Ntc(ntc) => ntc.temperature_c(scaled),
        };
        converted.unwrap_or(f64::NAN)
    }
}

/// The power of ten of a channel, kept so that the product is the double nearest to the decimal number: 10^n is exact for the
/// n in use, and one exact number divided by another is rounded once. 812 with EXP -6 is 0.000812, to the last bit.
#[derive(Debug, Clone, Copy)]
enum Scale {
    Times(f64),
    Over(f64),
}

impl Scale {
    fn new(exp: i8) -> Self {
        let power = 10f64.powi(i32::from(exp.unsigned_abs()));
        if exp < 0 {
            Self::Over(power)
        } else {
            Self::Times(power)
        }
    }

    fn apply(self, raw: i32) -> f64 {
        match self {
            Self::Times(power) => f64::from(raw) * power,
            Self::Over(power) => f64::from(raw) / power,
        }
    }
}
