//! Whether a sample is already held. Only what its sender stated identifies it: its own
//! time, or (boot, sequence).
//!
//! Days within the last 48 hours are in memory; an older day is loaded from the log when
//! a sample of it comes. A sender without a boot identifier opens a new epoch when its
//! number falls back further than a late message could.

use crate::ledger::{Ledger, Sets};
use crate::recall::{Held, Recall};
use observation::time::FIRST_BELIEVABLE;
use observation::{ChannelIndex, Measured, Message, Span, Stated, StationIndex, Time, Value};
use std::collections::{BTreeMap, HashMap, VecDeque};
use std::sync::Arc;

/// How long keys stay in memory.
pub(crate) const MEMORY: Span = Span::hours(48);
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
#[derive(Debug, Default)]
pub(crate) struct Identities {
    /// The place of each channel among those of the station.
    locals: HashMap<ChannelIndex, u16>,
    sets: Sets,
    days: BTreeMap<i64, Ledger>,
    /// Days loaded from the log, in the order of their last use.
    old: VecDeque<i64>,
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
        Self { locals, ..Self::default() }
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
        let day = time.utc_day();
        if day < (message.received - MEMORY).utc_day() {
            self.load(message.station, day, pending, recall);
        }
        let Some(number) =
            self.days.get(&day).and_then(|ledger| ledger.find(time.0, local, &self.sets))
        else {
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
        let base = sequence.saturating_sub(LATE_NUMBERS * 10);
        self.runs.push_back(Run {
            boot: message.boot.clone(),
            ledger: Ledger::new(i64::try_from(base).unwrap_or(i64::MAX)),
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
            if let Some(set) = self.sets.number(&channels) {
                let day = Time(time).utc_day();
                self.days.entry(day).or_insert_with(|| Ledger::of_day(day)).add(time, set, number);
            }
        }
        let (false, Some(sequence)) = (by_number.is_empty(), message.sequence) else { return };
        by_number.sort_unstable();
        by_number.dedup();
        if !self.runs.iter().any(|r| r.boot == message.boot) {
            self.open_run(message, sequence);
        }
        let Some(set) = self.sets.number(&by_number) else { return };
        let key = i64::try_from(sequence).unwrap_or(i64::MAX);
        if let Some(run) = self.runs.iter_mut().rev().find(|r| r.boot == message.boot) {
            run.ledger.add(key, set, number);
            run.ledger.keep(RUN_MESSAGES);
            if sequence >= run.highest {
                run.highest = sequence;
                run.highest_received = message.received;
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
        if let Some(place) = self.old.iter().position(|&d| d == day) {
            self.old.remove(place);
            self.old.push_back(day);
            return;
        }
        let mut ledger = Ledger::of_day(day);
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
            if let Some(set) =
                self.locals.get(&channel).and_then(|&local| self.sets.number(&[local]))
            {
                ledger.add(time, set, number);
            }
        }
        self.days.insert(day, ledger);
        self.old.push_back(day);
        if self.old.len() > OLD_DAYS
            && let Some(gone) = self.old.pop_front()
        {
            self.days.remove(&gone);
        }
    }

    /// Forgets days that have become too old to keep.
    pub(crate) fn forget(&mut self, received: Time) {
        let oldest = (received - MEMORY).utc_day();
        let old = &self.old;
        self.days.retain(|day, _| *day >= oldest || old.contains(day));
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
