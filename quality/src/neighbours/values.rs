//! What one station says in one step, and the groups of quantities that are judged.

use observation::Quantity;
use serde::{Deserialize, Serialize};

/// The values of one station for one step (their mean over it, or the last of it; rain its
/// sum). Not a number where there is none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Values {
    /// Air temperature, Cel.
    pub temperature: f64,
    /// Relative humidity, %.
    pub humidity: f64,
    /// Dew point, Cel.
    pub dew_point: f64,
    /// Pressure at mean sea level, hPa.
    pub pressure: f64,
    /// Wind speed, m/s.
    pub speed: f64,
    /// Direction the wind blows from, degrees.
    pub direction: f64,
    /// Depth of rain in the step, mm.
    pub rain: f64,
}

impl Values {
    /// Nothing known.
    pub const MISSING: Self = Self {
        temperature: f64::NAN,
        humidity: f64::NAN,
        dew_point: f64::NAN,
        pressure: f64::NAN,
        speed: f64::NAN,
        direction: f64::NAN,
        rain: f64::NAN,
    };

    /// Whether anything is known.
    pub const fn is_known(&self) -> bool {
        let Self { temperature, humidity, dew_point, pressure, speed, direction, rain } = self;
        let none = temperature.is_nan()
            && humidity.is_nan()
            && dew_point.is_nan()
            && pressure.is_nan()
            && speed.is_nan()
            && direction.is_nan()
            && rain.is_nan();
        !none
    }

    /// The value of a quantity; not a number for one that is not compared.
    pub fn get(&self, quantity: Quantity) -> f64 {
        match quantity {
            Quantity::AirTemperature => self.temperature,
            Quantity::RelativeHumidity => self.humidity,
            Quantity::DewPointTemperature => self.dew_point,
            Quantity::AirPressureAtMeanSeaLevel => self.pressure,
            Quantity::WindSpeed => self.speed,
            Quantity::WindFromDirection => self.direction,
            Quantity::PrecipitationDepth => self.rain,
            _ => f64::NAN,
        }
    }

    /// Sets the value of a quantity that is compared.
    pub const fn set(&mut self, quantity: Quantity, value: f64) {
        match quantity {
            Quantity::AirTemperature => self.temperature = value,
            Quantity::RelativeHumidity => self.humidity = value,
            Quantity::DewPointTemperature => self.dew_point = value,
            Quantity::AirPressureAtMeanSeaLevel => self.pressure = value,
            Quantity::WindSpeed => self.speed = value,
            Quantity::WindFromDirection => self.direction = value,
            Quantity::PrecipitationDepth => self.rain = value,
            _ => {}
        }
    }
}

/// Quantities judged together: weather moves temperature and humidity both, a faulty
/// instrument one of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Group {
    /// Temperature with humidity.
    Air,
    /// Dew point.
    Dew,
    /// Pressure at mean sea level.
    Pressure,
    /// Wind speed.
    Speed,
    /// Wind direction.
    Vane,
}

impl Group {
    /// All of them.
    pub const ALL: [Self; 5] = [Self::Air, Self::Dew, Self::Pressure, Self::Speed, Self::Vane];

    /// What is judged in it, in the order of its hypotheses.
    pub const fn quantities(self) -> &'static [Quantity] {
        match self {
            Self::Air => &[Quantity::AirTemperature, Quantity::RelativeHumidity],
            Self::Dew => &[Quantity::DewPointTemperature],
            Self::Pressure => &[Quantity::AirPressureAtMeanSeaLevel],
            Self::Speed => &[Quantity::WindSpeed],
            Self::Vane => &[Quantity::WindFromDirection],
        }
    }
}

/// The middle of the finite values; not a number if there are none.
pub(crate) fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut finite: Vec<f64> = values.filter(|v| v.is_finite()).collect();
    finite.sort_by(f64::total_cmp);
    let middle = finite.len() / 2;
    match finite.len() {
        0 => f64::NAN,
        count if count % 2 == 1 => finite[middle],
        _ => f64::midpoint(finite[middle - 1], finite[middle]),
    }
}

/// An angle as the nearest to zero of its equals, degrees.
pub(crate) fn turn(angle: f64) -> f64 {
    (angle + 180.0).rem_euclid(360.0) - 180.0
}

/// The finite value, if it is one.
pub(super) fn known(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn middles_and_turns() {
        assert!((median([3.0, f64::NAN, 1.0].into_iter()) - 2.0).abs() < 1e-12);
        assert!((median([3.0, 9.0, 1.0].into_iter()) - 3.0).abs() < 1e-12);
        assert!(median([f64::NAN].into_iter()).is_nan());
        assert!((turn(350.0) + 10.0).abs() < 1e-9);
        assert!((turn(-190.0) - 170.0).abs() < 1e-9);
    }
}
