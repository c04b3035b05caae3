//! A value that does not move at all, judged by its own station.
//!
//! Two named sets. `wmo`: minimum variability of WMO, Guide to the Global Observing
//! System (WMO-No. 488), appendix VI.2, by way of a secondary copy: over 60 minutes
//! temperature 0.1 Cel, dew point 0.1 Cel, humidity 1 %, pressure 0.1 hPa, speed 0.5 m/s,
//! direction 10 degrees. `home` (own choice, common practice): instruments of coarse
//! steps stand still for hours in quiet weather, so the run must be far longer, and is
//! not looked at where standing still is natural.

use observation::{Quantity, Span};

/// A named set of limits.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Set {
    /// For instruments of coarse steps at home.
    #[default]
    Home,
    /// As the WMO publishes them.
    Wmo,
}

/// Least change and the time in which it must come about. None where no limit speaks:
/// for other quantities, and where a still value is natural.
pub fn limit(set: Set, quantity: Quantity, value: f64) -> Option<(f64, Span)> {
    use Quantity as Q;
    match set {
        Set::Wmo => {
            let least = match quantity {
                Q::AirTemperature | Q::DewPointTemperature | Q::SurfaceAirPressure => 0.1,
                Q::RelativeHumidity => 1.0,
                Q::WindSpeed => 0.5,
                Q::WindFromDirection => 10.0,
                _ => return None,
            };
            Some((least, Span::hours(1)))
        }
        Set::Home => {
            let hours = match quantity {
                // Melting holds it at zero.
                Q::AirTemperature | Q::DewPointTemperature if value.abs() >= 0.3 => 18,
                Q::SurfaceAirPressure | Q::AirPressureAtMeanSeaLevel => 12,
                // Fog and cloud hold it near saturation.
                Q::RelativeHumidity if value < 97.0 => 18,
                // A calm may last; a wind does not.
                Q::WindSpeed if value > 0.5 => 12,
                _ => return None,
            };
            Some((0.0, Span::hours(hours)))
        }
    }
}

/// Whether a value that stayed within `range` (greatest less least) for `lasted` has not
/// moved. None where no limit speaks.
pub fn still(set: Set, quantity: Quantity, value: f64, range: f64, lasted: Span) -> Option<bool> {
    let (least, span) = limit(set, quantity, value)?;
    Some(lasted >= span && (range < least || range == 0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quiet_weather_is_no_fault_and_a_dead_sensor_is() {
        let hours = Span::hours;
        let t = Quantity::AirTemperature;
        for (set, quantity, value, range, lasted, expected) in [
            (Set::Home, t, 12.0, 0.0, hours(17), Some(false)),
            (Set::Home, t, 12.0, 0.0, hours(18), Some(true)),
            (Set::Home, t, 0.2, 0.0, hours(48), None),
            (Set::Home, Quantity::RelativeHumidity, 98.0, 0.0, hours(90), None),
            (Set::Home, Quantity::WindSpeed, 0.0, 0.0, hours(90), None),
            (Set::Home, Quantity::WindFromDirection, 90.0, 0.0, hours(90), None),
            // WMO-No. 488, appendix VI.2: 0.1 Cel over 60 minutes.
            (Set::Wmo, t, 12.0, 0.05, hours(1), Some(true)),
            (Set::Wmo, t, 12.0, 0.15, hours(1), Some(false)),
            (Set::Wmo, Quantity::WindFromDirection, 90.0, 9.0, hours(1), Some(true)),
        ] {
            assert_eq!(still(set, quantity, value, range, lasted), expected, "{quantity} {value}");
        }
    }
}
