//! Which samples are already held, in few bytes: twelve a message.
//!
//! A message is one entry per distinct key (time, or sequence): the key as an offset,
//! the number of the set of channels it carried, and its log number as an offset.

use std::collections::HashMap;

/// Room that is made below the lowest key, at once.
const ROOM: i64 = 10_000;
/// Most entries of one ledger: a day of one message in forty milliseconds.
const MOST: usize = 2_000_000;

/// Most sets that are numbered; beyond, each channel is a set of its own.
const MOST_SETS: usize = 32_768;

#[derive(Clone, Copy, Debug)]
struct Entry {
    offset: u32,
    number: u32,
    set: u16,
}

/// Keys of one span of time, or of one run of a sender, in rising order.
#[derive(Debug, Default)]
pub(crate) struct Ledger {
    base: i64,
    base_number: u64,
    entries: Vec<Entry>,
}

impl Ledger {
    /// The log number under which `key` is held for a channel.
    pub(crate) fn find(&self, key: i64, channel: u16, sets: &Sets) -> Option<u64> {
        let offset = u32::try_from(key.checked_sub(self.base)?).ok()?;
        let first = self.entries.partition_point(|e| e.offset < offset);
        self.entries
            .get(first..)?
            .iter()
            .take_while(|e| e.offset == offset)
            .find(|e| sets.contains(e.set, channel))
            .map(|e| self.base_number + u64::from(e.number))
    }

    /// Remembers that `key` is held for the channels of a set. False if it cannot: it
    /// lies too far from the others (49 days, or 4,294,967,295 numbers), or the ledger is
    /// full.
    pub(crate) fn add(&mut self, key: i64, set: u16, number: u64) -> bool {
        if self.entries.is_empty() {
            (self.base, self.base_number) = (key, number);
        }
        if self.entries.len() >= MOST || !self.rebase(key, number) {
            return false;
        }
        let (Ok(offset), Ok(number)) = (
            u32::try_from(key.saturating_sub(self.base)),
            u32::try_from(number - self.base_number),
        ) else {
            return false;
        };
        let entry = Entry { offset, number, set };
        if self.entries.last().is_none_or(|last| last.offset <= offset) {
            self.entries.push(entry);
        } else {
            let place = self.entries.partition_point(|e| e.offset <= offset);
            self.entries.insert(place, entry);
        }
        true
    }

    /// Makes room below the lowest key and number, in steps so that it is rare.
    fn rebase(&mut self, key: i64, number: u64) -> bool {
        if key < self.base {
            let Some(shift) = self.base.checked_sub(key) else { return false };
            let shift = shift.saturating_add(ROOM).min(self.base);
            let Ok(by) = u32::try_from(shift) else { return false };
            let highest = self.entries.last().map_or(0, |e| e.offset);
            if highest.checked_add(by).is_none() {
                return false;
            }
            self.entries.iter_mut().for_each(|e| e.offset += by);
            self.base -= shift;
        }
        if number < self.base_number {
            let Ok(by) = u32::try_from(self.base_number - number) else { return false };
            if self.entries.iter().any(|e| e.number.checked_add(by).is_none()) {
                return false;
            }
            self.entries.iter_mut().for_each(|e| e.number += by);
            self.base_number = number;
        }
        true
    }

    /// Memory taken, in bytes.
    #[cfg(test)]
    pub(crate) fn bytes(&self) -> usize {
        self.entries.capacity() * size_of::<Entry>()
    }

    /// Gives back memory that is not needed: nothing more is expected.
    pub(crate) fn settle(&mut self) {
        self.entries.shrink_to_fit();
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
    /// The numbers of a set of channels, given in rising order: one, or where too many
    /// sets are known, one for each channel.
    pub(crate) fn numbers(&mut self, channels: &[u16]) -> Vec<u16> {
        if let Some(&number) = self.known.get(channels) {
            return vec![number];
        }
        if channels.len() > 1 && self.sets.len() >= MOST_SETS {
            return channels.iter().flat_map(|&channel| self.numbers(&[channel])).collect();
        }
        let Ok(number) = u16::try_from(self.sets.len()) else { return Vec::new() };
        self.sets.push(channels.into());
        self.known.insert(channels.into(), number);
        vec![number]
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
        let [both] = sets.numbers(&[0, 3])[..] else { panic!("one set") };
        let [one] = sets.numbers(&[1])[..] else { panic!("one set") };
        assert_ne!(both, one);
        let mut ledger = Ledger::default();
        assert!(ledger.add(5_000, both, 70));
        assert!(ledger.add(2_000, one, 71));
        assert!(ledger.add(5_000, one, 75));
        assert_eq!(ledger.find(5_000, 3, &sets), Some(70));
        assert_eq!(ledger.find(5_000, 1, &sets), Some(75));
        assert_eq!(ledger.find(2_000, 1, &sets), Some(71));
        assert_eq!(ledger.find(2_000, 0, &sets), None);
        assert_eq!(ledger.find(999, 0, &sets), None);
        assert!(ledger.add(999, one, 80) && ledger.add(6_000, one, 1), "below the first");
        for (key, channel, number) in [(999, 1, 80), (6_000, 1, 1), (5_000, 3, 70), (2_000, 1, 71)]
        {
            assert_eq!(ledger.find(key, channel, &sets), Some(number), "{key}");
        }
        assert!(!ledger.add(5_000_000_000, one, 90), "too far above");
        assert_eq!(ledger.find(5_000_000_000, 1, &sets), None);
    }
}
