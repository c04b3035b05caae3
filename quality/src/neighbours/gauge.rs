//! A gauge that does not tip while it rains at its neighbours: how unlikely is it?
//!
//! The chance that a sound gauge stays dry is learned by how much the neighbours agree on,
//! starting from a table measured at airports 17 to 33 km apart; at one property it will
//! soon be far smaller.

use super::suspicion::agreed;
use super::values::Values;
use serde::{Deserialize, Serialize};

const BINS: usize = 5;
/// Upper ends of the bins of the neighbours' depth in an hour but for the last, mm.
const DEPTHS: [f64; BINS - 1] = [0.3, 0.8, 1.6, 3.2];
/// Chance that a gauge that was dry in the hour before stays dry.
const CHANCES: [f64; BINS] = [0.5, 0.26, 0.2, 0.12, 0.15];
/// The starting table counts as so many hours a bin.
const STARTING_WEIGHT: f64 = 100.0;
/// Counts are halved when a bin holds so many hours.
const LARGEST_WEIGHT: f64 = 2000.0;

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Station {
    /// By neighbour, since the own last tip, mm.
    depths: Vec<f64>,
    /// Sum of -ln chance since then.
    score: f64,
    /// Hours since the first rain that was missed.
    hours: usize,
}

/// State of the test for all stations.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Gauge {
    stations: Vec<Station>,
    dry: [f64; BINS],
    total: [f64; BINS],
}

/// Rain that a gauge has not seen.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Missed {
    /// How unlikely it is: -ln of the chance.
    pub(super) score: f64,
    /// Depth the neighbours agree on, mm.
    pub(super) depth: f64,
    /// Hours since the first rain that was missed.
    pub(super) hours: usize,
}

impl Gauge {
    pub(super) fn new(stations: usize) -> Self {
        let station = Station { depths: vec![0.0; stations], ..Station::default() };
        Self {
            stations: vec![station; stations],
            dry: CHANCES.map(|chance| chance * STARTING_WEIGHT),
            total: [STARTING_WEIGHT; BINS],
        }
    }

    /// Takes the rain of one hour; returns what each gauge has missed so far. An hour in
    /// which the gauge itself said nothing is not counted against it.
    pub(super) fn take(&mut self, values: &[Values], least_score: f64) -> Vec<Missed> {
        let mut found = Vec::with_capacity(self.stations.len());
        let depths: Vec<f64> = values.iter().map(|v| v.rain.max(0.0)).collect();
        for (place, station) in self.stations.iter_mut().enumerate() {
            let own = values.get(place).map_or(f64::NAN, |value| value.rain);
            let others = |all: &[f64]| {
                let mut others = all.to_vec();
                others.remove(place);
                agreed(&mut others).unwrap_or(0.0)
            };
            let now = others(&depths);
            let bin = DEPTHS.iter().filter(|end| now >= **end).count();
            if now > 0.0 && own.is_finite() && station.score < least_score {
                self.dry[bin] += if own > 0.0 { 0.0 } else { 1.0 };
                self.total[bin] += 1.0;
                if self.total[bin] > LARGEST_WEIGHT {
                    self.dry[bin] *= 0.5;
                    self.total[bin] *= 0.5;
                }
            }
            if own > 0.0 {
                station.depths.fill(0.0);
                (station.score, station.hours) = (0.0, 0);
            } else if own.is_finite() {
                for (sum, depth) in station.depths.iter_mut().zip(&depths) {
                    *sum += depth;
                }
                if now > 0.0 {
                    station.score -= (self.dry[bin].max(0.5) / self.total[bin]).ln();
                }
            }
            if station.score > 0.0 {
                station.hours += 1;
            }
            let depth = others(&station.depths);
            found.push(Missed { score: station.score, depth, hours: station.hours });
        }
        found
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
            gauge.take(&values, 4.0)
        };
        assert!(hour([0.0, 2.0, 0.0])[0].score.abs() < 1e-12);
        let missed = hour([0.0, 2.0, 1.0]);
        assert!(missed[0].score > 1.0 && missed[0].hours == 1);
        assert!((missed[0].depth - 1.0).abs() < 1e-12);
        let after_silence = hour([f64::NAN, 2.0, 1.0]);
        assert!((after_silence[0].score - missed[0].score).abs() < 1e-12);
        assert!(hour([0.2, 2.0, 1.0])[0].score.abs() < 1e-12);
    }
}
