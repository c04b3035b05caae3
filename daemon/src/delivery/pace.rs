//! How fast a receiver is fed: a limit that the settings give, and one that a receiver
//! teaches by saying that it was too much.
//!
//! The rule kept here: each "too many" doubles the pause between attempts, at least to
//! twice what it was in fact; each success takes an eighth of it away.

use std::time::Duration;

const SHORTEST: Duration = Duration::from_millis(20);
const LONGEST: Duration = Duration::from_secs(600);

/// Pauses between attempts, by monotonic time.
#[derive(Debug)]
pub(super) struct Pace {
    /// Readings a second, if there is a limit.
    rate: Option<u32>,
    /// What a receiver taught; zero when nothing.
    between: Duration,
    last: Option<Duration>,
    /// How long the last two attempts lay apart.
    apart: Duration,
    not_before: Duration,
}

impl Pace {
    pub(super) const fn new(rate: Option<u32>) -> Self {
        Self {
            rate,
            between: Duration::ZERO,
            last: None,
            apart: Duration::ZERO,
            not_before: Duration::ZERO,
        }
    }

    /// How long to wait before the next attempt.
    pub(super) fn wait(&self, now: Duration) -> Duration {
        self.not_before.saturating_sub(now)
    }

    /// An attempt begins now.
    pub(super) fn begin(&mut self, now: Duration) {
        if let Some(last) = self.last {
            self.apart = now.saturating_sub(last);
        }
        self.last = Some(now);
        self.not_before = self.not_before.max(now + self.between);
    }

    /// Readings were delivered.
    pub(super) fn delivered(&mut self, readings: usize) {
        self.between = self.between.mul_f64(0.875);
        if self.between < SHORTEST {
            self.between = Duration::ZERO;
        }
        if let (Some(rate), Some(last)) = (self.rate, self.last) {
            let due = Duration::from_secs_f64(readings as f64 / f64::from(rate.max(1)));
            self.not_before = self.not_before.max(last) + due;
        }
    }

    /// The receiver said that it was too much.
    pub(super) fn too_fast(&mut self, now: Duration) {
        let slower = (self.between * 2).max(self.apart * 2);
        self.between = slower.clamp(SHORTEST * 5, LONGEST);
        self.not_before = self.not_before.max(now + self.between);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    #[test]
    fn too_many_makes_attempts_rarer_and_success_slowly_more_frequent() {
        let mut pace = Pace::new(None);
        pace.begin(SECOND);
        pace.delivered(10);
        assert_eq!(pace.wait(SECOND), Duration::ZERO);
        pace.begin(SECOND * 3);
        pace.too_fast(SECOND * 3);
        assert_eq!(pace.wait(SECOND * 3), SECOND * 4, "twice what they lay apart");
        pace.begin(SECOND * 7);
        pace.too_fast(SECOND * 7);
        assert_eq!(pace.wait(SECOND * 7), SECOND * 8);
        for i in 0..100_u32 {
            let now = SECOND * (20 + i * 20);
            pace.begin(now);
            pace.delivered(10);
        }
        assert_eq!(pace.wait(SECOND * 3_000), Duration::ZERO);
        assert_eq!(pace.between, Duration::ZERO);
    }

    #[test]
    fn a_rate_holds_over_many_attempts() {
        let mut pace = Pace::new(Some(100));
        let mut now = SECOND;
        for _ in 0..10 {
            now += pace.wait(now);
            pace.begin(now);
            pace.delivered(50);
        }
        assert_eq!(now, SECOND + SECOND / 2 * 9);
    }
}
