//! From the bytes of one message to the samples of the stations it speaks for.
//!
//! The rule kept here: **a payload is taken whole or refused whole**, nothing in it can
//! make a decoder panic, recurse deeply or grow beyond its limit, and every name, unit
//! and type is checked before a [`Measured`] exists. What is refused says why in one
//! word of the closed list and in one line for people.
//!
//! A decoder knows no clock: what the sender said about the time is passed on as
//! [`Stated`], and whether that can be believed is judged later, once `received` is known.

pub mod checksum;
pub mod csv;
pub mod form;
pub mod json;
pub mod key_value;
pub mod map;
pub mod nmea;
pub mod number;
pub mod senml;

mod gather;
mod scalar;
mod strict;
mod when;

pub use checksum::Checksum;
pub use map::Map;

use crate::port;
use observation::refusal::Stage;
use observation::sample::Redelivery;
use observation::{Measured, Message, Property, Refusal, SourceIndex, Stated, StationIndex, Time};
use std::fmt;
use std::sync::Arc;

/// Longest payload that is decoded, in bytes.
pub const LONGEST: usize = 64 * 1024;
/// Longest line of `name=value` pairs, CSV or NMEA 0183, in bytes.
pub const LONGEST_LINE: usize = 4_096;
/// Deepest nesting of arrays and objects; the outermost one counts as 1.
pub const DEEPEST: usize = 16;
/// Longest word that a channel takes, and longest boot identifier, in bytes.
pub const LONGEST_WORD: usize = 128;

/// The names that no channel can have: they say something about the whole message.
pub const RESERVED: [&str; 3] = ["time", "boot", "sequence"];

/// Reads payloads for one property. Made once for each source; all methods take the
/// bytes of one whole message.
#[derive(Debug)]
pub struct Reader {
    property: Arc<Property>,
    clocks: Vec<when::StationClock>,
}

impl Reader {
    /// Looks up the time zones of the stations once. A zone that this machine does not
    /// know makes local times of that station [`Stated::Unplaceable`]; the settings
    /// check refuses such a zone before.
    pub fn new(property: &Arc<Property>) -> Self {
        let clocks = property.stations.iter().map(when::StationClock::of).collect();
        Self { property: Arc::clone(property), clocks }
    }

    /// The property it reads for.
    pub fn property(&self) -> &Arc<Property> {
        &self.property
    }
}

/// What one station said in one payload.
#[derive(Clone, Debug, PartialEq)]
pub struct Decoded {
    /// The station.
    pub station: StationIndex,
    /// The sender's name for this run since its start.
    pub boot: Option<Arc<str>>,
    /// The sender's number for this message.
    pub sequence: Option<u64>,
    /// The values, in the order of the payload; empty if everything in it was a gap
    /// (then there is nothing to hand over, and the sender has had its answer).
    pub samples: Vec<Measured>,
}

impl Decoded {
    /// Whether the sender dated every sample itself (not merely relative to its arrival).
    pub fn has_own_time(&self) -> bool {
        self.samples.iter().all(|s| matches!(s.stated, Stated::At(_) | Stated::Unplaceable))
    }

    /// The message to hand over; `received` is stamped by whoever runs the processor.
    pub fn into_message(
        self,
        source: SourceIndex,
        early: bool,
        redelivery: Option<Redelivery>,
    ) -> Message {
        Message {
            station: self.station,
            source,
            boot: self.boot,
            sequence: self.sequence,
            received: Time(0),
            early,
            redelivery,
            samples: self.samples,
        }
    }
}

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

fn text(bytes: &[u8]) -> Result<&str, Refused> {
    std::str::from_utf8(bytes).map_err(|e| {
        Refused::new(Refusal::Malformed, format!("byte {} is not UTF-8", e.valid_up_to() + 1))
    })
}

fn within(bytes: &[u8], limit: usize) -> Result<(), Refused> {
    if bytes.len() > limit {
        return Err(Refused::new(
            Refusal::TooLong,
            format!("{} bytes; at most {limit} are taken", bytes.len()),
        ));
    }
    Ok(())
}
