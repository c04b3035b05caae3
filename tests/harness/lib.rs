//! What the end to end tests and the benchmarks share: the program as a child process,
//! real peers on free ports, and small clients that speak to it.

#![allow(clippy::missing_panics_doc, clippy::expect_used, clippy::unwrap_used)]

pub mod backlog;
pub mod browser;
pub mod certificates;
pub mod disk;
pub mod peers;
pub mod power;
pub mod program;
pub mod push;
pub mod recall;
pub mod sink;
mod skipped;
pub mod wait;

pub use skipped::not_run;
