//! What must not be lost: the log and everything that stands beside it.
//!
//! One writer, one append-only log, one packed row a commit, one sync before any
//! receipt. [`History`] writes and is used from one thread; a [`Look`] reads, through
//! the writer's connection or through a [`Reader`] on another thread. The file's layout
//! is in `FORMAT.md`, the packed records' in the module `record`.

mod aside_bounds;
mod ballast;
mod block;
mod carriers;
mod columns;
mod connect;
mod damage;
mod diagnoses;
pub mod entry;
pub mod fault;
mod find;
mod frames;
pub mod held;
#[cfg(test)]
mod invented;
mod lock;
pub mod look;
pub mod names;
pub mod noticed;
pub mod open;
pub mod passing;
mod record;
mod register;
mod restore;
pub mod revise;
mod row;
pub mod schema;
pub mod seal;
mod sealed;
pub mod select;
mod set_aside;
mod settled;
pub mod standing;
mod state;
#[cfg(test)]
mod tests;
mod tokens;
mod transaction;
mod trim;
mod upkeep;
pub mod walk;
pub mod weeks;
mod writer;

pub use aside_bounds::AsideUse;
pub use entry::{
    Batch, ClockStep, Committed, Entry, Epoch, Head, Note, Observation, Record, Revised, SavedPart,
    SetAside, StatePart,
};
pub use fault::{OpenError, ReadError, WriteError};
pub use held::Held;
pub use look::{Look, Reader, Records};
pub use names::{ChannelName, Names};
pub use noticed::{Noticed, suspect};
pub use open::{Opened, Options};
pub use passing::{Passing, Progress};
pub use restore::restore;
pub use revise::Remade;
pub use seal::Sealed;
pub use select::{Kept, Selection};
pub use set_aside::Aside;
pub use standing::{Cursor, DeadLetter};
pub use tokens::{NewToken, Token};
pub use walk::Walk;
pub use writer::History;
