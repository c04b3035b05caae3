//! The local socket by which other commands speak to the running daemon.
//!
//! One JSON object a line in each direction, one request a connection, one long one at a
//! time. Whoever may open
//! the socket (mode 0660) may ask. Requests:
//!
//! - `{"command":"status"}`: the object of `status --json`
//! - `{"command":"token_add","station":S}` or `"gateway":G`: `{"token":TEXT}`, once
//! - `{"command":"token_revoke","station":S}` or `"gateway":G`: `{"revoked":COUNT}`
//! - `{"command":"reprocess","fingerprint":N}`, with `"from"` and `"to"` where asked: after
//!   any number of `{"at":TIME}`, which say how far it is (null: not known yet), `{"readings":COUNT,"days":COUNT,"from":TIME}`
//! - `{"command":"import","fingerprint":N}` and sample lines behind it, to the end of what is
//!   sent: after any number of `{"at":TIME}`, some with `"refused":TEXT`, the counts; with
//!   `"station":S` and `"shift":MILLISECONDS` what is set aside of S instead of lines
//!
//! A request that cannot be met is answered `{"error":TEXT}`.

mod client;
mod jobs;
mod server;

pub use client::{Answer, Lines, ask, ask_long};
pub use jobs::{Input, bring_in};
pub use server::open;

use config::Settings;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// Longest line in either direction, in bytes.
const LONGEST: u64 = 4 << 20;

/// What may be asked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Request {
    /// The command.
    pub command: Word,
    /// Station, where the command is about one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub station: Option<String>,
    /// Gateway, where the command is about one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gateway: Option<String>,
    /// From when, where the command is about a range.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// Until when.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
    /// What is added to times, in milliseconds, where the command is about what was set
    /// aside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shift: Option<i64>,
    /// Of the settings that whoever asks has read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fingerprint: Option<u64>,
}

impl Request {
    /// A command alone.
    pub const fn of(command: Word) -> Self {
        Self {
            command,
            station: None,
            gateway: None,
            from: None,
            to: None,
            shift: None,
            fingerprint: None,
        }
    }
}

/// The command of a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Word {
    /// How everything stands.
    Status,
    /// A new token.
    TokenAdd,
    /// Tokens made worthless.
    TokenRevoke,
    /// Readings made anew.
    Reprocess,
    /// An old record.
    Import,
}

/// Where the daemon opens its socket.
pub fn path(settings: &Settings) -> PathBuf {
    if let Some(path) = &settings.control.socket {
        return path.clone();
    }
    // The service manager may give several directories, apart by colons.
    match std::env::var("RUNTIME_DIRECTORY") {
        Ok(directories) if !directories.is_empty() => {
            PathBuf::from(directories.split(':').next().unwrap_or_default()).join("control.sock")
        }
        _ => settings.history.directory.join("control.sock"),
    }
}

/// Where a command looks for it: the same place, and where the service's unit has it.
fn candidates(settings: &Settings) -> Vec<PathBuf> {
    let mut paths = vec![path(settings)];
    if settings.control.socket.is_none() {
        paths.push(settings.history.directory.join("control.sock"));
        paths.push(PathBuf::from("/run/isobarn/control.sock"));
        paths.dedup();
    }
    paths
}
