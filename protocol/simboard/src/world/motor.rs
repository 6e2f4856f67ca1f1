//! Motor and shell: starting, running, standing locked, and the warmth of all that.

use crate::dice::Dice;
use crate::scenario::{MotorSpec, StartCircuit};

/// Copper: resistance goes with this plus the temperature in Cel.
const COPPER_K: f64 = 234.5;
/// Winding temperature for which nameplate locked rotor holds, Cel.
const NAMEPLATE_WINDING_C: f64 = 25.0;
/// Hotter than this no winding lives; the rest of the heat is lost here, Cel.
const WINDING_MAX_C: f64 = 320.0;
/// Condensing temperature follows the load with this, s.
const CONDENSER_S: f64 = 240.0;
/// Condensing above ambient with the fan running, K.
const CONDENSER_RISE_K: f64 = 15.0;
/// Heat capacity of winding over that of the shell.
const WINDING_TO_DOME: f64 = 0.12;
/// Start transients are over after so many settling times.
const SETTLED_TIMES: f64 = 12.0;
/// Square of what a motor that runs with its start winding in may draw, as a share of locked rotor.
const STAYS_IN_MAX: f64 = 0.9;
/// Share of full voltage for which a run-capacitor motor's start peak stands, of locked rotor.
const RUN_CAPACITOR_PEAK: f64 = 0.72;

/// What the motor is doing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Doing {
    /// No current.
    Nothing,
    /// Coming up to speed; running after so many seconds.
    ComingUp(f64),
    /// Standing with current: share of locked rotor that it draws.
    Locked(f64),
    /// Running; the factor is above 1 while the start winding stays in.
    Running(f64),
}

/// Motor and shell at one instant.
#[derive(Debug, Clone)]
pub struct Motor {
    spec: MotorSpec,
    nominal_v: f64,
    dice: Dice,
    /// State of the start circuit.
    pub circuit: StartCircuit,
    /// Condenser fan runs.
    pub fan: bool,
    /// Rotor seized.
    pub seized: bool,
    /// What it does.
    pub doing: Doing,
    doing_s: f64,
    off_s: f64,
    /// Line current, A.
    pub line_a: f64,
    /// Start-lead current, A.
    pub start_a: f64,
    /// Winding, Cel.
    pub winding_c: f64,
    /// Shell, Cel.
    pub dome_c: f64,
    condensing_c: f64,
    /// State of the start circuit at the last attempt, in words.
    pub attempt: &'static str,
}

impl Motor {
    /// Standing since long, in a room at `ambient_c`.
    pub fn new(spec: &MotorSpec, nominal_v: f64, ambient_c: f64, dice: Dice) -> Self {
        Self {
            spec: spec.clone(),
            nominal_v,
            dice,
            circuit: StartCircuit::Sound,
            fan: true,
            seized: false,
            doing: Doing::Nothing,
            doing_s: 0.0,
            off_s: 1.0e6,
            line_a: 0.0,
            start_a: 0.0,
            winding_c: ambient_c,
            dome_c: ambient_c,
            condensing_c: ambient_c,
            attempt: "",
        }
    }

    /// Nothing changes quickly.
    pub fn is_quiet(&self) -> bool {
        match self.doing {
            Doing::Nothing => true,
            Doing::ComingUp(_) => false,
            Doing::Locked(_) => self.doing_s > 0.5,
            Doing::Running(_) => self.doing_s > self.spec.settle_s * SETTLED_TIMES,
        }
    }

    /// Running, well or badly.
    pub fn is_running(&self) -> bool {
        matches!(self.doing, Doing::Running(_))
    }

    /// Power reaches the windings or leaves them; decides what a start comes to.
    pub fn set_energised(&mut self, on: bool, volts: f64) {
        match (on, self.doing) {
            (true, Doing::Nothing) => self.attempt_start(volts / self.nominal_v),
            (false, Doing::Nothing) => {}
            (false, _) => {
                self.change(Doing::Nothing);
                self.off_s = 0.0;
            }
            (true, _) => {}
        }
    }

    fn change(&mut self, doing: Doing) {
        self.doing = doing;
        self.doing_s = 0.0;
    }

    fn attempt_start(&mut self, v: f64) {
        let short_off = self.off_s < self.spec.equalise_s;
        let unlucky_short = self.dice.chance(self.spec.short_off_fails);
        let unlucky_weak = self.dice.unit();
        let sound_s = self.spec.start_s * self.dice.between(0.85, 1.2);
        let (attempt, doing) = if self.seized {
            ("seized", Doing::Locked(1.0))
        } else if let StartCircuit::Open(share) = self.circuit {
            ("start-circuit-open", Doing::Locked(share))
        } else if v < self.spec.start_min_v {
            ("low-voltage", Doing::Locked(1.0))
        } else if short_off && unlucky_short {
            ("short-off", Doing::Locked(1.0))
        } else {
            match self.circuit {
                StartCircuit::Weak(fails) if unlucky_weak < fails => {
                    ("start-weak", Doing::Locked(1.0))
                }
                StartCircuit::StaysIn(_) => ("start-stays-in", Doing::ComingUp(sound_s)),
                StartCircuit::Slow(s) => ("slow", Doing::ComingUp(s)),
                _ => ("sound", Doing::ComingUp(sound_s)),
            }
        };
        self.attempt = attempt;
        self.change(doing);
    }

    fn running_factor(&self) -> f64 {
        if let StartCircuit::StaysIn(factor) = self.circuit {
            factor
        } else {
            1.0
        }
    }

