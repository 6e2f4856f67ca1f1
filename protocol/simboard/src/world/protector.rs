//! The protector: heater, disc and case as three lumps, snapping with scatter.

use crate::dice::Dice;
use crate::scenario::ProtectorSpec;

/// Heat capacity of the heater over that of the disc.
const HEATER_TO_DISC: f64 = 0.25;

impl ProtectorSpec {
    /// The time constant by which the disc follows its case and its current once the heater goes with it, s: both heat capacities
    /// over the one way to the case. What one disc with one time constant has to come to, where the heater hardly lags.
    pub fn tau_s(&self) -> f64 {
        (1.0 + HEATER_TO_DISC) * self.disc_s
    }
}
/// A tired disc still closes this far below where it opens, K.
const HYSTERESIS_MIN_K: f64 = 14.0;
/// A disc that opened by chatter closes once it has cooled by this share of its hysteresis.
const CHATTER_CLOSES: f64 = 0.15;
/// Opening or closing within this is near enough for fine steps, s.
const SOON_S: f64 = 0.3;

/// Protector at one instant.
#[derive(Debug, Clone)]
pub struct Protector {
    spec: ProtectorSpec,
    dice: Dice,
    /// Closed: current can flow.
    pub closed: bool,
    heater_c: f64,
    /// Disc, Cel.
    pub disc_c: f64,
    /// Case, where the bead sits, Cel.
    pub case_c: f64,
    /// Where it opens this time, Cel.
    pub opens_c: f64,
    closes_c: f64,
    /// Opens lower by this, K.
    pub weak_k: f64,
    /// Never opens.
    pub welded: bool,
    /// Openings of itself an hour of current.
    pub chatter_per_hour: f64,
    chatter_left: f64,
    disc_rate: f64,
}

/// What it did in a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Snap {
    /// Nothing.
    Stayed,
    /// It opened.
    Opened,
    /// It closed.
    Closed,
}

impl Protector {
    /// Closed, at the room's temperature.
    pub fn new(spec: &ProtectorSpec, ambient_c: f64, mut dice: Dice) -> Self {
        let chatter_left = dice.exponential(1.0);
        let mut new = Self {
            spec: spec.clone(),
            dice,
            closed: true,
            heater_c: ambient_c,
            disc_c: ambient_c,
            case_c: ambient_c,
            opens_c: spec.opens_c,
            closes_c: spec.closes_c,
            weak_k: spec.weak_by_k,
            welded: spec.welded,
            chatter_per_hour: 0.0,
            chatter_left,
            disc_rate: 0.0,
        };
        new.draw_opening();
        new
    }

    fn draw_opening(&mut self) {
        self.opens_c = self.spec.opens_c - self.weak_k + self.spec.scatter_k * self.dice.normal();
    }

    /// Opens lower by `k` from now on.
    pub fn set_weak(&mut self, k: f64) {
        self.opens_c += self.weak_k - k;
        self.weak_k = k;
    }

    /// No snapping within a moment.
    pub fn is_quiet(&self) -> bool {
        let left_k = if self.closed {
            self.opens_c - self.disc_c
        } else {
            self.disc_c - self.closes_c
        };
        let toward = if self.closed {
            self.disc_rate
        } else {
            -self.disc_rate
        };
        left_k > toward * SOON_S && (self.chatter_per_hour <= 0.0 || self.chatter_left > 1e-3)
    }

    /// Goes on by `dt_s` with `line_a` through the heater.
    pub fn step(&mut self, dt_s: f64, line_a: f64, dome_c: f64, ambient_c: f64) -> Snap {
        let s = &self.spec;
        // The heater is a small lump before the disc. Its own rise is set so that the steady rise of the
        // disc over its case is k I^2 whatever the heater's lag.
        let heat_k =
            s.heating_k_per_a2 * line_a * line_a * s.heater_s / (HEATER_TO_DISC * s.disc_s);
        let over_k = self.heater_c - self.disc_c;
        let to_case = (self.disc_c - self.case_c) / s.disc_s;
        self.heater_c += (heat_k - over_k) / s.heater_s * dt_s;
        self.disc_rate = HEATER_TO_DISC * over_k / s.heater_s - to_case;
        self.disc_c += self.disc_rate * dt_s;
        let around_c = s.dome_weight * dome_c + (1.0 - s.dome_weight) * ambient_c;
        self.case_c += (s.case_share * to_case + (around_c - self.case_c) / s.case_s) * dt_s;
        self.snap(dt_s, line_a)
    }

    fn snap(&mut self, dt_s: f64, line_a: f64) -> Snap {
        if !self.closed {
            if self.disc_c <= self.closes_c {
                self.closed = true;
                self.weak_k += self.spec.tires_by_k;
                self.draw_opening();
                return Snap::Closed;
            }
            return Snap::Stayed;
        }
        let mut chatters = false;
        if line_a > 0.0 && self.chatter_per_hour > 0.0 {
            self.chatter_left -= self.chatter_per_hour / 3600.0 * dt_s;
            chatters = self.chatter_left <= 0.0;
        }
        if self.welded || !(chatters || self.disc_c >= self.opens_c) {
            return Snap::Stayed;
        }
        self.open(chatters);
        Snap::Opened
    }

    fn open(&mut self, chatters: bool) {
        self.closed = false;
        let scatter = self.spec.scatter_k * self.dice.normal();
        let proper_c = (self.spec.closes_c + scatter).min(self.opens_c - HYSTERESIS_MIN_K);
        self.closes_c = if chatters && self.disc_c < self.opens_c {
            self.disc_c - CHATTER_CLOSES * (self.spec.opens_c - self.spec.closes_c)
        } else {
            proper_c
        };
        self.chatter_left = self.dice.exponential(1.0);
    }
}
