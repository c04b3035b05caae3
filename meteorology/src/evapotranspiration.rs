//! Evapotranspiration of the reference crop.
//!
//! The rule: Allen, Pereira, Raes and Smith, Crop evapotranspiration, FAO Irrigation and
//! Drainage Paper 56 (1998), with its own constants and its own saturation formula
//! throughout; equation numbers are that paper's. Pressures in kPa, radiation in MJ/m2 a
//! day or an hour, wind in m/s at 2 m, temperatures in Cel, as there.

use crate::saturation::{Method, Phase, unchecked};
use crate::validity::{OutOfRange, Valid, within};
use std::f64::consts::PI;

/// Albedo of the reference crop (table 3).
const ALBEDO: f64 = 0.23;
/// Latent heat of vaporisation: 0.408 is 1 / 2.45 MJ/kg (eq. 20).
const PER_MEGAJOULE: f64 = 0.408;
/// Kelvins at 0 Cel as the radiation equations use them (eq. 39).
const KELVIN: f64 = 273.16;

/// Factor of eq. 50 away from the coast, 1/sqrt(K); 0.19 by the coast.
pub const INLAND: f64 = 0.16;
/// Clear-sky radiation in MJ/m2 an hour below which the sun is too low for a clearness (own
/// choice: the paper says "before sunset").
pub const LEAST_CLEAR: f64 = 0.3;

/// MJ/m2 a day of a daily mean in W/m2: 86400 s, a million J.
pub const fn megajoules(watts: f64) -> f64 {
    watts * 0.0864
}

/// Daily mean in W/m2 of MJ/m2 a day.
pub const fn watts(megajoules: f64) -> f64 {
    megajoules / 0.0864
}

/// MJ/m2 an hour of an hourly mean in W/m2: 3600 s, a million J.
pub const fn megajoules_of_hour(watts: f64) -> f64 {
    watts * 0.0036
}

/// Saturation vapour pressure in kPa (eq. 11).
pub fn saturation(celsius: f64) -> f64 {
    unchecked(Method::Fao56, Phase::Water, celsius) / 10.0
}

/// Slope of the saturation curve in kPa/K: `4098 e / (t + 237.3)^2` (eq. 13).
pub fn slope(celsius: f64) -> f64 {
    4098.0 * saturation(celsius) / (celsius + 237.3).powi(2)
}

/// Pressure in kPa at an elevation in m (eq. 7; it has 293 K, not the standard
/// atmosphere's temperature).
pub fn pressure(elevation: f64) -> f64 {
    101.3 * ((293.0 - 0.0065 * elevation) / 293.0).powf(5.26)
}

/// Psychrometric constant in kPa/K: `0.665e-3 P` (eq. 8).
pub const fn psychrometric_constant(pressure: f64) -> f64 {
    0.665e-3 * pressure
}

/// Vapour pressure in kPa from a psychrometer: `e(tw) - A P (t - tw)` (eq. 15), A 0.000662
/// for a ventilated one (table of eq. 16).
pub fn from_psychrometer(dry: f64, wet: f64, pressure: f64, coefficient: f64) -> f64 {
    saturation(wet) - coefficient * pressure * (dry - wet)
}

/// Vapour pressure in kPa from the extremes of temperature and humidity (eq. 17).
pub fn from_extremes(highest: f64, lowest: f64, most_humid: f64, least_humid: f64) -> f64 {
    f64::midpoint(
        saturation(lowest) * most_humid / 100.0,
        saturation(highest) * least_humid / 100.0,
    )
}

/// The factor that brings wind from `height` m to 2 m over grass:
/// `4.87 / ln(67.8 z - 5.42)` (eq. 47).
///
/// # Errors
/// A height outside 0.5 to 100 m.
pub fn wind_factor(height: f64) -> Valid {
    within("height", height, 0.5, 100.0, "m")?;
    Ok(4.87 / (67.8 * height - 5.42).ln())
}

/// Relative distance of the Earth and the Sun, inverse (eq. 23).
pub fn inverse_distance(day: f64) -> f64 {
    1.0 + 0.033 * (2.0 * PI / 365.0 * day).cos()
}

/// Declination of the sun in rad (eq. 24).
pub fn declination(day: f64) -> f64 {
    0.409 * (2.0 * PI / 365.0 * day - 1.39).sin()
}

/// Sunset hour angle in rad (eq. 25), latitude in deg; 0 in polar night, pi in polar day.
pub fn sunset_angle(latitude: f64, day: f64) -> f64 {
    (-latitude.to_radians().tan() * declination(day).tan()).clamp(-1.0, 1.0).acos()
}

/// Extraterrestrial radiation in MJ/m2 a day (eq. 21).
pub fn extraterrestrial(latitude: f64, day: f64) -> f64 {
    let (phi, delta, omega) =
        (latitude.to_radians(), declination(day), sunset_angle(latitude, day));
    // 37.586 = 24 * 60 / pi times the solar constant 0.0820 MJ/m2/min.
    24.0 * 60.0 / PI
        * 0.082
        * inverse_distance(day)
        * (omega * phi.sin() * delta.sin() + phi.cos() * delta.cos() * omega.sin())
}

