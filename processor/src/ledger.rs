//! Which samples are already held, in few bytes: twelve a message.
//!
//! A message is one entry per distinct key (time, or sequence): the key as an offset,
//! the number of the set of channels it carried, and its log number as an offset.

use crate::hash::ByFnv;
use std::collections::HashMap;

/// Most entries of one ledger.
const MOST: usize = 2_000_000;

#[derive(Clone, Copy, Debug)]
struct Entry {
    offset: u32,
    number: u32,
    set: u16,
}

/// Keys from a base on, in rising order.
#[derive(Debug)]
pub(crate) struct Ledger {
    base: u64,
    base_number: u64,
    entries: Vec<Entry>,
    /// Something was to be remembered and could not be.
    partial: bool,
}

impl Ledger {
    /// A ledger for keys from `base` on, for log numbers from `number` on.
    pub(crate) const fn new(base: u64, number: u64) -> Self {
        Self { base, base_number: number, entries: Vec::new(), partial: false }
    }

    fn offset(&self, key: u64) -> Option<u32> {
        u32::try_from(key.checked_sub(self.base)?).ok()
    }

    /// The log number under which `key` is held for a channel; the newest if several.
    pub(crate) fn find(&self, key: u64, channel: u16, sets: &Sets) -> Option<u64> {
        self.all(key, channel, sets).next()
    }

    /// All log numbers under which `key` is held for a channel, newest first.
    pub(crate) fn all(&self, key: u64, channel: u16, sets: &Sets) -> impl Iterator<Item = u64> {
        let offset = self.offset(key);
        let end = offset.map_or(0, |o| self.entries.partition_point(|e| e.offset <= o));
        let below = self.entries.get(..end).unwrap_or_default();
        below
            .iter()
            .rev()
            .take_while(move |e| Some(e.offset) == offset)
            .filter(move |e| sets.contains(e.set, channel))
            .map(|e| self.base_number + u64::from(e.number))
    }

    /// Remembers that `key` is held for the channels of a set; none for a set without a
    /// number. What cannot be remembered makes the ledger partial.
    pub(crate) fn add(&mut self, key: u64, set: Option<u16>, number: u64) {
        let number = number.checked_sub(self.base_number).and_then(|n| u32::try_from(n).ok());
        let (Some(offset), Some(number), Some(set), true) =
            (self.offset(key), number, set, self.entries.len() < MOST)
        else {
            self.partial = true;
            return;
        };
        let entry = Entry { offset, number, set };
        if self.entries.last().is_none_or(|last| last.offset <= offset) {
            self.entries.push(entry);
        } else {
            let place = self.entries.partition_point(|e| e.offset <= offset);
            self.entries.insert(place, entry);
        }
    }

    /// The keys in rising order, each with the number of its set of channels.
    pub(crate) fn keys(&self) -> impl Iterator<Item = (u64, u16)> {
        self.entries.iter().map(|e| (self.base + u64::from(e.offset), e.set))
    }

    /// Whether something is held that [`Self::find`] does not know.
    pub(crate) const fn is_partial(&self) -> bool {
        self.partial
    }

    /// Gives back memory that will not be needed.
    pub(crate) fn shrink(&mut self) {
        self.entries.shrink_to_fit();
    }

    /// Bytes in use.
    #[cfg(test)]
    pub(crate) fn bytes(&self) -> usize {
        size_of::<Self>() + self.entries.capacity() * size_of::<Entry>()
    }
}

/// The sets of channels that messages of one station carried, each once.
#[derive(Debug, Default)]
pub(crate) struct Sets {
    sets: Vec<Box<[u16]>>,
    known: HashMap<Box<[u16]>, u16, ByFnv>,
    last: u16,
}

impl Sets {
    /// The number of a set of channels, given in rising order. When there are too many
    /// sets to number (65,535), none.
    pub(crate) fn number(&mut self, channels: &[u16]) -> Option<u16> {
        if self.sets.get(usize::from(self.last)).is_some_and(|s| **s == *channels) {
            return Some(self.last);
        }
        if let Some(&number) = self.known.get(channels) {
            self.last = number;
            return Some(number);
        }
        let number = u16::try_from(self.sets.len()).ok()?;
        self.sets.push(channels.into());
        self.known.insert(channels.into(), number);
        self.last = number;
        Some(number)
    }

    /// The channels of a set.
    pub(crate) fn channels(&self, set: u16) -> &[u16] {
        self.sets.get(usize::from(set)).map_or(&[], |s| s)
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
        let (both, one) = (sets.number(&[0, 3]), sets.number(&[1]));
        assert_ne!(both, one);
        let mut ledger = Ledger::new(1_000, 70);
        ledger.add(5_000, both, 70);
        ledger.add(2_000, one, 71);
        ledger.add(5_000, one, 75);
        assert_eq!(ledger.find(5_000, 3, &sets), Some(70));
        assert_eq!(ledger.find(5_000, 1, &sets), Some(75));
        assert_eq!(ledger.find(2_000, 1, &sets), Some(71));
        assert_eq!(ledger.find(2_000, 0, &sets), None);
        assert_eq!(ledger.find(999, 0, &sets), None);
        assert!(!ledger.is_partial());
        ledger.add(5_000, both, 80);
        assert_eq!(ledger.find(5_000, 0, &sets), Some(80), "the newest counts");
    }

    #[test]
    fn what_cannot_be_remembered_is_known_to_be_missing() {
        let mut sets = Sets::default();
        let one = sets.number(&[1]);
        for (key, set, number) in
            [(999, one, 80), (1_000, one, 69), (1_000, None, 80), (u64::MAX, one, 80)]
        {
            let mut ledger = Ledger::new(1_000, 70);
            ledger.add(key, set, number);
            assert!(ledger.is_partial(), "{key} {set:?} {number}");
        }
    }
}
