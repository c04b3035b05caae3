//! How fast a receiver is fed: a limit that the settings give, and one that a receiver
//! teaches by saying that it was too much.
//!
//! The rule kept here: each "too many" doubles the pause between attempts, at least to
//! twice what it was in fact; each success takes an eighth of it away. A receiver that
//! says when to come again (`Retry-After`: RFC 9110, HTTP Semantics, 2022, 10.2.3; with
//! 429: RFC 6585, 2012, 4) names how far apart attempts are to lie: from the one before to
//! that moment; no longer pause is learned of it, and that one is kept for some successes.
//! Who refuses the first attempt after a wait, too, says "not yet" and nothing of how fast
//! is too fast: an hour of refusals is not paid for with another of slow attempts.

use std::time::Duration;

const SHORTEST: Duration = Duration::from_millis(20);
const LONGEST: Duration = Duration::from_secs(600);
/// Successes at the pause that a receiver named before a shorter one is tried.
const HELD: u32 = 8;

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
    /// Whether no attempt was taken since the last that was too much.
    refused: bool,
    /// Successes before attempts come closer again.
    held: u32,
}

impl Pace {
    pub(super) const fn new(rate: Option<u32>) -> Self {
        Self {
            rate,
            between: Duration::ZERO,
            last: None,
            apart: Duration::ZERO,
            not_before: Duration::ZERO,
            refused: false,
            held: 0,
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
        self.refused = false;
        if self.held > 0 {
            self.held -= 1;
        } else {
            self.between = self.between.mul_f64(0.875);
        }
        if self.between < SHORTEST {
            self.between = Duration::ZERO;
        }
        if let (Some(rate), Some(last)) = (self.rate, self.last) {
            let due = Duration::from_secs_f64(readings as f64 / f64::from(rate.max(1)));
            self.not_before = self.not_before.max(last) + due;
        }
    }

    /// The receiver said that it was too much, and maybe after what time to come again.
    pub(super) fn too_fast(&mut self, now: Duration, after: Option<Duration>) {
        if !std::mem::replace(&mut self.refused, true) {
            let slower = (self.between * 2).max(self.apart * 2);
            let named = after.map_or(Duration::MAX, |after| self.apart + after);
            self.between = slower.min(named).clamp(SHORTEST * 5, LONGEST);
            self.held = if named < slower { HELD } else { 0 };
        }
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
        pace.too_fast(SECOND * 3, None);
        assert_eq!(pace.wait(SECOND * 3), SECOND * 4, "twice what they lay apart");
        pace.begin(SECOND * 7);
        pace.delivered(10);
        pace.begin(SECOND * 11);
        pace.too_fast(SECOND * 11, None);
        assert_eq!(pace.wait(SECOND * 11), SECOND * 8, "twice what they lay apart now");
        for i in 0..100_u32 {
            let now = SECOND * (20 + i * 20);
            pace.begin(now);
            pace.delivered(10);
        }
        assert_eq!(pace.wait(SECOND * 3_000), Duration::ZERO);
        assert_eq!(pace.between, Duration::ZERO);
    }

    #[test]
    fn a_receiver_that_refuses_for_long_is_not_paid_for_afterwards() {
        let mut pace = Pace::new(None);
        let mut now = SECOND;
        pace.begin(now);
        pace.delivered(500);
        // It says "in a minute" twenty times in a row.
        for _ in 0..20 {
            now += pace.wait(now) + Duration::from_millis(5);
            pace.begin(now);
            pace.too_fast(now, Some(SECOND * 60));
            now += SECOND * 60;
        }
        let taken_again = now;
        for _ in 0..100 {
            now += pace.wait(now);
            pace.begin(now);
            pace.delivered(500);
        }
        let lasted = now.saturating_sub(taken_again);
        assert!(lasted < SECOND * 2, "{lasted:?} for a hundred");
    }

    /// A drain of as much as is taken within an hour from a receiver that has `room`
    /// attempts and gets another each `refill`, and says when there is one.
    fn an_hour(room: u32, refill: u32, says_when: bool) -> (u32, u32) {
        let refill = SECOND * refill;
        let (mut pace, mut now, mut taken, mut refused) = (Pace::new(None), SECOND, 0, 0);
        let (mut left, mut filled) = (room, now);
        let mut backoff = SECOND;
        while now < SECOND * 3_600 {
            now += pace.wait(now);
            pace.begin(now);
            while filled + refill <= now {
                filled += refill;
                left = (left + 1).min(room);
            }
            if left > 0 {
                left -= 1;
                taken += 1;
                pace.delivered(500);
                backoff = SECOND;
                now += Duration::from_millis(5);
            } else {
                refused += 1;
                let after = (filled + refill).saturating_sub(now);
                pace.too_fast(now, says_when.then_some(after));
                now += if says_when { after } else { backoff };
                backoff = (backoff * 2).min(SECOND * 60);
            }
        }
        (taken, refused)
    }

    #[test]
    fn a_receiver_gets_nearly_all_it_takes_and_little_that_it_refuses() {
        for (room, refill) in [(10, 6), (1, 6), (60, 1), (5, 90)] {
            for says_when in [true, false] {
                let (taken, refused) = an_hour(room, refill, says_when);
                let most = room + 3_600 / refill;
                println!("{room}, {refill} s, {says_when}: {taken} of {most}, {refused} refused");
                assert!(taken * 10 >= most * 6, "{taken} of {most}: {room}, {refill} s");
                // Who does not say when is asked after pauses that double.
                let most = if says_when { taken / 2 } else { taken * 3 / 2 };
                assert!(refused <= most, "{refused} beside {taken}: {room}, {refill} s");
            }
        }
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
