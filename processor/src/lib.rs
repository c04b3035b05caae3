//! Samples and settings in; readings, revisions and state out.
//!
//! The same code serves the running service and the replay of a recording, so it
//! knows no clock: a sample's `received` is the only time that passes here. Order is
//! the order of calls. Start reading at [`Processor::take`].

pub mod output;
pub mod recall;

pub use output::{Output, SetAside};
pub use recall::Recall;
