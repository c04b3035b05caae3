//! Pressure at other heights.
//!
//! The rule: geometric and geopotential heights are never mixed, and the altimeter
//! setting depends on pressure and height alone. Pressures in hPa, heights in m.

use crate::saturation::ZERO_CELSIUS;
use crate::validity::{OutOfRange, Valid, inside, within};
use std::f64::consts::LN_10;

/// Pressure of the standard atmosphere at sea level, hPa (ISO 2533; ICAO Doc 7488).
pub const STANDARD_PRESSURE: f64 = 1013.25;
/// Temperature of the standard atmosphere at sea level, K (ISO 2533).
pub const STANDARD_TEMPERATURE: f64 = 288.15;
/// Fall of temperature with height, K/m (ISO 2533).
pub const LAPSE: f64 = 0.0065;
/// `g0 / (R lapse)` with 9.80665 m/s2 and 287.05287 J/(kg K) (ISO 2533).
pub const EXPONENT: f64 = 9.806_65 / (287.052_87 * LAPSE);
/// Radius of the Earth that turns geometric into geopotential height, m (ISO 2533).
pub const RADIUS: f64 = 6_356_766.0;
/// Height up to which the low-level reduction is used, m (WMO-No. 8, Vol. I, ch. 3;
/// from memory).
pub const LOW_LEVEL: f64 = 750.0;
/// Height above which the reduction wants a 12-hour mean temperature, m (common
/// practice).
pub const MEAN_TEMPERATURE_ABOVE: f64 = 50.0;

/// A power of a base above zero, faster than `powf`; good to some units in the last place
/// for the small exponents and bases near 1 here.
#[inline]
fn power(base: f64, exponent: f64) -> f64 {
    (exponent * base.ln()).exp()
}

/// Geopotential height in gpm of a geometric height in m: `r h / (r + h)` (ISO 2533).
pub const fn geopotential(geometric: f64) -> f64 {
    RADIUS * geometric / (RADIUS + geometric)
}

/// Geometric height in m of a geopotential height in gpm.
pub const fn geometric(geopotential: f64) -> f64 {
    RADIUS * geopotential / (RADIUS - geopotential)
}

/// Temperature of the standard atmosphere in Cel at a geopotential height.
///
/// # Errors
/// A height outside -1000 to 11000 m, the lowest layer of the standard atmosphere.
pub fn standard_temperature(geopotential: f64) -> Valid {
    within("elevation", geopotential, -1000.0, 11_000.0, "m")?;
    Ok(STANDARD_TEMPERATURE - LAPSE * geopotential - ZERO_CELSIUS)
}

/// Pressure of the standard atmosphere in hPa at a geopotential height.
///
/// # Errors
/// A height outside -1000 to 11000 m.
#[inline]
pub fn standard_pressure(geopotential: f64) -> Valid {
    within("elevation", geopotential, -1000.0, 11_000.0, "m")?;
    Ok(STANDARD_PRESSURE * power(1.0 - LAPSE * geopotential / STANDARD_TEMPERATURE, EXPONENT))
}

/// Geopotential height in m at which the standard atmosphere has a pressure.
///
/// # Errors
/// A pressure outside 226 to 1139 hPa, the lowest layer.
#[inline]
pub fn pressure_altitude(pressure: f64) -> Valid {
    within("surface_air_pressure", pressure, 226.0, 1139.0, "hPa")?;
    let share = power(pressure / STANDARD_PRESSURE, 1.0 / EXPONENT);
    Ok(STANDARD_TEMPERATURE / LAPSE * (1.0 - share))
}

/// Altimeter setting in hPa:
/// `p0 ((p / p0)^(1/n) + lapse h / T0)^n` (ICAO Doc 7488/3, 1993, solved for sea level).
///
/// # Errors
/// A pressure outside 500 to 1100 hPa, a height outside -500 to 5000 m.
#[inline]
pub fn altimeter_setting(pressure: f64, elevation: f64) -> Valid {
    within("surface_air_pressure", pressure, 500.0, 1100.0, "hPa")?;
    within("elevation", elevation, -500.0, 5000.0, "m")?;
    let share = power(pressure / STANDARD_PRESSURE, 1.0 / EXPONENT);
    Ok(STANDARD_PRESSURE * power(share + LAPSE * elevation / STANDARD_TEMPERATURE, EXPONENT))
}

/// Altimeter setting in hPa by the fitted pressure altitude
/// `H = 44330.77 - 11880.32 p^0.190263` (ICAO Doc 9837; constants from memory).
///
/// # Errors
/// As [`altimeter_setting`].
pub fn altimeter_setting_fitted(pressure: f64, elevation: f64) -> Valid {
    within("surface_air_pressure", pressure, 500.0, 1100.0, "hPa")?;
    within("elevation", elevation, -500.0, 5000.0, "m")?;
    let altitude = 44_330.77 - 11_880.32 * pressure.powf(0.190_263);
    Ok(((44_330.77 - (altitude - elevation)) / 11_880.32).powf(1.0 / 0.190_263))
}

