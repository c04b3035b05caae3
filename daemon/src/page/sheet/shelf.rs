//! Settled days worked out once: of each series and UTC day the slices, so that a season or
//! a year is drawn without reading every minute of it again.
//!
//! What is kept here is a function of what the history holds; the mark of a day tells
//! whether it still holds the same ([`history::Look::settled`]).

use super::slices::{Slice, slice_of};
use crate::page::graphics::columns::Stroke;
use observation::{Flag, SeriesIndex, Span, Time};
use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

/// Slices that are kept, about 120 bytes each: hours of a year of the panes of two stations,
/// and a little more.
const MOST: usize = 150_000;

/// One slice as a picture needs it.
#[derive(Clone, Copy, Debug)]
struct Cell {
    number: i64,
    first: Time,
    slice: Slice,
    doubted: Option<(i64, i64)>,
    gaps: u16,
    broken_before: bool,
    broken_after: bool,
}

/// One series on one day.
#[derive(Clone, Debug, Default)]
pub struct Put {
    cells: Box<[Cell]>,
    /// Readings that count at the ends of windows of ten minutes.
    windows: Box<[(Time, i64)]>,
}

impl Put {
    /// The strokes for a picture, in order.
    pub fn strokes(&self) -> impl Iterator<Item = Stroke> {
        self.cells.iter().map(|cell| Stroke {
            first: cell.first,
            last: cell.slice.last.map_or(cell.first, |l| l.0),
            low: (cell.slice.least_at, cell.slice.least),
            high: (cell.slice.most_at, cell.slice.most),
            count: cell.slice.count,
            left_out: cell.slice.left_out,
            doubted: cell.doubted,
            gaps: u64::from(cell.gaps),
            broken_before: cell.broken_before,
            broken_after: cell.broken_after,
        })
    }

    /// The slices by number, in order.
    pub fn slices(&self) -> impl Iterator<Item = (i64, Slice)> {
        self.cells.iter().map(|cell| (cell.number, cell.slice))
    }

    /// See [`Put`].
    pub fn windows(&self) -> &[(Time, i64)] {
        &self.windows
    }
}

/// Works out a day, reading by reading in the order of their times.
#[derive(Debug)]
pub struct Working {
    length: Span,
    apart: Span,
    window: Option<Span>,
    cells: Vec<Cell>,
    windows: Vec<(Time, i64)>,
}

impl Working {
    /// In slices of a length, of readings that are broken when further apart than `apart`;
    /// `window` asks for those at its ends.
    pub const fn new(length: Span, apart: Span, window: Option<Span>) -> Self {
        Self { length, apart, window, cells: Vec::new(), windows: Vec::new() }
    }

    /// Takes the next.
    pub fn take(&mut self, time: Time, value: Option<i64>, flag: Flag) {
        let number = slice_of(time, self.length);
        if self.cells.last().is_none_or(|c| c.number < number) {
            self.cells.push(Cell {
                number,
                first: time,
                slice: Slice::default(),
                doubted: None,
                gaps: 0,
                broken_before: false,
                broken_after: false,
            });
        }
        let Some(cell) = self.cells.last_mut() else { return };
        let Some(steps) = value else {
            cell.broken_after = true;
            return;
        };
        if !flag.counts() {
            cell.slice.left_out += 1;
            cell.broken_after = true;
            let held = cell.doubted.unwrap_or((steps, steps));
            cell.doubted = Some((held.0.min(steps), held.1.max(steps)));
            return;
        }
        match cell.slice.last {
            None => (cell.broken_before, cell.first) = (cell.broken_after, time),
            Some((last, _)) => {
                cell.gaps += u16::from(cell.broken_after || time - last > self.apart);
            }
        }
        cell.broken_after = false;
        cell.slice.take(time, steps);
        if self.window.is_some_and(|window| time.0.rem_euclid(window.0) == 0) {
            self.windows.push((time, steps));
        }
    }

    /// The day.
    pub fn done(self) -> Put {
        Put { cells: self.cells.into(), windows: self.windows.into() }
    }
}

/// A series, a UTC day, and how long its slices are.
type Key = (SeriesIndex, i64, Span);

struct Held {
    mark: u64,
    used: u64,
    put: Arc<Put>,
}

impl Held {
    /// What it takes of the room: a day without readings has a place all the same.
    fn size(&self) -> usize {
        self.put.cells.len() + 1
    }
}

/// What is held, and how often it was asked.
#[derive(Default)]
struct Days {
    clock: u64,
    cells: usize,
    held: HashMap<Key, Held>,
}

