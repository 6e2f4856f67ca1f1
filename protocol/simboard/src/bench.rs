//! A protector on the bench: a compressor whose rotor cannot turn, a clamp on the lead, a bead on the case, and a switch that a
//! person works. The control is the person's switch; it is open at the beginning.
//!
//! What the protector's data sheet says and what is the matter with this one are drawn apart, so that the truth of every verdict
//! is known.

use crate::dice::Dice;
use crate::parts::{self, Sizes};
use crate::scenario::{Happening, ProtectorKind, Scenario, Source};

/// What is the matter with the protector.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Trouble {
    /// Nothing.
    Sound,
    /// Opens lower by this, K.
    Weak(f64),
    /// Never opens.
    Welded,
    /// Opens higher by this, K.
    Late(f64),
    /// Opens once and does not close again.
    StaysOpen,
    /// Opens lower by this after every trip, K.
    Drifts(f64),
    /// Opens and closes with this scatter, K (standard deviation).
    Scatters(f64),
}

impl Trouble {
    /// In a word.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Sound => "good",
            Self::Weak(_) => "weak",
            Self::Welded => "welded",
            Self::Late(_) => "late",
            Self::StaysOpen => "stays-open",
            Self::Drifts(_) => "drifting",
            Self::Scatters(_) => "scattered",
        }
    }
}

/// How good the bench's sensors are: what is wrong with each is drawn evenly within these.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SensorLimits {
    /// Clamp, ± share of the reading.
    pub clamp_share: f64,
    /// Bead, ± K.
    pub bead_k: f64,
}

/// One bench.
#[derive(Debug, Clone)]
pub struct BenchSpec {
    /// Strip with heater or round line-break.
    pub kind: ProtectorKind,
    /// What is the matter.
    pub trouble: Trouble,
    /// Limits within which the sensors are wrong.
    pub sensors: SensorLimits,
    /// The protector is one disc heated by the current at once, and the bead neither lags nor leans on the room: what the
    /// fitted model says. Else heater, disc and case are three lumps, and the bead lags.
    pub as_the_model: bool,
    /// Sample period, ms.
    pub period_ms: u32,
    /// Seed of all chance.
    pub seed: u64,
}

/// A bench and what the data sheet of its protector says.
#[derive(Debug, Clone)]
pub struct Bench {
    /// The scenario, with a seized rotor and the person's switch open.
    pub scenario: Scenario,
    /// Opening temperature of the data sheet, Cel.
    pub sheet_opens_c: f64,
    /// Closing temperature of the data sheet, Cel.
    pub sheet_closes_c: f64,
    /// Cold resistance, Ohm.
    pub ohm: f64,
}

/// The person's switch.
pub const fn switched(on: bool) -> Happening {
    Happening::Control(0, Some(on))
}

/// A bench of this kind.
pub fn bench(spec: &BenchSpec) -> Bench {
    let mut dice = Dice::new(spec.seed ^ 0xb7e1_5162_8aed_2a6a);
    let is_strip = spec.kind == ProtectorKind::ExternalStrip;
    let sizes = sizes(is_strip, &mut dice);
    let mut s = parts::night("bench", spec.seed, 1.0);
    s.board = parts::board(spec.period_ms);
    s.units = vec![parts::unit("protector", sizes)];
    let unit = &mut s.units[0];
    let protector = &mut unit.protector;
    protector.kind = spec.kind;
    protector.case_share = dice.between(0.3, 0.6);
    protector.case_s = dice.between(60.0, 140.0);
    protector.scatter_k = 0.8;
    if spec.as_the_model {
        // As quick as the simulator's longest step can follow.
        protector.heater_s = 0.11;
        crate::sizing::size(protector, &mut unit.motor, sizes.trip_s, sizes.fall);
    }
    trouble(protector, spec.trouble);
    s.ambient.mean_c = dice.between(18.0, 28.0);
    s.ambient.swing_k = 0.0;
    (s.supply.drift_share, s.supply.flicker_share) = (0.006, 0.002);
    for channel in &mut s.channels {
        let even = dice.between(-1.0, 1.0);
        match channel.source {
            Source::Line(_) => channel.gain = 1.0 + even * spec.sensors.clamp_share,
            Source::Case(_) => channel.offset = even * spec.sensors.bead_k,
            _ => {}
        }
        if matches!(channel.source, Source::Case(_)) && spec.as_the_model {
            (channel.lag_s, channel.seat_loss) = (0.0, 0.0);
        }
    }
    s.at(0.0, switched(false))
        .at(0.0, Happening::Seized(0, true));
    Bench {
        scenario: s,
        sheet_opens_c: sizes.opens_c,
        sheet_closes_c: sizes.closes_c,
        ohm: if is_strip {
            dice.between(0.3, 0.5)
        } else {
            dice.between(0.08, 0.12)
        },
    }
}

fn sizes(is_strip: bool, dice: &mut Dice) -> Sizes {
    let opens_c = dice.between(110.0, 125.0);
    let rated_a = if is_strip {
        dice.between(1.3, 3.0)
    } else {
        dice.between(3.0, 7.0)
    };
    Sizes {
        rated_a,
        locked_a: rated_a * dice.between(4.5, 6.5),
        run_a: 0.7 * rated_a,
        opens_c,
        closes_c: dice.between(62.0, 72.0),
        trip_s: if is_strip {
            dice.between(6.0, 14.0)
        } else {
            dice.between(10.0, 22.0)
        },
        fall: dice.between(0.06, 0.16),
        disc_s: dice.between(14.0, 30.0),
    }
}

fn trouble(protector: &mut crate::scenario::ProtectorSpec, trouble: Trouble) {
    match trouble {
        Trouble::Sound => {}
        Trouble::Weak(k) => protector.weak_by_k = k,
        Trouble::Welded => protector.welded = true,
        Trouble::Late(k) => protector.weak_by_k = -k,
        Trouble::StaysOpen => protector.closes_c = -60.0,
        Trouble::Drifts(k) => protector.tires_by_k = k,
        Trouble::Scatters(k) => protector.scatter_k = k,
    }
}
