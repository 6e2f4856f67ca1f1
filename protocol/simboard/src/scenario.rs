//! What a night is made of: every parameter of the simulated place, compressor, protector, sensors and
//! board, and the script of what goes wrong when. Times are seconds of true time from the scenario's start.

use serde::Serialize;

/// One night, complete. Equal scenarios give equal bytes.
#[derive(Debug, Clone, Serialize)]
pub struct Scenario {
    /// Short name, also used for files.
    pub name: String,
    /// Seed of all chance.
    pub seed: u64,
    /// How long a record of it should be to show everything, s.
    pub record_s: f64,
    /// The board.
    pub board: BoardSpec,
    /// Mains supply.
    pub supply: SupplySpec,
    /// Air of the room.
    pub ambient: AmbientSpec,
    /// The compressors, one or two.
    pub units: Vec<UnitSpec>,
    /// The board's channels in order, 1 to 12.
    pub channels: Vec<ChannelSpec>,
    /// What happens when, in any order.
    pub script: Vec<Scripted>,
    /// What the job file says.
    pub job: JobSpec,
}

/// The board and its serial line.
#[derive(Debug, Clone, Serialize)]
pub struct BoardSpec {
    /// Board id.
    pub id: u32,
    /// Firmware token.
    pub firmware: String,
    /// Boot count of the first boot.
    pub boot: u32,
    /// Sample period, ms, 20 to 60000.
    pub period_ms: u32,
    /// Board clock at the first boot, ms; near 2^32 makes it wrap in mid-run. Later boots begin at 0.
    pub ms_start: u32,
    /// Rate error of the board's clock, parts per million.
    pub drift_ppm: f64,
    /// The stamp may be late by up to this, ms.
    pub stamp_jitter_ms: u32,
    /// Hello repeated after this, s, at most 60.
    pub hello_every_s: f64,
    /// Silence between a reboot and the first line, s.
    pub boot_time_s: f64,
    /// Link speed, bits a second, ten a byte.
    pub baud: u32,
    /// Bytes that may wait to be sent; a sample that finds no room is not sent.
    pub send_buffer_bytes: usize,
    /// Board warmer than the room by this, K.
    pub self_heating_k: f64,
    /// Share of lines that come out damaged, 0..1.
    pub damage_share: f64,
}

/// Mains supply, upstream of everything.
#[derive(Debug, Clone, Serialize)]
pub struct SupplySpec {
    /// Nominal voltage, V.
    pub nominal_v: f64,
    /// Amplitude of the slow drift as a share of nominal.
    pub drift_share: f64,
    /// Period of the slow drift, s.
    pub drift_period_s: f64,
    /// Quick flicker, share of nominal (standard deviation).
    pub flicker_share: f64,
    /// Fall of the voltage at locked-rotor current, share.
    pub sag_share: f64,
}

/// Air of the room.
#[derive(Debug, Clone, Serialize)]
pub struct AmbientSpec {
    /// Daily mean, Cel.
    pub mean_c: f64,
    /// Amplitude over the day, K.
    pub swing_k: f64,
    /// When it is warmest, s from the start.
    pub warmest_at_s: f64,
}

/// One compressor with what surrounds it.
#[derive(Debug, Clone, Serialize)]
pub struct UnitSpec {
    /// Name in the job file.
    pub name: String,
    /// Cooled space and control.
    pub cabinet: CabinetSpec,
    /// Motor and shell.
    pub motor: MotorSpec,
    /// Protector.
    pub protector: ProtectorSpec,
    /// Present when the clamp is on the appliance's lead.
    pub appliance: Option<ApplianceSpec>,
    /// Turns of the lead through the clamp.
    pub clamp_turns: u32,
}

/// Cooled space and its thermostat.
#[derive(Debug, Clone, Serialize)]
pub struct CabinetSpec {
    /// Middle of the thermostat's band, Cel.
    pub set_c: f64,
    /// Width of the band, K.
    pub band_k: f64,
    /// Air at the start, Cel.
    pub begin_c: f64,
    /// On-time at 25 Cel ambient, s.
    pub on_s: f64,
    /// Off-time at 25 Cel ambient, s.
    pub off_s: f64,
    /// Door openings an hour on average.
    pub doors_per_hour: f64,
    /// Mean length of an opening, s.
    pub door_open_s: f64,
    /// Defrost by the clock.
    pub defrost: Option<DefrostSpec>,
}

/// Defrost timer.
#[derive(Debug, Clone, Serialize)]
pub struct DefrostSpec {
    /// From one beginning to the next, s.
    pub every_s: f64,
    /// First beginning, s.
    pub first_s: f64,
    /// Length, s; the compressor is off meanwhile.
    pub for_s: f64,
}

