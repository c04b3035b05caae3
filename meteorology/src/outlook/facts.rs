//! What an outlook is told from besides its chance: facts of the barometer, wind, damp and
//! rain. Whoever shows them puts them into words; no grade of the weather is given.

use super::terms::Hour;
use crate::tendency;
use serde::{Deserialize, Serialize};

/// What an outlook is told from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    /// Pressure at mean sea level, hPa.
    pub pressure: Option<f64>,
    /// Its change, hPa.
    pub change: Option<f64>,
    /// Hours of that change: 3; 24 near the equator, where shorter changes are mostly the
    /// daily tide.
    pub change_hours: usize,
    /// Direction of the wind, deg.
    pub wind: Option<f64>,
    /// The same six hours before.
    pub wind_before: Option<f64>,
    /// Relative humidity, %.
    pub humidity: Option<f64>,
    /// Wet hours of the last twelve.
    pub wet_hours: usize,
    /// Hours of the last twelve in which rain was measured.
    pub rain_hours: usize,
}

/// The facts of hours up to now, oldest first, at a latitude in deg.
pub fn facts(hours: &[Hour], latitude: f64) -> Facts {
    let back = |ago: usize| hours.len().checked_sub(ago + 1).and_then(|place| hours.get(place));
    let change_hours = if latitude.abs() < tendency::TIDE_LATITUDE { 24 } else { 3 };
    let pressure = back(0).and_then(|hour| hour.pressure);
    let before = back(change_hours).and_then(|hour| hour.pressure);
    let rain = || (0..super::HORIZON).filter_map(|ago| back(ago)?.wet());
    Facts {
        pressure,
        change: pressure.zip(before).map(|(now, before)| now - before),
        change_hours,
        wind: back(0).and_then(|hour| hour.direction),
        wind_before: back(6).and_then(|hour| hour.direction),
        humidity: back(0).and_then(|hour| hour.humidity),
        wet_hours: rain().filter(|wet| *wet).count(),
        rain_hours: rain().count(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hours() -> Vec<Hour> {
        (0..25)
            .map(|n| Hour {
                pressure: Some(if n < 21 {
                    1012.3
                } else {
                    1012.3 - 4.1 * f64::from(n - 21) / 3.0
                }),
                direction: Some(if n < 20 { 225.0 } else { 135.0 }),
                humidity: Some(91.0),
                rain: Some(if n > 21 { 0.4 } else { 0.0 }),
                ..Hour::default()
            })
            .collect()
    }

    #[test]
    fn facts_are_those_of_the_last_hours() {
        let told = facts(&hours(), 54.0);
        assert!(told.change.is_some_and(|change| (change + 4.1).abs() < 1e-9), "{told:?}");
        assert_eq!((told.change_hours, told.wet_hours, told.rain_hours), (3, 3, 12));
        assert_eq!((told.wind, told.wind_before), (Some(135.0), Some(225.0)));
        // Near the equator a day is compared: shorter changes are mostly the tide.
        assert_eq!(facts(&hours(), 5.0).change_hours, 24);
        assert_eq!(facts(&[], 54.0), Facts { change_hours: 3, ..Facts::default() });
    }
}
