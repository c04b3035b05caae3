//! What every forwarder is given and what it owes.
//!
//! A forwarder packs readings into *pieces* and makes one *attempt* at a time, which ends
//! with a *verdict* on each piece. It never sleeps, never repeats and keeps nothing that
//! would have to outlive the process: the one delivery loop owns back-off, splitting,
//! pacing, time-outs and the durable cursor.

pub use super::outgoing::{Identity, Origin, Outgoing, SeriesName};

use super::rules::Rules;
use bytes::Bytes;
use futures_util::future::BoxFuture;
use observation::{Property, Reading, Time};
use std::ops::Range;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::Notify;

/// One thing to send, made of neighbouring readings.
#[derive(Clone, Debug, Default)]
pub struct Piece {
    /// Where it goes, in the words of the kind: a URL, a topic, the name of a file.
    pub place: String,
    /// What is sent.
    pub body: Bytes,
    /// Which of the readings given it holds.
    pub readings: Range<usize>,
    /// Whether it holds the newest of its series so far, for a kind that keeps such.
    pub newest: bool,
    /// Why it cannot be sent at all; the loop refuses it without an attempt.
    pub fault: Option<String>,
}

/// What became of a piece.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// The receiver has it.
    Delivered,
    /// The receiver will never take it as it is. Of several readings only some may be the
    /// reason: the loop splits them. A single one becomes a dead letter.
    Refused {
        /// The receiver's status; 0 where it has none.
        status: u16,
        /// Its answer, shortened to [`LONGEST_ANSWER`] bytes.
        answer: String,
    },
    /// Nothing is wrong with the readings, but a person must mend something: credentials,
    /// an address. Nothing is lost meanwhile.
    Paused {
        /// The receiver's status; 0 where it has none.
        status: u16,
        /// What to mend; names the receiver.
        reason: String,
    },
    /// Another time.
    Later {
        /// How long the receiver asks to be left alone.
        after: Option<Duration>,
        /// Whether it said that there were too many.
        too_fast: bool,
        /// Why; names the receiver.
        reason: String,
    },
}

/// Longest answer of a receiver that is kept, in bytes.
pub const LONGEST_ANSWER: usize = 200;

impl Verdict {
    /// Another time, without more to say than why.
    pub fn later(reason: impl Into<String>) -> Self {
        Self::Later { after: None, too_fast: false, reason: reason.into() }
    }

    /// Somebody must mend something.
    pub fn paused(reason: impl Into<String>) -> Self {
        Self::Paused { status: 0, reason: reason.into() }
    }

    /// Refused for good.
    pub fn refused(status: u16, answer: &str) -> Self {
        Self::Refused { status, answer: shortened(answer) }
    }
}

/// The first [`LONGEST_ANSWER`] bytes of what a receiver said, in one line.
pub fn shortened(answer: &str) -> String {
    let mut short = String::new();
    for character in answer.trim().chars() {
        let character = if character.is_control() { ' ' } else { character };
        if short.len() + character.len_utf8() > LONGEST_ANSWER {
            break;
        }
        short.push(character);
    }
    short
}

/// The verdicts on the pieces of an attempt that is under way.
#[derive(Debug, Default)]
pub struct Verdicts {
    given: Mutex<Vec<Verdict>>,
    more: Notify,
}

impl Verdicts {
    fn given(&self) -> MutexGuard<'_, Vec<Verdict>> {
        self.given.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The verdict on the next piece.
    pub fn give(&self, verdict: Verdict) {
        self.given().push(verdict);
        self.more.notify_one();
    }

    /// Waits for a verdict.
    pub async fn more(&self) {
        self.more.notified().await;
    }

    /// Those that were given.
    pub fn take(&self) -> Vec<Verdict> {
        std::mem::take(&mut *self.given())
    }
}

/// What a connection is given.
#[derive(Clone)]
pub struct Context {
    /// Where readings come from.
    pub origin: Origin,
    /// A durable text for this forwarder, made once at random; a client identifier ends
    /// with it.
    pub suffix: Arc<str>,
}

/// A way to a receiver. Dropped after an attempt that ran out of time, and whenever the
/// program stops.
pub trait Link: Send {
    /// Makes one attempt: gives the verdicts on the pieces, in order, each as soon as it is
    /// known, because an attempt may be cut short. Pieces without a verdict count as not
    /// tried.
    fn attempt<'a>(&'a mut self, pieces: &'a [Piece], verdicts: &'a Verdicts) -> BoxFuture<'a, ()>;
}

/// A forwarder: something that takes readings.
pub trait Forwarder: Send + Sync {
    /// The keys that all kinds have.
    fn rules(&self) -> &Rules;
    /// Packs readings, in their order; together the pieces hold each reading once, or
    /// not at all where the kind has no way to say it. Neither input nor output.
    fn prepare(&self, origin: &Origin, readings: &[Outgoing], newest: &mut Newest) -> Vec<Piece>;
    /// A new link. Nothing is opened before its first attempt.
    fn link(&self, context: &Context) -> Box<dyn Link>;
}

/// The newest time of each series that was prepared so far, since the process began.
#[derive(Clone, Debug, Default)]
pub struct Newest(Vec<Option<Time>>);

impl Newest {
    /// Takes up a reading; whether no later one of its series was seen.
    pub fn see(&mut self, reading: &Reading) -> bool {
        let place = reading.series.0 as usize;
        if self.0.len() <= place {
            self.0.resize(place + 1, None);
        }
        match self.0.get_mut(place) {
            Some(newest) if newest.is_none_or(|n| n <= reading.time) => {
                *newest = Some(reading.time);
                true
            }
            _ => false,
        }
    }
}

/// Makes a forwarder out of its table, or tells everything that is wrong with it.
pub type Build =
    fn(&config::AdapterTable, &Arc<Property>) -> Result<Box<dyn Forwarder>, Vec<config::Fault>>;

/// What makes a forwarder of one kind out of its table.
pub struct Kind {
    /// The table's name.
    pub name: &'static str,
    /// Decodes the table, checks it against the property, and reports every fault.
    pub build: Build,
    /// A table that `check` accepts, used by the contract test.
    pub example: &'static str,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_is_cut_at_a_character_and_stays_one_line() {
        assert_eq!(shortened(" no\nsuch\tthing "), "no such thing");
        let long = shortened(&"é".repeat(500));
        assert_eq!(long.len(), LONGEST_ANSWER);
    }
}
