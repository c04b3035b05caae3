//! Whether a sample is already held. Only what its sender stated identifies it: its own
//! time, or (boot, sequence).
//!
//! The keys of the last 48 hours are in memory, in blocks of three hours; an older day
//! is loaded from the log when a sample of it comes. A hit is compared with the log.

use crate::ledger::{Ledger, Sets};
use crate::plan::Line;
use crate::recall::{Held, Recall};
use crate::runs::{Past, Runs};
use observation::time::{DAY, FIRST_BELIEVABLE, HOUR};
use observation::{Measured, Message, Span, Stated, StationIndex, Time, Value};
use std::collections::{BTreeMap, VecDeque};

/// How long keys stay in memory.
pub(crate) const MEMORY: Span = Span::hours(48);
/// Keys are remembered and forgotten by so much time at once.
pub(crate) const BLOCK: Span = Span(3 * HOUR);
/// Older days kept in memory for a while after they were loaded.
const OLD_DAYS: usize = 4;

/// The oldest block whose keys are all in memory when a message comes.
pub(crate) fn oldest_block(received: Time) -> i64 {
    (received - MEMORY).0.div_euclid(BLOCK.0)
}

/// What became of a sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Verdict {
    New,
    Repeat,
    Conflict,
}

impl Verdict {
    fn of(sample: &Measured, held: &Value) -> Self {
        if sample.value == *held { Self::Repeat } else { Self::Conflict }
    }
}

/// The sample that is asked about, and what is not in the log yet.
#[derive(Clone, Copy)]
pub(crate) struct Asked<'a> {
    pub(crate) message: &'a Message,
    pub(crate) sample: &'a Measured,
    /// The place of its channel among those of its station.
    pub(crate) local: u16,
    /// The value under the same key earlier in the same message.
    pub(crate) twin: Option<&'a Value>,
    /// The log number of the record being made, and its messages so far.
    pub(crate) number: u64,
    pub(crate) pending: &'a [Message],
    pub(crate) lines: &'a [Line],
}

impl<'a> Asked<'a> {
    fn waiting(&self) -> impl DoubleEndedIterator<Item = (&'a Message, &'a Measured)> + use<'a> {
        waiting(self.pending, self.message.station)
    }
}

/// Samples of a station in messages that are not in the log yet.
fn waiting(
    pending: &[Message],
    station: StationIndex,
) -> impl DoubleEndedIterator<Item = (&Message, &Measured)> {
    pending
        .iter()
        .filter(move |m| m.station == station)
        .flat_map(|m| m.samples.iter().map(move |s| (m, s)))
}

/// The time that identifies a sample.
pub(crate) fn own_time(stated: Stated) -> Option<Time> {
    match stated {
        Stated::At(time) if time >= FIRST_BELIEVABLE => Some(time),
        _ => None,
    }
}

/// What tells samples of one channel under one number apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Naming {
    /// Its own time.
    Time(Time),
    /// Its age: a message may bring several of different ages.
    Age(i64),
    /// Nothing.
    Nothing,
}

impl Naming {
    pub(crate) fn of(stated: Stated) -> Self {
        match (own_time(stated), stated) {
            (Some(time), _) => Self::Time(time),
            (None, Stated::Relative(age)) => Self::Age(age),
            _ => Self::Nothing,
        }
    }
}

/// Identities of one station.
#[derive(Debug, Default)]
pub(crate) struct Identities {
    sets: Sets,
    blocks: BTreeMap<i64, Ledger>,
    /// Days loaded from the log, in the order of their last use.
    old: VecDeque<(i64, Ledger)>,
    runs: Runs,
    /// The record that a sample was compared with last.
    record: Option<(u64, Vec<Held>)>,
    pairs: Vec<(i64, u16)>,
    channels: Vec<u16>,
}

