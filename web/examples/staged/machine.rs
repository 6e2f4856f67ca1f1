//! A compressor that follows a script: what each on-period is and how long it and its off-period last.

use nightclamp_analysis::rows::{Cause, CycleRow, EndedBy, EventKind, EventRow, Sink, StartKind};
use nightclamp_analysis::status::{Phase, UnitStatus};
use nightclamp_web::Feed;

/// Sample period, µs.
pub const PERIOD_US: i64 = 200_000;
const PERIOD_S: f64 = 0.2;
const AMBIENT_C: f64 = 24.0;

/// What an on-period is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    Normal,
    Locked,
    Overload,
    Overheat,
    Early,
}

/// Kind, seconds on, seconds off after it.
type Step = (Kind, f64, f64);

/// The script: once through the night, then the live part for ever.
pub struct Night {
    night: Vec<Step>,
    live: Vec<Step>,
}

impl Night {
    /// Normal at first, then overloads, then the rotor that does not turn.
    pub fn bad() -> Self {
        use Kind::{Early, Locked, Normal, Overheat, Overload};
        let mut night = vec![(Normal, 760.0, 880.0); 7];
        night.extend([
            (Overload, 410.0, 1_450.0),
            (Normal, 900.0, 700.0),
            (Overload, 330.0, 1_610.0),
        ]);
        night.extend([
            (Locked, 9.4, 312.0),
            (Locked, 8.2, 298.0),
            (Locked, 7.8, 305.0),
            (Locked, 8.0, 291.0),
        ]);
        night.extend([
            (Normal, 820.0, 640.0),
            (Overheat, 2_260.0, 1_730.0),
            (Early, 131.0, 540.0),
        ]);
        night.extend([
            (Normal, 790.0, 810.0),
            (Locked, 9.1, 318.0),
            (Normal, 760.0, 820.0),
            (Overheat, 2_010.0, 1_590.0),
        ]);
        night.extend([
            (Normal, 700.0, 2_480.0),
            (Locked, 9.6, 330.0),
            (Locked, 8.4, 301.0),
            (Locked, 7.9, 296.0),
        ]);
        Self {
            night,
            live: vec![
                (Locked, 8.0, 75.0),
                (Normal, 140.0, 60.0),
                (Overload, 50.0, 90.0),
            ],
        }
    }

    /// Nothing but its control.
    pub fn quiet() -> Self {
        Self {
            night: vec![(Kind::Normal, 1_100.0, 1_500.0); 12],
            live: vec![(Kind::Normal, 400.0, 300.0)],
        }
    }

    fn step(&self, n: usize) -> Step {
        self.night
            .get(n)
            .copied()
            .unwrap_or_else(|| self.live[(n - self.night.len()) % self.live.len()])
    }
}

/// One sample of it.
pub struct Readings {
    pub current_a: f64,
    pub case_c: f64,
    pub disc_c: f64,
    pub ambient_c: f64,
    pub supply_v: f64,
    pub demand: bool,
}

/// The compressor.
pub struct Freezer {
    pub name: String,
    night: Night,
    n: usize,
    /// When the present step began, µs.
    began_us: i64,
    off_us: Option<i64>,
    now_us: i64,
    case_c: f64,
    /// The disc above the case, K.
    above_k: f64,
    current_a: f64,
    seed: u64,
    starts: u64,
    trips: u64,
    cycle: CycleRow,
}

impl Freezer {
    pub fn new(name: &str, began_us: i64, night: Night) -> Self {
        Self {
            name: name.into(),
            night,
            n: 0,
            began_us,
            off_us: None,
            now_us: began_us,
            case_c: 41.0,
            above_k: 0.0,
            current_a: 0.0,
            seed: 42,
            starts: 1,
            trips: 0,
            cycle: blank(began_us, 41.0),
        }
    }

