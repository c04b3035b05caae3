//! Query strings and `application/x-www-form-urlencoded` bodies.

use super::{Decoded, Map, Reader, Refused};
use observation::{Refusal, StationIndex};

impl Reader {
    /// Reads `name=value` pairs joined by `&`. An empty value is a gap.
    ///
    /// # Errors
    /// Whatever makes it void; the whole of it is refused.
    pub fn form(&self, station: StationIndex, map: Option<&Map>, bytes: &[u8]) -> Result<Decoded, Refused> {
        let _ = (station, map);
        Err(Refused::new(Refusal::Malformed, format!("{} bytes are not decoded yet", bytes.len())))
    }
}