/// How the motor is started.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum StartKind {
    /// Current relay and perhaps a start capacitor.
    Relay,
    /// PTC; starts only once it has cooled.
    Ptc,
    /// Permanent run capacitor: a small, short start peak.
    RunCapacitor,
}

/// Motor, shell and the load on them.
#[derive(Debug, Clone, Serialize)]
pub struct MotorSpec {
    /// Nameplate rated load, A.
    pub rated_a: f64,
    /// Nameplate locked rotor, A (cold winding, nominal voltage).
    pub locked_a: f64,
    /// Settled running current at nominal voltage and 25 Cel ambient, A.
    pub run_a: f64,
    /// How it starts.
    pub start: StartKind,
    /// Time at inrush in a sound start, s, 0.1..0.8.
    pub start_s: f64,
    /// Time constant from inrush down to running, s.
    pub settle_s: f64,
    /// Extra running current right after a start, share.
    pub pulldown_share: f64,
    /// Its decay, s.
    pub pulldown_s: f64,
    /// Running current goes with voltage to this power, about -1..1.
    pub volt_power: f64,
    /// Running current rises by this share for each K of condensing temperature.
    pub load_per_k: f64,
    /// Resistance as a share of the locked impedance, 0..1.
    pub resistive_share: f64,
    /// Winding heats at this rate at nameplate locked rotor, K/s.
    pub winding_k_per_s: f64,
    /// Winding to shell time constant, s.
    pub winding_s: f64,
    /// Winding above shell after long normal running, K.
    pub winding_run_k: f64,
    /// Shell above ambient after long running, K.
    pub dome_rise_k: f64,
    /// Shell time constant, s.
    pub dome_s: f64,
    /// With the condenser fan stopped the shell's rise is multiplied by this.
    pub fan_off_factor: f64,
    /// Off-time below which pressures (or a warm PTC) may keep it from starting, s.
    pub equalise_s: f64,
    /// How often such a start fails, 0..1.
    pub short_off_fails: f64,
    /// Does not start below this share of nominal voltage.
    pub start_min_v: f64,
    /// Stalls below this share.
    pub stall_v: f64,
    /// Current in the start lead during a start, share of the line current.
    pub start_lead_share: f64,
    /// Current that stays in it when running (run capacitor, PTC trickle), share of running.
    pub start_lead_run_share: f64,
}

/// Kind of protector, as a job file calls it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ProtectorKind {
    /// Strip with heater.
    ExternalStrip,
    /// Round line-break.
    ExternalRound,
    /// In the winding.
    Internal,
}

/// Bimetal protector: heater, disc and case as three lumps, the case on shell and room.
#[derive(Debug, Clone, Serialize)]
pub struct ProtectorSpec {
    /// Its kind.
    pub kind: ProtectorKind,
    /// Opening temperature of the disc, Cel.
    pub opens_c: f64,
    /// Closing temperature, Cel.
    pub closes_c: f64,
    /// Scatter of both from one operation to the next, K (standard deviation).
    pub scatter_k: f64,
    /// Opens lower by this from the beginning, K.
    pub weak_by_k: f64,
    /// Opens lower by this after every trip, K.
    pub tires_by_k: f64,
    /// Never opens.
    pub welded: bool,
    /// Steady rise of the disc over its case, K/A^2.
    pub heating_k_per_a2: f64,
    /// Heater to disc lag, s.
    pub heater_s: f64,
    /// Disc to case time constant, s, without the heater that goes with it: see [`ProtectorSpec::tau_s`].
    pub disc_s: f64,
    /// Heat capacity of the disc as a share of the case's.
    pub case_share: f64,
    /// Case to its surroundings time constant, s.
    pub case_s: f64,
    /// Surroundings are this share shell, the rest room.
    pub dome_weight: f64,
}

/// What else is on the appliance's lead.
#[derive(Debug, Clone, Serialize)]
pub struct ApplianceSpec {
    /// Door lamp, W.
    pub lamp_w: f64,
    /// Fan, W, always on with power.
    pub fan_w: f64,
    /// Defrost heater, W.
    pub heater_w: f64,
    /// Single-sample spikes an hour.
    pub spikes_per_hour: f64,
}

/// Quantity of a channel, as on the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Measured {
    /// A, RMS over the period.
    Current,
    /// V, RMS over the period.
    Voltage,
    /// Cel.
    Temperature,
    /// V of a thermocouple.
    Emf,
    /// Ohm.
    Resistance,
    /// 0 or 1.
    Contact,
}

impl Measured {
    /// Name and unit on the wire.
    pub const fn wire(self) -> (&'static str, &'static str) {
        match self {
            Self::Current => ("current", "A"),
            Self::Voltage => ("voltage", "V"),
            Self::Temperature => ("temperature", "Cel"),
            Self::Emf => ("emf", "V"),
            Self::Resistance => ("resistance", "Ohm"),
            Self::Contact => ("contact", "1"),
        }
    }
}

