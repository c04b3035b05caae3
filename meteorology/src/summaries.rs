//! Summaries of a series over an hour, a day, a month, a year.
//!
//! The rule: a summary is a sum of its values and of nothing else, so that summaries of
//! parts merge to that of the whole in any order; sums are kept in whole steps of the
//! quantity, where addition is exact. Below its limit of completeness there is no mean.

use observation::Time;
use serde::{Deserialize, Serialize};

/// A value and when it was reached first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Extreme {
    /// The value in steps.
    pub steps: i64,
    /// When.
    pub at: Time,
}

/// Share of the expected values below which no mean is given: 66 % (WMO-No. 488,
/// App. VI.2, for samples of an instantaneous value; from memory), used here for every
/// summary unless set otherwise.
pub const LEAST_SHARE: f64 = 0.66;

/// What is known of one span.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Summary {
    count: u64,
    expected: u64,
    sum: i128,
    minimum: Option<Extreme>,
    maximum: Option<Extreme>,
}

impl Summary {
    /// Nothing yet of so many expected values.
    pub const fn expecting(expected: u64) -> Self {
        Self { count: 0, expected, sum: 0, minimum: None, maximum: None }
    }

    /// Adds a value in steps of its quantity ([`observation::Quantity::decimals`]).
    pub fn add(&mut self, steps: i64, at: Time) {
        let one = Extreme { steps, at };
        *self = self.merged(&Self {
            count: 1,
            expected: 0,
            sum: i128::from(steps),
            minimum: Some(one),
            maximum: Some(one),
        });
    }

    /// Both together; expected counts add up. Of equal extremes the earlier is kept.
    #[must_use]
    pub fn merged(&self, other: &Self) -> Self {
        let lower = |a: Extreme, b: Extreme| if (b.steps, b.at) < (a.steps, a.at) { b } else { a };
        let higher = |a: Extreme, b: Extreme| {
            if (-i128::from(b.steps), b.at) < (-i128::from(a.steps), a.at) { b } else { a }
        };
        Self {
            count: self.count.saturating_add(other.count),
            expected: self.expected.saturating_add(other.expected),
            sum: self.sum.saturating_add(other.sum),
            minimum: either(self.minimum, other.minimum, lower),
            maximum: either(self.maximum, other.maximum, higher),
        }
    }

    /// How many values.
    pub const fn count(&self) -> u64 {
        self.count
    }

    /// How many were expected.
    pub const fn expected(&self) -> u64 {
        self.expected
    }

    /// Share of the expected values that came, at most 1; none if none was expected.
    pub fn completeness(&self) -> Option<f64> {
        (self.expected > 0).then(|| (self.count as f64 / self.expected as f64).min(1.0))
    }

    /// The lowest value, in steps.
    pub const fn minimum(&self) -> Option<Extreme> {
        self.minimum
    }

    /// The highest value, in steps.
    pub const fn maximum(&self) -> Option<Extreme> {
        self.maximum
    }

    /// The sum in steps.
    pub const fn sum(&self) -> i128 {
        self.sum
    }

    /// The mean of all values in steps (over a day: the 24-hour mean), if at least
    /// `least` of the expected ones came.
    pub fn mean(&self, least: f64) -> Option<f64> {
        let enough = self.completeness().is_none_or(|share| share >= least);
        (self.count > 0 && enough).then(|| self.sum as f64 / self.count as f64)
    }

    /// Half the sum of the extremes in steps, `(maximum + minimum) / 2`, under the same
    /// limit. Over a day it differs from the 24-hour mean; name which one it is.
    pub fn middle_of_extremes(&self, least: f64) -> Option<f64> {
        self.mean(least)?;
        let (low, high) = (self.minimum?, self.maximum?);
        Some((i128::from(low.steps) + i128::from(high.steps)) as f64 / 2.0)
    }
}

fn either(
    a: Option<Extreme>,
    b: Option<Extreme>,
    choose: impl Fn(Extreme, Extreme) -> Extreme,
) -> Option<Extreme> {
    match (a, b) {
        (Some(a), Some(b)) => Some(choose(a, b)),
        (a, b) => a.or(b),
    }
}
