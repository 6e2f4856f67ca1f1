//! The physical side: supply, room and compressors, stepped through true time.

pub mod cabinet;
pub mod motor;
pub mod protector;
pub mod surroundings;
pub mod unit;

use crate::dice::Dice;
use crate::scenario::{Happening, Scenario};
use crate::truth::{SupplyTruth, Truth, UnitTruth};
use std::collections::VecDeque;
use surroundings::{Room, Supply};
use unit::Unit;

/// Step while anything switches, starts or is about to, s.
const STEP_FINE_S: f64 = 0.01;
/// Step while all is steady, s.
const STEP_COARSE_S: f64 = 0.1;

/// A rest shorter than this is not worth a step, s.
const SLIVER_S: f64 = 1e-9;

/// Integrals since they were last taken, for RMS over a sample period.
#[derive(Debug, Clone, Copy, Default)]
pub struct Squares {
    /// A^2 s in the lead the clamp is on.
    pub line: f64,
    /// A^2 s in the start lead.
    pub start: f64,
}

/// Supply, room and compressors at one instant.
#[derive(Debug, Clone)]
pub struct World {
    /// True time, s.
    pub now_s: f64,
    /// Mains.
    pub supply: Supply,
    /// Room.
    pub room: Room,
    /// Compressors.
    pub units: Vec<Unit>,
    squares: Vec<Squares>,
    volts_squared: f64,
    since_s: f64,
    script: VecDeque<(f64, Happening)>,
}

impl World {
    /// The place at time 0.
    pub fn new(s: &Scenario, dice: &Dice, truth: &mut Truth) -> Self {
        let room = Room::new(&s.ambient);
        let units: Vec<Unit> = (0u64..)
            .zip(&s.units)
            .map(|(i, u)| Unit::new(u, &s.supply, room.air_c, dice.fork(0x100 + i)))
            .collect();
        truth.units = s
            .units
            .iter()
            .map(|u| UnitTruth {
                name: u.name.clone(),
                cycles: Vec::new(),
            })
            .collect();
        let script = s.in_order(|what| !what.is_for_board());
        Self {
            now_s: 0.0,
            supply: Supply::new(&s.supply, dice.fork(0x10)),
            room,
            squares: vec![Squares::default(); units.len()],
            units,
            volts_squared: 0.0,
            since_s: 0.0,
            script,
        }
    }

    /// Goes on to `until_s`.
    pub fn advance(&mut self, until_s: f64, truth: &mut Truth) {
        while self.now_s < until_s {
            if let Some(what) = self.due() {
                self.happen(&what, truth);
                continue;
            }
            let next_s = self
                .script
                .front()
                .map_or(f64::INFINITY, |e| e.0)
                .min(until_s);
            let quiet = self.units.iter().all(Unit::is_quiet);
            let step_s = if quiet { STEP_COARSE_S } else { STEP_FINE_S };
            // The last step takes along what would be left as a sliver.
            let end_s = if self.now_s + step_s >= next_s - SLIVER_S {
                next_s
            } else {
                self.now_s + step_s
            };
            self.step(end_s - self.now_s, truth);
            self.now_s = end_s;
        }
    }

    fn due(&mut self) -> Option<Happening> {
        if self.script.front().is_some_and(|e| e.0 <= self.now_s) {
            return self.script.pop_front().map(|e| e.1);
        }
        None
    }

    fn step(&mut self, dt_s: f64, truth: &mut Truth) {
        if dt_s <= 0.0 {
            return;
        }
        self.room.step(self.now_s, dt_s);
        let load: f64 = self.units.iter().map(Unit::load_share).sum();
        let volts = self.supply.step(self.now_s, load);
        for ((unit, squares), truth) in self
            .units
            .iter_mut()
            .zip(&mut self.squares)
            .zip(&mut truth.units)
        {
            let flow = unit.step(self.now_s, dt_s, volts, self.room.air_c, truth);
            squares.line += flow.line_a * flow.line_a * dt_s;
            squares.start += flow.start_a * flow.start_a * dt_s;
        }
        self.volts_squared += volts * volts * dt_s;
        self.since_s += dt_s;
    }

    /// Lets something happen now; what concerns the board is passed over.
    pub fn happen(&mut self, what: &Happening, truth: &mut Truth) {
        match *what {
            Happening::Supply(share) => {
                self.supply.set_share(share);
                truth.supply.push(SupplyTruth {
                    at_s: self.now_s,
                    share,
                });
            }
            Happening::Warmer(k) => self.room.shift(k),
            Happening::Start(u, _)
            | Happening::Fan(u, _)
            | Happening::Seized(u, _)
            | Happening::Control(u, _)
            | Happening::Door(u, _)
            | Happening::Weak(u, _)
            | Happening::Welded(u, _)
            | Happening::Chatter(u, _) => {
                if let Some(unit) = self.units.get_mut(u) {
                    unit.happen(what);
                }
            }
            Happening::Sensor(..)
            | Happening::Boot(_)
            | Happening::Mark
            | Happening::Mute(_)
            | Happening::Damage(_) => {}
        }
    }

    /// Square means since the last taking: per unit (line, start) in A, and the supply in V.
    pub fn take_rms(&mut self, currents: &mut Vec<(f64, f64)>) -> f64 {
        let over_s = if self.since_s > 0.0 {
            self.since_s
        } else {
            1.0
        };
        currents.clear();
        currents.extend(
            self.squares
                .iter()
                .map(|s| ((s.line / over_s).sqrt(), (s.start / over_s).sqrt())),
        );
        let volts = (self.volts_squared / over_s).sqrt();
        self.squares.fill(Squares::default());
        self.volts_squared = 0.0;
        self.since_s = 0.0;
        volts
    }
}
