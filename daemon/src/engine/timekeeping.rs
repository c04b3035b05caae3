//! The processor's clock: the wall clock held to the rules for `received`.
//!
//! It never goes back between two clock steps. A step is seen by comparing how far the
//! wall clock and the monotonic clock moved since the last look: an hour of slewing
//! stays far below the threshold between two looks, a hand or a time server that sets
//! the clock does not.

use crate::clock::Clock;
use observation::Time;
use std::time::Duration;

/// Difference between wall and monotonic time that is a step, in milliseconds.
pub const STEP: i64 = 1_000;

/// A step of the wall clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    /// What the old clock showed at the step; not below what was received already.
    pub old: Time,
    /// The new clock.
    pub new: Time,
}

/// The clock and what it showed last.
#[derive(Clone, Copy, Debug)]
pub struct Timekeeping {
    wall: Time,
    passed: Duration,
    latest: Time,
}

impl Timekeeping {
    /// From now on; `latest` is the last instant the log knows. A start below it is a
    /// step to be recorded, with the log's last instant as the old clock.
    pub fn start(clock: &dyn Clock, latest: Option<Time>) -> (Self, Option<Step>) {
        let (wall, passed) = (clock.now(), clock.monotonic());
        match latest {
            Some(old) if old.0.saturating_sub(wall.0) >= STEP => {
                (Self { wall, passed, latest: wall }, Some(Step { old, new: wall }))
            }
            Some(latest) => (Self { wall, passed, latest: latest.max(wall) }, None),
            None => (Self { wall, passed, latest: wall }, None),
        }
    }

    /// Looks at the clock: whether it was set since the last look.
    pub fn look(&mut self, clock: &dyn Clock) -> Option<Step> {
        let (wall, passed) = (clock.now(), clock.monotonic());
        let went =
            i64::try_from(passed.saturating_sub(self.passed).as_millis()).unwrap_or(i64::MAX);
        let expected = Time(self.wall.0.saturating_add(went));
        let before = self.latest;
        (self.wall, self.passed) = (wall, passed);
        if (wall - expected).0.abs() < STEP {
            self.latest = before.max(wall);
            return None;
        }
        self.latest = wall;
        Some(Step { old: before.max(expected), new: wall })
    }

    /// The instant for what is taken now, as of the last look.
    pub const fn received(&self) -> Time {
        self.latest
    }

    /// Never below this.
    pub fn not_before(&mut self, instant: Time) {
        self.latest = self.latest.max(instant);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::HandClock;

    const NOON: Time = Time(1_780_000_000_000);

    #[test]
    fn received_never_goes_back_without_a_step() {
        let clock = HandClock::at(NOON);
        let (mut kept, step) = Timekeeping::start(&clock, Some(Time(NOON.0 + 500)));
        assert_eq!(step, None);
        assert_eq!(kept.received(), Time(NOON.0 + 500));
        clock.pass(100);
        assert_eq!(kept.look(&clock), None);
        assert_eq!(kept.received(), Time(NOON.0 + 500));
        clock.set(Time(NOON.0 - 400));
        assert_eq!(kept.look(&clock), None, "half a second back is held up, not recorded");
        assert_eq!(kept.received(), Time(NOON.0 + 500));
        clock.pass(2_000);
        assert_eq!(kept.look(&clock), None);
        assert_eq!(kept.received(), Time(NOON.0 + 1_600));
    }

    #[test]
    fn a_set_clock_is_a_step_with_both_times() {
        let clock = HandClock::at(NOON);
        let (mut kept, _) = Timekeeping::start(&clock, None);
        clock.pass(10_000);
        clock.set(Time(NOON.0 + 3_610_000));
        let step = kept.look(&clock);
        assert_eq!(step, Some(Step { old: Time(NOON.0 + 10_000), new: Time(NOON.0 + 3_610_000) }));
        clock.pass(1_000);
        clock.set(Time(NOON.0 + 11_000));
        let step = kept.look(&clock);
        assert_eq!(step, Some(Step { old: Time(NOON.0 + 3_611_000), new: Time(NOON.0 + 11_000) }));
        assert_eq!(kept.received(), Time(NOON.0 + 11_000));
        assert_eq!(kept.look(&clock), None, "told once");
    }

    #[test]
    fn a_start_below_the_log_is_a_step() {
        let clock = HandClock::at(NOON);
        let last = Time(NOON.0 + 60_000);
        let (kept, step) = Timekeeping::start(&clock, Some(last));
        assert_eq!(step, Some(Step { old: last, new: NOON }));
        assert_eq!(kept.received(), NOON);
    }

    #[test]
    fn slewing_for_hours_is_no_step() {
        let clock = HandClock::at(NOON);
        let (mut kept, _) = Timekeeping::start(&clock, None);
        for second in 1..=7_200 {
            clock.pass(1_000);
            clock.set(Time(NOON.0 + second * 1_000 + second / 2));
            assert_eq!(kept.look(&clock), None);
        }
    }
}
