//! Keeping how far a forwarder has come, through the one thread that writes.
//!
//! The rule kept here: the store is written rarely, to spare the device: after many
//! readings, once a minute, at once for what would be missed, and at the end. What was
//! delivered since is delivered again after a crash, under the same identities.

use crate::engine::Command;
use history::{Cursor, DeadLetter, Progress};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};

/// Readings delivered after which the cursor is kept.
const READINGS: u64 = 20_000;
/// Time after which it is kept if it has moved.
const TIME: Duration = Duration::from_secs(60);
/// Time after which a refused write is tried again.
const AGAIN: Duration = Duration::from_secs(10);
/// Dead letters that may wait.
const LETTERS: usize = 500;

/// What is not durable yet.
pub(super) struct Keeper {
    name: String,
    commands: mpsc::Sender<Command>,
    kept: Cursor,
    letters: Vec<DeadLetter>,
    given_up: u64,
    readings: u64,
    last: Duration,
    refused: Option<Duration>,
}

impl Keeper {
    pub(super) fn new(
        name: &str,
        commands: mpsc::Sender<Command>,
        kept: Cursor,
        now: Duration,
    ) -> Self {
        Self {
            name: name.to_owned(),
            commands,
            kept,
            letters: Vec::new(),
            given_up: 0,
            readings: 0,
            last: now,
            refused: None,
        }
    }

    /// Readings were delivered.
    pub(super) const fn delivered(&mut self, readings: u64) {
        self.readings += readings;
    }

    /// Readings were given up.
    pub(super) const fn given_up(&mut self, readings: u64) {
        self.given_up += readings;
    }

    /// A reading was refused for good.
    pub(super) fn letter(&mut self, letter: DeadLetter) {
        self.letters.push(letter);
    }

    fn changed(&self, cursor: &Cursor) -> bool {
        !self.letters.is_empty()
            || self.given_up > 0
            || cursor.delivered != self.kept.delivered
            || cursor.gaps != self.kept.gaps
    }

    /// How long until the cursor is to be kept; none if it is as kept.
    pub(super) fn due(&self, cursor: &Cursor, now: Duration) -> Option<Duration> {
        if !self.changed(cursor) {
            return None;
        }
        if let Some(refused) = self.refused {
            return Some((refused + AGAIN).saturating_sub(now));
        }
        let early = self.readings >= READINGS
            || self.letters.len() >= LETTERS
            || cursor.gaps.len() != self.kept.gaps.len();
        let wait = if early {
            Duration::ZERO
        } else if self.letters.is_empty() {
            TIME
        } else {
            Duration::from_secs(1)
        };
        Some((self.last + wait).saturating_sub(now))
    }

    /// Keeps a cursor and everything that waits. What could not be kept waits on.
    pub(super) async fn keep(&mut self, cursor: Cursor, now: Duration) {
        if !self.changed(&cursor) {
            return;
        }
        let progress = Progress {
            cursor: Cursor { given_up: self.given_up, ..cursor.clone() },
            dead_letters: self.letters.clone(),
        };
        let (reply, done) = oneshot::channel();
        let command = Command::KeepProgress { forwarder: self.name.clone(), progress, reply };
        let result = match self.commands.send(command).await {
            Ok(()) => done.await.unwrap_or_else(|_| Err("the service is stopping".to_owned())),
            Err(_) => Err("the service is stopping".to_owned()),
        };
        match result {
            Ok(()) => {
                self.kept = cursor;
                self.letters.clear();
                (self.given_up, self.readings) = (0, 0);
                self.last = now;
                self.refused = None;
            }
            Err(why) => {
                if self.refused.is_none() {
                    tracing::warn!(forwarder = self.name, "its progress is not kept yet: {why}");
                }
                self.refused = Some(now);
            }
        }
    }
}
