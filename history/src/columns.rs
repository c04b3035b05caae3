//! The readings of a stretch in the order of their times: told window by window, of each
//! series in turn, because blocks give long runs of one series and a window has few of each.

use crate::select::Kept;
use observation::time::{HOUR, MINUTE};
use observation::{Reading, SeriesIndex, Time};
use std::collections::VecDeque;
use std::ops::Range;

/// The readings of one series that came in the order of their times.
#[derive(Debug)]
struct Column {
    series: SeriesIndex,
    /// Where they lie, part after part.
    parts: VecDeque<Range<usize>>,
    /// The greatest time, of what came out of order too: what is found later comes behind.
    last: Time,
}

/// See the module.
#[derive(Debug, Default)]
pub(crate) struct Columns {
    /// As they were found. One large piece of memory is had sooner than many.
    found: Vec<Kept>,
    all: Vec<Column>,
    /// Which column a series has, by its index.
    places: Vec<Option<usize>>,
    /// What came out of order, of all series: in the order of its times, once all is taken.
    late: Vec<Kept>,
    late_told: usize,
    /// Columns with anything in them, in the order of their series.
    order: Vec<usize>,
    /// The least time that is not told.
    next: Option<Time>,
    window: i64,
}

fn key(kept: &Kept) -> (Time, SeriesIndex) {
    (kept.reading.time, kept.reading.series)
}

/// Tells what lies before the end of a window; how much that is, and the time of what
/// follows.
fn tell_before(rest: &[Kept], end: Time, part: &mut Vec<Kept>) -> (usize, Option<Time>) {
    let within = rest.iter().take_while(|kept| kept.reading.time < end).count();
    part.extend_from_slice(rest.get(..within).unwrap_or_default());
    (within, rest.get(within).map(|kept| kept.reading.time))
}

impl Columns {
    pub(crate) fn clear(&mut self) {
        self.all.iter_mut().for_each(|column| column.parts.clear());
        self.found.clear();
        self.late.clear();
        self.late_told = 0;
        self.order.clear();
        self.next = None;
    }

    pub(crate) const fn is_told(&self) -> bool {
        self.next.is_none()
    }

    /// Takes a part of one series that stands in a record from a place on.
    pub(crate) fn take(&mut self, number: u64, place: u32, part: &[Reading]) {
        let (Some(first), Some(last)) = (part.first(), part.last()) else { return };
        let index = first.series.0 as usize;
        if self.places.len() <= index {
            self.places.resize(index + 1, None);
        }
        let Self { all, places, found, late, .. } = self;
        let Some(slot) = places.get_mut(index) else { return };
        let at = *slot.get_or_insert_with(|| {
            all.push(Column { series: first.series, parts: VecDeque::new(), last: first.time });
            all.len() - 1
        });
        let Some(column) = all.get_mut(at) else { return };
        let kept = part.iter().map(|&reading| Kept { number, place, reading });
        if !column.parts.is_empty() && column.last >= first.time {
            late.extend(kept);
            column.last = column.last.max(last.time);
            return;
        }
        column.last = last.time;
        let start = found.len();
        found.extend(kept);
        match column.parts.back_mut() {
            Some(before) if before.end == start => before.end = found.len(),
            _ => column.parts.push_back(start..found.len()),
        }
    }

    /// Everything is taken; how many that were.
    pub(crate) fn ready(&mut self) -> usize {
        let Self { all, order, late, found, .. } = self;
        // Stable: what was found later stays behind.
        late.sort_by_key(|kept| kept.reading.time);
        let filled = all.iter().enumerate().filter(|(_, column)| !column.parts.is_empty());
        order.extend(filled.map(|(place, _)| place));
        order.sort_by_key(|&place| all.get(place).map(|column| column.series));
        let firsts = all.iter().filter_map(|column| found.get(column.parts.front()?.start));
        let least = firsts.chain(late.first()).map(|kept| kept.reading.time).min();
        self.next = least;
        self.window = MINUTE;
        self.found.len() + self.late.len()
    }

