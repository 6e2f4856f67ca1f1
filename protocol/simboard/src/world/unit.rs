//! One compressor: control, protector, motor and what else hangs on the lead, and the account of its cycles.

use super::cabinet::Cabinet;
use super::motor::{Doing, Motor};
use super::protector::{Protector, Snap};
use crate::dice::Dice;
use crate::scenario::{Happening, SupplySpec, UnitSpec};
use crate::truth::{TrueCycle, UnitTruth};
use std::collections::VecDeque;

/// Power factor of a small motor, for adding a lamp's current to it.
const MOTOR_PF: f64 = 0.65;
/// A start not down to running after this was a locked rotor, s.
const LOCKED_AFTER_S: f64 = 3.0;
/// An on-period shorter than this says nothing about its start, s.
const TELLS_AFTER_S: f64 = 1.0;
/// Below this share of nominal the supply counts as lost.
const SUPPLY_LOST: f64 = 0.15;
/// Running current above rated load by this share is a clear overload.
const OVERLOAD_SHARE: f64 = 0.10;
/// Locked-rotor current is told by being over this share of nameplate locked rotor at the voltage,
const HALF_LOCKED: f64 = 0.5;
/// or over so many times running.
const MANY_RUNNING: f64 = 2.5;
/// A disc this far below its proper opening had no reason to open, K.
const EARLY_K: f64 = 8.0;
/// How far back the last currents are kept, s.
const RECENT_S: f64 = 5.5;

/// Currents over one step.
#[derive(Debug, Clone, Copy)]
pub struct Flow {
    /// In the lead the clamp is on, A.
    pub line_a: f64,
    /// In the start lead, A.
    pub start_a: f64,
}

/// Compressor with its surroundings at one instant.
#[derive(Debug, Clone)]
pub struct Unit {
    spec: UnitSpec,
    nominal_v: f64,
    /// Cooled space.
    pub cabinet: Cabinet,
    /// Motor and shell.
    pub motor: Motor,
    /// Protector.
    pub protector: Protector,
    /// Power is offered to the protector: control closed and supply there.
    pub offered: bool,
    recent: VecDeque<RecentStep>,
    run_square: (f64, f64),
}

impl Unit {
    /// Standing since long in a room at `ambient_c`.
    pub fn new(spec: &UnitSpec, supply: &SupplySpec, ambient_c: f64, dice: Dice) -> Self {
        Self {
            nominal_v: supply.nominal_v,
            cabinet: Cabinet::new(&spec.cabinet, dice.fork(1)),
            motor: Motor::new(&spec.motor, supply.nominal_v, ambient_c, dice.fork(2)),
            protector: Protector::new(&spec.protector, ambient_c, dice.fork(3)),
            offered: false,
            recent: VecDeque::new(),
            run_square: (0.0, 0.0),
            spec: spec.clone(),
        }
    }

    /// Current drawn as a share of locked rotor.
    pub fn load_share(&self) -> f64 {
        self.motor.line_a / self.spec.motor.locked_a
    }

    /// Nothing switches or changes quickly.
    pub fn is_quiet(&self) -> bool {
        self.motor.is_quiet() && self.protector.is_quiet() && self.cabinet.is_quiet()
    }

    /// Something of the script happens to it.
    pub fn happen(&mut self, what: &Happening) {
        match *what {
            Happening::Start(_, circuit) => self.motor.circuit = circuit,
            Happening::Fan(_, runs) => self.motor.fan = runs,
            Happening::Seized(_, seized) => self.motor.seized = seized,
            Happening::Control(_, forced) => self.cabinet.force(forced),
            Happening::Door(_, open) => self.cabinet.hold_door(open),
            Happening::Weak(_, k) => self.protector.set_weak(k),
            Happening::Welded(_, welded) => self.protector.welded = welded,
            Happening::Chatter(_, per_hour) => self.protector.chatter_per_hour = per_hour,
            _ => {}
        }
    }

