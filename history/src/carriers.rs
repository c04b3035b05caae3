//! Which of the newest records hold readings. With a commit each second most hold samples
//! alone, and of a day that is not sealed its readings are asked again and again: so the
//! writer notes the numbers of those that hold some, in memory, and whoever reads
//! through one of its readers passes over the rest.

use crate::record::{count_readings, kind};
use crate::row::{COLUMNS, body_of, row_of};
use rusqlite::Connection;
use std::collections::VecDeque;
use std::ops::RangeInclusive;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Records that are looked at when the history is opened: a day of commits each second,
/// and more.
const LOOKED_AT: u64 = 100_000;
/// Most numbers kept: half a megabyte.
const MOST: usize = if cfg!(test) { 40 } else { 65_536 };
/// Numbers so close are read together: to pass over a record costs less than to seek.
const CLOSE: u64 = 4;

/// The numbers; some of those records may hold no readings, or not be there at all.
#[derive(Debug, Default)]
pub(crate) struct Carriers(Mutex<Noted>);

#[derive(Debug, Default)]
struct Noted {
    /// From this record on every one with readings is noted.
    from: u64,
    numbers: VecDeque<u64>,
}

impl Noted {
    fn note(&mut self, number: u64) {
        if self.numbers.back().is_some_and(|&last| last >= number) {
            // The same record, tried once more.
            return;
        }
        self.numbers.push_back(number);
        while self.numbers.len() > MOST
            && let Some(oldest) = self.numbers.pop_front()
        {
            self.from = oldest + 1;
        }
    }
}

impl Carriers {
    /// Looks through the newest records up to `last`.
    pub(crate) fn of(connection: &Connection, last: u64) -> rusqlite::Result<Self> {
        let mut noted =
            Noted { from: last.saturating_sub(LOOKED_AT) + 1, numbers: VecDeque::new() };
        let mut statement = connection
            .prepare(&format!("SELECT {COLUMNS} FROM log WHERE number >= ?1 ORDER BY number"))?;
        let mut rows = statement.query([noted.from.cast_signed()])?;
        while let Some(found) = rows.next()? {
            // What cannot be decoded is not passed over: its fault is to be told.
            if row_of(found).is_ok_and(|row| {
                row.kind == kind::BATCH
                    && body_of(found)
                        .is_ok_and(|body| count_readings(&row, body).is_ok_and(|n| n == 0))
            }) {
                continue;
            }
            noted.note(found.get::<_, i64>(0)?.cast_unsigned());
        }
        Ok(Self(Mutex::new(noted)))
    }

    fn noted(&self) -> MutexGuard<'_, Noted> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A record with readings is about to be written.
    pub(crate) fn note(&self, number: u64) {
        self.noted().note(number);
    }

    /// The parts of a range of records in which all readings of the range stand.
    pub(crate) fn within(&self, range: RangeInclusive<u64>) -> Vec<RangeInclusive<u64>> {
        let noted = self.noted();
        let (low, high) = range.into_inner();
        let mut parts: Vec<(u64, u64)> = Vec::new();
        if low < noted.from {
            parts.push((low, high.min(noted.from - 1)));
        }
        let first = noted.numbers.partition_point(|&n| n < low);
        for &number in noted.numbers.range(first..).take_while(|&&n| n <= high) {
            match parts.last_mut() {
                Some((_, last)) if number - *last <= CLOSE => *last = number,
                _ => parts.push((number, number)),
            }
        }
        parts.into_iter().map(|(low, high)| low..=high).collect()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn what_is_noted_is_kept_up_to_a_bound_and_the_rest_is_read_whole() {
        let carriers = Carriers::default();
        for number in (10..=100).step_by(10) {
            carriers.note(number);
            carriers.note(number);
        }
        carriers.note(102);
        assert_eq!(carriers.within(15..=35), [20..=20, 30..=30]);
        assert_eq!(carriers.within(31..=39), []);
        assert_eq!(carriers.within(95..=200), [100..=102]);
        for number in 1_001..=1_000 + MOST as u64 {
            carriers.note(number);
        }
        assert_eq!(carriers.noted().numbers.len(), MOST);
        // Up to the last that was forgotten nothing is passed over.
        assert_eq!(carriers.within(5..=50), [5..=50]);
        assert_eq!(carriers.within(5..=1_002), [5..=102, 1_001..=1_002]);
        assert_eq!(carriers.within(1_010..=1_012), [1_010..=1_012]);
    }
}
