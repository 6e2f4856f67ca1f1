//! Temperature of a winding by its resistance.
//!
//! `R2 / R1 = (k + t2) / (k + t1)`, with `k` the inverse of the temperature coefficient at 0 °C, in K: 234.5 for copper and
//! 225.0 for EC aluminium (as in UL's texts for motor windings). The practice of IEC 60034-1 (which rounds copper to 235) and of
//! IEC 60335-1 clause 11.8; the clause and the rounding from memory. So `k` stands in the open as [`Metal`].

/// Lowest temperature that makes sense for a winding at rest, Cel.
const LEAST_C: f64 = -100.0;

/// What a winding is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Metal {
    /// Copper, k = 234.5.
    Copper,
    /// EC aluminium, k = 225.0.
    Aluminium,
    /// Another, or another rounding: its k, K.
    Constant(f64),
}

impl Metal {
    /// Its k, K.
    pub const fn constant_k(self) -> f64 {
        match self {
            Self::Copper => 234.5,
            Self::Aluminium => 225.0,
            Self::Constant(k) => k,
        }
    }

    /// `R2 / R1` for a winding that goes from `from_c` to `to_c`, Cel.
    pub fn resistance_ratio(self, from_c: f64, to_c: f64) -> f64 {
        (self.constant_k() + to_c) / (self.constant_k() + from_c)
    }
}

/// Mean temperature of a winding, Cel, of `hot_ohm`, where it had `cold_ohm` at `cold_c`. `None` if a resistance is not above
/// zero, or the cold temperature is not that of a winding.
pub fn temp_c(metal: Metal, cold_ohm: f64, cold_c: f64, hot_ohm: f64) -> Option<f64> {
    let sound = |ohm: f64| ohm.is_finite() && ohm > 0.0;
    let cold_is = cold_c.is_finite() && cold_c > LEAST_C;
    let temp_c = hot_ohm / cold_ohm * (metal.constant_k() + cold_c) - metal.constant_k();
    (sound(cold_ohm) && sound(hot_ohm) && cold_is).then_some(temp_c)
}

/// Rise over the ambient at the end of the test, K: `(R2 - R1) / R1 (k + t1) - (t2 - t1)` with `t1` and `t2` the ambient at
/// begin and end, Cel, the winding having been as cold as the ambient when `cold_ohm` was measured. `None` as in [`temp_c`].
pub fn rise_k(metal: Metal, cold_ohm: f64, cold_c: f64, hot_ohm: f64, end_c: f64) -> Option<f64> {
    Some(temp_c(metal, cold_ohm, cold_c, hot_ohm)? - end_c)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand from `t2 = (R2 - R1) / R1 (k + t1) + t1`.
    #[test]
    fn a_winding_is_as_hot_as_its_resistance_says() {
        for (cold_ohm, hot_ohm, cold_c, copper_c, aluminium_c) in [
            (10.0, 13.0, 20.0, 96.35, 93.5),
            (5.0, 6.0, 25.0, 76.9, 75.0),
            (2.5, 3.5, 22.0, 124.6, 120.8),
            (10.0, 15.0, 25.0, 154.75, 150.0),
        ] {
            for (metal, expected_c) in [(Metal::Copper, copper_c), (Metal::Aluminium, aluminium_c)]
            {
                let is_c = temp_c(metal, cold_ohm, cold_c, hot_ohm).unwrap_or(f64::NAN);
                assert!((is_c - expected_c).abs() < 1e-9, "{metal:?}: {is_c}");
                let ratio = metal.resistance_ratio(cold_c, is_c);
                assert!((ratio - hot_ohm / cold_ohm).abs() < 1e-12);
                let rise = rise_k(metal, cold_ohm, cold_c, hot_ohm, cold_c + 3.0);
                assert!(rise.is_some_and(|rise| (rise - (expected_c - cold_c - 3.0)).abs() < 1e-9));
            }
        }
        assert_eq!(temp_c(Metal::Copper, 0.0, 20.0, 3.0), None);
        assert_eq!(temp_c(Metal::Copper, 3.0, -234.5, 3.0), None);
        assert_eq!(temp_c(Metal::Copper, 3.0, 20.0, f64::NAN), None);
    }
}
