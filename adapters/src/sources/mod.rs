//! What stations speak through.
//!
//! A new kind is one folder, one `mod` line and one entry in [`KINDS`].

mod early;
mod filter;
mod gate;
mod handover;
pub mod http;
pub mod mqtt;
pub mod mqtt_inlet;
pub mod serial;
mod subscription;
mod telling;
mod topic;

#[cfg(test)]
#[path = "../../tests/fixtures/property.rs"]
mod fixtures;

use crate::port::Kind;

/// All kinds of sources.
pub const KINDS: &[Kind] = &[http::KIND, mqtt::KIND, mqtt_inlet::KIND, serial::KIND];