impl Identities {
    /// Judges one sample. For a sequence without a boot identifier this may open a new
    /// epoch.
    pub(crate) fn judge(&mut self, asked: &Asked<'_>, recall: &mut dyn Recall) -> Verdict {
        let twin = asked.twin.map(|held| Verdict::of(asked.sample, held));
        if let Some(time) = own_time(asked.sample.stated) {
            return twin.unwrap_or_else(|| self.by_time(asked, time, recall));
        }
        let Some(sequence) = asked.message.sequence else { return Verdict::New };
        let boot = &asked.message.boot;
        let naming = Naming::of(asked.sample.stated);
        let numbers = if twin.is_some() {
            Vec::new()
        } else {
            self.runs.find(asked.message, sequence, asked.local, &self.sets)
        };
        let compared = numbers.iter().find_map(|&number| {
            self.compare(
                number,
                asked,
                recall,
                &|h| {
                    h.sequence == Some(sequence)
                        && h.boot == *boot
                        && Naming::of(h.stated) == naming
                },
                &|m, s| {
                    m.sequence == Some(sequence)
                        && m.boot == *boot
                        && Naming::of(s.stated) == naming
                },
            )
        });
        // A record that does not show it any more cannot contradict it.
        let lost = !numbers.is_empty() && naming == Naming::Nothing;
        let found = twin
            .or(compared)
            .or(lost.then_some(Verdict::Repeat))
            .or_else(|| self.by_past(asked, sequence, naming, recall));
        self.runs.judge(asked.message, sequence, asked.local, found, &mut self.sets)
    }

    /// Looks for a number that was used more than two days ago.
    fn by_past(
        &self,
        asked: &Asked<'_>,
        sequence: u64,
        naming: Naming,
        recall: &mut dyn Recall,
    ) -> Option<Verdict> {
        let days = self.runs.past_days(asked.message, sequence, asked.local);
        let boot = &asked.message.boot;
        days.into_iter().find_map(|day| {
            let held = recall.day(asked.message.station, day);
            let found = held.iter().rfind(|h| {
                h.channel == asked.sample.channel
                    && h.sequence == Some(sequence)
                    && h.boot == *boot
                    && Naming::of(h.stated) == naming
            });
            found.map(|h| Verdict::of(asked.sample, &h.value))
        })
    }

    /// Where numbers of the past are in the log, to be saved.
    pub(crate) const fn past(&self) -> &Past {
        self.runs.past()
    }

    /// Takes up what was saved.
    pub(crate) fn restore(&mut self, past: &Past) {
        self.runs.restore(past);
    }

    fn by_time(&mut self, asked: &Asked<'_>, time: Time, recall: &mut dyn Recall) -> Verdict {
        let block = time.0.div_euclid(BLOCK.0);
        let (ledger, base) = if block >= oldest_block(asked.message.received) {
            let Some(ledger) = self.blocks.get(&block) else { return Verdict::New };
            (ledger, block * BLOCK.0)
        } else {
            let day = time.utc_day();
            self.load(asked, day, recall);
            let Some((_, ledger)) = self.old.back() else { return Verdict::New };
            (ledger, day_start(day))
        };
        let key = (time.0 - base).unsigned_abs();
        let Some(number) = ledger.find(key, asked.local, &self.sets) else {
            let partial = ledger.is_partial();
            return if partial { exact(asked, time, recall) } else { Verdict::New };
        };
        self.compare(number, asked, recall, &|h| own_time(h.stated) == Some(time), &|_, s| {
            own_time(s.stated) == Some(time)
        })
        .unwrap_or(Verdict::Repeat)
    }

    /// Compares a sample with the newest that a record holds under its key, if it shows
    /// one.
    fn compare(
        &mut self,
        number: u64,
        asked: &Asked<'_>,
        recall: &mut dyn Recall,
        held: &dyn Fn(&Held) -> bool,
        pending: &dyn Fn(&Message, &Measured) -> bool,
    ) -> Option<Verdict> {
        let channel = asked.sample.channel;
        if number == asked.number {
            let mut waiting = asked.waiting();
            let found = waiting.rfind(|(m, s)| s.channel == channel && pending(m, s));
            return found.map(|(_, s)| Verdict::of(asked.sample, &s.value));
        }
        if self.record.as_ref().is_none_or(|(known, _)| *known != number) {
            let record = recall.record(number, asked.message.station);
            // A record that cannot be read may be read later.
            self.record = (!record.is_empty()).then_some((number, record));
        }
        let record = self.record.as_ref().map_or(&[][..], |(_, record)| record);
        let found = record.iter().rfind(|h| h.channel == channel && held(h));
        found.map(|h| Verdict::of(asked.sample, &h.value))
    }

