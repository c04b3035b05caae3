//! Pauses between sessions.

use std::time::Duration;

const FIRST: Duration = Duration::from_secs(1);
const LONGEST: Duration = Duration::from_secs(60);

/// Doubles from one second to one minute; each pause is drawn between half of that and
/// all of it, so that many who lost the same peer do not come back together.
#[derive(Debug)]
pub struct Backoff {
    next: Duration,
}

impl Backoff {
    /// Nothing failed yet.
    pub const fn new() -> Self {
        Self { next: FIRST }
    }

    /// The pause after a session, `useful` or not.
    pub fn pause(&mut self, useful: bool) -> Duration {
        if useful {
            self.next = FIRST;
        }
        let pause = self.next.mul_f64(0.5 + fastrand::f64() / 2.0);
        self.next = (self.next * 2).min(LONGEST);
        pause
    }
}

impl Default for Backoff {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_grow_to_a_minute_and_a_useful_session_makes_them_small_again() {
        let mut backoff = Backoff::new();
        let pauses: Vec<Duration> = (0..12).map(|_| backoff.pause(false)).collect();
        for (nth, pause) in (0_u32..).zip(&pauses) {
            let whole = (FIRST * 2_u32.pow(nth.min(6))).min(LONGEST);
            assert!(*pause >= whole / 2 && *pause <= whole, "{nth}: {pause:?}");
        }
        assert!(backoff.pause(true) <= FIRST);
    }
}
