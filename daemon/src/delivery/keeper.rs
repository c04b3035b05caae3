//! Keeping how far a forwarder has come where no record is committed that could take it
//! along.
//!
//! The rule kept here: the store is written rarely, to spare the device: after many
//! readings, after a while, at once for what would be missed, and at the end.

use super::unkept::Unkept;
use crate::engine::Command;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};

/// Readings delivered after which the cursor is kept.
const READINGS: u64 = 20_000;
/// Time after which it is to go along with the next record if it has moved at all.
const ASKED: Duration = Duration::from_secs(60);
/// Time after which no record is waited for.
const TIME: Duration = Duration::from_secs(120);
/// Time after which a refused write is tried again.
const AGAIN: Duration = Duration::from_secs(10);
/// Dead letters that may wait.
const LETTERS: usize = 500;

/// When to keep.
pub(super) struct Keeper {
    pub(super) unkept: Arc<Unkept>,
    commands: mpsc::Sender<Command>,
    last: Duration,
    times: u64,
    refused: Option<Duration>,
}

impl Keeper {
    pub(super) fn new(unkept: Arc<Unkept>, commands: mpsc::Sender<Command>, now: Duration) -> Self {
        Self { unkept, commands, last: now, times: 0, refused: None }
    }

    /// How long until it is to be kept; none if it is.
    pub(super) fn due(&mut self, now: Duration) -> Option<Duration> {
        let waiting = self.unkept.waiting();
        if waiting.times != self.times {
            (self.times, self.last, self.refused) = (waiting.times, now, None);
        }
        if !waiting.changed {
            return None;
        }
        if let Some(refused) = self.refused {
            return Some((refused + AGAIN).saturating_sub(now));
        }
        let early = waiting.readings >= READINGS || waiting.letters >= LETTERS || waiting.gaps;
        let wait = if early {
            Duration::ZERO
        } else if waiting.letters == 0 {
            if now.saturating_sub(self.last) >= ASKED {
                self.unkept.ask();
            }
            TIME
        } else {
            Duration::from_secs(1)
        };
        Some((self.last + wait).saturating_sub(now))
    }

    /// Keeps everything that waits. What could not be kept waits on.
    pub(super) async fn keep(&mut self, now: Duration) {
        if !self.unkept.waiting().changed {
            return;
        }
        let (reply, done) = oneshot::channel();
        let command = Command::KeepProgress { unkept: Arc::clone(&self.unkept), reply };
        let result = match self.commands.send(command).await {
            Ok(()) => done.await.unwrap_or_else(|_| Err("the service is stopping".to_owned())),
            Err(_) => Err("the service is stopping".to_owned()),
        };
        match result {
            Ok(()) => {
                self.last = now;
                self.refused = None;
            }
            Err(why) => {
                if self.refused.is_none() {
                    tracing::warn!(
                        forwarder = self.unkept.name,
                        "its progress is not kept yet: {why}"
                    );
                }
                self.refused = Some(now);
            }
        }
    }
}
