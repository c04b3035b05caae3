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

/// Unit vectors are summed in whole millionths, where addition is exact too.
const VECTOR: f64 = 1e6;
/// Shortest mean of unit vectors that still has a direction: half of a hundredth.
const LEAST_RESULTANT: f64 = 0.005;

/// What is known of one span.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Summary {
    count: u64,
    expected: u64,
    left_out: u64,
    sum: i128,
    minimum: Option<Extreme>,
    maximum: Option<Extreme>,
    /// East and north of unit vectors, in millionths; for directions only.
    vector: (i64, i64),
}

/// East and north of a unit vector towards `degrees`, in millionths.
fn unit_vector(degrees: f64) -> (i64, i64) {
    let (east, north) = degrees.to_radians().sin_cos();
    ((east * VECTOR).round() as i64, (north * VECTOR).round() as i64)
}

impl Summary {
    /// Nothing yet of so many expected values.
    pub const fn expecting(expected: u64) -> Self {
        let (minimum, maximum, vector) = (None, None, (0, 0));
        Self { count: 0, expected, left_out: 0, sum: 0, minimum, maximum, vector }
    }

    /// Adds a value in steps of its quantity ([`observation::Quantity::decimals`]).
    pub fn add(&mut self, steps: i64, at: Time) {
        let one = Extreme { steps, at };
        *self = self.merged(&Self {
            count: 1,
            sum: i128::from(steps),
            minimum: Some(one),
            maximum: Some(one),
            ..Self::default()
        });
    }

    /// Takes back a value that was added. False if it was an extreme: then it must all
    /// be gathered anew, for the next lower or higher is not known.
    #[must_use]
    pub fn remove(&mut self, steps: i64, at: Time) -> bool {
        let one = Some(Extreme { steps, at });
        self.count = self.count.saturating_sub(1);
        self.sum = self.sum.saturating_sub(i128::from(steps));
        self.minimum != one && self.maximum != one
    }

    /// Adds a direction in degrees: it has no extremes and no sum, its mean is that of
    /// unit vectors.
    pub fn add_direction(&mut self, degrees: f64) {
        self.count = self.count.saturating_add(1);
        let (east, north) = unit_vector(degrees);
        self.vector = (self.vector.0.saturating_add(east), self.vector.1.saturating_add(north));
    }

    /// Takes back a direction that was added.
    pub fn remove_direction(&mut self, degrees: f64) {
        self.count = self.count.saturating_sub(1);
        let (east, north) = unit_vector(degrees);
        self.vector = (self.vector.0.saturating_sub(east), self.vector.1.saturating_sub(north));
    }

    /// Counts a reading that is there but does not count.
    pub const fn leave_out(&mut self) {
        self.left_out = self.left_out.saturating_add(1);
    }

    /// Takes that back.
    pub const fn leave_out_no_more(&mut self) {
        self.left_out = self.left_out.saturating_sub(1);
    }