/// What a channel is connected to; the number is the unit's index.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Source {
    /// Lead to the common terminal, or the appliance's lead.
    Line(usize),
    /// Lead to the start terminal.
    StartLead(usize),
    /// Protector's case.
    Case(usize),
    /// Shell.
    Dome(usize),
    /// Air of the cooled space.
    Cabinet(usize),
    /// Power offered.
    Demand(usize),
    /// Line voltage.
    Supply,
    /// Room.
    Ambient,
    /// The board's own reference junction.
    ColdJunction,
}

/// One channel with its sensor's imperfections, in the unit of what is sensed (A, V or K).
#[derive(Debug, Clone, Serialize)]
pub struct ChannelSpec {
    /// Place.
    pub place: String,
    /// Quantity.
    pub measured: Measured,
    /// Value is integer x 10^exp.
    pub exp: i8,
    /// Sensor token.
    pub sensor: String,
    /// What it is on.
    pub source: Source,
    /// Multiplies a current or voltage.
    pub gain: f64,
    /// For a clamp: constant pick-up, A RMS, added in quadrature (what `Z` takes away). For a bead: K.
    pub offset: f64,
    /// For a clamp: noise floor, A RMS, added in quadrature. For others: standard deviation.
    pub noise: f64,
    /// Lag of a bead, s.
    pub lag_s: f64,
    /// Share of the room in what a badly seated bead feels, 0..1.
    pub seat_loss: f64,
}

/// Something that happens at an instant.
#[derive(Debug, Clone, Serialize)]
pub struct Scripted {
    /// When, s.
    pub at_s: f64,
    /// What.
    pub what: Happening,
}

/// State of the start circuit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum StartCircuit {
    /// As it should be.
    Sound,
    /// Open: the main winding alone draws this share of locked rotor and never starts.
    Open(f64),
    /// Fails with this probability, otherwise starts.
    Weak(f64),
    /// Starts, but the start winding stays in: running current times this.
    StaysIn(f64),
    /// Starts only after this many seconds at inrush.
    Slow(f64),
}

/// What is the matter with a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SensorFault {
    /// Nothing.
    Sound,
    /// The board sends this letter: `x`, `o`, `s` or `r`.
    Letter(char),
    /// Clamp off the lead: only its floor.
    ClampOff,
    /// Bead fallen off: the room, slowly.
    BeadOff,
    /// The last value for ever.
    Frozen,
    /// Pick-up grows by this many A an hour (K an hour for a bead).
    Creeping(f64),
}

/// What can happen.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Happening {
    /// Supply at this share of its usual level (1 usual, 0 outage).
    Supply(f64),
    /// Room warmer by this, K, approached over some twenty minutes.
    Warmer(f64),
    /// Start circuit of a unit.
    Start(usize, StartCircuit),
    /// Condenser fan of a unit runs.
    Fan(usize, bool),
    /// Rotor seizes (true) or is free again (false), also in mid-run.
    Seized(usize, bool),
    /// Somebody forces the control closed or open, or lets it be.
    Control(usize, Option<bool>),
    /// Door held open (true) or shut.
    Door(usize, bool),
    /// Protector opens lower by this than when sound, K.
    Weak(usize, f64),
    /// Protector welded (never opens) or freed.
    Welded(usize, bool),
    /// Protector opens of itself so many times an hour of running.
    Chatter(usize, f64),
    /// A channel's sensor, by place.
    Sensor(String, SensorFault),
    /// Board boots with this cause: power-on, brown-out, watchdog or external.
    Boot(&'static str),
    /// Board's button.
    Mark,
    /// From now on nothing can be sent (true) or it can again.
    Mute(bool),
    /// Share of damaged lines from now on.
    Damage(f64),
}

impl Happening {
    /// Whether it concerns the board and its sensors rather than the machine and its surroundings.
    pub const fn is_for_board(&self) -> bool {
        matches!(
            self,
            Self::Sensor(..) | Self::Boot(_) | Self::Mark | Self::Mute(_) | Self::Damage(_)
        )
    }
}

/// What the job file says, beyond channels.
#[derive(Debug, Clone, Serialize)]
pub struct JobSpec {
    /// Title.
    pub title: String,
    /// Site.
    pub site: String,
    /// IANA time zone.
    pub timezone: String,
    /// Rated load and locked rotor given.
    pub nameplate: bool,
    /// Protector's kind and temperatures given.
    pub protector: bool,
    /// Limits given.
    pub limits: bool,
    /// Heating and time constant given, the former wrong by this factor: a bench test of another day.
    pub heating: Option<f64>,
}