    /// Goes on by `dt_s`.
    pub fn step(
        &mut self,
        now_s: f64,
        dt_s: f64,
        volts: f64,
        ambient_c: f64,
        truth: &mut UnitTruth,
    ) -> Flow {
        let powered = volts > SUPPLY_LOST * self.nominal_v;
        self.offered = powered && self.cabinet.control_closed();
        let energised = self.offered && self.protector.closed;
        let was = self.motor.doing;
        self.motor.set_energised(energised, volts);
        match (was == Doing::Nothing, self.motor.doing == Doing::Nothing) {
            (true, false) => self.begin(now_s, truth),
            (false, true) => self.end(
                now_s,
                if powered { "control" } else { "supply" },
                volts,
                truth,
            ),
            _ => {}
        }
        self.motor.step(dt_s, volts, ambient_c);
        let cooling = self.cooling(ambient_c);
        self.cabinet.step(now_s, dt_s, ambient_c, cooling);
        let snap = self
            .protector
            .step(dt_s, self.motor.line_a, self.motor.dome_c, ambient_c);
        self.account(now_s + dt_s, dt_s, truth);
        let flow = self.flow(volts, powered);
        self.snapped(snap, now_s + dt_s, volts, truth);
        flow
    }

    fn cooling(&self, ambient_c: f64) -> f64 {
        if !self.motor.is_running() {
            return 0.0;
        }
        let fan = if self.motor.fan { 1.0 } else { 0.6 };
        fan * (1.0 - 0.012 * (ambient_c - 25.0)).clamp(0.3, 1.3)
    }

    fn flow(&self, volts: f64, powered: bool) -> Flow {
        let motor_a = self.motor.line_a;
        let mut line_a = motor_a;
        if let Some(a) = self.spec.appliance.as_ref().filter(|_| powered) {
            let mut watts = a.fan_w;
            if self.cabinet.door_open {
                watts += a.lamp_w;
            }
            if self.cabinet.defrosting {
                watts += a.heater_w;
            }
            let other_a = watts * volts / (self.nominal_v * self.nominal_v);
            line_a =
                (motor_a * motor_a + other_a * other_a + 2.0 * motor_a * other_a * MOTOR_PF).sqrt();
        }
        Flow {
            line_a,
            start_a: self.motor.start_a,
        }
    }

    fn begin(&mut self, now_s: f64, truth: &mut UnitTruth) {
        if let Some(last) = truth.cycles.last_mut() {
            last.next_on_s = Some(now_s);
        }
        self.recent.clear();
        self.run_square = (0.0, 0.0);
        truth.cycles.push(TrueCycle {
            on_s: now_s,
            attempt: self.motor.attempt,
            start: "unknown",
            case_on_c: self.protector.case_c,
            case_max_c: self.protector.case_c,
            case_max_s: now_s,
            disc_on_c: self.protector.disc_c,
            opens_c: self.protector.opens_c,
            ..TrueCycle::default()
        });
    }

    /// Keeps the account of the cycle that is on, or of the off-period after it.
    fn account(&mut self, end_s: f64, dt_s: f64, truth: &mut UnitTruth) {
        let Some(cycle) = truth.cycles.last_mut() else {
            return;
        };
        if self.protector.case_c > cycle.case_max_c {
            cycle.case_max_c = self.protector.case_c;
            cycle.case_max_s = end_s;
        }
        if cycle.off_s.is_some() {
            return;
        }
        let square = self.motor.line_a * self.motor.line_a;
        cycle.peak_a = cycle.peak_a.max(self.motor.line_a);
        cycle.i2t_a2s += square * dt_s;
        self.recent.push_back(RecentStep {
            end_s,
            square_a2s: square * dt_s,
            for_s: dt_s,
        });
        let old = |step: &RecentStep| step.end_s < end_s - RECENT_S;
        while self.recent.front().is_some_and(old) {
            self.recent.pop_front();
        }
        self.follow_start(end_s, dt_s, square, cycle);
    }

    fn follow_start(&mut self, end_s: f64, dt_s: f64, square: f64, cycle: &mut TrueCycle) {
        if !self.motor.is_running() {
            if cycle.started_after_s.is_some() && cycle.stalled_after_s.is_none() {
                cycle.stalled_after_s = Some(end_s - cycle.on_s);
            }
            return;
        }
        cycle.started_after_s.get_or_insert(end_s - cycle.on_s);
        if self.motor.is_quiet() {
            self.run_square.0 += square * dt_s;
            self.run_square.1 += dt_s;
        }
    }

