//! Whether a sample is already held. Only what its sender stated identifies it: its own
//! time, or (boot, sequence).
//!
//! The last 48 hours are in memory; an older day is loaded from the log when a sample of
//! it comes. A sender without a boot identifier opens a new epoch when its
//! number falls back further than a late message could.

use crate::ledger::{Ledger, Sets};
use crate::recall::{Held, Recall};
use observation::time::{FIRST_BELIEVABLE, HOUR};
use observation::{ChannelIndex, Measured, Message, Span, Stated, StationIndex, Time, Value};
use std::collections::{BTreeMap, HashMap, VecDeque};
use std::sync::Arc;

/// How long keys stay in memory.
pub(crate) const MEMORY: Span = Span::hours(48);
/// Times within one of these are in one ledger, so that memory is given back in parts.
const PART: i64 = 6 * HOUR;
/// Older days kept in memory for a while after they were loaded.
const OLD_DAYS: usize = 4;
/// How far below the highest a number without a boot identifier may be late.
const LATE_NUMBERS: u64 = 1_000;
/// How long after the highest number a lower one may be late.
const LATE_SPAN: Span = Span::minutes(10);
/// Runs remembered of one station.
const RUNS: usize = 64;
/// Messages remembered of one run: four and a half days at one in two seconds.
const RUN_MESSAGES: usize = 200_000;

/// What became of a sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Verdict {
    New,
    Repeat,
    Conflict,
}

/// One run of a sender.
#[derive(Debug)]
struct Run {
    boot: Option<Arc<str>>,
    ledger: Ledger,
    highest: u64,
    highest_received: Time,
}

/// Identities of one station.
#[derive(Debug)]
pub(crate) struct Identities {
    /// The place of each channel among those of the station.
    locals: HashMap<ChannelIndex, u16>,
    sets: Sets,
    parts: BTreeMap<i64, Ledger>,
    /// Only times from here on are all in memory.
    begin: Time,
    /// Days loaded from the log, in the order of their last use.
    old: VecDeque<(i64, Ledger)>,
    runs: VecDeque<Run>,
}

/// Where the samples of the present, uncommitted record are.
pub(crate) struct Pending<'a> {
    pub(crate) number: u64,
    pub(crate) messages: &'a [Message],
}

impl Pending<'_> {
    fn held(
        &self,
        station: StationIndex,
    ) -> impl DoubleEndedIterator<Item = (&Message, &Measured)> {
        self.messages
            .iter()
            .filter(move |m| m.station == station)
            .flat_map(|m| m.samples.iter().map(move |s| (m, s)))
    }
}

/// The time that identifies a sample.
fn own_time(stated: Stated) -> Option<Time> {
    match stated {
        Stated::At(time) if time >= FIRST_BELIEVABLE => Some(time),
        _ => None,
    }
}

impl Identities {
    /// Nothing is held yet.
    pub(crate) fn new(locals: HashMap<ChannelIndex, u16>) -> Self {
        Self {
            locals,
            sets: Sets::default(),
            parts: BTreeMap::new(),
            begin: Time(i64::MIN),
            old: VecDeque::new(),
            runs: VecDeque::new(),
        }
    }

    /// Judges one sample. For a sequence without a boot identifier this may open a new
    /// epoch; call [`Self::add`] for what is new, before the next is judged.
    pub(crate) fn judge(
        &mut self,
        message: &Message,
        sample: &Measured,
        local: u16,
        pending: &Pending<'_>,
        recall: &mut dyn Recall,
    ) -> Verdict {
        if let Some(time) = own_time(sample.stated) {
            return self.by_time(message, time, sample, local, pending, recall);
        }
        match message.sequence {
            Some(sequence) => self.by_sequence(message, sequence, sample, local, pending, recall),
            None => Verdict::New,
        }
    }

    fn by_time(
        &mut self,
        message: &Message,
        time: Time,
        sample: &Measured,
        local: u16,
        pending: &Pending<'_>,
        recall: &mut dyn Recall,
    ) -> Verdict {
        let ledger = if time >= self.begin && time >= message.received - MEMORY {
            self.parts.get(&time.0.div_euclid(PART))
        } else {
            self.load(message.station, time.utc_day(), pending, recall);
            self.old.back().map(|(_, ledger)| ledger)
        };
        let Some(number) = ledger.and_then(|ledger| ledger.find(time.0, local, &self.sets)) else {
            return Verdict::New;
        };
        let same_key = |stated: Stated| own_time(stated) == Some(time);
        verdict(
            number,
            message.station,
            sample,
            pending,
            recall,
            &|h| same_key(h.stated),
            &|_, s| same_key(s.stated),
        )
    }

