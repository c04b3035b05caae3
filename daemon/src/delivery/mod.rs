//! Passing readings on: one delivery loop a forwarder.
//!
//! The log is the buffer; there is no second queue. A loop reads it from its durable
//! cursor on, asks its forwarder for one attempt after the other, and owns everything
//! that an attempt must not: back-off, splitting, pacing, dead letters, limits of the
//! backlog. A slow or dead receiver slows nothing but its own loop.

mod attempt;
mod backlog;
mod courier;
mod keeper;
mod lane;
mod load;
mod pace;
pub mod standby;
pub mod tally;
pub mod unkept;

pub use courier::{Courier, Parts};
pub use standby::Standby;
