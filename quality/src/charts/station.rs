//! The charts of one station.

use super::ChartLimits;
use super::chart::Chart;
use super::conditions::{CONDITIONS, sector_of};
use super::day::Mean;
use super::slope::Slope;
use crate::diagnosis::Hour;
use crate::neighbours::Root;
use observation::Quantity;
use serde::{Deserialize, Serialize};

/// What is compared.
const COMPARED: [Quantity; 5] = [
    Quantity::AirTemperature,
    Quantity::RelativeHumidity,
    Quantity::WindSpeed,
    Quantity::PrecipitationDepth,
    Quantity::AirPressureAtMeanSeaLevel,
];
/// Memory of what is usual from a sector, in hours.
const SECTOR_MEMORY: f64 = 120.0;

/// State of one station.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Station {
    pub(super) charts: Vec<Chart>,
    /// What is usual from each sector, of the logarithm of the ratio of winds.
    sectors: [Mean; 8],
    since_wet: Option<f64>,
    /// What the square of the wind usually adds to the difference of pressures.
    #[serde(default)]
    pumping: Slope,
}

impl Station {
    /// Nothing seen.
    pub(super) fn beginning() -> Self {
        Self { charts: vec![Chart::default(); CONDITIONS.len()], ..Self::default() }
    }

    /// The same of one that came later than others, on a day.
    pub(super) fn from(day: Option<i64>) -> Self {
        Self { charts: vec![Chart::from(day); CONDITIONS.len()], ..Self::default() }
    }

    /// Begins anew, on a day, with what was changed.
    pub(super) fn forget(&mut self, root: &Root, day: Option<i64>) {
        for (chart, condition) in self.charts.iter_mut().zip(&CONDITIONS) {
            if !root.keeps(condition.quantity) {
                *chart = Chart::from(day);
            }
        }
        if !root.keeps(Quantity::AirPressureAtMeanSeaLevel) {
            self.pumping = Slope::default();
        }
        if !root.keeps(Quantity::WindSpeed) {
            self.sectors = Default::default();
        }
    }

    /// Takes one hour of the station.
    pub(super) fn hour(
        &mut self,
        today: i64,
        limits: &ChartLimits,
        mut of: impl FnMut(Quantity, &mut f64) -> Hour,
    ) {
        if self.charts.len() < CONDITIONS.len() {
            // What was saved had fewer.
            self.charts.resize_with(CONDITIONS.len(), || Chart::from(Some(today)));
        }
        let mut since_wet = self.since_wet.unwrap_or(f64::INFINITY);
        let mut wet = since_wet;
        for quantity in COMPARED {
            wet = since_wet;
            let hour = of(quantity, &mut wet);
            let mut difference = match quantity {
                Quantity::WindSpeed => hour.ratio(),
                Quantity::PrecipitationDepth => hour.rain_ratio(),
                _ => hour.offset(),
            };
            if !difference.is_finite() {
                continue;
            }
            let suspicious = self.charts.iter().zip(&CONDITIONS).any(|(chart, condition)| {
                condition.quantity == quantity && chart.is_suspicious(limits)
            });
            if quantity == Quantity::WindSpeed
                && let Some(sector) = sector_of(hour.direction)
                && let Some(usual) = self.sectors.get_mut(sector)
            {
                let raw = difference;
                difference =
                    if usual.is_known(SECTOR_MEMORY / 10.0) { raw - usual.mean } else { f64::NAN };
                if !suspicious && hour.others >= 1.0 {
                    usual.learn(raw, SECTOR_MEMORY);
                }
                if difference.is_nan() {
                    continue;
                }
            }
            if quantity == Quantity::AirPressureAtMeanSeaLevel {
                // A vent is always pumped a little: only what is more than usual counts, in
                // whatever wind.
                let square = hour.wind * hour.wind;
                let usual = self.pumping.slope();
                if !suspicious && square.is_finite() {
                    self.pumping.learn(square, difference);
                }
                let Some(usual) = usual.filter(|_| square.is_finite()) else { continue };
                difference -= usual * square;
            }
            for (chart, condition) in self.charts.iter_mut().zip(&CONDITIONS) {
                if condition.quantity == quantity {
                    chart.hour(today, condition, &hour, difference);
                }
            }
        }
        since_wet = wet;
        self.since_wet = Some(since_wet).filter(|hours| hours.is_finite());
    }
}
