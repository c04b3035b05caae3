//! What arrived: the raw value as its sender gave it, in its channel's unit.
//!
//! Samples travel in [`Message`]s: all that one station said at once, through one
//! source. A message is accepted whole or refused whole before it gets here.

use crate::time::FIRST_BELIEVABLE;
use crate::{ChannelIndex, Finite, Span, StationIndex, Time};
use std::sync::Arc;

/// The place of a source in the list of this run's sources.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SourceIndex(pub u16);

/// A raw value.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A number in the unit that the channel declares; a switch state is the number
    /// of its bits, a contact is 0 or 1.
    Number(Finite),
    /// A word, such as the compass point of a vane or the cause of a restart.
    Text(Box<str>),
}

impl Value {
    /// The number, if it is one.
    pub fn number(&self) -> Option<f64> {
        match self {
            Self::Number(n) => Some(n.get()),
            Self::Text(_) => None,
        }
    }
}

/// What the sender said about the time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stated {
    /// Nothing.
    Nothing,
    /// An instant.
    At(Time),
    /// Relative to its arrival, in milliseconds; zero or negative for the past
    /// (RFC 8428, 4.5.3).
    Relative(i64),
    /// A time that cannot be placed: a local time in the repeated or the missing
    /// hour. Such a sample is set aside as `time`.
    Unplaceable,
}

impl Stated {
    /// The event time of an accepted sample: the stated instant where there is a
    /// believable one, or that of its arrival, less its stated age.
    pub fn event_time(self, received: Time) -> Time {
        match self {
            Self::At(time) if time >= FIRST_BELIEVABLE => time,
            Self::Relative(milliseconds) => received + Span(milliseconds),
            Self::At(_) | Self::Nothing | Self::Unplaceable => received,
        }
    }
}

/// One value of one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// The channel.
    pub channel: ChannelIndex,
    /// The raw value.
    pub value: Value,
    /// The time its sender gave.
    pub stated: Stated,
}

/// How a message that may be a redelivery came: what an MQTT session knows of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Redelivery {
    /// Who holds the session: the client identifier at an inlet, empty for a client
    /// of ours.
    pub client: Arc<str>,
    /// A number that no other connection of this session has, across restarts too.
    pub connection: u64,
    /// The topic.
    pub topic: Arc<str>,
    /// The packet identifier.
    pub packet: u16,
    /// The sender's redelivery bit (DUP).
    pub again: bool,
}

/// All that one station said at once.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    /// The station.
    pub station: StationIndex,
    /// The source it came through.
    pub source: SourceIndex,
    /// The sender's name for this run since its start, if it gave one.
    pub boot: Option<Arc<str>>,
    /// The sender's number for this message, if it gave one.
    pub sequence: Option<u64>,
    /// When the processor took it. Stamped by the processor's owner, not by the source.
    pub received: Time,
    /// Whether the source's session (MQTT, serial) began less than 10 s before the
    /// message came, or it came without a pause since such a one: it may be a burst.
    pub early: bool,
    /// Set for a QoS 1 message.
    pub redelivery: Option<Redelivery>,
    /// The values.
    pub samples: Vec<Measured>,
}
