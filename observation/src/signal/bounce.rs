//! Suspicion of a bouncing contact from totals alone.
//!
//! If every closure counts twice, increments are even. Totals cannot prove it: the
//! cure is in hardware and firmware (common practice).

use serde::{Deserialize, Serialize};

/// Samples after which the old ones weigh half, so that a repair shows.
const MEMORY: u32 = 1_000;

/// How many increments above zero were even and odd.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Bounce {
    even: u32,
    odd: u32,
}

impl Bounce {
    /// Takes an increment; zero tells nothing.
    pub fn add(&mut self, count: u64) {
        if count == 0 {
            return;
        }
        let side = if count.is_multiple_of(2) { &mut self.even } else { &mut self.odd };
        *side = side.saturating_add(1);
        if self.even.saturating_add(self.odd) > MEMORY {
            self.even /= 2;
            self.odd /= 2;
        }
    }

    /// By how many standard deviations the even ones exceed one half, from 20
    /// increments on. Counts that come at random (Poisson) are even in at most half of
    /// the cases above zero, `(1 - exp(-mean)) / 2` (calculated), so 4 or more is hardly
    /// chance (3 in 100,000, normal approximation).
    pub fn excess(&self) -> Option<f64> {
        let all = f64::from(self.even) + f64::from(self.odd);
        (all >= 20.0).then(|| (f64::from(self.even) - all / 2.0) / (all / 4.0).sqrt())
    }

    /// Whether bouncing is suspected: an excess of at least 4.
    pub fn suspected(&self) -> bool {
        self.excess().is_some_and(|z| z >= 4.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn doubled_closures_are_suspected_and_single_ones_are_not() {
        let mut doubled = Bounce::default();
        let mut sound = Bounce::default();
        for n in 0..20_u64 {
            doubled.add(2 * (n % 3) + 2);
            sound.add(n % 4);
        }
        assert!(doubled.suspected());
        assert!(!sound.suspected());
        assert_eq!(Bounce::default().excess(), None);
        // Zero increments tell nothing.
        let mut idle = Bounce::default();
        (0..100).for_each(|_| idle.add(0));
        assert_eq!(idle.excess(), None);
    }

    #[test]
    fn a_repair_shows_and_nothing_grows() {
        let mut bounce = Bounce::default();
        (0..5_000).for_each(|_| bounce.add(2));
        assert!(bounce.suspected());
        (0..2_000).for_each(|n| bounce.add(1 + n % 2));
        (0..500).for_each(|_| bounce.add(1));
        assert!(!bounce.suspected());
        assert!(bounce.even + bounce.odd <= MEMORY);
    }
}