/// Extraterrestrial radiation in MJ/m2 of the hour around `hour` of UTC (eq. 28 to 33),
/// longitude in deg, east positive.
pub fn extraterrestrial_hour(latitude: f64, longitude: f64, day: f64, hour: f64) -> f64 {
    let b = 2.0 * PI * (day - 81.0) / 364.0;
    let season = 0.1645 * (2.0 * b).sin() - 0.1255 * b.cos() - 0.025 * b.sin();
    let middle = PI / 12.0 * (hour + longitude / 15.0 + season - 12.0);
    let middle = (middle + PI).rem_euclid(2.0 * PI) - PI;
    let omega = sunset_angle(latitude, day);
    let (from, to) = (middle - PI / 24.0, middle + PI / 24.0);
    let (from, to) = (from.clamp(-omega, omega), to.clamp(-omega, omega));
    let (phi, delta) = (latitude.to_radians(), declination(day));
    let sum =
        (to - from) * phi.sin() * delta.sin() + phi.cos() * delta.cos() * (to.sin() - from.sin());
    (12.0 * 60.0 / PI * 0.082 * inverse_distance(day) * sum).max(0.0)
}

/// Day of the year, 1 to 366, and hour of the day in UTC, of Unix seconds.
pub fn day_and_hour(unix: f64) -> (f64, f64) {
    let days = (unix / 86_400.0).floor();
    // Years of 365.2425 days from 1970; the first guess is off by one at most.
    let mut year = (days / 365.2425).floor() + 1970.0;
    if start_of(year) > days {
        year -= 1.0;
    } else if start_of(year + 1.0) <= days {
        year += 1.0;
    }
    (days - start_of(year) + 1.0, (unix - days * 86_400.0) / 3_600.0)
}

/// Days from 1970 to the start of a year of the Gregorian calendar.
fn start_of(year: f64) -> f64 {
    let before = year - 1.0;
    // 719162 such days lie before 1970.
    before * 365.0 + (before / 4.0).floor() - (before / 100.0).floor() + (before / 400.0).floor()
        - 719_162.0
}

/// Hours of daylight: `24 omega / pi` (eq. 34).
pub fn daylight(latitude: f64, day: f64) -> f64 {
    24.0 / PI * sunset_angle(latitude, day)
}

/// Clear-sky radiation, `(0.75 + 2e-5 z) Ra` (eq. 37), in the unit of `extraterrestrial`.
pub const fn clear_sky(elevation: f64, extraterrestrial: f64) -> f64 {
    (0.75 + 2e-5 * elevation) * extraterrestrial
}

/// Radiation in MJ/m2 a day from hours of sunshine: `(0.25 + 0.5 n / N) Ra` (eq. 35).
pub const fn from_sunshine(sunshine: f64, daylight: f64, extraterrestrial: f64) -> f64 {
    (0.25 + 0.5 * sunshine / daylight) * extraterrestrial
}

/// Radiation in MJ/m2 a day from the range of temperature: `k sqrt(tx - tn) Ra` (eq. 50),
/// k 0.16 inland ([`INLAND`]) and 0.19 by the coast.
///
/// # Errors
/// A highest temperature below the lowest.
pub fn from_temperatures(highest: f64, lowest: f64, extraterrestrial: f64, k: f64) -> Valid {
    within("range of temperature", highest - lowest, 0.0, 60.0, "K")?;
    Ok(k * (highest - lowest).sqrt() * extraterrestrial)
}

/// Net long-wave radiation in MJ/m2 a day (eq. 39).
pub fn net_longwave(highest: f64, lowest: f64, vapour: f64, radiation: f64, clear: f64) -> f64 {
    let warmth = f64::midpoint((highest + KELVIN).powi(4), (lowest + KELVIN).powi(4));
    longwave(4.903e-9 * warmth, vapour, (radiation / clear).clamp(0.25, 1.0))
}

/// 4.903e-9 is the Stefan-Boltzmann constant in MJ/(K4 m2 day).
fn longwave(emitted: f64, vapour: f64, share: f64) -> f64 {
    emitted * (0.34 - 0.14 * vapour.sqrt()) * (1.35 * share - 0.35)
}

/// What the daily equation takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Day {
    /// Highest temperature, Cel.
    pub highest: f64,
    /// Lowest temperature, Cel.
    pub lowest: f64,
    /// Vapour pressure, kPa.
    pub vapour: f64,
    /// Mean wind at 2 m, m/s.
    pub wind: f64,
    /// Global radiation, MJ/m2; none: from the range of temperature.
    pub radiation: Option<f64>,
    /// Latitude, deg.
    pub latitude: f64,
    /// Elevation, m.
    pub elevation: f64,
    /// Day of the year, 1 to 366.
    pub day: f64,
}