    /// The same with so many values expected.
    #[must_use]
    pub const fn with_expected(self, expected: u64) -> Self {
        Self { expected, ..self }
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
            left_out: self.left_out.saturating_add(other.left_out),
            vector: (
                self.vector.0.saturating_add(other.vector.0),
                self.vector.1.saturating_add(other.vector.1),
            ),
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

    /// How many readings are there that do not count: doubtful, wrong, missing.
    pub const fn left_out(&self) -> u64 {
        self.left_out
    }

    /// Mean direction in degrees, above 0 to 360, under the same limit as
    /// [`Self::mean`]; none where directions cancel.
    pub fn direction(&self, least: f64) -> Option<f64> {
        let enough = self.completeness().is_none_or(|share| share >= least);
        if self.count == 0 || !enough {
            return None;
        }
        let (east, north) = (self.vector.0 as f64, self.vector.1 as f64);
        let resultant = east.hypot(north) / (self.count as f64 * VECTOR);
        let degrees = east.atan2(north).to_degrees().rem_euclid(360.0);
        (resultant >= LEAST_RESULTANT).then_some(if degrees > 0.0 { degrees } else { 360.0 })
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

/// A mean over years with how many of them it stands on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Normal {
    /// The mean.
    pub mean: f64,
    /// Years with a value.
    pub years: usize,
    /// Years in all.
    pub of: usize,
}

/// Days of a month that may lack before there is no monthly mean, and how many of them in
/// a row (WMO-No. 1203, Guidelines on the calculation of climate normals, 2017, section
/// 4.4: not with 11 or more missing, nor 5 or more consecutive; from memory).
const MOST_LACKING: usize = 10;
const MOST_IN_A_ROW: usize = 4;
/// Share of the years that a normal needs (same, section 4.4; from memory).
const LEAST_YEARS: f64 = 0.8;

/// Mean of a month's daily values, in their unit; none where too many lack.
pub fn monthly_mean(days: &[Option<f64>]) -> Option<f64> {
    let lacking = days.iter().filter(|d| d.is_none()).count();
    let in_a_row = days.split(Option::is_some).map(<[_]>::len).max().unwrap_or(0);
    let known: Vec<f64> = days.iter().copied().flatten().collect();
    let enough = !known.is_empty() && lacking <= MOST_LACKING && in_a_row <= MOST_IN_A_ROW;
    enough.then(|| known.iter().sum::<f64>() / known.len() as f64)
}

/// Sum of a month's daily values, in their unit; none where any lacks, for what did not
/// get measured cannot be guessed from the rest (same source).
pub fn monthly_sum(days: &[Option<f64>]) -> Option<f64> {
    (!days.is_empty()).then_some(())?;
    days.iter().copied().sum()
}

/// Own normal of a month or year from its values year by year; none where fewer than four
/// fifths of the years have one (same source; there it takes thirty years, a shorter
/// record is to be named as what it is).
pub fn normal(years: &[Option<f64>]) -> Option<Normal> {
    let known: Vec<f64> = years.iter().copied().flatten().collect();
    let enough = !known.is_empty() && known.len() as f64 >= LEAST_YEARS * years.len() as f64;
    enough.then(|| Normal {
        mean: known.iter().sum::<f64>() / known.len() as f64,
        years: known.len(),
        of: years.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_taken_back_leaves_no_trace_but_an_unknown_extreme() {
        let mut summary = Summary::default();
        for (steps, at) in [(3, 1), (7, 2), (5, 3)] {
            summary.add(steps, Time(at));
        }
        let mut without = summary;
        assert!(without.remove(5, Time(3)));
        assert_eq!((without.count(), without.sum()), (2, 10));
        assert!(!summary.remove(7, Time(2)), "the maximum is unknown now");
    }

    #[test]
    fn directions_have_a_mean_across_north() {
        let mut summary = Summary::expecting(2);
        summary.add_direction(350.0);
        summary.add_direction(20.0);
        assert!(summary.direction(LEAST_SHARE).is_some_and(|d| (d - 5.0).abs() < 1e-3));
        summary.remove_direction(20.0);
        assert_eq!(summary.direction(LEAST_SHARE), None, "half of what was expected");
        summary.add_direction(170.0);
        assert_eq!(summary.direction(LEAST_SHARE), None, "they cancel");
    }

    /// WMO-No. 1203, section 4.4 (from memory).
    #[test]
    fn months_and_normals_need_most_of_their_days_and_years() {
        let month = |lacking: &[usize]| -> Vec<Option<f64>> {
            (0..30).map(|d| (!lacking.contains(&d)).then_some(1.0)).collect()
        };
        assert_eq!(monthly_mean(&month(&[0, 2, 4, 6, 8, 10, 12, 14, 16, 18])), Some(1.0));
        assert_eq!(monthly_mean(&month(&[0, 2, 4, 6, 8, 10, 12, 14, 16, 18, 20])), None);
        assert_eq!(monthly_mean(&month(&[5, 6, 7, 8])), Some(1.0));
        assert_eq!(monthly_mean(&month(&[5, 6, 7, 8, 9])), None);
        assert_eq!(monthly_sum(&month(&[])), Some(30.0));
        assert_eq!(monthly_sum(&month(&[3])), None);
        let years = |known: usize| -> Vec<Option<f64>> {
            (0..30).map(|y| (y < known).then_some(2.0)).collect()
        };
        assert_eq!(normal(&years(24)).map(|n| (n.mean, n.years, n.of)), Some((2.0, 24, 30)));
        assert_eq!(normal(&years(23)), None);
        assert_eq!(monthly_mean(&[]), None);
    }
}
