//! What was understood of one payload.

use observation::sample::Redelivery;
use observation::{Measured, Message, SourceIndex, Stated, StationIndex, Time};
use std::sync::Arc;

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