    /// Locked-rotor current now, A: proportional to voltage, lower with a hot winding.
    fn locked_now_a(&self, v: f64) -> f64 {
        let r = self.spec.resistive_share;
        let hot = (COPPER_K + self.winding_c) / (COPPER_K + NAMEPLATE_WINDING_C) * r;
        self.spec.locked_a * v / (hot * hot + 1.0 - r * r).sqrt()
    }

    fn running_now_a(&self, v: f64) -> f64 {
        let reference_c = NAMEPLATE_WINDING_C + CONDENSER_RISE_K;
        let load = (1.0 + self.spec.load_per_k * (self.condensing_c - reference_c)).clamp(0.6, 1.8);
        let fresh = self.spec.pulldown_share * (-self.doing_s / self.spec.pulldown_s).exp();
        self.spec.run_a * v.max(0.3).powf(self.spec.volt_power) * (load + fresh)
    }

    /// Goes on by `dt_s` at line voltage `volts`.
    pub fn step(&mut self, dt_s: f64, volts: f64, ambient_c: f64) {
        let v = volts / self.nominal_v;
        self.follow(v);
        self.currents(v);
        self.warm(dt_s, ambient_c);
        self.doing_s += dt_s;
        if self.doing == Doing::Nothing {
            self.off_s += dt_s;
        }
    }

    /// Coming up ends, running stalls, a motor held only by low voltage comes free.
    fn follow(&mut self, v: f64) {
        match self.doing {
            Doing::ComingUp(for_s) if self.doing_s >= for_s => {
                self.change(Doing::Running(self.running_factor()))
            }
            Doing::Running(_) | Doing::ComingUp(_) if self.seized || v < self.spec.stall_v => {
                self.change(Doing::Locked(1.0));
            }
            Doing::Locked(_)
                if !self.seized
                    && self.attempt == "low-voltage"
                    && v > self.spec.start_min_v + 0.05 =>
            {
                self.change(Doing::ComingUp(self.spec.start_s));
            }
            _ => {}
        }
    }

    fn currents(&mut self, v: f64) {
        let capacitor = self.spec.start == crate::scenario::StartKind::RunCapacitor;
        let peak = if capacitor { RUN_CAPACITOR_PEAK } else { 1.0 };
        let (line, start) = match self.doing {
            Doing::Nothing => (0.0, 0.0),
            Doing::ComingUp(_) => {
                let a = self.locked_now_a(v) * peak;
                (a, a * self.spec.start_lead_share)
            }
            Doing::Locked(share) => {
                let a = self.locked_now_a(v) * share;
                let in_circuit = if matches!(self.circuit, StartCircuit::Open(_)) {
                    0.0
                } else {
                    1.0
                };
                // A PTC that has heated, or a relay that has given up, leaves little in the start lead.
                let stays = if self.doing_s < 1.5 { 1.0 } else { 0.1 };
                (a, a * self.spec.start_lead_share * in_circuit * stays)
            }
            Doing::Running(factor) => self.running_currents(v, peak, factor),
        };
        self.line_a = line;
        self.start_a = start;
    }

    fn running_currents(&self, v: f64, peak: f64, factor: f64) -> (f64, f64) {
        let locked = self.locked_now_a(v);
        let run = (self.running_now_a(v) * factor).min(locked * STAYS_IN_MAX);
        let left = (-self.doing_s / self.spec.settle_s).exp();
        let line = run + (locked * peak - run).max(0.0) * left;
        let in_start = if factor > 1.0 {
            0.5 * (factor - 1.0) / factor
        } else {
            self.spec.start_lead_run_share
        };
        (
            line,
            line * in_start + line * self.spec.start_lead_share * left,
        )
    }

    /// Heating of the winding, K/s: by nameplate when it stands, by its normal rise when it runs (the rotor
    /// then has no losses of a standing one).
    fn winding_heat(&self, running: bool) -> f64 {
        let s = &self.spec;
        let resistance = (COPPER_K + self.winding_c) / (COPPER_K + NAMEPLATE_WINDING_C);
        let (full_k_per_s, full_a) = if running {
            (s.winding_run_k / s.winding_s, s.run_a)
        } else {
            (s.winding_k_per_s, s.locked_a)
        };
        let share = self.line_a / full_a;
        full_k_per_s * share * share * if running { 1.0 } else { resistance }
    }

    fn warm(&mut self, dt_s: f64, ambient_c: f64) {
        let s = &self.spec;
        let running = self.is_running();
        let over_k = self.winding_c - self.dome_c;
        self.winding_c += (self.winding_heat(running) - over_k / s.winding_s) * dt_s;
        self.winding_c = self.winding_c.min(WINDING_MAX_C);
        let poor = if self.fan { 1.0 } else { s.fan_off_factor };
        let rise_k = if running {
            s.dome_rise_k * poor * (self.line_a / s.run_a).clamp(0.5, 2.0)
        } else {
            0.0
        };
        let slow = if running { s.dome_s } else { s.dome_s * 1.6 };
        // What a winding gives the shell in normal running is part of the shell's rise.
        let extra_k = over_k - if running { s.winding_run_k } else { 0.0 };
        let from_winding = WINDING_TO_DOME * extra_k / s.winding_s;
        self.dome_c += ((ambient_c + rise_k - self.dome_c) / slow + from_winding) * dt_s;
        let condensing = if running {
            CONDENSER_RISE_K * poor
        } else {
            0.0
        };
        self.condensing_c += (ambient_c + condensing - self.condensing_c) * dt_s / CONDENSER_S;
    }
}