/// Reference evapotranspiration of a day in mm (eq. 6), never below zero.
///
/// # Errors
/// Inputs outside what can be; a polar night, in which there is no radiation to scale by.
pub fn daily(day: &Day) -> Valid {
    within("highest air_temperature", day.highest, -40.0, 60.0, "Cel")?;
    within("lowest air_temperature", day.lowest, -40.0, day.highest, "Cel")?;
    within("water_vapor_partial_pressure_in_air", day.vapour, 0.0, 20.0, "kPa")?;
    within("wind_speed", day.wind, 0.0, 50.0, "m/s")?;
    let outside = extraterrestrial(day.latitude, day.day);
    if outside < 0.1 {
        return Err(OutOfRange::Undefined("the sun does not rise"));
    }
    let clear = clear_sky(day.elevation, outside);
    let radiation = match day.radiation {
        Some(radiation) => within("radiation", radiation, 0.0, 1.2 * outside, "MJ/m2")?,
        None => from_temperatures(day.highest, day.lowest, outside, INLAND)?.min(clear),
    };
    let mean = f64::midpoint(day.highest, day.lowest);
    let saturated = f64::midpoint(saturation(day.highest), saturation(day.lowest));
    let net = (1.0 - ALBEDO) * radiation
        - net_longwave(day.highest, day.lowest, day.vapour, radiation, clear);
    // Heat into the soil is nothing over a day (eq. 42).
    Ok(equation(
        mean,
        day.wind,
        saturated - day.vapour,
        net,
        psychrometric_constant(pressure(day.elevation)),
        900.0,
    ))
}

/// What the hourly equation takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hour {
    /// Mean temperature, Cel.
    pub temperature: f64,
    /// Mean humidity, %.
    pub humidity: f64,
    /// Mean wind at 2 m, m/s.
    pub wind: f64,
    /// Global radiation, MJ/m2 in the hour.
    pub radiation: f64,
    /// Share of the clear-sky radiation: of this hour by day, of the hours before sunset
    /// at night.
    pub clearness: f64,
    /// Elevation, m.
    pub elevation: f64,
}

/// Reference evapotranspiration of an hour in mm (eq. 53), with heat into the soil a tenth
/// of the net radiation by day and half of it at night (eq. 45, 46). Never below zero.
///
/// # Errors
/// Inputs outside what can be.
pub fn hourly(hour: &Hour) -> Valid {
    let t = within("air_temperature", hour.temperature, -40.0, 60.0, "Cel")?;
    within("relative_humidity", hour.humidity, 0.0, 100.0, "%")?;
    within("wind_speed", hour.wind, 0.0, 50.0, "m/s")?;
    within("radiation", hour.radiation, 0.0, 5.0, "MJ/m2")?;
    let saturated = saturation(t);
    let vapour = saturated * hour.humidity / 100.0;
    // 4.903e-9 a day is 2.043e-10 an hour.
    let emitted = 2.043e-10 * (t + KELVIN).powi(4);
    let net =
        (1.0 - ALBEDO) * hour.radiation - longwave(emitted, vapour, hour.clearness.clamp(0.3, 1.0));
    let soil = if net > 0.0 { 0.1 * net } else { 0.5 * net };
    let gamma = psychrometric_constant(pressure(hour.elevation));
    Ok(equation(t, hour.wind, saturated - vapour, net - soil, gamma, 37.0))
}

/// The common form of eq. 6 (900) and eq. 53 (37).
fn equation(t: f64, wind: f64, deficit: f64, net: f64, gamma: f64, factor: f64) -> f64 {
    let delta = slope(t);
    ((PER_MEGAJOULE * delta * net + gamma * factor / (t + 273.0) * wind * deficit)
        / (delta + gamma * (1.0 + 0.34 * wind)))
        .max(0.0)
}

/// Reference evapotranspiration of a day in mm from temperatures alone (Hargreaves,
/// eq. 52): `0.0023 (tm + 17.8) sqrt(tx - tn) Ra / 2.45`.
///
/// # Errors
/// A highest temperature below the lowest.
pub fn hargreaves(highest: f64, lowest: f64, extraterrestrial: f64) -> Valid {
    within("range of temperature", highest - lowest, 0.0, 60.0, "K")?;
    let mean = f64::midpoint(highest, lowest);
    Ok((0.0023 * (mean + 17.8) * (highest - lowest).sqrt() * extraterrestrial * PER_MEGAJOULE)
        .max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Ordinal days of the Gregorian calendar, ISO 8601.
    #[test]
    fn days_are_counted_from_the_first_of_the_year() {
        for (unix, day, hour) in [
            (0.0, 1.0, 0.0),
            (1_767_225_600.0, 1.0, 0.0),
            (1_767_225_599.0, 365.0, 86_399.0 / 3_600.0),
            (1_709_164_800.0, 60.0, 0.0),
            (1_735_646_400.0, 366.0, 12.0),
            (-1.0, 365.0, 86_399.0 / 3_600.0),
        ] {
            let (d, h) = day_and_hour(unix);
            assert!((d - day).abs() < 0.5 && (h - hour).abs() < 1e-9, "{unix}: {d} {h}");
        }
    }
}
