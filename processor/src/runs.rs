//! Runs of senders that number their messages.
//!
//! A run has the name that its sender gave it (the boot identifier). Where it gave none,
//! a number that falls back further than a late message could, or that is held with
//! another value, opens a new epoch; only the newest epoch is asked.

use crate::identity::{BLOCK, Verdict, oldest_block};
use crate::ledger::{Ledger, Sets};
use observation::{Message, Span, Time};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, HashMap, VecDeque};
use std::sync::Arc;

/// How far below the highest a number without a boot identifier may be late.
const LATE_NUMBERS: u64 = 1_000;
/// How long after the highest number a lower one may be late.
const LATE_SPAN: Span = Span::minutes(10);
/// Named runs remembered of one station: more than one a minute for two days.
const RUNS: usize = 4_096;
/// Numbers of one ledger: so many fit its offsets.
const WIDTH: u64 = 1 << 32;

/// Stretches of numbers remembered of one station beyond the messages in memory.
const PAST: usize = 1_024;

/// Numbers without a hole that a named run used on one day, for the same channels: where
/// to look in the log for what is no longer in memory.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Stretch {
    boot: String,
    /// UTC day of arrival.
    day: i64,
    first: u64,
    last: u64,
    /// Places of the channels.
    locals: Vec<u16>,
}

/// One run.
#[derive(Debug, Default)]
struct Run {
    /// By block of arrival and the base of their numbers.
    ledgers: BTreeMap<(i64, u64), Ledger>,
    /// When it was used last, counted in uses.
    used: u64,
}

/// The run of a sender that names none.
#[derive(Debug)]
struct Epoch {
    run: Run,
    highest: u64,
    highest_received: Time,
    /// The newest message: number, arrival, log number and places of its channels.
    newest: (u64, Time, u64, Vec<u16>),
}

/// All runs of one station.
#[derive(Debug, Default)]
pub(crate) struct Runs {
    named: HashMap<Arc<str>, Run>,
    epoch: Option<Epoch>,
    uses: u64,
    past: Past,
}

/// What is no longer in memory of the named runs of a station.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Past {
    /// Blocks of arrival before this are in it.
    block: i64,
    /// Oldest first.
    stretches: VecDeque<Stretch>,
}

const fn base(sequence: u64) -> u64 {
    sequence - sequence % WIDTH
}

impl Run {
    fn find(&self, sequence: u64, local: u16, received: Time, sets: &Sets) -> Vec<u64> {
        self.ledgers
            .range((oldest_block(received), 0)..)
            .rev()
            .filter(|((_, first), _)| *first == base(sequence))
            .flat_map(|(_, ledger)| ledger.all(sequence, local, sets))
            .collect()
    }

    fn add(&mut self, sequence: u64, received: Time, set: Option<u16>, number: u64) {
        let key = (received.0.div_euclid(BLOCK.0), base(sequence));
        if !self.ledgers.contains_key(&key)
            && let Some(mut newest) = self.ledgers.last_entry()
        {
            newest.get_mut().shrink();
        }
        self.ledgers
            .entry(key)
            .or_insert_with(|| Ledger::new(base(sequence), number))
            .add(sequence, set, number);
    }

    /// Takes out what came too long before `received`.
    fn forget(&mut self, received: Time) -> BTreeMap<(i64, u64), Ledger> {
        let oldest = oldest_block(received);
        if self.ledgers.first_key_value().is_none_or(|(&(block, _), _)| block >= oldest) {
            return BTreeMap::new();
        }
        let rest = self.ledgers.split_off(&(oldest, 0));
        std::mem::replace(&mut self.ledgers, rest)
    }
}

impl Runs {
    /// The log numbers under which a number is held for a channel, newest first.
    pub(crate) fn find(
        &self,
        message: &Message,
        sequence: u64,
        local: u16,
        sets: &Sets,
    ) -> Vec<u64> {
        let run = match &message.boot {
            Some(boot) => self.named.get(boot),
            None => self.epoch.as_ref().map(|e| &e.run),
        };
        run.map_or_else(Vec::new, |run| run.find(sequence, local, message.received, sets))
    }

    /// Judges a sample by what was found under its number. Without a boot identifier
    /// this may open a new epoch.
    pub(crate) fn judge(
        &mut self,
        message: &Message,
        sequence: u64,
        local: u16,
        found: Option<Verdict>,
        sets: &mut Sets,
    ) -> Verdict {
        if message.boot.is_some() {
            return found.unwrap_or(Verdict::New);
        }
        let received = message.received;
        let Some(epoch) = &mut self.epoch else {
            self.open(sequence, received, local, sets);
            return Verdict::New;
        };
        let near = epoch.highest.saturating_sub(sequence) <= LATE_NUMBERS
            && received - epoch.highest_received < LATE_SPAN;
        match found {
            Some(Verdict::Repeat) if near => return Verdict::Repeat,
            None if near || sequence > epoch.highest => {
                if sequence >= epoch.highest {
                    (epoch.highest, epoch.highest_received) = (sequence, received);
                }
            }
            _ => self.open(sequence, received, local, sets),
        }
        Verdict::New
    }

