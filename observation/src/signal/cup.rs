//! Turns of a cup become wind speed.
//!
//! The rule: turns are summed over the window, then converted, once. No speed is ever
//! made from the spacing of two pulses, and a gust carries the averaging time that the
//! samples can honestly resolve.

use super::counter::{Increment, Kind};
use crate::{Span, Time, property::Transfer};

/// So many turns spread over the time between two samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Since when.
    pub from: Time,
    /// Until when.
    pub to: Time,
    /// Pulses, as the transfer counts them.
    pub turns: f64,
}

impl Stretch {
    /// The stretch of an increment; none where nothing is known of the time before
    /// (the first sample, a held one, a late one).
    pub fn of(increment: &Increment) -> Option<Self> {
        match increment.kind {
            Kind::First | Kind::Held | Kind::Late => None,
            Kind::Normal | Kind::Wrapped | Kind::Restarted | Kind::StepBack | Kind::Confirmed => {
                increment.from.map(|from| Self {
                    from,
                    to: increment.to,
                    turns: increment.count as f64,
                })
            }
        }
    }

    /// The stretch of a frequency in hertz that held from one instant to another; none
    /// for a frequency below zero.
    pub fn of_frequency(hertz: f64, from: Time, to: Time) -> Option<Self> {
        (hertz.is_finite() && hertz >= 0.0 && from <= to).then(|| Self {
            from,
            to,
            turns: hertz * (to - from).as_seconds(),
        })
    }

    fn length(&self) -> i64 {
        (self.to - self.from).0
    }

    /// The turns that fall into `(from, to]`, in proportion at its edges.
    fn within(&self, from: Time, to: Time) -> f64 {
        if self.from >= from && self.to <= to {
            return if self.to > from { self.turns } else { 0.0 };
        }
        let overlap = (self.to.min(to) - self.from.max(from)).0;
        if overlap <= 0 || self.length() <= 0 {
            return 0.0;
        }
        self.turns * overlap as f64 / self.length() as f64
    }
}

/// Turns within a window, and how much of the window was covered.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Turns {
    /// The sum.
    pub turns: f64,
    /// The time of the window that stretches cover.
    pub covered: Span,
}

impl Turns {
    /// Turns a second over the covered time; none where nothing is covered.
    pub fn hertz(self) -> Option<f64> {
        (self.covered.0 > 0).then(|| self.turns / self.covered.as_seconds())
    }
}

/// Sums the turns in `(from, to]`. The stretches come in order of time and do not
/// overlap.
pub fn turns(stretches: &[Stretch], from: Time, to: Time) -> Turns {
    let mut sum = Turns::default();
    for stretch in &stretches[stretches.partition_point(|s| s.to <= from)..] {
        if stretch.from >= to && stretch.to > to {
            break;
        }
        sum.turns += stretch.within(from, to);
        let covered = (stretch.to.min(to) - stretch.from.max(from)).0.max(0);
        sum.covered = sum.covered + Span(covered);
    }
    sum
}

/// The linear relation of a cup (ISO 17713-1:2007: transfer function and starting
/// threshold).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cup {
    /// Metres per second per hertz.
    pub slope: f64,
    /// Metres per second.
    pub offset: f64,
    /// Starting threshold, metres per second.
    pub threshold: f64,
}

/// A speed in metres per second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Speed {
    /// The speed; 0 below the threshold.
    pub value: f64,
    /// Whether it means "below the starting threshold": show it so, not as 0.0.
    pub below_threshold: bool,
}

impl Cup {
    /// The cup of a transfer; none for a transfer of another kind.
    pub fn of(transfer: &Transfer) -> Option<Self> {
        match *transfer {
            Transfer::Wind { slope, offset, threshold } => Some(Self { slope, offset, threshold }),
            Transfer::Linear { .. } | Transfer::Table(_) | Transfer::Depth(_) => None,
        }
    }

    /// The speed of a mean frequency in hertz: `slope * frequency + offset`. Without
    /// pulses it is 0, never the offset; and where the relation gives less than the
    /// starting threshold, below which it does not hold, it is 0 too, marked. None if
    /// the frequency or the result is no finite number.
    pub fn speed(self, hertz: f64) -> Option<Speed> {
        let linear = self.slope * hertz + self.offset;
        if !linear.is_finite() {
            return None;
        }
        let below_threshold = hertz <= 0.0 || linear < self.threshold;
        let value = if below_threshold { 0.0 } else { linear.max(0.0) };
        Some(Speed { value, below_threshold })
    }

