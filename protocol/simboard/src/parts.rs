//! Usual parts from which scenarios are put together: one small freezer, its board and channels.

use crate::scenario::*;
use crate::sizing;
use std::collections::VecDeque;

/// Hour, s.
pub const HOUR_S: f64 = 3600.0;

/// A person's wishes for one protector and motor.
#[derive(Debug, Clone, Copy)]
pub struct Sizes {
    /// Nameplate rated load, A.
    pub rated_a: f64,
    /// Nameplate locked rotor, A.
    pub locked_a: f64,
    /// Normal running, A.
    pub run_a: f64,
    /// Opens, Cel.
    pub opens_c: f64,
    /// Closes, Cel.
    pub closes_c: f64,
    /// First trip from cold at locked rotor, s.
    pub trip_s: f64,
    /// Fall of the locked current by then, share.
    pub fall: f64,
    /// Disc to case, s.
    pub disc_s: f64,
}

/// The example freezer of a bakery's proofing room (invented).
pub const FREEZER: Sizes = Sizes {
    rated_a: 1.90,
    locked_a: 12.4,
    run_a: 1.32,
    opens_c: 120.0,
    closes_c: 61.0,
    trip_s: 11.0,
    fall: 0.16,
    disc_s: 24.0,
};

/// A unit with usual parts of these sizes.
pub fn unit(name: &str, sizes: Sizes) -> UnitSpec {
    let mut motor = motor(sizes);
    let mut protector = protector(sizes);
    sizing::size(&mut protector, &mut motor, sizes.trip_s, sizes.fall);
    UnitSpec {
        name: name.to_owned(),
        cabinet: CabinetSpec {
            set_c: -18.0,
            band_k: 4.0,
            begin_c: -17.0,
            on_s: 620.0,
            off_s: 1080.0,
            doors_per_hour: 2.0,
            door_open_s: 18.0,
            defrost: None,
        },
        motor,
        protector,
        appliance: None,
        clamp_turns: 1,
    }
}

fn motor(sizes: Sizes) -> MotorSpec {
    MotorSpec {
        rated_a: sizes.rated_a,
        locked_a: sizes.locked_a,
        run_a: sizes.run_a,
        start: StartKind::Relay,
        start_s: 0.35,
        settle_s: 0.12,
        pulldown_share: 0.18,
        pulldown_s: 90.0,
        volt_power: 0.25,
        load_per_k: 0.006,
        resistive_share: 0.8,
        winding_k_per_s: 4.0,
        winding_s: 110.0,
        winding_run_k: 18.0,
        dome_rise_k: 34.0,
        dome_s: 1500.0,
        fan_off_factor: 2.6,
        equalise_s: 150.0,
        short_off_fails: 0.85,
        start_min_v: 0.80,
        stall_v: 0.62,
        start_lead_share: 0.55,
        start_lead_run_share: 0.004,
    }
}

fn protector(sizes: Sizes) -> ProtectorSpec {
    ProtectorSpec {
        kind: ProtectorKind::ExternalStrip,
        opens_c: sizes.opens_c,
        closes_c: sizes.closes_c,
        scatter_k: 1.0,
        weak_by_k: 0.0,
        tires_by_k: 0.0,
        welded: false,
        heating_k_per_a2: 1.5,
        heater_s: 0.8,
        disc_s: sizes.disc_s,
        case_share: 0.30,
        case_s: 110.0,
        dome_weight: 0.85,
    }
}

/// The board with its usual channels for one freezer.
pub fn board(period_ms: u32) -> BoardSpec {
    BoardSpec {
        id: 0x7f3a_91c2,
        firmware: "simboard-1".to_owned(),
        boot: 17,
        period_ms,
        ms_start: 0,
        drift_ppm: 35.0,
        stamp_jitter_ms: 0,
        hello_every_s: 55.0,
        boot_time_s: 1.6,
        baud: 115_200,
        send_buffer_bytes: 512,
        self_heating_k: 2.0,
        damage_share: 0.0,
    }
}

/// A channel with a good sensor.
pub fn channel(
    place: &str,
    measured: Measured,
    exp: i8,
    sensor: &str,
    source: Source,
) -> ChannelSpec {
    let bead = matches!(
        source,
        Source::Case(_) | Source::Dome(_) | Source::Cabinet(_)
    );
    let clamp = measured == Measured::Current;
    ChannelSpec {
        place: place.to_owned(),
        measured,
        exp,
        sensor: sensor.to_owned(),
        source,
        gain: if clamp { 1.006 } else { 1.0 },
        offset: if clamp { 0.02 } else { 0.0 },
        noise: if clamp { 0.03 } else { 0.05 },
        lag_s: if bead { 4.0 } else { 0.0 },
        seat_loss: if bead { 0.03 } else { 0.0 },
    }
}

/// Channels of the worked example and line voltage.
pub fn channels() -> Vec<ChannelSpec> {
    let mut list = vec![
        channel("common", Measured::Current, -3, "ct", Source::Line(0)),
        channel("case", Measured::Emf, -6, "tc-K", Source::Case(0)),
        channel(
            "cold-junction",
            Measured::Temperature,
            -1,
            "ic",
            Source::ColdJunction,
        ),
        channel("ambient", Measured::Temperature, -1, "ic", Source::Ambient),
        channel("demand", Measured::Contact, 0, "opto", Source::Demand(0)),
        channel("supply", Measured::Voltage, -1, "vt", Source::Supply),
    ];
    list[5].noise = 0.15;
    list
}

/// A quiet night with one freezer; the base of most scenarios.
pub fn night(name: &str, seed: u64, hours: f64) -> Scenario {
    Scenario {
        name: name.to_owned(),
        seed,
        record_s: hours * HOUR_S,
        board: board(100),
        supply: SupplySpec {
            nominal_v: 230.0,
            drift_share: 0.018,
            drift_period_s: 7.0 * HOUR_S,
            flicker_share: 0.002,
            sag_share: 0.025,
        },
        ambient: AmbientSpec {
            mean_c: 26.0,
            swing_k: 3.0,
            warmest_at_s: 0.0,
        },
        units: vec![unit("freezer", FREEZER)],
        channels: channels(),
        script: Vec::new(),
        job: JobSpec {
            title: "Proofing-room freezer, three nights".to_owned(),
            site: "harbour-bakery".to_owned(),
            timezone: "Europe/Lisbon".to_owned(),
            nameplate: true,
            protector: true,
            limits: true,
            heating: None,
        },
    }
}

impl Scenario {
    /// Adds something to the script at `at_s`.
    pub fn at(&mut self, at_s: f64, what: Happening) -> &mut Self {
        self.script.push(Scripted { at_s, what });
        self
    }

    /// All parameters as JSON, to lie beside a truth.
    ///
    /// # Errors
    /// Only what the JSON writer gives, which these plain data never cause.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        serde_json::to_string_pretty(self)
    }

    /// The part of the script that `want` picks, in order of time.
    pub(crate) fn in_order(&self, want: impl Fn(&Happening) -> bool) -> VecDeque<(f64, Happening)> {
        let wanted = self.script.iter().filter(|e| want(&e.what));
        let mut list: Vec<_> = wanted.map(|e| (e.at_s, e.what.clone())).collect();
        list.sort_by(|a, b| a.0.total_cmp(&b.0));
        list.into()
    }

    /// Adds something from `from_s` and its opposite at `to_s`.
    pub fn between(
        &mut self,
        from_s: f64,
        to_s: f64,
        what: Happening,
        then: Happening,
    ) -> &mut Self {
        self.at(from_s, what).at(to_s, then)
    }
}
