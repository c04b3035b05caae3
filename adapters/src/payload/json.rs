//! A JSON object in the sender's own shape.

use super::{Decoded, Map, Reader, Refused};
use observation::{Refusal, StationIndex};

impl Reader {
    /// Reads a flat JSON object whose keys are channels, or any JSON through a map.
    ///
    /// # Errors
    /// Whatever makes the document void; the whole of it is refused.
    pub fn json(&self, station: StationIndex, map: Option<&Map>, bytes: &[u8]) -> Result<Decoded, Refused> {
        let _ = (station, map);
        Err(Refused::new(Refusal::Malformed, format!("{} bytes are not decoded yet", bytes.len())))
    }
}
