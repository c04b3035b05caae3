//! What the stations said in the last hours, until it is judged: few values, all of which
//! a late one may still join.

use super::plan::{DIRECTION, RAIN, SLOTS};
use super::roster::keeps;
use observation::Time;
use observation::time::HOUR;
use quality::neighbours::Root;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Most values of one series in one hour.
const MOST: usize = 240;

/// One value: its time and whether it may teach.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Word {
    pub(crate) time: Time,
    pub(crate) value: f64,
    pub(crate) usable: bool,
}

/// Hour by hour (counted from 1970, its end included and its beginning not), by seat and
/// slot.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Hours {
    hours: BTreeMap<i64, Vec<Vec<Word>>>,
}

/// The hour a time lies in.
pub(crate) const fn hour_of(time: Time) -> i64 {
    (time.0 - 1).div_euclid(HOUR)
}

impl Hours {
    /// Takes a value, or that there is none at that time.
    pub(crate) fn take(
        &mut self,
        seats: usize,
        at: (usize, usize),
        time: Time,
        word: Option<Word>,
    ) {
        let hour = hour_of(time);
        if word.is_none() && !self.hours.contains_key(&hour) {
            return;
        }
        let lists = self.hours.entry(hour).or_insert_with(|| vec![Vec::new(); seats * SLOTS]);
        let Some(list) = lists.get_mut(at.0 * SLOTS + at.1) else { return };
        let place = list.partition_point(|w| w.time < time);
        let known = list.get(place).is_some_and(|w| w.time == time);
        match (word, known) {
            (Some(word), true) => {
                if let Some(old) = list.get_mut(place) {
                    *old = word;
                }
            }
            // A series that speaks faster than this is judged by the first of each hour.
            (Some(_), false) if list.len() >= MOST => {}
            (Some(word), false) => list.insert(place, word),
            (None, true) => {
                list.remove(place);
            }
            (None, false) => {}
        }
    }

    /// The first hour after `judged` of which something is known.
    pub(crate) fn next(&self, judged: Option<i64>) -> Option<i64> {
        let from = judged.map_or(i64::MIN, |judged| judged + 1);
        self.hours.range(from..).next().map(|(&hour, _)| hour)
    }

    /// The mean of an hour: of directions that of their vectors, of rain the sum; none
    /// where nothing usable was said.
    pub(crate) fn mean(&self, hour: i64, at: (usize, usize)) -> Option<f64> {
        let list = self.hours.get(&hour)?.get(at.0 * SLOTS + at.1)?;
        let (mut sum, mut east, mut north, mut count) = (0.0, 0.0, 0.0, 0.0);
        for word in list.iter().filter(|w| w.usable) {
            sum += word.value;
            let (sin, cos) = word.value.to_radians().sin_cos();
            (east, north) = (east + sin, north + cos);
            count += 1.0;
        }
        let found = match at.1 {
            _ if count < 1.0 => return None,
            RAIN => sum,
            DIRECTION if f64::hypot(east, north) < 0.2 * count => return None,
            DIRECTION => f64::atan2(east, north).to_degrees().rem_euclid(360.0),
            _ => sum / count,
        };
        found.is_finite().then_some(found)
    }

    /// The last value at or before an instant, as far as is remembered.
    pub(crate) fn last(&self, at: (usize, usize), time: Time) -> Option<Word> {
        let place = at.0 * SLOTS + at.1;
        self.hours.range(..=hour_of(time)).rev().take(3).find_map(|(_, lists)| {
            let list = lists.get(place)?;
            let end = list.partition_point(|w| w.time <= time);
            list.get(end.checked_sub(1)?).copied()
        })
    }

    /// The values in `[from, to]`, oldest first.
    pub(crate) fn between(
        &self,
        at: (usize, usize),
        from: Time,
        to: Time,
    ) -> impl Iterator<Item = Word> + '_ {
        let place = at.0 * SLOTS + at.1;
        self.hours
            .range(hour_of(from)..=hour_of(to))
            .filter_map(move |(_, lists)| lists.get(place))
            .flatten()
            .copied()
            .filter(move |w| from <= w.time && w.time <= to)
    }

    /// The same hours with other seats: `roots` tells which list each of them had.
    pub(crate) fn moved(&self, roots: &[Option<Root>]) -> Self {
        let list = |lists: &[Vec<Word>], seat: usize, slot: usize| {
            let root = roots.get(seat)?.as_ref().filter(|root| keeps(root, slot))?;
            lists.get(root.place * SLOTS + slot).cloned()
        };
        let all = |lists: &[Vec<Word>]| {
            let of = |at: usize| list(lists, at / SLOTS, at % SLOTS).unwrap_or_default();
            (0..roots.len() * SLOTS).map(of).collect()
        };
        Self { hours: self.hours.iter().map(|(hour, lists)| (*hour, all(lists))).collect() }
    }

    /// Forgets the hours before one.
    pub(crate) fn forget(&mut self, before: i64) {
        self.hours = self.hours.split_off(&before);
    }
}