/// Pressure in hPa that an altimeter setting means at a height: the inverse of
/// [`altimeter_setting`].
///
/// # Errors
/// A setting outside 850 to 1100 hPa, a height outside -500 to 5000 m.
#[inline]
pub fn from_altimeter_setting(setting: f64, elevation: f64) -> Valid {
    within("altimeter_setting", setting, 850.0, 1100.0, "hPa")?;
    within("elevation", elevation, -500.0, 5000.0, "m")?;
    let share = power(setting / STANDARD_PRESSURE, 1.0 / EXPONENT);
    Ok(STANDARD_PRESSURE * power(share - LAPSE * elevation / STANDARD_TEMPERATURE, EXPONENT))
}

/// Sea-level pressure in hPa by the low-level method (WMO-No. 8, Vol. I, ch. 3; from
/// memory): `log10(p0 / p) = Kp H / (T + a H / 2 + e Ch)` with Kp 0.0148275 K/gpm,
/// a 0.0065 K/gpm, Ch 0.12 K/hPa. Kp keeps the old geopotential metre (9.80 over the gas
/// constant): 9.80665 would give 0.02 hPa more at 300 m.
///
/// `temperature` is the screen's, a 12-hour mean above 50 m; `vapour` in hPa; `height`
/// in gpm.
///
/// # Errors
/// A height outside -100 to 750 m (above that give the altimeter setting), or inputs
/// outside their ranges.
#[inline]
pub fn sea_level(pressure: f64, temperature: f64, vapour: f64, height: f64) -> Valid {
    within("elevation", height, -100.0, LOW_LEVEL, "m")?;
    within("surface_air_pressure", pressure, 500.0, 1100.0, "hPa")?;
    within("air_temperature", temperature, -80.0, 60.0, "Cel")?;
    within("water_vapor_partial_pressure_in_air", vapour, 0.0, 200.0, "hPa")?;
    let column = temperature + ZERO_CELSIUS + 0.0065 * height / 2.0 + 0.12 * vapour;
    Ok(pressure * (LN_10 * 0.014_827_5 * height / column).exp())
}

/// Sea-level pressure in hPa of dry air: `p exp(h / H)`, `H = R Tm / g`,
/// `Tm = T + lapse h / 2`, with R 287.055 J/(kg K) and g 9.807 m/s2 (ASHRAE Handbook
/// Fundamentals 2017 constants).
///
/// # Errors
/// As [`sea_level`], heights to 3000 m.
#[inline]
pub fn sea_level_dry(pressure: f64, temperature: f64, height: f64) -> Valid {
    if !(inside(height, -500.0, 3000.0)
        & inside(pressure, 500.0, 1100.0)
        & inside(temperature, -80.0, 60.0))
    {
        within("elevation", height, -500.0, 3000.0, "m")?;
        within("surface_air_pressure", pressure, 500.0, 1100.0, "hPa")?;
        within("air_temperature", temperature, -80.0, 60.0, "Cel")?;
    }
    let mean = temperature + ZERO_CELSIUS + LAPSE * height / 2.0;
    Ok(pressure * (height / (287.055 * mean / 9.807)).exp())
}

/// Pressure in hPa at another geopotential height, `rise` m above, through air of the
/// mean virtual temperature in Cel: `p exp(-g0 rise / (R Tv))` (hydrostatic equation;
/// ISO 2533 constants).
///
/// # Errors
/// A rise beyond 1000 m either way, inputs outside their ranges.
#[inline]
pub fn at_height(pressure: f64, virtual_temperature: f64, rise: f64) -> Valid {
    if !(inside(rise, -1000.0, 1000.0)
        & inside(pressure, 500.0, 1100.0)
        & inside(virtual_temperature, -80.0, 60.0))
    {
        within("height difference", rise, -1000.0, 1000.0, "m")?;
        within("surface_air_pressure", pressure, 500.0, 1100.0, "hPa")?;
        within("virtual_temperature", virtual_temperature, -80.0, 60.0, "Cel")?;
    }
    let kelvin = virtual_temperature + ZERO_CELSIUS;
    Ok(pressure * (-9.806_65 * rise / (287.052_87 * kelvin)).exp())
}

/// The altimeter setting as aviation reports it: whole hPa, rounded down (common
/// practice).
pub fn reported(setting: f64) -> f64 {
    setting.floor()
}

/// Why sea-level pressure is absent at a height, if it is.
pub fn no_sea_level(height: f64) -> Option<OutOfRange> {
    within("elevation", height, -100.0, LOW_LEVEL, "m").err()
}