/// See the module.
#[derive(Default)]
pub struct Shelf {
    days: Mutex<Days>,
}

impl Shelf {
    /// What was put away of a series and day with this mark.
    pub fn find(&self, key: Key, mark: u64) -> Option<Arc<Put>> {
        let mut days = self.days.lock().unwrap_or_else(PoisonError::into_inner);
        let Days { clock, held, .. } = &mut *days;
        *clock += 1;
        let found = held.get_mut(&key).filter(|h| h.mark == mark)?;
        found.used = *clock;
        Some(Arc::clone(&found.put))
    }

    /// Puts a day away; where there is no more room, those go that were not used for the
    /// longest time.
    pub fn put(&self, key: Key, mark: u64, put: &Arc<Put>) {
        let mut days = self.days.lock().unwrap_or_else(PoisonError::into_inner);
        let Days { clock, cells, held } = &mut *days;
        *clock += 1;
        if *cells >= MOST {
            let mut used: Vec<u64> = held.values().map(|h| h.used).collect();
            let place = used.len() / 4;
            let (_, oldest, _) = used.select_nth_unstable(place);
            let oldest = *oldest;
            held.retain(|_, h| h.used > oldest);
            *cells = held.values().map(Held::size).sum();
        }
        let new = Held { mark, used: *clock, put: Arc::clone(put) };
        *cells += new.size();
        if let Some(old) = held.insert(key, new) {
            *cells -= old.size();
        }
    }

    /// Whether there is room for as much again as half of it.
    pub fn is_roomy(&self) -> bool {
        self.days.lock().unwrap_or_else(PoisonError::into_inner).cells < MOST / 2
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::page::graphics::columns::Columns;

    /// The same picture, whether of readings or of days put away.
    #[test]
    fn a_day_put_away_draws_what_its_readings_draw() {
        let minute = Span::minutes(1);
        let from = Time(1_780_272_000_000);
        let to = from + Span::days(1);
        // Columns of a little more than a slice, and not a whole number of them.
        let mut plain = Columns::new(from - Span::days(2), to + Span::days(3), minute)
            .on(crate::page::sheet::slices::SLICE);
        let mut shelved = plain.clone();
        let slice = crate::page::sheet::slices::SLICE;
        let mut working = Working::new(slice, Span(minute.0 * 5 / 2), None);
        for n in 0..1_440_i64 {
            let time = from + Span(n * 60_000);
            let value = (n * 7919 % 401) - 200;
            let (value, flag) = match n {
                100..130 => continue,
                200 => (None, Flag::Missing),
                300..320 => (Some(value), Flag::Doubtful),
                _ => (Some(value), Flag::Good),
            };
            plain.take(time, value, flag);
            working.take(time, value, flag);
        }
        let put = working.done();
        put.strokes().for_each(|stroke| shelved.take_stroke(&stroke));
        assert_eq!(plain.count, shelved.count);
        assert_eq!(plain.left_out, shelved.left_out);
        assert_eq!(plain.gaps, shelved.gaps);
        assert_eq!(plain.extremes(), shelved.extremes());
        assert_eq!(plain.reach(), shelved.reach());
        assert_eq!(plain.data(|s| s.to_string()), shelved.data(|s| s.to_string()));
    }

    #[test]
    fn the_shelf_forgets_what_changed_and_what_was_not_used() {
        let shelf = Shelf::default();
        let put = Arc::new(Put::default());
        let key = |series, day| (SeriesIndex(series), day, Span::hours(1));
        shelf.put(key(1, 20_000), 7, &put);
        assert!(shelf.find(key(1, 20_000), 7).is_some());
        assert!(shelf.find(key(1, 20_000), 8).is_none(), "another mark");
        assert!(shelf.find(key(2, 20_000), 7).is_none());
        assert!(shelf.find((SeriesIndex(1), 20_000, Span::minutes(15)), 7).is_none());
        assert!(shelf.is_roomy());
        for day in 0..2 * MOST as i64 {
            shelf.put(key(2, day), 1, &put);
            assert!(shelf.find(key(1, 20_000), 7).is_some(), "in use, day {day}");
        }
        let days = shelf.days.lock().unwrap();
        assert!(days.held.len() <= MOST);
        assert_eq!(days.cells, days.held.values().map(Held::size).sum::<usize>());
        drop(days);
        assert!(shelf.find(key(2, 0), 1).is_none() && !shelf.is_roomy());
    }
}
