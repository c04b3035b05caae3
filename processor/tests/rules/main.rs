//! The rules of time, identity, windows and revisions, shown on an invented property.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod croft;
mod log;
mod outlook;

mod clocks;
mod derived;
mod household;
mod identities;
mod late;
mod same;
mod settings;
mod silence;
mod summaries;
mod totals;
mod units;
mod usual;
mod windows;
