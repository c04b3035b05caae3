//! Why a payload is refused, for the counters and for people.

use crate::port;
use observation::refusal::Stage;
use observation::{Refusal, StationIndex};
use std::fmt;

/// Why a payload was refused whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// The station, where it is known and the sender may speak for it.
    pub station: Option<StationIndex>,
    /// Why, in a word.
    pub reason: Refusal,
    /// Why, in a line: which key, what was expected.
    pub detail: String,
}

impl Refused {
    pub(crate) fn new(reason: Refusal, detail: impl Into<String>) -> Self {
        Self { station: None, reason, detail: detail.into() }
    }

    pub(crate) fn of(mut self, station: StationIndex) -> Self {
        self.station = Some(station);
        self
    }

    /// As whoever watches the sources is told.
    pub fn told(&self) -> port::Refused<'_> {
        let stage = match self.reason {
            Refusal::TooLong | Refusal::Fragment | Refusal::Checksum => Stage::Frame,
            Refusal::Credentials | Refusal::Rate => Stage::Access,
            _ => Stage::Decode,
        };
        port::Refused { station: self.station, stage, reason: self.reason, detail: &self.detail }
    }
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.reason, self.detail)
    }
}

impl std::error::Error for Refused {}

/// A piece of what arrived, fit for a line that people read: at most 60 characters,
/// control characters escaped.
pub fn shown(text: &str) -> String {
    let mut out = String::new();
    for (i, c) in text.chars().enumerate() {
        if i == 60 {
            out.push('…');
            break;
        }
        if c.is_control() {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
    out
}

pub(super) fn text(bytes: &[u8]) -> Result<&str, Refused> {
    std::str::from_utf8(bytes).map_err(|e| {
        Refused::new(Refusal::Malformed, format!("byte {} is not UTF-8", e.valid_up_to() + 1))
    })
}

pub(super) fn within(bytes: &[u8], limit: usize) -> Result<(), Refused> {
    if bytes.len() > limit {
        return Err(Refused::new(
            Refusal::TooLong,
            format!("{} bytes; at most {limit} are taken", bytes.len()),
        ));
    }
    Ok(())
}
