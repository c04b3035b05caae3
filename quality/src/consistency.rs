//! Readings of one station at one time that cannot both be right.
//!
//! The checks are those of WMO, Guide to the Global Observing System (WMO-No. 488),
//! appendix VI.2, internal consistency, by way of a secondary copy: dew point not above
//! temperature, gust not below mean, radiation at night; humidity against temperature and
//! dew point is the same statement in numbers. A frost point may exceed the temperature.

use meteorology::humidity::humidity_from_dew_point;
use meteorology::saturation::Method;

/// Dew points above the temperature by less than this are rounding, Cel.
const ROUNDING: f64 = 0.2;
/// Humidity may differ from what temperature and dew point say by so many points.
const POINTS: f64 = 2.0;
/// A gust below the mean by less than this is rounding, m/s.
const GUST_ROUNDING: f64 = 0.1;
/// Light of stars, moon and lamps, and the offset of a pyranometer at night, W/m2
/// (common practice).
const NIGHT: f64 = 10.0;
/// The sun is surely down at this elevation of its centre, degrees (civil twilight).
const DOWN: f64 = -6.0;
/// Rain at so low a humidity is water from a hose, % (common practice).
const TOO_DRY: f64 = 40.0;

/// Whether a dew point may stand beside a temperature.
pub fn dew_point_fits(temperature: f64, dew_point: f64) -> bool {
    dew_point <= temperature + ROUNDING
}

/// Whether humidity, temperature and dew point may stand together; none outside the range
/// of the formula.
pub fn humidity_fits(temperature: f64, dew_point: f64, humidity: f64) -> Option<bool> {
    let said = humidity_from_dew_point(Method::Bolton1980, temperature, dew_point).ok()?;
    Some((said - humidity).abs() <= POINTS)
}

/// Whether the highest gust of ten minutes may stand beside their mean.
pub fn gust_fits(mean: f64, gust: f64) -> bool {
    gust >= mean - GUST_ROUNDING
}

/// Whether an irradiance may stand beside the sun's elevation in degrees.
pub fn light_fits(irradiance: f64, elevation: f64) -> bool {
    elevation > DOWN || irradiance <= NIGHT
}

/// Whether tips may be rain in air of this humidity.
pub fn rain_fits(depth: f64, humidity: f64) -> bool {
    depth <= 0.0 || humidity >= TOO_DRY
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_both_be_right_is_told() {
        assert!(dew_point_fits(10.0, 10.1) && !dew_point_fits(10.0, 10.3));
        // 20 Cel and a dew point of 9.3 Cel are 50 % (common practice).
        assert_eq!(humidity_fits(20.0, 9.3, 50.0), Some(true));
        assert_eq!(humidity_fits(20.0, 9.3, 53.0), Some(false));
        assert!(gust_fits(5.0, 4.95) && !gust_fits(5.0, 4.0));
        assert!(light_fits(300.0, 10.0) && light_fits(4.0, -20.0) && !light_fits(30.0, -20.0));
        assert!(rain_fits(0.2, 80.0) && rain_fits(0.0, 20.0) && !rain_fits(0.2, 20.0));
    }
}
