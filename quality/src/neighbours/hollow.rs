//! Cold that gathers by night: in a hollow, in clear calm nights alone. It is a real
//! difference of the place, larger in some nights than what is expected of it, and no
//! instrument: what is off is off in the day and in wind as well (common practice; the limits
//! are own choices).

use super::values::{Values, median};
use super::weather::Weather;
use crate::charts::Mean;
use observation::Quantity;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// The air is stirred from this wind on, m/s, or by the sun: this share of its height at noon.
const STIRRED: (f64, f64) = (2.5, 0.5);
/// Stirred hours that must have been seen, and the share of the offset that must be there in
/// them for an instrument to be suspected.
const LEAST_HOURS: usize = 4;
const LEAST_SHARE: f64 = 0.4;
/// What was seen in the last days is not usual yet, hours.
const HELD_BACK: usize = 96;
/// Memory of what is usual in stirred air, hours, and hours that make it known.
const MEMORY: f64 = 480.0;
const KNOWN: f64 = 48.0;
/// What the cold does to each: the sense of the offset.
const COLD: [(Quantity, f64); 2] =
    [(Quantity::AirTemperature, -1.0), (Quantity::RelativeHumidity, 1.0)];

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Stirred {
    /// Hour and difference to the middle of the others in stirred air, newest last.
    recent: VecDeque<(usize, f64)>,
    usual: Mean,
}

/// What is seen of each station when the air is stirred.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Hollow {
    stations: Vec<[Stirred; COLD.len()]>,
}

impl Hollow {
    /// Takes a step, which is counted in hours.
    pub(super) fn take(&mut self, hour: usize, weather: &Weather, values: &[Values]) {
        let (wind, sun) = STIRRED;
        if !(weather.speed >= wind || weather.day >= sun) {
            return;
        }
        self.stations.resize_with(values.len(), Default::default);
        for (place, station) in self.stations.iter_mut().enumerate() {
            for (stirred, (quantity, _)) in station.iter_mut().zip(COLD) {
                let others = values.iter().enumerate().filter(|(other, _)| *other != place);
                let own = values.get(place).map_or(f64::NAN, |v| v.get(quantity));
                let difference = own - median(others.map(|(_, v)| v.get(quantity)));
                if difference.is_finite() {
                    stirred.recent.push_back((hour, difference));
                }
                while let Some((then, old)) = stirred.recent.front().copied()
                    && then + HELD_BACK < hour
                {
                    stirred.usual.learn(old, MEMORY);
                    stirred.recent.pop_front();
                }
            }
        }
    }

    /// Whether an offset since an hour may be the cold of the place: it has the sense of
    /// cold, and in stirred air it is not there.
    pub(super) fn explains(
        &self,
        station: usize,
        quantity: Quantity,
        since: usize,
        size: f64,
    ) -> bool {
        let Some(place) = COLD.iter().position(|(q, sense)| *q == quantity && size * sense > 0.0)
        else {
            return false;
        };
        let Some(stirred) = self.stations.get(station).and_then(|all| all.get(place)) else {
            return false;
        };
        if !stirred.usual.is_known(KNOWN) {
            return false;
        }
        let seen = stirred.recent.iter().rev().take_while(|(hour, _)| *hour >= since);
        let (sum, count) = seen.fold((0.0, 0), |(sum, count), (_, d)| (sum + d, count + 1));
        if count < LEAST_HOURS {
            return true;
        }
        let excess = sum / count as f64 - stirred.usual.mean;
        excess / size < LEAST_SHARE
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 40 days of three invented stations: stirred by day, still by night; the first is colder
    /// by so much in the last two days, by night and by day.
    fn hollow(night: f64, day: f64) -> (Hollow, usize) {
        let mut hollow = Hollow::default();
        for hour in 0..960 {
            let of_day = hour % 24;
            let light = if (8..16).contains(&of_day) { 0.9 } else { 0.0 };
            let weather = Weather { day: light, speed: 0.5, ..Weather::default() };
            let lately = hour >= 912;
            let off = if !lately {
                0.0
            } else if light > 0.0 {
                day
            } else {
                night
            };
            let value = |by: f64| Values { temperature: 8.0 + by, ..Values::MISSING };
            hollow.take(hour, &weather, &[value(off), value(0.0), value(0.2)]);
        }
        (hollow, 912)
    }

    #[test]
    fn cold_of_still_nights_is_of_the_place_and_cold_of_the_day_is_not() {
        let explains = |night, day, size| {
            let (hollow, since) = hollow(night, day);
            hollow.explains(0, Quantity::AirTemperature, since, size)
        };
        assert!(explains(-2.0, 0.0, -1.2));
        assert!(!explains(-2.0, -2.0, -2.0));
        assert!(!explains(2.0, 0.0, 1.2), "warmth does not gather");
        let (hollow, _) = hollow(-2.0, -2.0);
        assert!(hollow.explains(0, Quantity::AirTemperature, 958, -2.0), "wait for the day");
        assert!(!hollow.explains(0, Quantity::WindSpeed, 912, -2.0));
    }
}
