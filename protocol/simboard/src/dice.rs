//! Chance that is the same for ever: a generator of our own, so that a seed names one night whatever
//! versions of other crates are about.

/// SplitMix64 (Steele, Lea and Flood 2014), used for all chance in a simulated night.
#[derive(Debug, Clone)]
pub struct Dice(u64);

impl Dice {
    /// Starts from a seed; equal seeds give equal throws.
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// A second generator for one purpose, so that throws for one thing never shift those for another.
    pub fn fork(&self, purpose: u64) -> Self {
        let mut other = Self(self.0 ^ purpose.wrapping_mul(0xD1B5_4A32_D192_ED03));
        Self(other.bits())
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly from 0 up to, not including, 1.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly from `low` to `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Evenly in the logarithm, for sizes that span decades; both bounds above zero.
    pub fn between_decades(&mut self, low: f64, high: f64) -> f64 {
        (self.between(low.ln(), high.ln())).exp()
    }

    /// True with probability `share`.
    pub fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// A whole number from 0 to `count - 1`; 0 when `count` is 0.
    pub fn below(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count.saturating_sub(1))
    }

    /// About normal, mean 0 and standard deviation 1, never beyond 3.5: four 16-bit throws from one draw.
    pub fn normal(&mut self) -> f64 {
        const SIGMA_OF_FOUR: f64 = 0.577_350_269_189_625_8; // sqrt(4 / 12)
        let b = self.bits();
        let sum = (b & 0xFFFF) + (b >> 16 & 0xFFFF) + (b >> 32 & 0xFFFF) + (b >> 48);
        (sum as f64 / 65_535.0 - 2.0) / SIGMA_OF_FOUR
    }

    /// Exponential with the given mean.
    pub fn exponential(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.unit()).ln()
    }
}
