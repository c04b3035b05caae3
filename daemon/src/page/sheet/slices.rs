//! What counts within quarters of an hour, one after the other.

use observation::{Span, Time};
use std::ops::RangeInclusive;

/// Length of a slice: every offset of a zone in use is a multiple of it.
pub const SLICE: Span = Span::minutes(15);

/// The slice that an instant belongs to: an instant between two ends the one before.
pub fn slice_of(time: Time) -> i64 {
    (time.0 - 1).div_euclid(SLICE.0)
}

/// What counts within one slice of time, or several.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slice {
    pub sum: f64,
    pub count: u32,
    pub least: i64,
    pub least_at: Time,
    pub most: i64,
    pub most_at: Time,
    /// The last reading.
    pub last: Option<(Time, i64)>,
    pub left_out: u32,
}

impl Default for Slice {
    fn default() -> Self {
        Self {
            sum: 0.0,
            count: 0,
            least: 0,
            least_at: Time(0),
            most: 0,
            most_at: Time(0),
            last: None,
            left_out: 0,
        }
    }
}

impl Slice {
    /// Takes a reading that counts.
    pub fn take(&mut self, time: Time, steps: i64) {
        let first = self.count == 0;
        if first || steps < self.least {
            (self.least, self.least_at) = (steps, time);
        }
        if first || steps > self.most {
            (self.most, self.most_at) = (steps, time);
        }
        self.sum += steps as f64;
        self.count += 1;
        self.last = Some((time, steps));
    }

    /// Takes in what comes behind it.
    pub fn add(&mut self, later: &Self) {
        if later.count > 0 {
            let first = self.count == 0;
            if first || later.least < self.least {
                (self.least, self.least_at) = (later.least, later.least_at);
            }
            if first || later.most > self.most {
                (self.most, self.most_at) = (later.most, later.most_at);
            }
            self.last = later.last;
        }
        self.sum += later.sum;
        self.count += later.count;
        self.left_out += later.left_out;
    }

    /// The mean in steps; none where nothing counts.
    pub fn mean(&self) -> Option<i64> {
        (self.count > 0).then(|| (self.sum / f64::from(self.count)).round() as i64)
    }
}

/// Slices in the order of their numbers, counted since 1970; those of which nothing is
/// known are left out.
#[derive(Clone, Debug, Default)]
pub struct Slices(Vec<(i64, Slice)>);

impl Slices {
    /// The slice of a number that no later one was asked for before.
    pub fn at(&mut self, number: i64) -> &mut Slice {
        if self.0.last().is_none_or(|(last, _)| *last < number) {
            self.0.push((number, Slice::default()));
        }
        let place = self.0.len() - 1;
        &mut self.0[place].1
    }

    /// Adds slices behind those that are there; the first may go on with the last.
    pub fn extend(&mut self, mut slices: impl Iterator<Item = (i64, Slice)>) {
        let Some((number, first)) = slices.next() else { return };
        self.at(number).add(&first);
        self.0.extend(slices);
    }

    /// One of them.
    pub fn get(&self, number: i64) -> Option<&Slice> {
        let place = self.0.binary_search_by_key(&number, |(n, _)| *n).ok()?;
        self.0.get(place).map(|(_, slice)| slice)
    }

    /// Those of a range of numbers.
    pub fn range(&self, numbers: RangeInclusive<i64>) -> &[(i64, Slice)] {
        let from = self.0.partition_point(|(n, _)| n < numbers.start());
        let to = self.0.partition_point(|(n, _)| n <= numbers.end());
        self.0.get(from..to).unwrap_or_default()
    }

    /// All.
    pub fn all(&self) -> &[(i64, Slice)] {
        &self.0
    }
}