    fn by_sequence(
        &mut self,
        message: &Message,
        sequence: u64,
        sample: &Measured,
        local: u16,
        pending: &Pending<'_>,
        recall: &mut dyn Recall,
    ) -> Verdict {
        let place = self.runs.iter().rposition(|r| r.boot == message.boot);
        let Some(run) = place.and_then(|p| self.runs.get(p)) else { return Verdict::New };
        let key = i64::try_from(sequence).unwrap_or(i64::MAX);
        let found = run.ledger.find(key, local, &self.sets).map(|number| {
            let boot = &message.boot;
            verdict(
                number,
                message.station,
                sample,
                pending,
                recall,
                &|h| h.sequence == Some(sequence) && h.boot == *boot,
                &|m, s| {
                    m.sequence == Some(sequence) && m.boot == *boot && own_time(s.stated).is_none()
                },
            )
        });
        if message.boot.is_some() {
            return found.unwrap_or(Verdict::New);
        }
        let near = run.highest.saturating_sub(sequence) <= LATE_NUMBERS
            && message.received - run.highest_received < LATE_SPAN;
        match found {
            Some(Verdict::Repeat) if near => Verdict::Repeat,
            None if near || sequence > run.highest => Verdict::New,
            _ => {
                self.open_run(message, sequence);
                Verdict::New
            }
        }
    }

    fn open_run(&mut self, message: &Message, sequence: u64) {
        if self.runs.len() >= RUNS {
            self.runs.pop_front();
        }
        self.runs.push_back(Run {
            boot: message.boot.clone(),
            ledger: Ledger::default(),
            highest: sequence,
            highest_received: message.received,
        });
    }

    /// Remembers samples of a message that are held now. `locals` are the places of
    /// their channels, in the order of `message.samples`.
    pub(crate) fn add(
        &mut self,
        message: &Message,
        locals: &[u16],
        number: u64,
        scratch: &mut Vec<(i64, u16)>,
    ) {
        scratch.clear();
        let mut by_number: Vec<u16> = Vec::new();
        for (sample, &local) in message.samples.iter().zip(locals) {
            if let Some(time) = own_time(sample.stated) {
                scratch.push((time.0, local));
            } else if message.sequence.is_some() {
                by_number.push(local);
            }
        }
        scratch.sort_unstable();
        for group in scratch.chunk_by(|a, b| a.0 == b.0) {
            let Some(&(time, _)) = group.first() else { continue };
            let mut channels: Vec<u16> = group.iter().map(|&(_, c)| c).collect();
            channels.dedup();
            self.hold(Time(time), &channels, number);
        }
        let (false, Some(sequence)) = (by_number.is_empty(), message.sequence) else { return };
        by_number.sort_unstable();
        by_number.dedup();
        if !self.runs.iter().any(|r| r.boot == message.boot) {
            self.open_run(message, sequence);
        }
        let sets = self.sets.numbers(&by_number);
        let key = i64::try_from(sequence).unwrap_or(i64::MAX);
        if let Some(run) = self.runs.iter_mut().rev().find(|r| r.boot == message.boot) {
            for set in sets {
                run.ledger.add(key, set, number);
            }
            run.ledger.keep(RUN_MESSAGES);
            if sequence >= run.highest {
                run.highest = sequence;
                run.highest_received = message.received;
            }
        }
    }

    /// Remembers that channels, in rising order, are held at a time.
    fn hold(&mut self, time: Time, channels: &[u16], number: u64) {
        let sets = self.sets.numbers(channels);
        let part = time.0.div_euclid(PART);
        if !self.parts.contains_key(&part)
            && let Some(mut last) = self.parts.last_entry()
        {
            last.get_mut().settle();
        }
        let day = time.utc_day();
        let old = self.old.iter_mut().find(|(d, _)| *d == day).map(|(_, ledger)| ledger);
        for ledger in old.into_iter().chain([self.parts.entry(part).or_default()]) {
            for &set in &sets {
                ledger.add(time.0, set, number);
            }
        }
    }

    /// Remembers a message read back from the log. What the rule of epochs decided when
    /// it came is decided again.
    pub(crate) fn refill(
        &mut self,
        message: &Message,
        locals: &[u16],
        number: u64,
        scratch: &mut Vec<(i64, u16)>,
    ) {
        if let (None, Some(sequence)) = (&message.boot, message.sequence)
            && let Some(run) = self.runs.iter().rev().find(|r| r.boot.is_none())
        {
            let key = i64::try_from(sequence).unwrap_or(i64::MAX);
            let near = run.highest.saturating_sub(sequence) <= LATE_NUMBERS
                && message.received - run.highest_received < LATE_SPAN;
            let held = locals.iter().any(|&c| run.ledger.find(key, c, &self.sets).is_some());
            if sequence <= run.highest && (held || !near) {
                self.open_run(message, sequence);
            }
        }
        self.add(message, locals, number, scratch);
    }

