//! A raw count becomes increments: so many pulses or changes between two instants.
//!
//! The rule: nothing is counted twice, nothing negative is counted, and nothing is
//! counted that could not have happened in the time. A running total is preferred;
//! counts per interval and bare states are accepted with what they cannot tell.

use super::limits::Limits;
use crate::{Flag, Reason, Reasons, Span, Time};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Whole numbers above this are not exact in a floating-point sample.
const LARGEST_EXACT: f64 = 9_007_199_254_740_992.0;

/// The span an uncertain time is allowed, and the longest after which a wrap is still
/// believed: after a longer silence a station has more likely restarted.
const HOUR: Span = Span::hours(1);

/// Why a number is no count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CountFault {
    /// Not a finite number.
    NotFinite,
    /// Below zero.
    Negative,
    /// Not whole.
    Fractional,
    /// Does not fit the declared width, or is too large to be exact (2^53).
    TooLarge,
    /// A state other than 0 and 1.
    NotAState,
}

impl fmt::Display for CountFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NotFinite => "the count is not a finite number",
            Self::Negative => "the count is below zero",
            Self::Fractional => "the count is not a whole number",
            Self::TooLarge => "the count does not fit the declared width",
            Self::NotAState => "the state is neither 0 nor 1",
        })
    }
}

impl std::error::Error for CountFault {}

/// Reads a whole count from a raw value.
///
/// # Errors
/// Not finite, negative, fractional, or above 2^53.
pub fn count(value: f64) -> Result<u64, CountFault> {
    if !value.is_finite() {
        Err(CountFault::NotFinite)
    } else if value < 0.0 {
        Err(CountFault::Negative)
    } else if value > LARGEST_EXACT {
        Err(CountFault::TooLarge)
    } else if value.fract() != 0.0 {
        Err(CountFault::Fractional)
    } else {
        Ok(value as u64)
    }
}

/// Reads a running total of the declared width from a raw value.
///
/// # Errors
/// As [`count`], and a total that does not fit `bits`.
pub fn total(value: f64, bits: u8) -> Result<u64, CountFault> {
    let total = count(value)?;
    if u128::from(total) < Limits::new(bits, Span::ZERO).modulus() {
        Ok(total)
    } else {
        Err(CountFault::TooLarge)
    }
}

/// A number that tells one boot identifier from another (64-bit FNV-1a: Fowler, Noll
/// and Vo; RFC 9923). The same on every machine, so that it may be kept.
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

/// How an increment came about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Kind {
    /// The first sample: nothing to compare with.
    First,
    /// Counted on from the sample before.
    Normal,
    /// Counted on over the roll-over.
    Wrapped,
    /// The station began again; what was counted since the start is the increment,
    /// what came between the last sample and the restart is lost.
    Restarted,
    /// Restored a little too low: nothing is added, the baseline moves.
    StepBack,
    /// Could not have happened in the time; nothing is added until the next sample
    /// tells whether it was a glitch.
    Held,
    /// The held jump was real: a new baseline. Only what was counted after the jump
    /// is the increment.
    Confirmed,
    /// Older than the newest sample; nothing changes. Increments around it are
    /// recomputed between its neighbours in time (see [`Counter::starting_at`]).
    Late,
}

/// So many counts between two instants.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Increment {
    /// How many.
    pub count: u64,
    /// Since when; none for the first sample.
    pub from: Option<Time>,
    /// Until when: the sample's time.
    pub to: Time,
    /// How it came about.
    pub kind: Kind,
    /// How far to trust it: `unchecked`, or `doubtful`.
    pub flag: Flag,
    /// Why.
    pub reasons: Reasons,
}

impl Increment {
    fn new(kind: Kind, count: u64, from: Option<Time>, to: Time) -> Self {
        let (flag, reasons) = match kind {
            Kind::First | Kind::Normal | Kind::Wrapped | Kind::Late => {
                (Flag::Unchecked, Reasons::NONE)
            }
            Kind::Restarted | Kind::StepBack => (Flag::Unchecked, Reason::Incomplete.into()),
            Kind::Held => (Flag::Doubtful, Reason::Step.into()),
            Kind::Confirmed => {
                (Flag::Doubtful, Reasons::NONE.with(Reason::Step).with(Reason::Incomplete))
            }
        };
        Self { count, from: from.map(|t| t.min(to)), to, kind, flag, reasons }
    }
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

/// Counts since the sample before, sent without a total.
///
/// `previous` is the time of the sample before and `interval` the expected spacing,
/// zero for a sender that reports on change: if the sample before is more than one and
/// a half intervals ago, one was lost with its counts, and the increment covers one
/// interval. More than the time allows is kept, `doubtful`, reason `range`: with
/// no total there is nothing to tell a glitch by.
///
/// # Errors
/// As [`count`].
pub fn interval_count(
    value: f64,
    previous: Option<Time>,
    time: Time,
    interval: Span,
    limits: Limits,
) -> Result<Increment, CountFault> {
    let count = count(value)?;
    let patience = Span(interval.0.saturating_add(interval.0 / 2));
    let from = match previous {
        Some(before) if before > time => time,
        Some(before) if interval <= Span::ZERO || time - before <= patience => before,
        None if interval <= Span::ZERO => {
            return Ok(Increment::new(Kind::Normal, count, None, time));
        }
        _ => time - interval,
    };
    let mut increment = Increment::new(Kind::Normal, count, Some(from), time);
    if count > limits.most(time - from) {
        increment.flag = Flag::Doubtful;
        increment.reasons = Reason::Range.into();
    }
    Ok(increment)
}

/// A bare contact, of which every change counts once. Changes between two samples may
/// be lost in pairs: see [`super::gauge::loses_above`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChangeState {
    last: Option<(Time, bool)>,
    spacing: Spacing,
}

impl ChangeState {
    /// Takes the next state; a change sooner than `dead_time` after the last counted
    /// one is a bounce.
    ///
    /// # Errors
    /// A state other than 0 and 1.
    pub fn step(
        &mut self,
        value: f64,
        time: Time,
        dead_time: Span,
    ) -> Result<Increment, CountFault> {
        let state = match value {
            0.0 => false,
            1.0 => true,
            _ => return Err(CountFault::NotAState),
        };
        let Some((before, previous)) = self.last else {
            self.last = Some((time, state));
            return Ok(Increment::new(Kind::First, 0, None, time));
        };
        if time < before {
            return Ok(Increment::new(Kind::Late, 0, Some(before), time));
        }
        self.last = Some((time, state));
        let counts = state != previous && self.spacing.admits(time, dead_time);
        Ok(Increment::new(Kind::Normal, u64::from(counts), Some(before), time))
    }
}

/// Lets an event through only if the last one let through is at least the dead time
/// ago. What bounces does not lengthen the wait.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Spacing {
    admitted: Option<Time>,
}

impl Spacing {
    /// Whether the event at `time` counts.
    pub fn admits(&mut self, time: Time, dead_time: Span) -> bool {
        let admits = self.admitted.is_none_or(|last| time >= last && time - last >= dead_time);
        if admits {
            self.admitted = Some(time);
        }
        admits
    }
}
