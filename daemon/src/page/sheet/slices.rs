//! What counts within quarters of an hour, or hours where a span is long, one after the
//! other.

use observation::{Span, Time};
use std::ops::RangeInclusive;

/// Length of a slice: every offset of a zone in use is a multiple of it.
pub const SLICE: Span = Span::minutes(15);
/// Length of a slice of a long span, where the zone's offsets are whole hours.
pub const HOURLY: Span = Span::hours(1);

/// The slice of a length that an instant belongs to: an instant between two ends the one
/// before.
pub const fn slice_of(time: Time, length: Span) -> i64 {
    (time.0 - 1).div_euclid(length.0)
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
#[derive(Clone, Debug)]
pub struct Slices {
    length: Span,
    list: Vec<(i64, Slice)>,
}

impl Default for Slices {
    fn default() -> Self {
        Self::of(SLICE)
    }
}

impl Slices {
    /// None yet, of a length.
    pub const fn of(length: Span) -> Self {
        Self { length, list: Vec::new() }
    }

    /// How long each is.
    pub const fn length(&self) -> Span {
        self.length
    }

    /// Takes a reading that counts, not before the last.
    pub fn take(&mut self, time: Time, steps: i64) {
        self.at(time).take(time, steps);
    }

    /// Those of `(from, to]`.
    pub fn within(&self, from: Time, to: Time) -> &[(i64, Slice)] {
        self.range(slice_of(from + Span(1), self.length)..=slice_of(to, self.length))
    }

    /// The slice of an instant; no later one was asked for before.
    pub fn at(&mut self, time: Time) -> &mut Slice {
        self.numbered(slice_of(time, self.length))
    }

    fn numbered(&mut self, number: i64) -> &mut Slice {
        if self.list.last().is_none_or(|(last, _)| *last < number) {
            self.list.push((number, Slice::default()));
        }
        let place = self.list.len() - 1;
        &mut self.list[place].1
    }

    /// Adds slices behind those that are there; the first may go on with the last.
    pub fn extend(&mut self, mut slices: impl Iterator<Item = (i64, Slice)>) {
        let Some((number, first)) = slices.next() else { return };
        self.numbered(number).add(&first);
        self.list.extend(slices);
    }

    /// One of them.
    pub fn get(&self, number: i64) -> Option<&Slice> {
        let place = self.list.binary_search_by_key(&number, |(n, _)| *n).ok()?;
        self.list.get(place).map(|(_, slice)| slice)
    }

    /// Those of a range of numbers.
    fn range(&self, numbers: RangeInclusive<i64>) -> &[(i64, Slice)] {
        let from = self.list.partition_point(|(n, _)| n < numbers.start());
        let to = self.list.partition_point(|(n, _)| n <= numbers.end());
        self.list.get(from..to).unwrap_or_default()
    }

    /// All.
    pub fn all(&self) -> &[(i64, Slice)] {
        &self.list
    }
}
