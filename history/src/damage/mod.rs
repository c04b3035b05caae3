//! What is damaged at start: found, told in one line each, put aside under a dated
//! name; what is readable stays in use, and nothing is deleted.
//!
//! Every record of the log carries a checksum over its number and all its columns, so
//! a record is recognised wherever it lies: in a page that no tree reaches any more, or
//! in a frame of the write-ahead log that SQLite does not take. That is how records are
//! saved from a file that SQLite cannot read.

mod blocks;
mod cells;
mod check;
mod files;
mod salvage;
mod verify;
mod wal;

pub(crate) use blocks::{block_aside, record_aside};
pub(crate) use check::{check, standing};
pub(crate) use files::{Files, Mended, has_our_head, is_damage, name, stamp};
pub(crate) use salvage::{Carried, rebuild, take_from_frames};
pub(crate) use verify::verify;
pub(crate) use wal::{Suspicion, inspect};
