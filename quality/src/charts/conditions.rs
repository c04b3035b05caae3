//! The conditions that have a chart, and what each is compared with.

use crate::diagnosis::{Cause, Hour, PUMPING, STILL, in_sector};
use observation::Quantity;

/// Sun that heats a screen, degrees; wind that ventilates it, m/s.
const HIGH_SUN: f64 = 20.0;
const LIGHT_WIND: f64 = 3.5;
/// Wind in which no cold gathers in a hollow by night, m/s.
const MIXING_WIND: f64 = 2.5;
/// Winds in which cups are compared, m/s.
const LIGHT: std::ops::Range<f64> = 1.0..3.0;
const STRONG: f64 = 4.0;
/// A wind that tells something of its direction, m/s.
const STEADY: f64 = 2.0;

/// Rain of an hour in which gauges are compared, mm.
const RAIN: f64 = 0.4;

const PRESSURE: Quantity = Quantity::AirPressureAtMeanSeaLevel;

/// One of them.
#[derive(Clone, Copy, Debug)]
pub(super) struct Condition {
    pub(super) cause: Cause,
    pub(super) quantity: Quantity,
    /// In which sense the difference speaks for the cause.
    pub(super) sign: f64,
    /// The least excess that is told, in the unit of the difference.
    pub(super) least: f64,
    /// Middle of the sector, degrees, of a shelter.
    pub(super) sector: Option<f64>,
}

const fn one(cause: Cause, quantity: Quantity, sign: f64, least: f64) -> Condition {
    Condition { cause, quantity, sign, least, sector: None }
}

const fn sector(middle: f64) -> Condition {
    Condition { sector: Some(middle), ..one(Cause::MastSheltered, Quantity::WindSpeed, -1.0, 0.2) }
}

/// All of them.
pub(super) const CONDITIONS: [Condition; 18] = [
    one(Cause::SunlitScreen, Quantity::AirTemperature, 1.0, 0.3),
    one(Cause::HumiditySlowToDry, Quantity::RelativeHumidity, 1.0, 4.0),
    one(Cause::CupSlowAtHighWind, Quantity::WindSpeed, -1.0, 0.06),
    one(Cause::CupSticking, Quantity::WindSpeed, -1.0, 0.2),
    sector(0.0),
    sector(45.0),
    sector(90.0),
    sector(135.0),
    sector(180.0),
    sector(225.0),
    sector(270.0),
    sector(315.0),
    one(Cause::GaugeCountsTooMuch, Quantity::PrecipitationDepth, 1.0, 0.3),
    one(Cause::GaugeCatchesTooLittle, Quantity::PrecipitationDepth, -1.0, 0.3),
    one(Cause::BarometerPumped, PRESSURE, 1.0, 0.1),
    one(Cause::BarometerPumped, PRESSURE, -1.0, 0.1),
    one(Cause::BarometerWarmed, PRESSURE, 1.0, 0.1),
    one(Cause::BarometerWarmed, PRESSURE, -1.0, 0.1),
];

/// The place of a direction among eight sectors.
pub(super) fn sector_of(direction: f64) -> Option<usize> {
    (0..8).find(|place| in_sector(direction, *place as f64 * 45.0))
}

impl Condition {
    /// Whether an hour is one of the condition.
    pub(super) fn under(&self, hour: &Hour) -> bool {
        match (self.cause, self.sector) {
            (Cause::SunlitScreen, _) => hour.sun >= HIGH_SUN && hour.wind < LIGHT_WIND,
            (Cause::HumiditySlowToDry, _) => hour.humidity < 90.0 && hour.since_wet <= 8.0,
            (Cause::CupSlowAtHighWind, _) => hour.others >= STRONG,
            (Cause::CupSticking, _) => LIGHT.contains(&hour.others),
            (Cause::BarometerPumped, _) => hour.wind >= PUMPING,
            (Cause::BarometerWarmed, _) => hour.sun >= HIGH_SUN && hour.wind < PUMPING,
            (Cause::GaugeCountsTooMuch | Cause::GaugeCatchesTooLittle, _) => hour.others >= RAIN,
            (_, Some(middle)) => hour.others >= STEADY && in_sector(hour.direction, middle),
            _ => false,
        }
    }

    /// So many decision intervals must be exceeded: of a barometer, whose box is pumped and
    /// warmed a little in any case, more than of the others.
    pub(super) fn intervals(&self) -> f64 {
        if self.quantity == PRESSURE { 1.7 } else { 1.0 }
    }

    /// The place of the same condition in the other sense, of a barometer.
    pub(super) fn opposite(&self) -> Option<usize> {
        let other = |c: &Self| c.cause == self.cause && c.sign * self.sign < 0.0;
        CONDITIONS.iter().position(|c| c.quantity == PRESSURE && other(c))
    }

    /// Whether its difference is the logarithm of a ratio.
    pub(super) const fn is_ratio(&self) -> bool {
        matches!(self.quantity, Quantity::WindSpeed | Quantity::PrecipitationDepth)
    }

    /// Whether it is compared with what was before alone, with nothing beside it.
    pub(super) const fn alone(&self) -> bool {
        matches!(self.quantity, Quantity::PrecipitationDepth)
    }

    /// Whether it is one that the condition is compared with.
    pub(super) fn beside(&self, hour: &Hour) -> bool {
        match (self.cause, self.sector) {
            (Cause::SunlitScreen, _) => hour.sun < -3.0 && hour.wind >= MIXING_WIND,
            (Cause::HumiditySlowToDry, _) => hour.humidity < 90.0 && hour.since_wet > 12.0,
            (Cause::CupSlowAtHighWind, _) => LIGHT.contains(&hour.others),
            (Cause::CupSticking, _) => hour.others >= STRONG,
            (Cause::BarometerPumped, _) => hour.wind < STILL,
            (Cause::BarometerWarmed, _) => hour.sun < -3.0 && hour.wind < PUMPING,
            (_, Some(middle)) => {
                let near = in_sector(hour.direction, middle - 45.0)
                    || in_sector(hour.direction, middle + 45.0);
                hour.others >= STEADY
                    && hour.direction.is_finite()
                    && !near
                    && !in_sector(hour.direction, middle)
            }
            _ => false,
        }
    }
}