    /// Loads a day that is no longer in memory.
    fn load(
        &mut self,
        station: StationIndex,
        day: i64,
        pending: &Pending<'_>,
        recall: &mut dyn Recall,
    ) {
        if let Some(place) = self.old.iter().position(|(d, _)| *d == day) {
            // The one that is asked stands last.
            if let Some(found) = self.old.remove(place) {
                self.old.push_back(found);
            }
            return;
        }
        let mut ledger = Ledger::default();
        let mut held: Vec<(i64, u64, ChannelIndex)> = recall
            .day(station, day)
            .into_iter()
            .filter_map(|h| Some((own_time(h.stated)?.0, h.number, h.channel)))
            .collect();
        for (_, sample) in pending.held(station) {
            if let Some(time) = own_time(sample.stated).filter(|t| t.utc_day() == day) {
                held.push((time.0, pending.number, sample.channel));
            }
        }
        held.sort_unstable_by_key(|&(time, number, _)| (number, time));
        for (time, number, channel) in held {
            if let Some(&local) = self.locals.get(&channel) {
                for set in self.sets.numbers(&[local]) {
                    ledger.add(time, set, number);
                }
            }
        }
        self.old.push_back((day, ledger));
        if self.old.len() > OLD_DAYS {
            self.old.pop_front();
        }
    }

    /// Forgets what has become too old to keep.
    pub(crate) fn forget(&mut self, now: Time) {
        let oldest = (now - MEMORY).0.div_euclid(PART);
        self.parts.retain(|&part, _| part >= oldest);
    }

    /// After a refill: what lies further back than the memory is asked of the log.
    pub(crate) fn begin_at(&mut self, now: Time) {
        self.begin = now - MEMORY;
        self.forget(now);
    }
}

fn verdict(
    number: u64,
    station: StationIndex,
    sample: &Measured,
    pending: &Pending<'_>,
    recall: &mut dyn Recall,
    held: &dyn Fn(&Held) -> bool,
    waiting: &dyn Fn(&Message, &Measured) -> bool,
) -> Verdict {
    let compare = |value: &Value| {
        if *value == sample.value { Verdict::Repeat } else { Verdict::Conflict }
    };
    if number == pending.number {
        let found =
            pending.held(station).rfind(|(m, s)| s.channel == sample.channel && waiting(m, s));
        return found.map_or(Verdict::Repeat, |(_, s)| compare(&s.value));
    }
    recall
        .record(number, station)
        .iter()
        .find(|h| h.channel == sample.channel && held(h))
        .map_or(Verdict::Repeat, |h| compare(&h.value))
}

#[cfg(test)]
mod tests {
    use super::*;
    use observation::{Finite, SourceIndex};

    /// Two days of one message of twelve channels in two seconds: goal 1 MiB a station.
    #[test]
    fn two_days_take_little_more_than_a_mebibyte() {
        let locals = (0..12).map(|n| (ChannelIndex(n), u16::try_from(n).unwrap_or(0))).collect();
        let mut identities = Identities::new(locals);
        let places: Vec<u16> = (0..12).collect();
        let mut scratch = Vec::new();
        let mut most = 0;
        for nth in 0..129_600_i64 {
            let time = Time(1_772_323_200_000 + 2_000 * nth);
            let samples = (0..12)
                .map(|n| Measured {
                    channel: ChannelIndex(n),
                    value: Value::Number(Finite::ZERO),
                    stated: Stated::At(time),
                })
                .collect();
            let message = Message {
                station: StationIndex(0),
                source: SourceIndex(0),
                boot: None,
                sequence: None,
                received: time,
                early: false,
                redelivery: None,
                samples,
            };
            identities.add(&message, &places, 1 + nth.unsigned_abs(), &mut scratch);
            if nth % 1_800 == 0 {
                identities.forget(time);
                most = most.max(identities.parts.values().map(Ledger::bytes).sum::<usize>());
            }
        }
        // The part under way may hold twice what it needs, and the oldest more than 48 h.
        assert!(most < 1_048_576 + 262_144 + 131_072, "{most} bytes");
        assert!(most > 900_000, "{most} bytes: two days are not held");
    }
}
