//! The running total: wraps, restarts, small steps back, glitches.

use super::super::limits::Limits;
use super::{Increment, Kind};
use crate::{Span, Time};
use serde::{Deserialize, Serialize};

/// The span an uncertain time is allowed, and the longest after which a wrap is still
/// believed: after a longer silence a station has more likely restarted.
const HOUR: Span = Span::hours(1);

/// A number that tells one boot identifier from another (64-bit FNV-1a of Fowler, Noll
/// and Vo; constants from memory). The same on every machine, so that it may be kept.
pub fn boot_number(boot: &str) -> u64 {
    boot.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

/// One sample of a running total.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CounterPoint {
    /// When it was read.
    pub time: Time,
    /// The total, below the counter's modulus.
    pub total: u64,
    /// What tells this run of the station from others, see [`boot_number`].
    pub boot: Option<u64>,
    /// Whether the time is uncertain (`clock`, or part of a burst): then elapsed time
    /// proves little, and at least an hour is allowed.
    pub uncertain: bool,
}

/// A running total, followed sample by sample in order of time.
///
/// 1. Forward by what the time allows: counted.
/// 2. Backward by at most a tenth of the total: restored from memory a little too
///    low; nothing is added and the baseline moves.
/// 3. Backward otherwise: a wrap if the step over the roll-over is possible in the
///    time (at most an hour of it, and at most a quarter of the width where the time
///    allows a whole turn, which would make every step possible); else a restart from
///    zero if the new total is possible.
/// 4. A changed boot identifier is a restart from zero, unless the total is within a
///    tenth of the old one, or too high to have been counted since: then it was kept.
/// 5. Anything else is held until the next sample: if that follows the held value, the
///    jump becomes the baseline and is not counted; if it follows the old value, the
///    jump was a glitch and is dropped; if neither, it is held in its place.
///
/// So a true step is counted exactly if it is possible in the time and at most nine
/// tenths of the width.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counter {
    last: Option<CounterPoint>,
    held: Option<CounterPoint>,
}

/// What a comparison of two totals says.
enum Verdict {
    Step(Kind, u64),
    Impossible,
}

impl Counter {
    /// A counter that has already seen `point`: to recompute the increments on both
    /// sides of a late sample, start at its left neighbour, step to it, then to the right.
    pub const fn starting_at(point: CounterPoint) -> Self {
        Self { last: Some(point), held: None }
    }

    /// The sample that the next one is compared with.
    pub const fn last(&self) -> Option<CounterPoint> {
        self.last
    }

    /// The jump that waits for the next sample.
    pub const fn held(&self) -> Option<CounterPoint> {
        self.held
    }

    /// Takes the next sample.
    pub fn step(&mut self, point: CounterPoint, limits: Limits) -> Increment {
        let Some(last) = self.last else {
            self.last = Some(point);
            return Increment::new(Kind::First, 0, None, point.time);
        };
        let newest = self.held.unwrap_or(last);
        if point.time < newest.time && !point.uncertain && !newest.uncertain {
            return Increment::new(Kind::Late, 0, Some(last.time), point.time);
        }
        if self.held.is_some_and(|h| h.time == point.time && h.total == point.total) {
            // A repeat of the jump confirms nothing.
            return Increment::new(Kind::Held, 0, Some(last.time), point.time);
        }
        let verdict = compare(last, point, limits);
        let on_from_held = self.held.and_then(|held| Some((held, follows(held, point, limits)?)));
        if let Some((held, step)) = on_from_held
            && !matches!(verdict, Verdict::Step(Kind::Normal, other) if other <= step)
        {
            self.accept(point);
            return Increment::new(Kind::Confirmed, step, Some(held.time), point.time);
        }
        match verdict {
            Verdict::Step(kind, count) => {
                self.accept(point);
                Increment::new(kind, count, Some(last.time), point.time)
            }
            Verdict::Impossible => {
                self.held = Some(point);
                Increment::new(Kind::Held, 0, Some(last.time), point.time)
            }
        }
    }

    fn accept(&mut self, point: CounterPoint) {
        let known = |p: Option<CounterPoint>| p.and_then(|p| p.boot);
        let boot = point.boot.or_else(|| known(self.held)).or_else(|| known(self.last));
        self.last = Some(CounterPoint { boot, ..point });
        self.held = None;
    }
}

fn elapsed(from: CounterPoint, to: CounterPoint) -> Span {
    let elapsed = to.time - from.time;
    if from.uncertain || to.uncertain { elapsed.max(HOUR) } else { elapsed }
}

/// The step over the roll-over or without it, if the time allows it.
fn follows(from: CounterPoint, to: CounterPoint, limits: Limits) -> Option<u64> {
    if from.boot.is_some() && to.boot.is_some() && from.boot != to.boot {
        return None;
    }
    let step = around(from.total, to.total, limits)?;
    (step <= limits.most(elapsed(from, to))).then_some(step)
}

fn around(from: u64, to: u64, limits: Limits) -> Option<u64> {
    let modulus = limits.modulus();
    let (from, to) = (u128::from(from), u128::from(to));
    if from >= modulus || to >= modulus {
        return None;
    }
    u64::try_from(if to >= from { to - from } else { to + modulus - from }).ok()
}

fn near(old: u64, new: u64) -> bool {
    old.abs_diff(new) <= old / 10
}

fn compare(last: CounterPoint, point: CounterPoint, limits: Limits) -> Verdict {
    let elapsed = elapsed(last, point);
    let most = limits.most(elapsed);
    let restarted = last.boot.is_some() && point.boot.is_some() && last.boot != point.boot;
    if let Some(forward) = point.total.checked_sub(last.total) {
        let possible = forward <= most;
        return if restarted && point.total <= most && !near(last.total, point.total) {
            Verdict::Step(Kind::Restarted, point.total)
        } else if possible {
            Verdict::Step(Kind::Normal, forward)
        } else {
            Verdict::Impossible
        };
    }
    if near(last.total, point.total) {
        return Verdict::Step(Kind::StepBack, 0);
    }
    if restarted {
        // Restored from an old copy if it cannot have been counted since.
        let since = if point.total <= most { point.total } else { 0 };
        return Verdict::Step(Kind::Restarted, since);
    }
    if let Some(over) = around(last.total, point.total, limits) {
        let within = limits.most(elapsed.min(HOUR));
        let proves = u128::from(most) < limits.modulus();
        if over <= within && (proves || u128::from(over) <= limits.modulus() / 4) {
            return Verdict::Step(Kind::Wrapped, over);
        }
    }
    if point.total <= most {
        Verdict::Step(Kind::Restarted, point.total)
    } else {
        Verdict::Impossible
    }
}
