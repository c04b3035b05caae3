//! The one thread that owns the processor and the log.
//!
//! Deliveries and commands come in through bounded channels; snapshots go out through a
//! watch; receipts go back when what they stand for is synced. Nothing else touches the
//! processor or writes to the history.

mod again;
pub mod core;
pub mod keeping;
pub mod pacing;
pub mod process;
pub mod recall;
pub mod restart;
mod revising;
pub mod standing;
mod tally;
pub mod timekeeping;
pub mod turn;
mod weeks;
mod writing;

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used)]
mod keeping_tests;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used)]
mod saving_tests;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used)]
mod standing_tests;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used)]
mod tests;

use self::core::Fatal;
use crate::delivery::unkept::Unkept;
use crate::snapshot::Snapshot;
use adapters::port::Delivery;
use history::{NewToken, Remade};
use observation::{Message, Reading};
use process::Process;
use std::sync::Arc;
use timekeeping::Step;
use tokio::sync::{mpsc, oneshot, watch};
use turn::Turn;

/// Deliveries that may wait for the engine.
pub const QUEUE: usize = 1_024;
/// Commands that may wait.
pub const COMMANDS: usize = 8;

/// Where snapshots go.
pub type Outlet = watch::Sender<Arc<Snapshot>>;

/// What the engine can be told besides samples.
#[derive(Debug)]
pub enum Command {
    /// Keep a token and accept it from now on.
    AddToken {
        /// The token, hashed.
        token: NewToken,
        /// Whether it is durable.
        reply: oneshot::Sender<Result<(), String>>,
    },
    /// Keep how far a forwarder has come.
    KeepProgress {
        /// How far, and what it refused.
        unkept: Arc<Unkept>,
        /// Whether it is durable.
        reply: oneshot::Sender<Result<(), String>>,
    },
    /// Write messages of an old record, and readings made of it, in a record of their own.
    Append {
        /// The messages; their arrival is now.
        messages: Vec<Message>,
        /// The readings.
        readings: Vec<Reading>,
        /// Whether they are durable.
        reply: oneshot::Sender<Result<(), String>>,
    },
    /// Mark what was set aside as brought in, by the numbers of its rows.
    TakeAside {
        /// The rows.
        ids: Vec<i64>,
        /// Whether that is durable.
        reply: oneshot::Sender<Result<(), String>>,
    },
    /// Put readings of a UTC day that were made anew in the place of those that differ.
    Revise {
        /// The day, counted from 1970-01-01.
        day: i64,
        /// The readings.
        readings: Vec<Reading>,
        /// What was replaced.
        reply: oneshot::Sender<Result<Remade, String>>,
    },
    /// All that was to be made anew is: begin again from what stands now.
    Revised {
        /// Whether that went well.
        reply: oneshot::Sender<Result<(), String>>,
    },
    /// Make all kept tokens of an owner worthless.
    RevokeTokens {
        /// Whether the owner is a gateway.
        gateway: bool,
        /// Identifier of the station or gateway.
        owner: String,
        /// How many there were.
        reply: oneshot::Sender<Result<u64, String>>,
    },
}

/// Starts the engine's thread. It ends when every sender of deliveries is gone; how it
/// ended comes through the returned channel, which closes without a word if it panicked.
///
/// # Errors
/// When the system gives no thread.
pub fn start<P: Process + 'static>(
    turn: Turn<P>,
    deliveries: mpsc::Receiver<Delivery>,
    commands: mpsc::Receiver<Command>,
    first_step: Option<Step>,
) -> std::io::Result<oneshot::Receiver<Result<(), Fatal>>> {
    let (ended, end) = oneshot::channel();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build()?;
    std::thread::Builder::new().name("engine".to_owned()).spawn(move || {
        let result = runtime.block_on(turn.work(deliveries, commands, first_step));
        drop(ended.send(result));
    })?;
    Ok(end)
}