    /// Tells the next windows in order until the part has so many: of each series and time
    /// the highest revision, of equal ones the last found.
    pub(crate) fn tell(&mut self, part: &mut Vec<Kept>, enough: usize) {
        while part.len() < enough
            && let Some(next) = self.next
        {
            let end = Time((next.0.div_euclid(self.window) + 1).saturating_mul(self.window));
            let start = part.len();
            let mut soonest = None;
            let mut follows = |time: Option<Time>| {
                soonest = [soonest, time].into_iter().flatten().min();
            };
            for &place in &self.order {
                let Some(column) = self.all.get_mut(place) else { continue };
                while let Some(range) = column.parts.front_mut() {
                    let rest = self.found.get(range.clone()).unwrap_or_default();
                    let (within, time) = tell_before(rest, end, part);
                    range.start += within;
                    if time.is_some() {
                        follows(time);
                        break;
                    }
                    column.parts.pop_front();
                }
            }
            let rest = self.late.get(self.late_told..).unwrap_or_default();
            let (within, time) = tell_before(rest, end, part);
            self.late_told += within;
            follows(time);
            self.next = soonest;
            self.fit(part.len() - start);
            in_order(part, start);
        }
    }

    /// Windows grow where a series has something in few of them.
    fn fit(&mut self, count: usize) {
        if count.saturating_mul(4) < self.order.len() {
            self.window = (self.window * 2).min(HOUR);
        } else if count > self.order.len().saturating_mul(8) {
            self.window = (self.window / 2).max(MINUTE);
        }
    }
}

/// Brings what a part has from `start` on into order, each time of a series once.
fn in_order(part: &mut Vec<Kept>, start: usize) {
    let Some(new) = part.get_mut(start..) else { return };
    if new.is_sorted_by(|a, b| key(a) < key(b)) {
        return;
    }
    // Stable, too.
    new.sort_by_key(key);
    let mut kept = start;
    for at in start..part.len() {
        let Some(&next) = part.get(at) else { break };
        match kept.checked_sub(1).filter(|&k| k >= start).and_then(|k| part.get_mut(k)) {
            Some(held) if key(held) == key(&next) => {
                if next.reading.revision >= held.reading.revision {
                    *held = next;
                }
            }
            _ => {
                if let Some(slot) = part.get_mut(kept) {
                    *slot = next;
                }
                kept += 1;
            }
        }
    }
    part.truncate(kept);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::invented::reading;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn all_is_told_once_in_order_and_the_last_of_the_highest_revision_counts(
            parts in prop::collection::vec(
                (0_u32..5, 0_i64..300, prop::collection::vec(1_i64..90, 1..6), 0_u32..3), 0..60
            ),
            enough in 1_usize..20,
        ) {
            let mut columns = Columns::default();
            for _ in 0..2 {
                columns.clear();
                let mut expected: Vec<Kept> = Vec::new();
                for (number, (series, start, steps, revision)) in (0_u64..).zip(&parts) {
                    let mut second = *start;
                    let run: Vec<Reading> = steps.iter().map(|step| {
                        second += step;
                        reading(*series, Time(second * 1_000), second, *revision)
                    }).collect();
                    columns.take(number, 0, &run);
                    expected.extend(run.iter().map(|&reading| Kept { number, place: 0, reading }));
                }
                prop_assert_eq!(columns.ready(), expected.len());
                expected.sort_by_key(|k| (key(k), k.reading.revision));
                let mut once: Vec<Kept> = Vec::new();
                for kept in expected {
                    match once.last_mut() {
                        Some(held) if key(held) == key(&kept) => *held = kept,
                        _ => once.push(kept),
                    }
                }
                let (mut told, mut part) = (Vec::new(), Vec::new());
                while !columns.is_told() {
                    part.clear();
                    columns.tell(&mut part, enough);
                    prop_assert!(!part.is_empty());
                    told.extend_from_slice(&part);
                }
                prop_assert_eq!(told, once);
            }
        }
    }
}