    fn snapped(&mut self, snap: Snap, at_s: f64, volts: f64, truth: &mut UnitTruth) {
        match snap {
            Snap::Stayed => {}
            Snap::Closed => {
                if let Some(c) = truth.cycles.last_mut() {
                    c.reclosed_s = Some(at_s);
                    c.case_reset_c = Some(self.protector.case_c);
                    c.disc_reset_c = Some(self.protector.disc_c);
                }
            }
            Snap::Opened => {
                self.judge(volts, truth);
                self.motor.set_energised(false, volts);
                self.end(at_s, "protector", volts, truth);
            }
        }
    }

    /// Why the protector has just opened, by what is known here.
    fn judge(&self, volts: f64, truth: &mut UnitTruth) {
        // A hot heater may open the disc just after the current has ended otherwise: that is no trip.
        let Some(cycle) = truth.cycles.last_mut().filter(|c| c.off_s.is_none()) else {
            return;
        };
        let motor = &self.spec.motor;
        let now_a = self.motor.line_a;
        let half_locked = now_a / (HALF_LOCKED * motor.locked_a * volts / self.nominal_v) - 1.0;
        let many_running = now_a / (MANY_RUNNING * motor.run_a) - 1.0;
        let over = now_a / (motor.rated_a * (1.0 + OVERLOAD_SHARE)) - 1.0;
        let short_k = self.spec.protector.opens_c - self.protector.disc_c;
        let (cause, clear) = if !self.motor.is_running() {
            ("locked-rotor", half_locked.max(many_running))
        } else if short_k > EARLY_K {
            ("early", short_k / EARLY_K - 1.0)
        } else if over > 0.0 {
            ("overload", over.min(-half_locked))
        } else {
            ("overheat", -over)
        };
        cycle.cause = Some(cause);
        cycle.clear = clear;
    }

    fn end(&mut self, at_s: f64, by: &'static str, volts: f64, truth: &mut UnitTruth) {
        let Some(cycle) = truth.cycles.last_mut() else {
            return;
        };
        if cycle.off_s.is_some() {
            return;
        }
        let on_s = at_s - cycle.on_s;
        cycle.off_s = Some(at_s);
        cycle.ended_by = Some(by);
        cycle.start = match cycle.started_after_s {
            Some(s) if s <= LOCKED_AFTER_S => "normal",
            _ if on_s >= TELLS_AFTER_S => "locked-rotor",
            _ => "unknown",
        };
        cycle.run_a = mean_root(self.run_square.0, self.run_square.1);
        cycle.end_a = self.recent_a(at_s, 1.0, 0.0, cycle.on_s);
        cycle.before_end_a = self.recent_a(at_s, RECENT_S, 0.5, cycle.on_s);
        cycle.case_off_c = self.protector.case_c;
        cycle.disc_off_c = self.protector.disc_c;
        cycle.winding_off_c = self.motor.winding_c;
        cycle.supply_off_v = volts;
    }

    /// Square mean from `from_s` to `to_s` before the end, A, over whole steps.
    fn recent_a(&self, end_s: f64, from_s: f64, to_s: f64, on_s: f64) -> f64 {
        let begin = (end_s - from_s).max(on_s);
        let within =
            |step: &&RecentStep| step.end_s > begin + 1e-9 && step.end_s <= end_s - to_s + 1e-9;
        let (square_a2s, time_s) = self
            .recent
            .iter()
            .filter(within)
            .fold((0.0, 0.0), |sum, step| {
                (sum.0 + step.square_a2s, sum.1 + step.for_s)
            });
        mean_root(square_a2s, time_s)
    }
}

/// A step of the last seconds.
#[derive(Debug, Clone, Copy)]
struct RecentStep {
    end_s: f64,
    square_a2s: f64,
    for_s: f64,
}

fn mean_root(sum: f64, over_s: f64) -> f64 {
    if over_s > 0.0 {
        (sum / over_s).max(0.0).sqrt()
    } else {
        0.0
    }
}