    /// Remembers samples of a message that are held now. `locals` are the places of
    /// their channels, in the order of `message.samples`.
    pub(crate) fn add(&mut self, message: &Message, locals: &[u16], number: u64) {
        let first = message.samples.first().and_then(|s| own_time(s.stated));
        if let Some(time) = first
            && message.samples.iter().all(|s| s.stated == Stated::At(time))
        {
            self.channels.clear();
            self.channels.extend_from_slice(locals);
            sort(&mut self.channels);
            return self.add_time(time, message.received, number);
        }
        let mut pairs = std::mem::take(&mut self.pairs);
        pairs.clear();
        let mut by_number: Vec<u16> = Vec::new();
        for (sample, &local) in message.samples.iter().zip(locals) {
            if let Some(time) = own_time(sample.stated) {
                pairs.push((time.0, local));
            } else if message.sequence.is_some() {
                by_number.push(local);
            }
        }
        pairs.sort_unstable();
        for group in pairs.chunk_by(|a, b| a.0 == b.0) {
            let Some(&(time, _)) = group.first() else { continue };
            self.channels.clear();
            self.channels.extend(group.iter().map(|&(_, local)| local));
            self.channels.dedup();
            self.add_time(Time(time), message.received, number);
        }
        self.pairs = pairs;
        if let (false, Some(sequence)) = (by_number.is_empty(), message.sequence) {
            sort(&mut by_number);
            self.runs.add(message, sequence, &by_number, number, &mut self.sets);
        }
    }

    /// Remembers the channels in `self.channels` under a time.
    fn add_time(&mut self, time: Time, received: Time, number: u64) {
        let set = self.sets.number(&self.channels);
        let block = time.0.div_euclid(BLOCK.0);
        if block < oldest_block(received) {
            let day = time.utc_day();
            if let Some((_, ledger)) = self.old.iter_mut().find(|(d, _)| *d == day) {
                ledger.add((time.0 - day_start(day)).unsigned_abs(), set, number);
            }
            return;
        }
        if !self.blocks.contains_key(&block)
            && let Some(mut newest) = self.blocks.last_entry()
        {
            newest.get_mut().shrink();
        }
        self.blocks.entry(block).or_insert_with(|| Ledger::new(0, number)).add(
            (time.0 - block * BLOCK.0).unsigned_abs(),
            set,
            number,
        );
    }

    /// Remembers a message read back from the log. What the rule of epochs decided when
    /// it came is decided again.
    pub(crate) fn refill(&mut self, message: &Message, locals: &[u16], number: u64) {
        if let (None, Some(sequence)) = (&message.boot, message.sequence) {
            let mut before: Vec<(u16, Naming)> = Vec::new();
            for (sample, &local) in message.samples.iter().zip(locals) {
                if own_time(sample.stated).is_some() {
                    continue;
                }
                let naming = Naming::of(sample.stated);
                let held = before.contains(&(local, naming))
                    || naming == Naming::Nothing
                        && !self.runs.find(message, sequence, local, &self.sets).is_empty();
                // It was taken, so what was held under its number was of another epoch.
                let found = held.then_some(Verdict::Conflict);
                self.runs.judge(message, sequence, local, found, &mut self.sets);
                before.push((local, naming));
            }
        }
        self.add(message, locals, number);
    }

    /// Makes a day that is no longer in memory the last of those loaded.
    fn load(&mut self, asked: &Asked<'_>, day: i64, recall: &mut dyn Recall) {
        let ledger = match self.old.iter().position(|(d, _)| *d == day) {
            Some(place) => self.old.remove(place).map(|(_, ledger)| ledger),
            None => None,
        };
        let ledger = ledger.unwrap_or_else(|| self.read(asked, day, recall));
        while self.old.len() >= OLD_DAYS {
            self.old.pop_front();
        }
        self.old.push_back((day, ledger));
    }

