//! Nights drawn at random, widely: to find where a judge is wrong.

use crate::parts;
use crate::scenario::Scenario;

impl Scenario {
    /// A night with everything drawn from the seed.
    pub fn random(seed: u64) -> Self {
        let mut s = parts::night("random", seed, 6.0);
        s.name = format!("random-{seed}");
        s
    }
}
