//! From what a person would say of a protector or a motor (trips cold in ten seconds, current falls by a
//! fifth) to the constants the lumps need.

use crate::dice::Dice;
use crate::scenario::{MotorSpec, ProtectorSpec};
use crate::world::protector::{Protector, Snap};

/// Winding and case begin a cold trip at this, Cel.
const COLD_C: f64 = 25.0;
/// Step of the trial, s.
const STEP_S: f64 = 0.02;
/// A trial is given up after this, s.
const NEVER_S: f64 = 900.0;
/// Halvings of the search.
const HALVINGS: usize = 40;
/// Copper constant, K.
const COPPER_K: f64 = 234.5;

/// Time to the first opening from cold at a current that falls evenly by `fall` over `expected_s`.
fn cold_trip_s(spec: &ProtectorSpec, locked_a: f64, fall: f64, expected_s: f64) -> f64 {
    let mut sound = spec.clone();
    (sound.scatter_k, sound.weak_by_k, sound.welded) = (0.0, 0.0, false);
    let mut protector = Protector::new(&sound, COLD_C, Dice::new(0));
    let mut t = 0.0;
    while t < NEVER_S {
        let line_a = locked_a * (1.0 - fall * (t / expected_s).min(1.0));
        t += STEP_S;
        if protector.step(STEP_S, line_a, COLD_C, COLD_C) == Snap::Opened {
            break;
        }
    }
    t
}

/// Sets the heating so that a locked rotor opens the protector after `trip_s` from cold, and the winding's
/// warming so that the current has fallen by `fall` (0.05..0.35) by then.
pub fn size(protector: &mut ProtectorSpec, motor: &mut MotorSpec, trip_s: f64, fall: f64) {
    let (mut low, mut high) = (1e-7_f64, 1e5_f64);
    for _ in 0..HALVINGS {
        protector.heating_k_per_a2 = (low * high).sqrt();
        if cold_trip_s(protector, motor.locked_a, fall, trip_s) > trip_s {
            low = protector.heating_k_per_a2;
        } else {
            high = protector.heating_k_per_a2;
        }
    }
    let r = motor.resistive_share;
    let impedance = 1.0 / (1.0 - fall);
    let hot = ((impedance * impedance - 1.0 + r * r).sqrt() / r).max(1.0);
    let rise_k = (hot - 1.0) * (COPPER_K + COLD_C);
    // Heating grows with resistance and shrinks with the falling current; their product stays near the mean.
    let mean = (1.0 - fall / 2.0) * (1.0 - fall / 2.0) * (1.0 + hot) / 2.0;
    motor.winding_k_per_s = rise_k / trip_s / mean;
}