    fn read(&mut self, asked: &Asked<'_>, day: i64, recall: &mut dyn Recall) -> Ledger {
        let local = |channel: observation::ChannelIndex| {
            asked.lines.get(channel.0 as usize).map_or(u16::MAX, |l| l.local)
        };
        let mut held: Vec<(i64, u64, u16)> = recall
            .day(asked.message.station, day)
            .into_iter()
            .filter_map(|h| Some((own_time(h.stated)?.0, h.number, local(h.channel))))
            .collect();
        held.extend(
            asked
                .waiting()
                .filter_map(|(_, s)| Some((own_time(s.stated)?, local(s.channel))))
                .filter(|(time, _)| time.utc_day() == day)
                .map(|(time, local)| (time.0, asked.number, local)),
        );
        held.sort_unstable();
        let first = held.iter().map(|h| h.1).min().unwrap_or(asked.number);
        let mut ledger = Ledger::new(0, first);
        for group in held.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)) {
            let Some(&(time, number, _)) = group.first() else { continue };
            self.channels.clear();
            self.channels.extend(group.iter().map(|&(.., local)| local));
            self.channels.dedup();
            let set = self.sets.number(&self.channels);
            ledger.add((time - day_start(day)).unsigned_abs(), set, number);
        }
        ledger
    }

    /// Forgets keys that have become too old to keep.
    pub(crate) fn forget(&mut self, received: Time) {
        let oldest = oldest_block(received);
        if self.blocks.first_key_value().is_some_and(|(&block, _)| block < oldest) {
            self.blocks = self.blocks.split_off(&oldest);
        }
        self.runs.forget(received, &self.sets);
    }

    /// Bytes that the keys of times take.
    #[cfg(test)]
    pub(crate) fn bytes(&self) -> usize {
        self.blocks.values().map(Ledger::bytes).sum()
    }
}

fn sort(channels: &mut Vec<u16>) {
    if !channels.is_sorted() {
        channels.sort_unstable();
    }
    channels.dedup();
}

/// Looks for one sample in the log and in what waits, where memory does not suffice.
fn exact(asked: &Asked<'_>, time: Time, recall: &mut dyn Recall) -> Verdict {
    let channel = asked.sample.channel;
    let held = recall.samples(channel, time, time);
    let found = held.iter().find(|h| own_time(h.stated) == Some(time)).map(|h| &h.value);
    let mut waiting = asked.waiting().filter(|(_, s)| s.channel == channel);
    let found = found
        .or_else(|| waiting.find(|(_, s)| own_time(s.stated) == Some(time)).map(|(_, s)| &s.value));
    found.map_or(Verdict::New, |value| Verdict::of(asked.sample, value))
}

/// The start of a UTC day in milliseconds.
const fn day_start(day: i64) -> i64 {
    day.saturating_mul(DAY)
}

#[cfg(test)]
mod tests {
    use super::*;
    use observation::{ChannelIndex, Finite, SourceIndex};

    /// Two days of one message of twelve channels in two seconds: goal 1 MiB a station.
    #[test]
    fn two_days_take_little_more_than_a_mebibyte() {
        let mut identities = Identities::default();
        let places: Vec<u16> = (0..12).collect();
        let mut most = 0;
        for nth in 0..129_600_i64 {
            let time = Time(1_772_323_200_000 + 2_000 * nth);
            let sample = |n| Measured {
                channel: ChannelIndex(n),
                value: Value::Number(Finite::ZERO),
                stated: Stated::At(time),
            };
            let message = Message {
                station: StationIndex(0),
                source: SourceIndex(0),
                boot: None,
                sequence: None,
                received: time,
                early: false,
                redelivery: None,
                samples: (0..12).map(sample).collect(),
            };
            identities.add(&message, &places, 1 + nth.unsigned_abs());
            if nth % 1_800 == 0 {
                identities.forget(time);
                most = most.max(identities.bytes());
            }
        }
        // The block under way may hold twice what it needs, and the oldest more than 48 h.
        assert!(most < 1_048_576 + 262_144, "{most} bytes");
        assert!(most > 900_000, "{most} bytes: two days are not held");
    }
}
