//! The quick look at every step: is a value far from the median of its neighbours, at the
//! usual difference of this station and in units of its usual spread?

use super::values::{Values, known, median};
use observation::Quantity;
use serde::{Deserialize, Serialize};

/// What is looked at, and the least spread that is believed.
pub(super) const QUANTITIES: [(Quantity, f64); 4] = [
    (Quantity::AirTemperature, 0.1),
    (Quantity::RelativeHumidity, 0.5),
    (Quantity::DewPointTemperature, 0.2),
    (Quantity::AirPressureAtMeanSeaLevel, 0.05),
];
/// Median absolute deviation to standard deviation of a normal distribution.
const SCALED: f64 = 1.4826;
/// A value this many spreads off is grossly wrong.
const GROSS: f64 = 10.0;
/// Neighbours that differ by more than this share of the distance say nothing.
const APART: f64 = 0.5;
/// Share of a spread by which the usual difference follows in one hour, and of itself by
/// which the spread does.
const PACE: f64 = 0.02;
/// Hours before anything is said.
const LEAST_HOURS: f64 = 240.0;
/// A value that stays grossly off is no slip any more: the slow judgement takes it.
pub(super) const SLIP_HOURS: usize = 3;

/// Usual difference to the neighbours.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Usual {
    pub(super) difference: f64,
    deviation: f64,
    pub(super) hours: f64,
    /// Steps in a row that were grossly off.
    off: usize,
}

/// State of the quick look for all stations.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Gross {
    steps_per_hour: usize,
    /// Quantity by quantity, station by station.
    usual: Vec<Usual>,
}

/// A value far from its neighbours in one step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stray {
    /// Place of the station.
    pub station: usize,
    /// What was measured.
    pub quantity: Quantity,
    /// Difference to what the neighbours let expect, in the unit of the quantity.
    pub difference: f64,
    /// The same in usual spreads.
    pub spreads: f64,
    /// Steps in a row, this one included.
    pub steps: usize,
}

impl Gross {
    pub(super) fn new(stations: usize, steps_per_hour: usize) -> Self {
        let usual = vec![Usual::default(); stations * QUANTITIES.len()];
        Self { steps_per_hour, usual }
    }

    /// Takes one step; returns the values that are grossly off, at most one a quantity.
    pub(super) fn take(&mut self, values: &[Values]) -> Vec<Stray> {
        let mut found = Vec::new();
        let step = 1.0 / self.steps_per_hour as f64;
        let usuals = self.usual.chunks_exact_mut(values.len());
        for ((quantity, least), usuals) in QUANTITIES.into_iter().zip(usuals) {
            let column: Vec<f64> = values.iter().map(|v| v.get(quantity)).collect();
            let mut worst: Option<Stray> = None;
            for (station, usual) in usuals.iter().enumerate() {
                let stray = usual.look(&column, station, quantity, least);
                if let Some(stray) = stray
                    && worst.is_none_or(|w| stray.spreads.abs() > w.spreads.abs())
                {
                    worst = Some(stray);
                }
            }
            for (station, usual) in usuals.iter_mut().enumerate() {
                let off = worst.is_some_and(|w| w.station == station);
                usual.off = if off { usual.off + 1 } else { 0 };
                // The step in which one is off teaches nothing about the others.
                if worst.is_none() || usual.off > SLIP_HOURS * self.steps_per_hour {
                    usual.learn(&column, station, step, least);
                }
                if off && let Some(stray) = &mut worst {
                    stray.steps = usual.off;
                }
            }
            found.extend(worst);
        }
        found
    }
}

impl Usual {
    pub(super) fn difference(column: &[f64], station: usize) -> Option<f64> {
        let others = column.iter().enumerate().filter(|(other, _)| *other != station);
        known(column.get(station)? - median(others.map(|(_, value)| *value)))
    }

    pub(super) fn look(
        &self,
        column: &[f64],
        station: usize,
        quantity: Quantity,
        least: f64,
    ) -> Option<Stray> {
        let others =
            column.iter().enumerate().filter(|(other, v)| *other != station && !v.is_nan());
        let (low, high) = others.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), (_, v)| {
            (low.min(*v), high.max(*v))
        });
        let off = Self::difference(column, station)? - self.difference;
        let spread = (SCALED * self.deviation).max(least);
        let sure = self.hours >= LEAST_HOURS && low < f64::INFINITY && column.len() > 2;
        let gross = off.abs() > GROSS * spread && high - low < APART * off.abs();
        (sure && gross).then_some(Stray {
            station,
            quantity,
            difference: off,
            spreads: off / spread,
            steps: 0,
        })
    }

    pub(super) fn learn(&mut self, column: &[f64], station: usize, step: f64, least: f64) {
        let Some(difference) = Self::difference(column, station) else { return };
        let pace = PACE.max(1.0 / (1.0 + self.hours)) * step;
        let off = difference - self.difference;
        let spread = (SCALED * self.deviation).max(least);
        // Towards the middle half of the differences, by steps of bounded size.
        self.difference += pace * off.clamp(-3.0 * spread, 3.0 * spread);
        let deviation = self.deviation.max(least / SCALED);
        let towards = if off.abs() > deviation { 1.0 } else { -1.0 };
        self.deviation = deviation * (pace * towards).exp();
        self.hours += step;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_wild_value_is_named_in_its_hour_and_a_shared_jump_is_weather() {
        let mut gross = Gross::new(3, 1);
        let mut hour = |temperatures: [f64; 3]| {
            gross.take(&temperatures.map(|temperature| Values { temperature, ..Values::MISSING }))
        };
        for i in 0..600_u32 {
            let wobble = f64::from(i * 7 % 11) * 0.2 - 1.0;
            assert!(hour([15.0 + wobble, 15.0, 14.0 - wobble]).is_empty());
        }
        assert!(hour([4.0, 4.2, 3.0]).is_empty(), "a front");
        let strays = hour([15.0, -10.5, 15.0]);
        assert_eq!(strays.len(), 1);
        assert_eq!((strays[0].station, strays[0].quantity), (1, Quantity::AirTemperature));
        assert!(strays[0].difference < -20.0);
    }
}
