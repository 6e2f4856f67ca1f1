//! Mains supply and the air of the room.

use crate::dice::Dice;
use crate::scenario::{AmbientSpec, SupplySpec};
use std::f64::consts::TAU;

/// A day, s.
const DAY_S: f64 = 86_400.0;
/// How slowly the room follows a change, s.
const ROOM_LAG_S: f64 = 700.0;
/// How quickly flicker forgets, s.
const FLICKER_S: f64 = 4.0;
/// The slow sines are worked out anew after this, s.
const SLOW_EVERY_S: f64 = 1.0;

/// Mains, upstream of every control.
#[derive(Debug, Clone)]
pub struct Supply {
    spec: SupplySpec,
    dice: Dice,
    share: f64,
    slow: f64,
    slow_due_s: f64,
    flicker: f64,
    phase: f64,
}

impl Supply {
    /// Usual supply.
    pub fn new(spec: &SupplySpec, mut dice: Dice) -> Self {
        let phase = dice.between(0.0, TAU);
        Self {
            spec: spec.clone(),
            dice,
            share: 1.0,
            slow: 1.0,
            slow_due_s: 0.0,
            flicker: 0.0,
            phase,
        }
    }

    /// Sets the share of the usual level; 0 is an outage.
    pub fn set_share(&mut self, share: f64) {
        self.share = share;
    }

    /// Voltage over the step, V; `load_share` is what is drawn as a share of locked rotor.
    pub fn step(&mut self, now_s: f64, load_share: f64) -> f64 {
        if now_s >= self.slow_due_s {
            let spec = &self.spec;
            let turn = TAU * now_s / spec.drift_period_s + self.phase;
            let keep = (-SLOW_EVERY_S / FLICKER_S).exp();
            self.flicker = self.flicker * keep
                + spec.flicker_share * (1.0 - keep * keep).sqrt() * self.dice.normal();
            self.slow = 1.0 + spec.drift_share * (0.7 * turn.sin() + 0.3 * (2.7 * turn).sin());
            self.slow_due_s = now_s + SLOW_EVERY_S;
        }
        let free = self.spec.nominal_v * self.share * (self.slow + self.flicker);
        free * (1.0 - self.spec.sag_share * load_share)
    }
}

/// Air of the room.
#[derive(Debug, Clone)]
pub struct Room {
    spec: AmbientSpec,
    shift_k: f64,
    shifted_k: f64,
    base_c: f64,
    due_s: f64,
    /// Now, Cel.
    pub air_c: f64,
}

impl Room {
    /// The room at time 0.
    pub fn new(spec: &AmbientSpec) -> Self {
        let mut room = Self {
            spec: spec.clone(),
            shift_k: 0.0,
            shifted_k: 0.0,
            base_c: 0.0,
            due_s: 0.0,
            air_c: spec.mean_c,
        };
        room.step(0.0, 0.0);
        room
    }

    /// Sets how much warmer than usual it tends to be, K.
    pub fn shift(&mut self, k: f64) {
        self.shift_k = k;
    }

    /// Goes on.
    pub fn step(&mut self, now_s: f64, dt_s: f64) {
        if now_s >= self.due_s {
            let turn = TAU * (now_s - self.spec.warmest_at_s) / DAY_S;
            self.base_c = self.spec.mean_c + self.spec.swing_k * turn.cos();
            self.due_s = now_s + SLOW_EVERY_S;
        }
        self.shifted_k += (self.shift_k - self.shifted_k) * dt_s / ROOM_LAG_S;
        self.air_c = self.base_c + self.shifted_k;
    }
}
