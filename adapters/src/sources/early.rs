//! Which messages may belong to a burst: what a broker or a station kept while the link
//! was down and now sends at once, without times.
//!
//! The rule kept here: a message is early within 10 s of its session's start, and as
//! long after that as messages of its station go on without a pause. A pause is a
//! quarter of the station's interval; a message alone after such a pause is never early
//! again in the same session. Whether an early message is part of a burst is decided
//! by the processor, which sees the channels.

use observation::{Property, StationIndex};
use std::time::Duration;
use tokio::time::Instant;

/// How long after the start of a session every message is early.
const START: Duration = Duration::from_secs(10);
/// Shortest pause that counts, for stations that send many times a second.
const SHORTEST_PAUSE: Duration = Duration::from_millis(250);

/// What one session remembers about its stations.
#[derive(Debug)]
pub(super) struct Early {
    began: Instant,
    stations: Vec<Station>,
}

#[derive(Debug)]
struct Station {
    pause: Duration,
    last: Option<Instant>,
}

impl Early {
    /// For a session that begins now.
    pub(super) fn begin(property: &Property, now: Instant) -> Self {
        let stations = property
            .stations
            .iter()
            .map(|station| Station {
                pause: Duration::from_millis(station.interval.0.unsigned_abs() / 4)
                    .max(SHORTEST_PAUSE),
                last: None,
            })
            .collect();
        Self { began: now, stations }
    }

    /// Whether a message of the station that came at `now` is early.
    pub(super) fn is(&mut self, station: StationIndex, now: Instant) -> bool {
        let at_start = now.duration_since(self.began) < START;
        let Some(station) = self.stations.get_mut(usize::from(station.0)) else {
            return at_start;
        };
        let early =
            at_start || station.last.is_some_and(|last| now.duration_since(last) < station.pause);
        station.last = early.then_some(now);
        early
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sources::fixtures::alder_croft;

    #[test]
    fn a_backlog_stays_early_until_its_station_pauses() {
        // Orchard's interval is 30 s, so its pause is 7.5 s.
        let property = alder_croft();
        let start = Instant::now();
        let at = |seconds: f64| start + Duration::from_secs_f64(seconds);
        let (orchard, ridge) = (StationIndex(0), StationIndex(1));
        let mut early = Early::begin(&property, start);
        assert!(early.is(orchard, at(0.1)));
        assert!(early.is(orchard, at(9.9)));
        assert!(early.is(orchard, at(17.0)), "7.1 s after the one before");
        assert!(!early.is(ridge, at(17.0)), "another station has its own pauses");
        assert!(!early.is(orchard, at(24.6)), "7.6 s after the one before");
        assert!(!early.is(orchard, at(24.7)), "the burst is over for good");
    }
}