    /// Goes on to `at_us`; tells the feed of what ended.
    pub fn step(&mut self, at_us: i64, feed: &mut Feed) -> Readings {
        self.now_us = at_us;
        let (kind, on_s, off_s) = self.night.step(self.n);
        let since_s = (at_us - self.began_us) as f64 / 1e6;
        if self.off_us.is_none() && since_s >= on_s {
            self.switch_off(kind, on_s, feed);
        } else if since_s >= on_s + off_s {
            self.switch_on(feed);
        }
        let noise = self.noise();
        self.current_a = match self.off_us {
            None => current_a(kind, since_s) * (1.0 + 0.006 * noise),
            Some(_) => (0.004 + 0.003 * noise).max(0.0),
        };
        self.case_c += self.warming(kind) * PERIOD_S;
        self.above_k += (0.62 * self.current_a * self.current_a - self.above_k) * PERIOD_S / 11.0;
        self.take();
        Readings {
            current_a: self.current_a,
            case_c: self.case_c + 0.06 * noise,
            disc_c: self.case_c + self.above_k,
            ambient_c: AMBIENT_C + 2.5 * (at_us as f64 / 1e6 / 9_000.0).sin(),
            supply_v: 229.0 + 3.0 * (at_us as f64 / 1e6 / 5_000.0).sin() + noise
                - 0.9 * self.current_a,
            demand: self.off_us.is_none() || kind != Kind::Normal,
        }
    }

    /// K/s of the case.
    fn warming(&self, kind: Kind) -> f64 {
        let toward = |target_c: f64, tau_s: f64| (target_c - self.case_c) / tau_s;
        match (self.off_us, kind) {
            (Some(off_us), _) if self.now_us - off_us < 20_000_000 => 0.12,
            (Some(_), _) => toward(AMBIENT_C, 900.0),
            (None, Kind::Normal) => toward(56.0, 420.0),
            (None, Kind::Locked) => 3.4,
            (None, Kind::Overload) => toward(131.0, 170.0),
            (None, Kind::Overheat) => toward(128.0, 1_000.0),
            (None, Kind::Early) => toward(62.0, 300.0),
        }
    }

    fn take(&mut self) {
        let more = |old: Option<f64>, new: f64| Some(old.unwrap_or(new).max(new));
        self.cycle.case_max_c = more(self.cycle.case_max_c, self.case_c);
        if self.off_us.is_none() {
            self.cycle.peak_a = more(self.cycle.peak_a, self.current_a);
            let squared = self.current_a * self.current_a * PERIOD_S;
            self.cycle.i2t_a2s = Some(self.cycle.i2t_a2s.unwrap_or(0.0) + squared);
        }
    }

    fn switch_off(&mut self, kind: Kind, on_s: f64, feed: &mut Feed) {
        let cause = cause(kind);
        self.off_us = Some(self.now_us);
        self.cycle.off_at = Some(self.now_us);
        self.cycle.on_s = Some(on_s);
        self.cycle.end_a = Some(self.current_a);
        self.cycle.run_a = (kind != Kind::Locked).then_some(self.current_a);
        self.cycle.case_off_c = Some(self.case_c);
        self.cycle.start = if kind == Kind::Locked {
            StartKind::LockedRotor
        } else {
            StartKind::Normal
        };
        self.cycle.ended_by = Some(if cause.is_some() {
            EndedBy::Protector
        } else {
            EndedBy::Control
        });
        self.cycle.cause = cause;
        self.cycle.basis = basis(kind, self.current_a, self.case_c);
        self.trips += u64::from(cause.is_some());
        self.tell(
            feed,
            if cause.is_some() {
                EventKind::Trip
            } else {
                EventKind::Stop
            },
            cause,
        );
    }

    fn switch_on(&mut self, feed: &mut Feed) {
        let after_trip = self.cycle.cause.is_some();
        let mut cycle = std::mem::replace(&mut self.cycle, blank(self.now_us, self.case_c));
        cycle.next_on_at = Some(self.now_us);
        cycle.off_s = self
            .off_us
            .map(|off_us| (self.now_us - off_us) as f64 / 1e6);
        cycle.case_reset_c = after_trip.then_some(self.case_c);
        cycle.reset_exact = after_trip;
        feed.cycle(&self.name, cycle);
        if after_trip {
            self.tell(feed, EventKind::Reset, None);
        }
        self.tell(feed, EventKind::Start, None);
        self.n += 1;
        self.began_us = self.now_us;
        self.off_us = None;
        self.starts += 1;
    }

