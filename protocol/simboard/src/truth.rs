//! What really happened: known here because it was made here. Times are seconds of true time.

use serde::Serialize;

/// Everything that happened so far.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Truth {
    /// One entry a compressor, in the scenario's order.
    pub units: Vec<UnitTruth>,
    /// One entry a boot of the board.
    pub boots: Vec<BootTruth>,
    /// Times the board's button was pressed.
    pub marks: Vec<f64>,
    /// Changes of a sensor's state.
    pub sensors: Vec<SensorTruth>,
    /// Supply lost and back.
    pub supply: Vec<SupplyTruth>,
}

impl Truth {
    /// The truth as JSON.
    ///
    /// # Errors
    /// Only what the JSON writer gives, which these plain data never cause.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        serde_json::to_string_pretty(self)
    }
}

/// One compressor.
#[derive(Debug, Clone, Default, Serialize)]
pub struct UnitTruth {
    /// Name in the job file.
    pub name: String,
    /// On-periods in order, the last one perhaps unfinished.
    pub cycles: Vec<TrueCycle>,
}

impl UnitTruth {
    /// The on-periods that the protector ended.
    pub fn trips(&self) -> impl Iterator<Item = &TrueCycle> {
        self.cycles
            .iter()
            .filter(|c| c.ended_by == Some("protector"))
    }
}

/// One on-period with the off-period after it.
#[derive(Debug, Clone, Default, Serialize)]
pub struct TrueCycle {
    /// Current begins.
    pub on_s: f64,
    /// Current ends; `None` while it flows.
    pub off_s: Option<f64>,
    /// The next on-period begins.
    pub next_on_s: Option<f64>,
    /// From `on_s` until the motor was running, s; `None` if it never was.
    pub started_after_s: Option<f64>,
    /// It stalled again in mid-run, s after `on_s`.
    pub stalled_after_s: Option<f64>,
    /// State of the start circuit at the attempt, in words.
    pub attempt: &'static str,
    /// `normal`, `locked-rotor`, or `unknown` if it ended before it could be told.
    pub start: &'static str,
    /// `protector`, `control` or `supply`; `None` while current flows.
    pub ended_by: Option<&'static str>,
    /// Why the protector opened: `locked-rotor`, `overload`, `overheat` or `early`.
    pub cause: Option<&'static str>,
    /// How clear that is from outside: distance from the bound it would be told by, as a share of the bound
    /// (half of locked rotor or 2.5 times running for `locked-rotor`, 1.1 times rated and half of locked rotor
    /// for `overload`, 1.1 times rated for `overheat`, 8 K below proper opening for `early`). Below about 0.1,
    /// and below zero, a fair judge may see it otherwise.
    pub clear: f64,
    /// Largest current, A RMS on the fine step.
    pub peak_a: f64,
    /// Square mean once running, A; 0 if never.
    pub run_a: f64,
    /// Square mean of the last second (or of the whole, if shorter), A.
    pub end_a: f64,
    /// Square mean of the five seconds before the last half second, A: what a judge of overload should see.
    pub before_end_a: f64,
    /// Integral of I^2, A^2 s.
    pub i2t_a2s: f64,
    /// Case at `on_s`, Cel.
    pub case_on_c: f64,
    /// Case at `off_s`, Cel.
    pub case_off_c: f64,
    /// Hottest case from `on_s` to the next on, Cel.
    pub case_max_c: f64,
    /// When the case was hottest, s.
    pub case_max_s: f64,
    /// Disc at `on_s`, Cel.
    pub disc_on_c: f64,
    /// Disc at `off_s`, Cel.
    pub disc_off_c: f64,
    /// Disc temperature at which it would have opened this time, Cel.
    pub opens_c: f64,
    /// Protector recloses, s.
    pub reclosed_s: Option<f64>,
    /// Case when it reclosed, Cel.
    pub case_reset_c: Option<f64>,
    /// Disc when it reclosed, Cel.
    pub disc_reset_c: Option<f64>,
    /// Winding at `off_s`, Cel.
    pub winding_off_c: f64,
    /// Line voltage at `off_s`, V.
    pub supply_off_v: f64,
}

/// One boot of the board.
#[derive(Debug, Clone, Default, Serialize)]
pub struct BootTruth {
    /// Boot count sent.
    pub boot: u32,
    /// Cause sent.
    pub cause: &'static str,
    /// True time at which the board's clock stood at `ms_start`, s.
    pub at_s: f64,
    /// Board clock at `at_s`, ms.
    pub ms_start: u32,
    /// Sample periods ended (first has seq 0).
    pub samples: u64,
    /// Sample lines that left whole.
    pub sent: u64,
    /// Samples that could not be sent.
    pub unsent: u64,
    /// Sample lines that left damaged.
    pub damaged: u64,
    /// Other lines that left damaged.
    pub damaged_others: u64,
}

/// A sensor's state changed.
#[derive(Debug, Clone, Serialize)]
pub struct SensorTruth {
    /// When, s.
    pub at_s: f64,
    /// Place of the channel.
    pub place: String,
    /// State from now on.
    pub fault: crate::scenario::SensorFault,
}

/// Supply changed level.
#[derive(Debug, Clone, Serialize)]
pub struct SupplyTruth {
    /// When, s.
    pub at_s: f64,
    /// Share of the usual level from now on.
    pub share: f64,
}
