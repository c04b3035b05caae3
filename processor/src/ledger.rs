//! Which samples are already held, in few bytes: twelve a message.
//!
//! A message is one entry per distinct key (time, or sequence): the key as an offset,
//! the number of the set of channels it carried, and its log number as an offset.

use observation::time::DAY;
use std::collections::HashMap;

/// Most entries of one ledger: a day of one message in forty milliseconds.
const MOST: usize = 2_000_000;

#[derive(Clone, Copy, Debug)]
struct Entry {
    offset: u32,
    number: u32,
    set: u16,
}

/// Keys of one day, or of one run of a sender, in rising order.
#[derive(Debug)]
pub(crate) struct Ledger {
    base: i64,
    base_number: u64,
    entries: Vec<Entry>,
}

impl Ledger {
    /// A ledger for keys from `base` on.
    pub(crate) const fn new(base: i64) -> Self {
        Self { base, base_number: u64::MAX, entries: Vec::new() }
    }

    /// The ledger of a UTC day.
    pub(crate) const fn of_day(day: i64) -> Self {
        Self::new(day * DAY)
    }

    /// The log number under which `key` is held for a channel.
    pub(crate) fn find(&self, key: i64, channel: u16, sets: &Sets) -> Option<u64> {
        let offset = u32::try_from(key - self.base).ok()?;
        let first = self.entries.partition_point(|e| e.offset < offset);
        self.entries
            .get(first..)?
            .iter()
            .take_while(|e| e.offset == offset)
            .find(|e| sets.contains(e.set, channel))
            .map(|e| self.base_number + u64::from(e.number))
    }

    /// Remembers that `key` is held for the channels of a set. False if it cannot: the
    /// key or number lies too far from the first, or the ledger is full.
    pub(crate) fn add(&mut self, key: i64, set: u16, number: u64) -> bool {
        if self.base_number == u64::MAX {
            self.base_number = number;
        }
        let (Ok(offset), Some(number)) =
            (u32::try_from(key - self.base), number.checked_sub(self.base_number))
        else {
            return false;
        };
        let Ok(number) = u32::try_from(number) else { return false };
        if self.entries.len() >= MOST {
            return false;
        }
        let entry = Entry { offset, number, set };
        if self.entries.last().is_none_or(|last| last.offset <= offset) {
            self.entries.push(entry);
        } else {
            let place = self.entries.partition_point(|e| e.offset <= offset);
            self.entries.insert(place, entry);
        }
        true
    }

    /// Drops the lowest keys beyond `most`.
    pub(crate) fn keep(&mut self, most: usize) {
        if self.entries.len() > most + most / 8 {
            self.entries.drain(..self.entries.len() - most);
        }
    }
}

/// The sets of channels that messages of one station carried, each once.
#[derive(Debug, Default)]
pub(crate) struct Sets {
    sets: Vec<Box<[u16]>>,
    known: HashMap<Box<[u16]>, u16>,
}

impl Sets {
    /// The number of a set of channels, given in rising order. When there are too many
    /// sets to number (65,535), none.
    pub(crate) fn number(&mut self, channels: &[u16]) -> Option<u16> {
        if let Some(&number) = self.known.get(channels) {
            return Some(number);
        }
        let number = u16::try_from(self.sets.len()).ok()?;
        self.sets.push(channels.into());
        self.known.insert(channels.into(), number);
        Some(number)
    }

    fn contains(&self, set: u16, channel: u16) -> bool {
        self.sets.get(usize::from(set)).is_some_and(|s| s.binary_search(&channel).is_ok())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_message_takes_twelve_bytes() {
        assert_eq!(size_of::<Entry>(), 12);
    }

    #[test]
    fn keys_are_found_for_the_channels_they_came_with() {
        let mut sets = Sets::default();
        let both = sets.number(&[0, 3]).unwrap_or(9);
        let one = sets.number(&[1]).unwrap_or(9);
        assert_ne!(both, one);
        let mut ledger = Ledger::new(1_000);
        assert!(ledger.add(5_000, both, 70));
        assert!(ledger.add(2_000, one, 71));
        assert!(ledger.add(5_000, one, 75));
        assert_eq!(ledger.find(5_000, 3, &sets), Some(70));
        assert_eq!(ledger.find(5_000, 1, &sets), Some(75));
        assert_eq!(ledger.find(2_000, 1, &sets), Some(71));
        assert_eq!(ledger.find(2_000, 0, &sets), None);
        assert_eq!(ledger.find(999, 0, &sets), None);
        assert!(!ledger.add(999, one, 80), "below its base");
        assert!(!ledger.add(6_000, one, 1), "a log number below the first");
    }
}
