//! What a sender's statement of time means.

use observation::property::Station;

/// How one station's own times are read.
#[derive(Debug)]
pub(super) struct StationClock {
    _milliseconds: bool,
}

impl StationClock {
    pub(super) fn of(station: &Station) -> Self {
        Self { _milliseconds: station.time_in_milliseconds }
    }
}
