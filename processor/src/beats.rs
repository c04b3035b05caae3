//! In which minutes a station said something: one bit a minute, over two days.
//!
//! It is filled from the log at a restart. What is older is asked of the log.

use observation::time::{DAY, MINUTE};
use observation::{Span, Time};
use std::collections::BTreeMap;

/// How long minutes are remembered: an hour less than what a restart reads back, so that
/// the answer does not depend on one.
pub(crate) const MEMORY: Span = Span::hours(47);

/// Words of one day's bits.
const WORDS: usize = 23;

/// Minutes by the label of their end.
#[derive(Debug, Default)]
pub(crate) struct Beats {
    days: BTreeMap<i64, [u64; WORDS]>,
    /// Everything later than this is known; none while nothing was dropped.
    floor: Option<Time>,
}

fn place(minute: Time) -> (i64, usize, u64) {
    let nth = usize::try_from(minute.0.rem_euclid(DAY) / MINUTE).unwrap_or_default();
    (minute.0.div_euclid(DAY), nth / 64, 1 << (nth % 64))
}

impl Beats {
    /// Notes a minute; true if it was not known.
    pub(crate) fn set(&mut self, minute: Time) -> bool {
        if self.floor.is_some_and(|floor| minute <= floor) {
            return true;
        }
        let (day, word, bit) = place(minute);
        let words = self.days.entry(day).or_insert([0; WORDS]);
        let Some(word) = words.get_mut(word) else { return false };
        let new = *word & bit == 0;
        *word |= bit;
        new
    }

    /// Whether something was said in the minute; none for what lies further back than
    /// is remembered.
    pub(crate) fn get(&self, minute: Time) -> Option<bool> {
        if self.floor.is_some_and(|floor| minute <= floor) {
            return None;
        }
        let (day, word, bit) = place(minute);
        let words = self.days.get(&day).and_then(|w| w.get(word));
        Some(words.is_some_and(|w| w & bit != 0))
    }

    /// Nothing at or before `floor` is known.
    pub(crate) fn begin_after(&mut self, floor: Time) {
        self.floor = Some(self.floor.map_or(floor, |f| f.max(floor)));
    }

    /// Drops the days that lie wholly before `oldest`.
    pub(crate) fn forget(&mut self, oldest: Time) {
        let day = oldest.0.div_euclid(DAY);
        while self.days.first_key_value().is_some_and(|(&first, _)| first < day) {
            self.days.pop_first();
            self.begin_after(Time(day.saturating_mul(DAY)) - Span(1));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_minute_is_known_until_its_day_is_forgotten() {
        let mut beats = Beats::default();
        let day = Time(20_000 * DAY);
        let last = day + Span(DAY - MINUTE);
        assert!(beats.set(day) && !beats.set(day));
        assert!(beats.set(last));
        assert_eq!(beats.get(last), Some(true));
        assert_eq!(beats.get(last - Span(MINUTE)), Some(false));
        assert_eq!(beats.get(last + Span(MINUTE)), Some(false));
        beats.forget(day + Span(DAY + 1));
        assert_eq!(beats.get(last), None);
        assert_eq!(beats.get(day + Span(DAY)), Some(false));
        assert!(beats.set(last), "what is beyond memory is always new");
        assert_eq!(beats.get(last), None);
    }
}
