//! How warm or cold it feels.
//!
//! The rule: each index is given only where its authors fitted it, and none is computed
//! until it is chosen in the settings. None replaces an official warning. Temperatures
//! in Cel, humidity in %, wind in m/s at 10 m.

use crate::saturation::{Method, ZERO_CELSIUS};
use crate::validity::{OutOfRange, Valid, within};

const fn to_fahrenheit(celsius: f64) -> f64 {
    celsius * 1.8 + 32.0
}

const fn from_fahrenheit(fahrenheit: f64) -> f64 {
    (fahrenheit - 32.0) / 1.8
}

/// Heat index in Cel, in shade and light wind: the nine-term polynomial of Rothfusz with
/// its adjustments for dry and humid air where the simple form averages 80 degF or more,
/// else that average (US National Weather Service, The heat index equation, Weather
/// Prediction Center; Rothfusz 1990, NWS Southern Region Technical Attachment SR 90-23).
///
/// # Errors
/// Below 40 degF (4.44 Cel) or above 130 degF (54.44 Cel), humidity outside 0 to 100 %.
#[inline]
pub fn heat_index(temperature: f64, humidity: f64) -> Valid {
    // 40 and 130 degF: the ends of the NWS chart's use (own choice where the source
    // states none); a hair is left for converted round numbers.
    within("air_temperature", temperature, 4.444, 54.445, "Cel")?;
    within("relative_humidity", humidity, 0.0, 100.0, "%")?;
    let (t, r) = (to_fahrenheit(temperature), humidity);
    let simple = 0.5 * (t + 61.0 + (t - 68.0) * 1.2 + r * 0.094);
    let average = f64::midpoint(simple, t);
    if average < 80.0 {
        return Ok(from_fahrenheit(average));
    }
    let mut index = -42.379 + 2.049_015_23 * t + 10.143_331_27 * r
        - 0.224_755_41 * t * r
        - 6.837_83e-3 * t * t
        - 5.481_717e-2 * r * r
        + 1.228_74e-3 * t * t * r
        + 8.528_2e-4 * t * r * r
        - 1.99e-6 * t * t * r * r;
    if r < 13.0 && (80.0..=112.0).contains(&t) {
        index -= (13.0 - r) / 4.0 * ((17.0 - (t - 95.0).abs()) / 17.0).max(0.0).sqrt();
    } else if r > 85.0 && (80.0..=87.0).contains(&t) {
        index += (r - 85.0) / 10.0 * ((87.0 - t) / 5.0);
    }
    Ok(from_fahrenheit(index))
}

/// Least wind for the wind chill, m/s: 5 km/h, a hair below for converted numbers.
const LEAST_WIND: f64 = 5.0 / 3.6 - 1e-9;

/// Wind chill in Cel: `13.12 + 0.6215 t - 11.37 V^0.16 + 0.3965 t V^0.16`, V in km/h at
/// 10 m (Environment Canada and US National Weather Service 2001; Osczevski and
/// Bluestein, Bull. Amer. Meteor. Soc. 86, 2005, 1453-1458).
///
/// # Errors
/// Above 10 Cel (50 degF, where the US chart ends), below -60 Cel, or wind below 5 km/h
/// or above 120 km/h.
#[inline]
pub fn wind_chill(temperature: f64, wind: f64) -> Valid {
    within("air_temperature", temperature, -60.0, 10.0, "Cel")?;
    within("wind_speed", wind, LEAST_WIND, 120.0 / 3.6, "m/s")?;
    // `powf`, faster: the wind is above zero.
    let power = (0.16 * (wind * 3.6).ln()).exp();
    Ok(13.12 + 0.6215 * temperature - 11.37 * power + 0.3965 * temperature * power)
}

/// Wind chill in Cel by the form in degF and miles an hour:
/// `35.74 + 0.6215 T - 35.75 V^0.16 + 0.4275 T V^0.16` (US National Weather Service
/// 2001).
///
/// # Errors
/// Above 50 degF, below -76 degF, wind of 3 miles an hour or less or above 75.
pub fn wind_chill_nws(temperature: f64, wind: f64) -> Valid {
    // 0.44704 m/s is one international mile an hour (NIST SP 811, 2008).
    within("air_temperature", temperature, -60.0, 10.0, "Cel")?;
    within("wind_speed", wind, 3.0 * 0.447_04, 75.0 * 0.447_04, "m/s")?;
    let (t, power) = (to_fahrenheit(temperature), (wind / 0.447_04).powf(0.16));
    Ok(from_fahrenheit(35.74 + 0.6215 * t - 35.75 * power + 0.4275 * t * power))
}

/// Humidex, in its own degrees: `t + 0.5555 (e - 10)`,
/// `e = 6.11 exp(5417.7530 (1 / 273.16 - 1 / (273.15 + td)))` hPa (Masterton and
/// Richardson 1979, Environment Canada CLI 1-79).
///
/// # Errors
/// A temperature below 20 Cel or above 55 Cel, where it is not used; a dew point above
/// the temperature, or below 0 Cel, where it would fall below the temperature and is not
/// given (common practice).
pub fn humidex(temperature: f64, dew_point: f64) -> Valid {
    within("air_temperature", temperature, 20.0, 55.0, "Cel")?;
    if dew_point > temperature {
        return Err(OutOfRange::Undefined("the dew point is above the temperature"));
    }
    within("dew_point_temperature", dew_point, 0.0, 55.0, "Cel")?;
    let vapour = 6.11 * (5_417.753 * (1.0 / 273.16 - 1.0 / (ZERO_CELSIUS + dew_point))).exp();
    Ok(temperature + 0.5555 * (vapour - 10.0))
}

/// Apparent temperature in Cel in shade: `t + 0.33 e - 0.70 v - 4.00`,
/// `e = U / 100 6.105 exp(17.27 t / (237.7 + t))` hPa (Australian Bureau of Meteorology,
/// after Steadman, J. Appl. Meteorol. 33, 1994, 1674-1687).
///
/// # Errors
/// Outside -20 to 50 Cel, 0 to 100 %, 0 to 30 m/s (own choice around Steadman's tables;
/// from memory).
#[inline]
pub fn apparent_temperature(temperature: f64, humidity: f64, wind: f64) -> Valid {
    within("air_temperature", temperature, -20.0, 50.0, "Cel")?;
    within("relative_humidity", humidity, 0.0, 100.0, "%")?;
    within("wind_speed", wind, 0.0, 30.0, "m/s")?;
    let saturated = 6.105 * (17.27 * temperature / (237.7 + temperature)).exp();
    Ok(temperature + 0.33 * humidity / 100.0 * saturated - 0.70 * wind - 4.0)
}

/// Humidex's dew point from temperature and humidity in the default method.
///
/// # Errors
/// As [`humidex`] and [`crate::humidity::dew_point`].
pub fn humidex_from_humidity(temperature: f64, humidity: f64) -> Valid {
    humidex(temperature, crate::humidity::dew_point(Method::Wmo8, temperature, humidity)?)
}
