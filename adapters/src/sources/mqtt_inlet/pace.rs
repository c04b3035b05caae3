//! How fast a connection may speak: its stations' `rate`, averaged over ten seconds.
//!
//! The rule kept here: a sender that is too fast is read more slowly, so that nothing
//! it sends is lost; the protocol has no answer that would make it slow down.

use observation::{Property, StationIndex};
use std::sync::Arc;
use std::time::Duration;
use tokio::time::Instant;

/// The time over which a rate is averaged, in seconds.
const AVERAGED: f64 = 10.0;
/// Longest rest at a time, so that a connection still answers.
const LONGEST_REST: Duration = Duration::from_secs(1);

/// What the stations of one connection have left.
#[derive(Debug)]
pub(super) struct Pace {
    property: Arc<Property>,
    buckets: Vec<(StationIndex, Bucket)>,
}

#[derive(Debug)]
struct Bucket {
    rate: f64,
    left: f64,
    at: Instant,
}

impl Pace {
    pub(super) fn new(property: &Arc<Property>) -> Self {
        Self { property: Arc::clone(property), buckets: Vec::new() }
    }

    /// Counts samples of a station that arrived at `now`.
    pub(super) fn count(&mut self, station: StationIndex, samples: usize, now: Instant) {
        let place = self.buckets.iter().position(|(known, _)| *known == station);
        let place = place.unwrap_or_else(|| {
            let rate = self
                .property
                .stations
                .get(usize::from(station.0))
                .map_or(0.0, |s| s.rate)
                .max(0.01);
            self.buckets.push((station, Bucket { rate, left: rate * AVERAGED, at: now }));
            self.buckets.len() - 1
        });
        if let Some((_, bucket)) = self.buckets.get_mut(place) {
            bucket.fill(now);
            bucket.left -= samples as f64;
        }
    }

    /// How long the connection has to rest before it is read again, and for whose sake.
    pub(super) fn rest(&mut self, now: Instant) -> Option<(StationIndex, Duration)> {
        let (station, debt) = self
            .buckets
            .iter_mut()
            .map(|(station, bucket)| {
                bucket.fill(now);
                (*station, -bucket.left / bucket.rate)
            })
            .max_by(|(_, a), (_, b)| a.total_cmp(b))?;
        (debt > 0.0).then(|| {
            let rest = Duration::try_from_secs_f64(debt).unwrap_or(LONGEST_REST);
            (station, rest.clamp(Duration::from_millis(1), LONGEST_REST))
        })
    }
}

impl Bucket {
    fn fill(&mut self, now: Instant) {
        let gained = now.duration_since(self.at).as_secs_f64() * self.rate;
        self.left = (self.left + gained).min(self.rate * AVERAGED);
        self.at = now;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sources::fixtures::alder_croft;

    #[test]
    fn ten_seconds_worth_may_come_at_once_and_the_rest_waits() {
        let mut property = alder_croft();
        property.stations[0].rate = 5.0;
        let mut pace = Pace::new(&Arc::new(property));
        let start = Instant::now();
        let orchard = StationIndex(0);
        pace.count(orchard, 50, start);
        assert_eq!(pace.rest(start), None);
        pace.count(orchard, 2, start);
        assert_eq!(pace.rest(start), Some((orchard, Duration::from_millis(400))));
        pace.count(StationIndex(1), 1_000, start);
        assert_eq!(pace.rest(start + Duration::from_millis(401)), None);
        pace.count(orchard, 1_000, start);
        assert_eq!(pace.rest(start), Some((orchard, LONGEST_REST)));
    }
}
