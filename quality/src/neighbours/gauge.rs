//! A gauge that does not tip while it rains at its neighbours.

use super::suspicion::agreed;
use super::values::Values;
use serde::{Deserialize, Serialize};

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Station {
    /// By neighbour, since the own last tip, mm.
    depths: Vec<f64>,
    /// Hours in which it rained at the neighbours since then.
    wet: usize,
    /// Hours since the first of these.
    hours: usize,
}

/// State of the test for all stations.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Gauge {
    stations: Vec<Station>,
}

/// Rain that a gauge has not seen.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Missed {
    /// Hours of rain at the neighbours.
    pub(super) wet: usize,
    /// Depth the neighbours agree on, mm.
    pub(super) depth: f64,
    /// Hours since the first rain that was missed.
    pub(super) hours: usize,
}

impl Gauge {
    pub(super) fn new(stations: usize) -> Self {
        let station = Station { depths: vec![0.0; stations], ..Station::default() };
        Self { stations: vec![station; stations] }
    }

    /// Takes the rain of one hour; returns what each gauge has missed so far.
    pub(super) fn take(&mut self, values: &[Values]) -> Vec<Missed> {
        let depth = |value: &Values| if value.rain > 0.0 { value.rain } else { 0.0 };
        let stations = self.stations.iter_mut().enumerate();
        stations
            .map(|(place, station)| {
                if values.get(place).is_some_and(|own| own.rain > 0.0) {
                    station.depths.fill(0.0);
                    (station.wet, station.hours) = (0, 0);
                }
                for (sum, value) in station.depths.iter_mut().zip(values) {
                    *sum += depth(value);
                }
                let others = |all: &[f64]| {
                    let mut others = all.to_vec();
                    others.remove(place);
                    agreed(&mut others).unwrap_or(0.0)
                };
                let now: Vec<f64> = values.iter().map(depth).collect();
                if others(&now) > 0.0 {
                    station.wet += 1;
                }
                if station.wet > 0 {
                    station.hours += 1;
                }
                Missed { wet: station.wet, depth: others(&station.depths), hours: station.hours }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_rain_that_both_neighbours_had_counts_and_a_tip_ends_it() {
        let mut gauge = Gauge::new(3);
        let mut hour = |rains: [f64; 3]| {
            let values = rains.map(|rain| Values { rain, ..Values::MISSING });
            gauge.take(&values)
        };
        hour([0.0, 2.0, 0.0]);
        hour([0.0, 2.0, 1.0]);
        let missed = hour([f64::NAN, 2.0, 1.0]);
        assert_eq!((missed[0].wet, missed[0].hours), (2, 2));
        assert!((missed[0].depth - 2.0).abs() < 1e-12);
        let missed = hour([0.2, 2.0, 1.0]);
        assert_eq!(missed[0].wet, 1);
        assert!((missed[0].depth - 1.0).abs() < 1e-12);
    }
}
