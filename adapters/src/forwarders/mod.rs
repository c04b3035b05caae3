//! What readings are passed on by.
//!
//! A new kind is one folder, one `mod` line and one entry in [`KINDS`].

mod checks;
mod client;
pub mod files;
pub mod http;
mod lines;
pub mod mqtt;
mod outgoing;
pub mod port;
pub mod postgresql;
pub mod remote_write;
pub mod rules;
mod senml;
mod template;

use port::Kind;

/// All kinds of forwarders.
pub const KINDS: &[Kind] =
    &[files::KIND, http::KIND, mqtt::KIND, postgresql::KIND, remote_write::KIND];
