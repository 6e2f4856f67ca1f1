//! The cooled space: heat leak, doors, thermostat with a band, defrost by the clock.

use crate::dice::Dice;
use crate::scenario::CabinetSpec;

/// Ambient for which the spec's on- and off-times hold, Cel.
const REFERENCE_AMBIENT_C: f64 = 25.0;
/// Air exchange with the door open, s.
const DOOR_S: f64 = 500.0;
/// Thermostat bulb lags the air, s.
const BULB_S: f64 = 15.0;
/// A switch within this is near enough for fine steps, s.
const SOON_S: f64 = 0.3;

/// Cooled space and its control.
#[derive(Debug, Clone)]
pub struct Cabinet {
    spec: CabinetSpec,
    dice: Dice,
    leak_s: f64,
    cooling_k_per_s: f64,
    /// Air, Cel.
    pub air_c: f64,
    bulb_c: f64,
    bulb_rate: f64,
    calls: bool,
    forced: Option<bool>,
    door_held: bool,
    door_until_s: f64,
    next_door_s: f64,
    /// Door open now: the lamp is on.
    pub door_open: bool,
    /// Defrost now: the heater is on.
    pub defrosting: bool,
    switch_in_s: f64,
}

impl Cabinet {
    /// The space at time 0.
    pub fn new(spec: &CabinetSpec, mut dice: Dice) -> Self {
        let span_k = (REFERENCE_AMBIENT_C - spec.set_c).max(5.0);
        let next_door_s = next_door(spec, &mut dice, 0.0);
        Self {
            leak_s: span_k * spec.off_s / spec.band_k,
            cooling_k_per_s: spec.band_k / spec.on_s + spec.band_k / spec.off_s,
            air_c: spec.begin_c,
            bulb_c: spec.begin_c,
            bulb_rate: 0.0,
            calls: spec.begin_c > spec.set_c + spec.band_k / 2.0,
            forced: None,
            door_held: false,
            door_until_s: -1.0,
            next_door_s,
            door_open: false,
            defrosting: false,
            switch_in_s: f64::INFINITY,
            spec: spec.clone(),
            dice,
        }
    }

    /// Forces the control, or lets it be.
    pub fn force(&mut self, closed: Option<bool>) {
        self.forced = closed;
    }

    /// Holds the door open or shuts it.
    pub fn hold_door(&mut self, open: bool) {
        self.door_held = open;
    }

    /// Whether the control asks for cooling.
    pub fn control_closed(&self) -> bool {
        !self.defrosting && self.forced.unwrap_or(self.calls)
    }

    /// No switching within a moment.
    pub fn is_quiet(&self) -> bool {
        self.switch_in_s > SOON_S
    }

    /// Goes on; `cooling` is what the compressor achieves as a share of its usual.
    pub fn step(&mut self, now_s: f64, dt_s: f64, ambient_c: f64, cooling: f64) {
        self.clockwork(now_s);
        let mut rate = (ambient_c - self.air_c) / self.leak_s - self.cooling_k_per_s * cooling;
        if self.door_open {
            rate += (ambient_c - self.air_c) / DOOR_S;
        }
        if self.defrosting {
            rate += 2.0 * self.cooling_k_per_s;
        }
        self.air_c += rate * dt_s;
        self.bulb_rate = (self.air_c - self.bulb_c) / BULB_S;
        self.bulb_c += self.bulb_rate * dt_s;
        let half = self.spec.band_k / 2.0;
        let bound_c = if self.calls {
            self.spec.set_c - half
        } else {
            self.spec.set_c + half
        };
        let beyond_k = if self.calls {
            bound_c - self.bulb_c
        } else {
            self.bulb_c - bound_c
        };
        if beyond_k >= 0.0 {
            self.calls = !self.calls;
        }
        self.foresee(now_s, beyond_k);
    }

    fn clockwork(&mut self, now_s: f64) {
        if now_s >= self.next_door_s {
            self.door_until_s = now_s
                + self
                    .dice
                    .exponential(self.spec.door_open_s)
                    .clamp(3.0, 600.0);
            self.next_door_s = next_door(&self.spec, &mut self.dice, self.door_until_s);
        }
        self.door_open = self.door_held || now_s < self.door_until_s;
        if let Some(d) = &self.spec.defrost {
            let since = (now_s - d.first_s).rem_euclid(d.every_s);
            self.defrosting = now_s >= d.first_s && since < d.for_s;
        }
    }

    fn foresee(&mut self, now_s: f64, beyond_k: f64) {
        let toward = if self.calls {
            -self.bulb_rate
        } else {
            self.bulb_rate
        };
        let by_bulb_s = if toward > 0.0 {
            -beyond_k / toward
        } else {
            f64::INFINITY
        };
        let by_defrost_s = self.spec.defrost.as_ref().map_or(f64::INFINITY, |d| {
            let since = (now_s - d.first_s).rem_euclid(d.every_s);
            if since < d.for_s {
                d.for_s - since
            } else {
                d.every_s - since
            }
        });
        self.switch_in_s = by_bulb_s.min(by_defrost_s);
    }
}

fn next_door(spec: &CabinetSpec, dice: &mut Dice, after_s: f64) -> f64 {
    if spec.doors_per_hour <= 0.0 {
        return f64::INFINITY;
    }
    after_s + dice.exponential(3600.0 / spec.doors_per_hour)
}