    /// The step of speed that one turn makes over an averaging time: 0.4 m/s for 1.2 m
    /// a turn in 3 s. None for no time.
    pub fn resolution(self, over: Span) -> Option<f64> {
        (over.0 > 0).then(|| self.slope / over.as_seconds())
    }
}

/// The shortest averaging time, at least `requested`, that samples so far apart
/// support: a whole number of their spacings. Samples each 2 s asked for 3 s give 4 s;
/// each 10 s they give 10 s. With no spacing (each pulse sent at once) it is the
/// requested time.
pub fn resolvable(requested: Span, spacing: Span) -> Span {
    if spacing.0 <= 0 {
        return requested;
    }
    let whole = requested.0.max(1).saturating_add(spacing.0 - 1) / spacing.0;
    Span(whole.saturating_mul(spacing.0))
}

/// The greatest running mean within a window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gust {
    /// Its frequency; convert it with [`Cup::speed`].
    pub hertz: f64,
    /// The end of the averaging time in which it was reached, the earliest if several.
    pub at: Time,
}

/// The greatest mean frequency over `over` among all spans of that length that lie in
/// `(from, to]`, are covered without a hole, and touch no stretch longer than one and
/// a half times `over`: spread over a longer time, turns would be a mean over that time
/// under a wrong name. None if no span qualifies.
pub fn gust(stretches: &[Stretch], from: Time, to: Time, over: Span) -> Option<Gust> {
    if over.0 <= 0 {
        return None;
    }
    let longest = over.0.saturating_add(over.0 / 2);
    let fits = |s: &Stretch| s.length() <= longest && s.from < to;
    let mut best = None;
    for run in stretches[stretches.partition_point(|s| s.to <= from)..]
        .chunk_by(|a, b| a.to == b.from && fits(a) && fits(b))
    {
        if run.first().is_some_and(fits) {
            greatest(run, from, to, over, &mut best);
        }
    }
    best
}

/// The running mean is straight between the instants where either of its ends meets a
/// sample, so its greatest value lies at one of these.
fn greatest(run: &[Stretch], from: Time, to: Time, over: Span, best: &mut Option<Gust>) {
    let (Some(start), Some(end)) = (run.first(), run.last()) else { return };
    let earliest = start.from.max(from) + over;
    let latest = end.to.min(to);
    if earliest > latest {
        return;
    }
    let mut tail = Cumulative::new(run);
    let mut head = Cumulative::new(run);
    let mut consider = |at: Time| {
        let hertz = (head.until(at) - tail.until(at - over)) / over.as_seconds();
        if best.is_none_or(|b| hertz > b.hertz) {
            *best = Some(Gust { hertz: hertz.max(0.0), at });
        }
    };
    // Two rising lists of candidate ends, merged: samples, and samples plus `over`.
    let mut by_head = run.iter().map(|s| s.to).peekable();
    let mut by_tail = run.iter().map(|s| s.from + over).peekable();
    consider(earliest);
    loop {
        let next = match (by_head.peek(), by_tail.peek()) {
            (Some(&a), Some(&b)) if a <= b => by_head.next(),
            (_, Some(_)) => by_tail.next(),
            (Some(_), None) => by_head.next(),
            (None, None) => break,
        };
        if let Some(at) = next.filter(|&t| t > earliest && t < latest) {
            consider(at);
        }
    }
    consider(latest);
}

/// Turns since the start of a run, asked at rising instants.
struct Cumulative<'a> {
    run: &'a [Stretch],
    next: usize,
    passed: f64,
}

impl<'a> Cumulative<'a> {
    fn new(run: &'a [Stretch]) -> Self {
        Self { run, next: 0, passed: 0.0 }
    }

    fn until(&mut self, at: Time) -> f64 {
        while let Some(stretch) = self.run.get(self.next).filter(|s| s.to <= at) {
            self.passed += stretch.turns;
            self.next += 1;
        }
        let part = self.run.get(self.next).map_or(0.0, |s| s.within(s.from, at));
        self.passed + part
    }
}

#[cfg(test)]
#[path = "cup_tests.rs"]
mod tests;
