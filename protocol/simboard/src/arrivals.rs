//! The host's side for files: when a line that left the board reaches the recorder, and what the host's
//! clocks say then.

use crate::dice::Dice;

/// Parameters of the way to the recorder and of the host's clocks.
#[derive(Debug, Clone, PartialEq)]
pub struct ArrivalsSpec {
    /// Seed of its chance.
    pub seed: u64,
    /// Shortest latency, s.
    pub floor_s: f64,
    /// Mean of the one-sided jitter above it, s.
    pub jitter_s: f64,
    /// Stalls an hour, during which lines queue and then arrive together.
    pub stalls_per_hour: f64,
    /// Longest stall, s.
    pub stall_max_s: f64,
    /// Rate error of the host's clocks against true time, parts per million.
    pub host_ppm: f64,
    /// The wall clock is set at an instant (s) by so many microseconds.
    pub steps: Vec<(f64, i64)>,
    /// The recorder is away, in order and not overlapping.
    pub away: Vec<Away>,
}

/// A time during which nobody records; what the board says then is lost.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Away {
    /// From, s.
    pub from_s: f64,
    /// To, s.
    pub to_s: f64,
    /// The host itself went down: its boot-time clock begins again.
    pub host_rebooted: bool,
}

/// The way to the recorder, as it goes.
#[derive(Debug, Clone)]
pub struct Arrivals {
    spec: ArrivalsSpec,
    dice: Dice,
    last_s: f64,
    stall_at_s: f64,
    stall_until_s: f64,
}

impl Arrivals {
    /// Host boot-time clock at true time 0, us.
    const BOOT_CLOCK_US: f64 = 86_400.0e6;

    /// From its parameters.
    pub fn new(spec: ArrivalsSpec) -> Self {
        let mut dice = Dice::new(spec.seed);
        let stall_at_s = next_stall(&spec, &mut dice, 0.0);
        Self {
            spec,
            dice,
            last_s: 0.0,
            stall_at_s,
            stall_until_s: -1.0,
        }
    }

    /// A quiet host: half a millisecond, a little jitter, no stalls, a true clock.
    pub fn calm(seed: u64) -> Self {
        Self::new(ArrivalsSpec {
            seed,
            floor_s: 0.0005,
            jitter_s: 0.0008,
            stalls_per_hour: 0.0,
            stall_max_s: 0.0,
            host_ppm: 0.0,
            steps: Vec::new(),
            away: Vec::new(),
        })
    }

    /// A host as hosts are, over `hours`: USB latency, stalls, a clock that is set now and then.
    pub fn random(seed: u64, hours: f64) -> Self {
        let mut dice = Dice::new(seed ^ 0x0A88_17A1);
        let mut steps = Vec::new();
        if dice.chance(0.4) {
            let by_s =
                dice.between_decades(0.05, 4000.0) * if dice.chance(0.5) { 1.0 } else { -1.0 };
            steps.push((dice.between(0.1, 0.9) * hours * 3600.0, (by_s * 1e6) as i64));
        }
        Self::new(ArrivalsSpec {
            seed,
            floor_s: dice.between_decades(0.0002, 0.01),
            jitter_s: dice.between_decades(0.0002, 0.02),
            stalls_per_hour: dice.between(0.0, 4.0),
            stall_max_s: dice.between_decades(0.1, 5.0),
            host_ppm: dice.between(-60.0, 60.0),
            steps,
            away: Vec::new(),
        })
    }

    /// Its parameters.
    pub fn spec(&self) -> &ArrivalsSpec {
        &self.spec
    }

    /// True time at which a line that left at `left_s` reaches the recorder, s; never before an earlier line.
    pub fn arrive(&mut self, left_s: f64) -> f64 {
        let jitter_s = if self.spec.jitter_s > 0.0 {
            self.dice.exponential(self.spec.jitter_s)
        } else {
            0.0
        };
        let mut at_s = left_s + self.spec.floor_s + jitter_s;
        if at_s >= self.stall_at_s {
            self.stall_until_s =
                self.stall_at_s + self.dice.between(0.02, self.spec.stall_max_s.max(0.02));
            self.stall_at_s = next_stall(&self.spec, &mut self.dice, self.stall_until_s);
        }
        at_s = at_s.max(self.stall_until_s).max(self.last_s);
        self.last_s = at_s;
        at_s
    }

    /// The period in which nobody records at true time `at_s`, if any.
    pub fn away_at(&self, at_s: f64) -> Option<Away> {
        self.spec
            .away
            .iter()
            .copied()
            .find(|a| (a.from_s..a.to_s).contains(&at_s))
    }

    /// Sum of what the wall clock was set by until `at_s`, us.
    pub fn stepped_us(&self, at_s: f64) -> i64 {
        self.spec
            .steps
            .iter()
            .filter(|s| s.0 <= at_s)
            .map(|s| s.1)
            .sum()
    }

    /// Wall clock at true time `at_s`, us, when it stood at `from_wall_us` at true time 0.
    pub fn wall_us(&self, from_wall_us: i64, at_s: f64) -> i64 {
        from_wall_us + self.elapsed_us(at_s) + self.stepped_us(at_s)
    }

    fn elapsed_us(&self, at_s: f64) -> i64 {
        (at_s * 1e6 * (1.0 + self.spec.host_ppm * 1e-6)).round() as i64
    }

    /// Boot-time clock at true time `at_s`, us, and which boot of the host it is of.
    pub fn boot_us(&self, at_s: f64) -> (i64, usize) {
        let up = self
            .spec
            .away
            .iter()
            .filter(|a| a.host_rebooted && a.to_s <= at_s);
        let (count, since_s) = up.fold((0, None), |(n, _), a| (n + 1, Some(a.to_s)));
        match since_s {
            // A host is up for some seconds before the recorder starts.
            Some(to_s) => (
                self.elapsed_us(at_s) - self.elapsed_us(to_s) + 20_000_000,
                count,
            ),
            None => (self.elapsed_us(at_s) + Self::BOOT_CLOCK_US as i64, 0),
        }
    }
}

fn next_stall(spec: &ArrivalsSpec, dice: &mut Dice, after_s: f64) -> f64 {
    if spec.stalls_per_hour <= 0.0 {
        return f64::INFINITY;
    }
    after_s + dice.exponential(3600.0 / spec.stalls_per_hour)
}
