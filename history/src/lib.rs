//! What must not be lost: the log and everything that stands beside it.
//!
//! One writer, one append-only log, one packed row a commit, one sync before any
//! receipt. [`History`] writes and is used from one thread; a [`Look`] reads, through
//! the writer's connection or through a [`Reader`] on another thread.

pub mod entry;
pub mod fault;
pub mod look;
pub mod names;
pub mod schema;
pub mod standing;
mod writer;

pub use entry::{
    Batch, ClockStep, Committed, Entry, Epoch, Head, Note, Observation, Record, Revised, SavedPart,
    SetAside, StatePart,
};
pub use fault::{OpenError, ReadError, WriteError};
pub use look::{Held, Kept, Look, Part, Reader, Records, Selection};
pub use names::{ChannelName, Names};
pub use standing::{Aside, Cursor, DeadLetter, NewToken, Token};
pub use writer::{History, Opened, Options};
