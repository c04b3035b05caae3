//! The depths of single minutes, for more than a year, in little room.
//!
//! The rule: every minute is held by itself, so that a late or revised one changes any sum
//! it lies in exactly, whenever it comes. Of a dry minute one bit is held; a day takes 0.2
//! KiB and 16 bytes for every minute of rain.

use observation::Time;
use observation::time::MINUTE;
use std::collections::BTreeMap;

/// Minutes of a day.
const DAY: i64 = 1_440;

#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Day {
    /// A bit for every minute that was measured.
    known: [u64; 23],
    count: u64,
    /// Minutes in which something fell, in order, with its steps.
    wet: Vec<(i64, i64)>,
    sum: i64,
}

impl Day {
    fn put(&mut self, minute: i64, steps: Option<i64>) {
        let place = usize::try_from(minute).unwrap_or_default();
        if let Some(word) = self.known.get_mut(place / 64) {
            let bit = 1_u64 << (place % 64);
            self.count -= u64::from(*word & bit != 0);
            self.count += u64::from(steps.is_some());
            *word = if steps.is_some() { *word | bit } else { *word & !bit };
        }
        let at = self.wet.binary_search_by_key(&minute, |wet| wet.0);
        if let Ok(at) = at {
            self.sum = self.sum.saturating_sub(self.wet.remove(at).1);
        }
        if let Some(steps) = steps.filter(|&steps| steps != 0) {
            self.sum = self.sum.saturating_add(steps);
            let at = at.unwrap_or_else(|at| at);
            self.wet.insert(at, (minute, steps));
        }
    }

    /// How many minutes from the first to the last were measured, and their sum.
    fn between(&self, first: i64, last: i64) -> (u64, i64) {
        if first <= 0 && last >= DAY - 1 {
            return (self.count, self.sum);
        }
        let within = |minute: i64| minute >= first && minute <= last;
        let count = (0..).zip(&self.known).map(|(place, &word)| {
            let low = (first - place * 64).clamp(0, 64);
            let high = (last + 1 - place * 64).clamp(low, 64);
            // Bits low to high.
            let up_to = |bits: i64| if bits >= 64 { u64::MAX } else { (1 << bits) - 1 };
            u64::from((word & up_to(high) & !up_to(low)).count_ones())
        });
        let falls = self.wet.iter().filter(|wet| within(wet.0)).map(|wet| wet.1);
        (count.sum(), falls.sum())
    }
}

/// See the module.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Minutes {
    days: BTreeMap<i64, Day>,
}

impl Minutes {
    /// Sets the steps of the minute that ends at a time; none takes it away.
    pub(super) fn put(&mut self, end: Time, steps: Option<i64>) {
        let minute = end.0.div_euclid(MINUTE);
        let number = minute.div_euclid(DAY);
        if steps.is_some() || self.days.contains_key(&number) {
            self.days.entry(number).or_default().put(minute.rem_euclid(DAY), steps);
        }
    }

    /// Drops the days that end before a time.
    pub(super) fn forget(&mut self, before: Time) {
        let first = before.0.div_euclid(MINUTE).div_euclid(DAY);
        if self.days.first_key_value().is_some_and(|(&number, _)| number < first) {
            self.days = self.days.split_off(&first);
        }
    }

    /// How many minutes that end in `(from, to]` were measured, and their sum.
    pub(super) fn between(&self, from: Time, to: Time) -> (u64, i64) {
        let (first, last) = (from.0.div_euclid(MINUTE) + 1, to.0.div_euclid(MINUTE));
        if first > last {
            return (0, 0);
        }
        let mut sums = (0, 0_i64);
        for (&number, day) in self.days.range(first.div_euclid(DAY)..=last.div_euclid(DAY)) {
            let (count, sum) = day.between(first - number * DAY, last - number * DAY);
            sums = (sums.0 + count, sums.1.saturating_add(sum));
        }
        sums
    }

    /// The ends of the minutes with rain up to a time, the newest first.
    pub(super) fn falls(&self, to: Time) -> impl Iterator<Item = Time> {
        let last = to.0.div_euclid(MINUTE);
        self.days
            .range(..=last.div_euclid(DAY))
            .rev()
            .flat_map(|(&number, day)| day.wet.iter().rev().map(move |wet| number * DAY + wet.0))
            .filter(move |&minute| minute <= last)
            .map(|minute| Time(minute * MINUTE))
    }
}
