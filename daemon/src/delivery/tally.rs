//! How each forwarder stands: raised by its loop, read by whoever renders.

use crate::snapshot::HistoryState;
use adapters::port::State;
use history::{DeadLetter, Entry, Look, ReadError};
use observation::{Reading, Series, Time};
use std::collections::VecDeque;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Dead letters that are shown, newest first.
const SHOWN_LETTERS: usize = 10;

/// A dead letter, and what it is about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Letter {
    /// As the store keeps it.
    pub letter: DeadLetter,
    /// Time and series of the reading; empty where the log has it no more.
    pub about: String,
}

impl Letter {
    /// Of a reading.
    pub fn of(letter: DeadLetter, series: Option<&Series>, reading: &Reading) -> Self {
        let about = series.map_or_else(String::new, |series| {
            let Series { station, instrument, quantity, statistic, over, period } = series;
            let (quantity, statistic) = (quantity.name(), statistic.word());
            let mut about =
                format!("{} {station}/{instrument} {quantity} {statistic}", reading.time);
            for span in [over, period].into_iter().flatten() {
                about.extend([" ", span.to_string().as_str()]);
            }
            about
        });
        Self { letter, about }
    }

    /// The newest of a forwarder that the store keeps, newest first, and how many there are.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub fn kept(look: &Look<'_>, forwarder: &str) -> Result<(Vec<Self>, u64), ReadError> {
        let (letters, count) = look.dead_letters(forwarder, SHOWN_LETTERS)?;
        let letters = letters.into_iter().map(|letter| {
            let place = letter.place as usize;
            // A correction's record holds no readings, and an old record may be gone.
            let reading = match look.one(letter.number).ok().flatten().map(|r| r.entry) {
                Some(Entry::Batch { readings, .. }) => readings.get(place).copied(),
                _ => None,
            };
            match reading {
                Some(reading) => Self::of(letter, look.names().series(reading.series), &reading),
                None => Self { letter, about: String::new() },
            }
        });
        Ok((letters.collect(), count))
    }
}

/// How a forwarder stands at present.
#[derive(Clone, Debug)]
pub struct Now {
    /// Up while the receiver takes what it is given.
    pub state: State,
    /// Since when.
    pub since: Time,
    /// Since when it has not been caught up.
    pub behind_since: Option<Time>,
}

/// One forwarder.
#[derive(Debug)]
pub struct Tally {
    /// Its name.
    pub name: String,
    /// Its kind.
    pub kind: &'static str,
    delivered: AtomicU64,
    given_up: AtomicU64,
    dead: AtomicU64,
    /// Readings that waited in the log when the process started, as far as counted.
    before: AtomicU64,
    /// Readings that the loop has passed since.
    passed: AtomicU64,
    now: Mutex<Now>,
    letters: Mutex<VecDeque<Letter>>,
}

/// What the store kept of a forwarder.
#[derive(Clone, Debug, Default)]
pub struct Kept {
    /// Readings given up.
    pub given_up: u64,
    /// Dead letters, newest first, at most [`SHOWN_LETTERS`].
    pub letters: Vec<Letter>,
    /// Dead letters in all.
    pub dead: u64,
}

impl Tally {
    /// As the store kept it.
    pub fn new(name: &str, kind: &'static str, kept: Kept, now: Time) -> Self {
        Self {
            name: name.to_owned(),
            kind,
            delivered: AtomicU64::new(0),
            given_up: AtomicU64::new(kept.given_up),
            dead: AtomicU64::new(kept.dead),
            before: AtomicU64::new(0),
            passed: AtomicU64::new(0),
            now: Mutex::new(Now { state: State::Up, since: now, behind_since: None }),
            letters: Mutex::new(kept.letters.into()),
        }
    }

    /// Readings delivered since the process started.
    pub fn delivered(&self) -> u64 {
        self.delivered.load(Relaxed)
    }

    /// Readings given up, ever.
    pub fn given_up(&self) -> u64 {
        self.given_up.load(Relaxed)
    }

    /// Dead letters, ever; the store keeps the newest.
    pub fn dead(&self) -> u64 {
        self.dead.load(Relaxed)
    }

    /// Readings in the log that the loop has not passed yet.
    pub fn backlog(&self, history: &HistoryState) -> u64 {
        let logged = self.before.load(Relaxed).saturating_add(history.logged_readings);
        logged.saturating_sub(self.passed.load(Relaxed))
    }

    /// How it stands.
    pub fn now(&self) -> Now {
        lock(&self.now).clone()
    }

    /// The newest dead letters, newest first.
    pub fn letters(&self) -> Vec<Letter> {
        lock(&self.letters).iter().cloned().collect()
    }

    /// Takes up a state; tells the log when it changed.
    pub fn state(&self, state: &State, at: Time) {
        {
            let mut now = lock(&self.now);
            if now.state == *state {
                return;
            }
            now.state = state.clone();
            now.since = at;
        }
        match state {
            State::Up => tracing::info!(forwarder = self.name, "delivering again"),
            State::Down(reason) => tracing::warn!(forwarder = self.name, "waiting: {reason}"),
            State::Fault(reason) => tracing::error!(forwarder = self.name, "paused: {reason}"),
        }
    }

    /// Takes up whether it is caught up.
    pub fn caught_up(&self, caught_up: bool, at: Time) {
        let behind = &mut lock(&self.now).behind_since;
        if caught_up {
            *behind = None;
        } else if behind.is_none() {
            *behind = Some(at);
        }
    }

    /// Everything in the log was passed.
    pub(super) fn settled(&self, history: &HistoryState) {
        let logged = self.before.load(Relaxed).saturating_add(history.logged_readings);
        self.passed.store(logged, Relaxed);
    }

    pub(super) fn add_delivered(&self, count: u64) {
        self.delivered.fetch_add(count, Relaxed);
    }

    pub(super) fn add_given_up(&self, count: u64) {
        self.given_up.fetch_add(count, Relaxed);
    }

    pub(super) fn add_before(&self, count: u64) {
        self.before.fetch_add(count, Relaxed);
    }

    pub(super) fn add_passed(&self, count: u64) {
        self.passed.fetch_add(count, Relaxed);
    }

    pub(super) fn add_letter(&self, letter: Letter) {
        self.dead.fetch_add(1, Relaxed);
        let mut letters = lock(&self.letters);
        letters.push_front(letter);
        letters.truncate(SHOWN_LETTERS);
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