    fn tell(&self, feed: &mut Feed, kind: EventKind, cause: Option<Cause>) {
        let row = EventRow {
            time: self.now_us,
            kind,
            cause,
            current_a: Some(self.current_a),
            case_c: Some(self.case_c),
            detail: String::new(),
        };
        feed.event(&self.name, row);
    }

    /// The cycle that is not final.
    pub fn open(&self) -> Vec<CycleRow> {
        vec![self.cycle.clone()]
    }

    pub fn status(&self) -> UnitStatus {
        let (kind, ..) = self.night.step(self.n);
        let since_s = (self.now_us - self.began_us) as f64 / 1e6;
        let phase = match (self.off_us, kind) {
            (Some(_), Kind::Normal) => Phase::Off,
            (Some(_), _) => Phase::ProtectorOpen,
            (None, Kind::Locked) if since_s > 3.0 => Phase::LockedRotor,
            (None, _) if since_s < 1.0 => Phase::Starting,
            (None, _) => Phase::Running,
        };
        UnitStatus {
            name: self.name.clone(),
            phase,
            since: Some(self.off_us.unwrap_or(self.began_us)),
            last_sample: Some(self.now_us),
            last_arrival: Some(self.now_us),
            current_a: Some(self.current_a),
            case_c: Some(self.case_c),
            ambient_c: Some(AMBIENT_C),
            supply_v: Some(229.0 - 0.9 * self.current_a),
            demand: Some(self.off_us.is_none() || kind != Kind::Normal),
            starts: self.starts,
            trips: self.trips,
            ..UnitStatus::default()
        }
    }

    /// -1 to 1, the same every time.
    fn noise(&mut self) -> f64 {
        self.seed = self
            .seed
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.seed >> 40) as f64 / f64::from(1_u32 << 23) - 1.0
    }
}

fn current_a(kind: Kind, since_s: f64) -> f64 {
    let running = |steady: f64, extra: f64, tau_s: f64| match since_s {
        s if s < 0.5 => 11.9,
        s => steady + extra * (-s / tau_s).exp(),
    };
    match kind {
        Kind::Locked => 12.1 * (1.0 - 0.18 * (1.0 - (-since_s / 6.0).exp())),
        Kind::Overload => running(3.35, -0.9, 60.0),
        Kind::Normal | Kind::Overheat | Kind::Early => running(1.62, 0.5, 90.0),
    }
}

const fn cause(kind: Kind) -> Option<Cause> {
    match kind {
        Kind::Normal => None,
        Kind::Locked => Some(Cause::LockedRotor),
        Kind::Overload => Some(Cause::Overload),
        Kind::Overheat => Some(Cause::Overheat),
        Kind::Early => Some(Cause::Early),
    }
}

fn basis(kind: Kind, current_a: f64, case_c: f64) -> String {
    match kind {
        Kind::Normal => "demand opened; the case was far below the protector’s opening".into(),
        Kind::Locked => format!(
            "demand and supply held; the current never stepped down and stood at {current_a:.2} A, {:.0} % of nameplate locked rotor, when it ended",
            current_a / 12.4 * 100.0
        ),
        Kind::Overload => format!(
            "demand and supply held; {current_a:.2} A is {:.0} % of rated load",
            current_a / 1.9 * 100.0
        ),
        Kind::Overheat => format!(
            "demand and supply held; {current_a:.2} A is below rated load, but the case was at {case_c:.1} °C"
        ),
        Kind::Early => format!(
            "demand and supply held; neither {current_a:.2} A nor {case_c:.1} °C explains an opening"
        ),
    }
}

fn blank(on_at: i64, case_c: f64) -> CycleRow {
    CycleRow {
        on_at,
        off_at: None,
        next_on_at: None,
        on_seen: true,
        on_s: None,
        off_s: None,
        start: StartKind::Unknown,
        ended_by: None,
        cause: None,
        peak_a: None,
        run_a: None,
        end_a: None,
        i2t_a2s: None,
        case_on_c: Some(case_c),
        case_off_c: None,
        case_max_c: None,
        case_reset_c: None,
        reset_exact: false,
        disc_c: None,
        valid: 1.0,
        basis: String::new(),
        ..CycleRow::default()
    }
}
