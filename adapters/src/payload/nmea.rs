//! NMEA 0183 wind sentences (MWV).

use super::{Decoded, Reader, Refused};
use observation::{ChannelIndex, Refusal, StationIndex};

/// Where the fields of a wind sentence go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wind {
    /// The station.
    pub station: StationIndex,
    /// The channel of the angle, in degrees.
    pub angle: Option<ChannelIndex>,
    /// The channel of the speed; converted to the channel's unit.
    pub speed: Option<ChannelIndex>,
}

impl Reader {
    /// Reads one sentence, without its line end. Other sentences than MWV, and MWV
    /// with status V (not valid), are messages without samples.
    ///
    /// # Errors
    /// No or a wrong checksum, or fields that are not those of MWV.
    pub fn nmea(&self, wind: &Wind, bytes: &[u8]) -> Result<Decoded, Refused> {
        let _ = wind;
        Err(Refused::new(Refusal::Malformed, format!("{} bytes are not decoded yet", bytes.len())))
    }
}
