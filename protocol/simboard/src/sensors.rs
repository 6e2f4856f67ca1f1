//! What a channel's sensor makes of the world: lag, seat, gain, pick-up, noise, faults, and the integer sent.

use crate::dice::Dice;
use crate::emf;
use crate::scenario::{ChannelSpec, Measured, Scenario, SensorFault, Source};
use crate::world::World;

/// A bead in free air follows it with this, s.
const FREE_BEAD_S: f64 = 25.0;
/// Noise of a current reading relative to itself.
const CURRENT_NOISE_SHARE: f64 = 0.001;
/// Scatter of a clamp's floor from one reading to the next, share of itself.
const FLOOR_SCATTER: f64 = 0.15;
/// A spike is so many A, from and to.
const SPIKE_A: (f64, f64) = (1.0, 6.0);
/// The board's idea of its reference junction wanders by this, K.
const JUNCTION_NOISE_K: f64 = 0.01;

/// One reading as it goes on the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Value {
    /// Integer x 10^exp.
    Number(i32),
    /// Letter.
    Letter(u8),
}

/// What all sensors of a board see at the end of a period.
#[derive(Debug)]
pub struct View<'a> {
    /// The world.
    pub world: &'a World,
    /// Per unit, line and start lead, A RMS over the period.
    pub currents: &'a [(f64, f64)],
    /// Supply, V RMS over the period.
    pub volts: f64,
    /// Reference junction of the board, Cel.
    pub junction_c: f64,
    /// True time, s.
    pub now_s: f64,
    /// Length of the period, s.
    pub period_s: f64,
}

/// One channel.
#[derive(Debug, Clone)]
pub struct Sensor {
    spec: ChannelSpec,
    turns: f64,
    spikes_per_hour: f64,
    scale: f64,
    fault: SensorFault,
    fault_since_s: f64,
    felt_c: Option<f64>,
    last: Value,
    last_a: f64,
    zero_square: f64,
    dice: Dice,
}

impl Sensor {
    /// The sensor of channel `index` of a scenario.
    pub fn new(s: &Scenario, spec: &ChannelSpec, dice: Dice) -> Self {
        let unit = match spec.source {
            Source::Line(u) => s.units.get(u),
            _ => None,
        };
        Self {
            turns: unit.map_or(1.0, |u| f64::from(u.clamp_turns)),
            spikes_per_hour: unit
                .and_then(|u| u.appliance.as_ref())
                .map_or(0.0, |a| a.spikes_per_hour),
            scale: 10f64.powi(-i32::from(spec.exp)),
            fault: SensorFault::Sound,
            fault_since_s: 0.0,
            felt_c: None,
            last: Value::Letter(b'x'),
            last_a: 0.0,
            zero_square: 0.0,
            spec: spec.clone(),
            dice,
        }
    }

    /// Place of the channel.
    pub fn place(&self) -> &str {
        &self.spec.place
    }

    /// Sets what is the matter.
    pub fn set_fault(&mut self, fault: SensorFault, now_s: f64) {
        self.fault = fault;
        self.fault_since_s = now_s;
    }

    /// Takes the present reading as zero; false if it is no current.
    pub fn take_zero(&mut self) -> bool {
        if self.spec.measured != Measured::Current {
            return false;
        }
        self.zero_square = self.last_a * self.last_a;
        true
    }

    /// The board booted: its zero is lost.
    pub fn lose_zero(&mut self) {
        self.zero_square = 0.0;
    }

    /// The reading at the end of a period.
    pub fn read(&mut self, view: &View<'_>) -> Value {
        // The bead feels on even while the board does not get its reading.
        let physical = self.sense(view);
        let value = match self.fault {
            SensorFault::Letter(letter) => Value::Letter(u8::try_from(letter).unwrap_or(b'x')),
            SensorFault::Frozen => self.last,
            _ => whole(physical * self.scale),
        };
        self.last = value;
        value
    }

    fn creep(&self, now_s: f64) -> f64 {
        match self.fault {
            SensorFault::Creeping(per_hour) => per_hour * (now_s - self.fault_since_s) / 3600.0,
            _ => 0.0,
        }
    }

    fn sense(&mut self, view: &View<'_>) -> f64 {
        let units = &view.world.units;
        match self.spec.source {
            Source::Line(u) => self.clamp(view.currents.get(u).map_or(0.0, |c| c.0), view),
            Source::StartLead(u) => self.clamp(view.currents.get(u).map_or(0.0, |c| c.1), view),
            Source::Supply => view.volts * self.spec.gain + self.spec.noise * self.dice.normal(),
            Source::Demand(u) => f64::from(u8::from(units.get(u).is_some_and(|u| u.offered))),
            Source::Case(u) => self.bead(units.get(u).map_or(0.0, |u| u.protector.case_c), view),
            Source::Dome(u) => self.bead(units.get(u).map_or(0.0, |u| u.motor.dome_c), view),
            Source::Cabinet(u) => self.bead(units.get(u).map_or(0.0, |u| u.cabinet.air_c), view),
            Source::Ambient => self.bead(view.world.room.air_c, view),
            Source::ColdJunction => {
                view.junction_c + self.spec.offset + JUNCTION_NOISE_K * self.dice.normal()
            }
        }
    }

    /// Squares add: the lead, the constant pick-up, the floor.
    fn clamp(&mut self, lead_a: f64, view: &View<'_>) -> f64 {
        let on_lead = if self.fault == SensorFault::ClampOff {
            0.0
        } else {
            lead_a
        };
        let mut a = on_lead
            * self.turns
            * self.spec.gain
            * (1.0 + CURRENT_NOISE_SHARE * self.dice.normal());
        let spike = self.spikes_per_hour * view.period_s / 3600.0;
        if spike > 0.0 && self.dice.chance(spike) {
            a += self.dice.between(SPIKE_A.0, SPIKE_A.1);
        }
        let pick_up = self.spec.offset + self.creep(view.now_s);
        let floor = self.spec.noise * (1.0 + FLOOR_SCATTER * self.dice.normal());
        let square = a * a + pick_up * pick_up + floor * floor;
        self.last_a = square.sqrt();
        (square - self.zero_square).max(0.0).sqrt()
    }

    fn bead(&mut self, spot_c: f64, view: &View<'_>) -> f64 {
        let room_c = view.world.room.air_c;
        let off = self.fault == SensorFault::BeadOff;
        let at_c = if off {
            room_c
        } else {
            spot_c * (1.0 - self.spec.seat_loss) + room_c * self.spec.seat_loss
        };
        let lag_s = if off {
            self.spec.lag_s.max(FREE_BEAD_S)
        } else {
            self.spec.lag_s
        };
        let felt = self.felt_c.get_or_insert(at_c);
        *felt += (at_c - *felt)
            * if lag_s > 0.0 {
                1.0 - (-view.period_s / lag_s).exp()
            } else {
                1.0
            };
        let felt_c = *felt
            + self.spec.offset
            + self.creep(view.now_s)
            + self.spec.noise * self.dice.normal();
        match self.spec.measured {
            Measured::Emf => emf::type_k_v(felt_c) - emf::type_k_v(view.junction_c),
            Measured::Resistance => emf::pt100_ohm(felt_c),
            _ => felt_c,
        }
    }
}

fn whole(scaled: f64) -> Value {
    if scaled.is_finite() && scaled.abs() < f64::from(i32::MAX) {
        Value::Number(scaled.round() as i32)
    } else {
        Value::Letter(b'r')
    }
}