    /// Opens an epoch with a sample. What came with the same number at the same instant
    /// belongs to it too, whether in one message or in several.
    fn open(&mut self, sequence: u64, received: Time, local: u16, sets: &mut Sets) {
        let before = self.epoch.take().map(|e| e.newest);
        let same = before.filter(|(number, at, ..)| (*number, *at) == (sequence, received));
        let mut epoch = Epoch {
            run: Run::default(),
            highest: sequence,
            highest_received: received,
            newest: (sequence, received, 0, Vec::new()),
        };
        if let Some((.., number, mut locals)) = same {
            locals.retain(|&l| l != local);
            if !locals.is_empty() {
                epoch.run.add(sequence, received, sets.number(&locals), number);
            }
            epoch.newest = (sequence, received, number, locals);
        }
        self.epoch = Some(epoch);
    }

    /// Remembers a message that is held now, for channels in rising order.
    pub(crate) fn add(
        &mut self,
        message: &Message,
        sequence: u64,
        locals: &[u16],
        number: u64,
        sets: &mut Sets,
    ) {
        let set = sets.number(locals);
        self.uses += 1;
        let received = message.received;
        if let Some(boot) = &message.boot {
            if !self.named.contains_key(boot) {
                self.make_room();
            }
            let run = self.named.entry(Arc::clone(boot)).or_default();
            run.used = self.uses;
            run.add(sequence, received, set, number);
        } else if let Some(epoch) = &mut self.epoch {
            epoch.run.add(sequence, received, set, number);
            let newest = &mut epoch.newest;
            if (newest.0, newest.1) != (sequence, received) {
                newest.3.clear();
            }
            (newest.0, newest.1, newest.2) = (sequence, received, number);
            newest.3.extend_from_slice(locals);
            newest.3.sort_unstable();
            newest.3.dedup();
        }
    }

    fn make_room(&mut self) {
        if self.named.len() < RUNS {
            return;
        }
        let oldest = self.named.iter().min_by_key(|(_, r)| r.used).map(|(b, _)| Arc::clone(b));
        if let Some(oldest) = oldest {
            self.named.remove(&oldest);
        }
    }

    /// Forgets what came too long before `received`. Of named runs it is remembered
    /// where their numbers are in the log.
    pub(crate) fn forget(&mut self, received: Time, sets: &Sets) {
        let mut gone = Vec::new();
        self.named.retain(|boot, run| {
            gone.extend(
                run.forget(received)
                    .into_iter()
                    .map(|((block, _), ledger)| (block, Arc::clone(boot), ledger)),
            );
            !run.ledgers.is_empty()
        });
        if let Some(epoch) = &mut self.epoch {
            epoch.run.forget(received);
        }
        gone.retain(|&(block, ..)| block >= self.past.block);
        self.past.block = self.past.block.max(oldest_block(received));
        // Whatever the order in which a map gives them.
        gone.sort_by(|a, b| (a.0, &a.1).cmp(&(b.0, &b.1)));
        for (block, boot, ledger) in gone {
            let day = Time(block * BLOCK.0).utc_day();
            for (number, set) in ledger.keys() {
                self.pass(&boot, day, number, sets.channels(set));
            }
        }
    }

    /// Adds a number to the stretches of the past.
    fn pass(&mut self, boot: &Arc<str>, day: i64, number: u64, locals: &[u16]) {
        let newest = self.past.stretches.iter_mut().rev().take(8);
        let mut same = newest.filter(|s| *s.boot == **boot && s.day == day && s.locals == *locals);
        if let Some(stretch) =
            same.find(|s| s.first <= number && number <= s.last.saturating_add(1))
        {
            stretch.last = stretch.last.max(number);
            return;
        }
        if self.past.stretches.len() >= PAST {
            self.past.stretches.pop_front();
        }
        let (boot, locals) = ((**boot).to_owned(), locals.to_vec());
        self.past.stretches.push_back(Stretch { boot, day, first: number, last: number, locals });
    }

    /// The days in whose records a number may be held that is no longer in memory.
    pub(crate) fn past_days(&self, message: &Message, sequence: u64, local: u16) -> Vec<i64> {
        let Some(boot) = &message.boot else { return Vec::new() };
        let held = |s: &&Stretch| {
            (s.first..=s.last).contains(&sequence) && s.locals.contains(&local) && *s.boot == **boot
        };
        self.past.stretches.iter().rev().filter(held).map(|s| s.day).collect()
    }

    /// The past, to be saved.
    pub(crate) const fn past(&self) -> &Past {
        &self.past
    }

    /// Takes up what was saved.
    pub(crate) fn restore(&mut self, past: &Past) {
        self.past.clone_from(past);
    }
}
