//! The only place where the program looks at a clock.
//!
//! The rule kept here: wall-clock time says *when*, monotonic time says *how long*. No
//! other module asks the system for either, so that a test can step both.

use observation::Time;
use std::time::{Duration, Instant, SystemTime};

/// Both clocks.
pub trait Clock: Send + Sync {
    /// The wall clock, to the millisecond; may be set forward or back at any moment.
    fn now(&self) -> Time;
    /// Time since some fixed instant of this process; never goes back.
    fn monotonic(&self) -> Duration;
}

/// The system's clocks.
#[derive(Debug)]
pub struct SystemClock {
    start: Instant,
}

impl SystemClock {
    /// Monotonic time counts from here.
    pub fn new() -> Self {
        Self { start: Instant::now() }
    }
}

impl Default for SystemClock {
    fn default() -> Self {
        Self::new()
    }
}

impl Clock for SystemClock {
    fn now(&self) -> Time {
        match SystemTime::now().duration_since(SystemTime::UNIX_EPOCH) {
            Ok(since) => Time(i64::try_from(since.as_millis()).unwrap_or(i64::MAX)),
            Err(before) => Time(-i64::try_from(before.duration().as_millis()).unwrap_or(i64::MAX)),
        }
    }

    fn monotonic(&self) -> Duration {
        self.start.elapsed()
    }
}

/// A clock that stands still until a test moves it.
#[cfg(test)]
#[derive(Debug)]
pub struct HandClock {
    wall: std::sync::atomic::AtomicI64,
    passed: std::sync::atomic::AtomicU64,
}

#[cfg(test)]
impl HandClock {
    /// Stands at `wall`.
    pub fn at(wall: Time) -> Self {
        Self {
            wall: std::sync::atomic::AtomicI64::new(wall.0),
            passed: std::sync::atomic::AtomicU64::new(0),
        }
    }

    /// Lets time pass: both clocks move.
    pub fn pass(&self, milliseconds: u64) {
        use std::sync::atomic::Ordering::SeqCst;
        self.passed.fetch_add(milliseconds, SeqCst);
        self.wall.fetch_add(i64::try_from(milliseconds).unwrap_or(i64::MAX), SeqCst);
    }

    /// Somebody sets the wall clock.
    pub fn set(&self, wall: Time) {
        self.wall.store(wall.0, std::sync::atomic::Ordering::SeqCst);
    }
}

#[cfg(test)]
impl Clock for HandClock {
    fn now(&self) -> Time {
        Time(self.wall.load(std::sync::atomic::Ordering::SeqCst))
    }

    fn monotonic(&self) -> Duration {
        Duration::from_millis(self.passed.load(std::sync::atomic::Ordering::SeqCst))
    }
}
