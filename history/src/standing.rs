//! What stands beside the log, as rows that people may read with any SQLite tool:
//! tokens, cursors, dead letters, gaps and what was set aside.

use crate::entry::SetAside;
use observation::Time;

/// A token to be kept. Only its hash is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewToken {
    /// Whether the owner is a gateway; else it is a station.
    pub gateway: bool,
    /// Identifier of the station or gateway.
    pub owner: String,
    /// SHA-256 of the token.
    pub hash: [u8; 32],
    /// When it was made.
    pub created: Time,
}

/// A token as kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Token {
    /// Its number, by which it is revoked.
    pub id: i64,
    /// What it is.
    pub token: NewToken,
    /// When it was revoked, if it was.
    pub revoked: Option<Time>,
}

/// How far a forwarder has come.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Cursor {
    /// All records up to this number are done, but for the gaps.
    pub delivered: u64,
    /// Readings given up because the backlog's limit was reached.
    pub given_up: u64,
    /// Ranges of log numbers below `delivered` that are still to be delivered, both
    /// ends included, in rising order.
    pub gaps: Vec<(u64, u64)>,
}

/// A reading that a receiver refused for good.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeadLetter {
    /// The forwarder.
    pub forwarder: String,
    /// Log number of its record.
    pub number: u64,
    /// Its place among the record's readings.
    pub place: u32,
    /// When it was refused.
    pub time: Time,
    /// The receiver's status.
    pub status: u16,
    /// The receiver's answer, shortened by the caller.
    pub answer: String,
}

/// Something set aside, as kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Aside {
    /// Its number among what was set aside.
    pub id: i64,
    /// Log number of the commit it came with.
    pub number: u64,
    /// What and why.
    pub set_aside: SetAside,
}
