//! The readings of a stretch in the order of their times: told window by window, of each
//! series in turn, because blocks give long runs of one series and a window has few of each.

use crate::select::Kept;
use observation::time::{HOUR, MINUTE};
use observation::{Reading, SeriesIndex, Time};

/// Readings of one series in the order of their times, and how many are told.
#[derive(Debug)]
struct Column {
    series: SeriesIndex,
    kept: Vec<Kept>,
    told: usize,
}

/// See the module.
#[derive(Debug, Default)]
pub(crate) struct Columns {
    /// Two of each series: what came in the order of its times, and then the rest.
    all: Vec<Column>,
    /// Where those of a series begin, by its index.
    places: Vec<Option<usize>>,
    /// Those with anything in them, in the order of their series.
    order: Vec<usize>,
    /// The least time that is not told.
    next: Option<Time>,
    window: i64,
}

fn key(kept: &Kept) -> (Time, SeriesIndex) {
    (kept.reading.time, kept.reading.series)
}

impl Columns {
    pub(crate) fn clear(&mut self) {
        for column in &mut self.all {
            column.kept.clear();
            column.told = 0;
        }
        self.order.clear();
        self.next = None;
    }

    pub(crate) const fn is_told(&self) -> bool {
        self.next.is_none()
    }

    /// Takes a part of one series that stands in a record from a place on.
    pub(crate) fn take(&mut self, number: u64, place: u32, part: &[Reading]) {
        let Some(first) = part.first() else { return };
        let index = first.series.0 as usize;
        if self.places.len() <= index {
            self.places.resize(index + 1, None);
        }
        let Self { all, places, .. } = self;
        let Some(slot) = places.get_mut(index) else { return };
        let at = *slot.get_or_insert_with(|| {
            let new = || Column { series: first.series, kept: Vec::new(), told: 0 };
            all.extend([new(), new()]);
            all.len() - 2
        });
        let last = all.get(at).and_then(|column| column.kept.last());
        let behind = last.is_none_or(|last| last.reading.time < first.time);
        if let Some(column) = all.get_mut(if behind { at } else { at + 1 }) {
            column.kept.extend(part.iter().map(|&reading| Kept { number, place, reading }));
        }
    }

    /// Everything is taken; how many that were.
    pub(crate) fn ready(&mut self) -> usize {
        let Self { all, order, .. } = self;
        let mut count = 0;
        for (place, column) in all.iter_mut().enumerate().filter(|(_, c)| !c.kept.is_empty()) {
            order.push(place);
            count += column.kept.len();
            if place % 2 == 1 {
                // Stable: what was found later stays behind.
                column.kept.sort_by_key(|kept| kept.reading.time);
            }
        }
        order.sort_by_key(|&place| (all.get(place).map(|c| c.series), place));
        let firsts = all.iter().filter_map(|c| c.kept.first());
        self.next = firsts.map(|kept| kept.reading.time).min();
        self.window = MINUTE;
        count
    }

    /// Tells the next windows in order until the part has so many: of each series and time
    /// the highest revision, of equal ones the last found.
    pub(crate) fn tell(&mut self, part: &mut Vec<Kept>, enough: usize) {
        while part.len() < enough
            && let Some(next) = self.next
        {
            let end = Time((next.0.div_euclid(self.window) + 1).saturating_mul(self.window));
            let start = part.len();
            let mut soonest: Option<Time> = None;
            for &place in &self.order {
                let Some(column) = self.all.get_mut(place) else { continue };
                let rest = column.kept.get(column.told..).unwrap_or_default();
                let within = rest.iter().take_while(|kept| kept.reading.time < end).count();
                part.extend_from_slice(rest.get(..within).unwrap_or_default());
                column.told += within;
                if let Some(kept) = rest.get(within) {
                    let time = kept.reading.time;
                    soonest = Some(soonest.map_or(time, |soonest| soonest.min(time)));
                }
            }
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
