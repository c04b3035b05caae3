//! A raw count becomes increments: so many pulses or changes between two instants.
//!
//! The rule: nothing is counted twice, nothing negative is counted, and nothing is
//! counted that could not have happened in the time. A running total is preferred;
//! counts per interval and bare states are accepted with what they cannot tell.

mod contact;
mod increment;
mod interval;
mod number;
mod running;
#[cfg(test)]
mod running_tests;

pub use contact::{ChangeState, Spacing};
pub use increment::{Increment, Kind};
pub use interval::interval_count;
pub use number::{CountFault, count, total};
pub use running::{Counter, CounterPoint, boot_number};
