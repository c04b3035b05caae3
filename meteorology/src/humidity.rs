//! Water vapour in the air.
//!
//! The rule: relative humidity is over liquid water at all temperatures (WMO-No. 8,
//! Vol. I, ch. 4), and a dew point is never above the temperature. Temperatures in Cel,
//! humidity in %, pressures in hPa.

use crate::saturation::{self, Method, Phase, ZERO_CELSIUS, unchecked};
use crate::validity::{OutOfRange, Valid, finite, within};

/// Ratio of the molar masses of water and dry air (WMO-No. 8, Vol. I, Annex 4.B).
pub const MASS_RATIO: f64 = 0.621_98;

/// The same ratio in ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 20.
pub const MASS_RATIO_ASHRAE: f64 = 0.621_945;

/// Specific gas constant of dry air, J/(kg K) (ISO 2533, 287.05287).
pub const GAS_CONSTANT: f64 = 287.052_87;

/// Moist air over pure phase: `1.0016 + 3.15e-6 p - 0.074 / p` at `pressure` in hPa
/// (WMO-No. 8, Vol. I, Annex 4.B; from memory). No unit.
///
/// # Errors
/// A pressure outside 300 to 1100 hPa.
pub fn enhancement(pressure: f64) -> Valid {
    within("surface_air_pressure", pressure, 300.0, 1100.0, "hPa")?;
    Ok(1.0016 + 3.15e-6 * pressure - 0.074 / pressure)
}

/// Vapour pressure in hPa from relative humidity, `U / 100 ew(t)`.
///
/// # Errors
/// Humidity outside 0 to 100 %, or a temperature outside the method's range.
#[inline]
pub fn vapour_pressure(method: Method, temperature: f64, humidity: f64) -> Valid {
    within("relative_humidity", humidity, 0.0, 100.0, "%")?;
    Ok(humidity / 100.0 * saturation::pressure(method, Phase::Water, temperature)?)
}

/// Dew point in Cel from temperature and relative humidity.
///
/// # Errors
/// No humidity at all, inputs outside their ranges, or a dew point below the method's.
#[inline]
pub fn dew_point(method: Method, temperature: f64, humidity: f64) -> Valid {
    if let (Some((_, b, c)), Some((low, high))) =
        (method.magnus(Phase::Water), method.range(Phase::Water))
    {
        // The logarithm of the vapour pressure needs no exponential before it; inside
        // the ends of all ranges nothing else needs to be looked at.
        let x = (humidity / 100.0).ln() + b * temperature / (c + temperature);
        let dew_point = c * x / (b - x);
        if temperature <= high && humidity <= 100.0 && dew_point > low && dew_point < high {
            return Ok(dew_point.min(temperature));
        }
    }
    let dew_point = saturation::temperature(
        method,
        Phase::Water,
        vapour_pressure(method, temperature, humidity)?,
    )?;
    // Rounding must not lift it above the temperature.
    Ok(dew_point.min(temperature))
}

/// Frost point in Cel: the temperature at which the vapour is saturated over ice. It
/// exists at or below 0 Cel and may lie above the temperature.
///
/// # Errors
/// As [`dew_point`], and vapour that would give a frost point above 0 Cel.
pub fn frost_point(method: Method, temperature: f64, humidity: f64) -> Valid {
    saturation::temperature(method, Phase::Ice, vapour_pressure(method, temperature, humidity)?)
}

/// Relative humidity in % from temperature and dew point.
///
/// # Errors
/// A dew point above the temperature, or either outside the method's range.
#[inline]
pub fn humidity_from_dew_point(method: Method, temperature: f64, dew_point: f64) -> Valid {
    if dew_point > temperature {
        return Err(OutOfRange::Undefined("the dew point is above the temperature"));
    }
    if let (Some((_, b, c)), Some((low, high))) =
        (method.magnus(Phase::Water), method.range(Phase::Water))
        && dew_point >= low
        && temperature <= high
    {
        // One exponential for the ratio of two.
        let x = b * dew_point / (c + dew_point) - b * temperature / (c + temperature);
        return Ok((100.0 * x.exp()).min(100.0));
    }
    let saturated = saturation::pressure(method, Phase::Water, temperature)?;
    Ok((100.0 * saturation::pressure(method, Phase::Water, dew_point)? / saturated).min(100.0))
}

/// Psychrometer coefficient in 1/K of a ventilated wet bulb at `wet` Cel (WMO-No. 8,
/// Vol. I, Annex 4.B; from memory): `6.53e-4 (1 + 0.000944 tw)` for water, `5.75e-4` for
/// ice.
pub const fn psychrometer_coefficient(phase: Phase, wet: f64) -> f64 {
    match phase {
        Phase::Water => 6.53e-4 * (1.0 + 0.000_944 * wet),
        Phase::Ice => 5.75e-4,
    }
}

/// Vapour pressure in hPa from a ventilated psychrometer: `f(p) e_w(tw) - A p (t - tw)`.
///
/// # Errors
/// A wet bulb above the dry one, inputs outside their ranges, or no vapour left.
pub fn from_psychrometer(method: Method, dry: f64, wet: f64, pressure: f64, phase: Phase) -> Valid {
    if wet > dry {
        return Err(OutOfRange::Undefined("the wet bulb is above the dry bulb"));
    }
    let saturated = enhancement(pressure)? * saturation::pressure(method, phase, wet)?;
    let vapour = saturated - psychrometer_coefficient(phase, wet) * pressure * (dry - wet);
    if vapour >= 0.0 {
        Ok(vapour)
    } else {
        Err(OutOfRange::Undefined("the wet bulb is lower than dry air could make it"))
    }
}

/// Mixing ratio in kg/kg from a thermodynamic wet bulb above freezing:
/// `((2501 - 2.326 tw) ws - 1.006 (t - tw)) / (2501 + 1.86 t - 4.186 tw)` (ASHRAE Handbook
/// Fundamentals 2017, ch. 1, eq. 33), with [`Method::HylandWexler1983`].
///
/// # Errors
/// A wet bulb above the dry one or below 0 Cel, inputs outside their ranges, or no vapour
/// left.
pub fn mixing_ratio_from_wet_bulb(dry: f64, wet: f64, pressure: f64) -> Valid {
    within("wet_bulb_temperature", wet, 0.0, dry, "Cel")?;
    let vapour = saturation::pressure(Method::HylandWexler1983, Phase::Water, wet)?;
    let saturated = mixing_ratio(MASS_RATIO_ASHRAE, vapour, pressure)?;
    let ratio = ((2501.0 - 2.326 * wet) * saturated - 1.006 * (dry - wet))
        / (2501.0 + 1.86 * dry - 4.186 * wet);
    within("humidity_mixing_ratio", ratio, 0.0, 1.0, "1")
}

/// Vapour pressure in hPa of a mixing ratio: `p w / (ratio + w)`.
pub const fn from_mixing_ratio(ratio: f64, mixing_ratio: f64, pressure: f64) -> f64 {
    pressure * mixing_ratio / (ratio + mixing_ratio)
}

/// Wet-bulb temperature in Cel: the `tw` whose psychrometer equation gives the air's
/// vapour pressure, over water, solved to 1e-9 Cel.
///
/// # Errors
/// Inputs outside their ranges, or a wet bulb below the method's range.
pub fn wet_bulb(method: Method, temperature: f64, humidity: f64, pressure: f64) -> Valid {
    let factor = enhancement(pressure)?;
    let vapour = factor * vapour_pressure(method, temperature, humidity)?;
    let excess = |wet: f64| {
        factor * unchecked(method, Phase::Water, wet)
            - psychrometer_coefficient(Phase::Water, wet) * pressure * (temperature - wet)
            - vapour
    };
    let least = method.range(Phase::Water).map_or(-45.0, |r| r.0);
    // The excess grows with the wet bulb; it is not negative at the temperature.
    let (mut low, mut high) = (least, temperature);
    if excess(low) > 0.0 {
        return Err(OutOfRange::Undefined("the wet bulb lies below the method's range"));
    }
    let mut wet = temperature;
    for _ in 0..80 {
        let here = excess(wet);
        if here > 0.0 {
            high = wet;
        } else {
            low = wet;
        }
        let slope = (excess(wet + 1e-4) - here) / 1e-4;
        let newton = wet - here / slope;
        let next = if newton > low && newton < high { newton } else { f64::midpoint(low, high) };
        if (next - wet).abs() < 1e-9 {
            return Ok(next.min(temperature));
        }
        wet = next;
    }
    Ok(wet.min(temperature))
}

/// Wet-bulb temperature in Cel by a closed fit at 1013.25 hPa, error -1 to +0.65 K
/// (Stull, J. Appl. Meteorol. Climatol. 50, 2011, 2267-2269, eq. 1).
///
/// # Errors
/// Outside 5 to 99 % and -20 to 50 Cel, or in the corner of dry and cold air that the
/// source's figure leaves out (here: below `5 + 2.27 (10 - t) / 3` % under 10 Cel, a
/// straight line through that figure, from memory).
pub fn wet_bulb_stull(temperature: f64, humidity: f64) -> Valid {
    within("air_temperature", temperature, -20.0, 50.0, "Cel")?;
    within("relative_humidity", humidity, 5.0, 99.0, "%")?;
    if temperature < 10.0 && humidity < 5.0 + 2.27 * (10.0 - temperature) / 3.0 {
        return Err(OutOfRange::Undefined("air both dry and cold is outside the fit"));
    }
    Ok(temperature * (0.151_977 * (humidity + 8.313_659).sqrt()).atan()
        + (temperature + humidity).atan()
        - (humidity - 1.676_331).atan()
        + 0.003_918_38 * humidity.powf(1.5) * (0.023_101 * humidity).atan()
        - 4.686_035)
}

/// Mixing ratio in kg/kg: `ratio e / (p - e)`, `e` and `p` in hPa.
///
/// # Errors
/// A pressure outside 300 to 1100 hPa, or vapour that fills it.
pub fn mixing_ratio(ratio: f64, vapour: f64, pressure: f64) -> Valid {
    within("surface_air_pressure", pressure, 300.0, 1100.0, "hPa")?;
    within("water_vapor_partial_pressure_in_air", vapour, 0.0, pressure / 2.0, "hPa")?;
    Ok(ratio * vapour / (pressure - vapour))
}

/// Specific humidity in kg/kg from the mixing ratio `w`: `w / (1 + w)`.
pub const fn specific_humidity(mixing_ratio: f64) -> f64 {
    mixing_ratio / (1.0 + mixing_ratio)
}

/// Absolute humidity in g/m3: `216.68 e / T`, `e` in hPa (100 over the gas constant of
/// vapour, 461.5 J/(kg K), times 1000).
///
/// # Errors
/// A temperature outside -100 to 100 Cel.
pub fn absolute_humidity(vapour: f64, temperature: f64) -> Valid {
    within("air_temperature", temperature, -100.0, 100.0, "Cel")?;
    finite(216.68 * vapour / (temperature + ZERO_CELSIUS), "no vapour pressure")
}

/// Virtual temperature in Cel: `T (1 + w / ratio) / (1 + w)`.
///
/// # Errors
/// A temperature outside -100 to 100 Cel.
pub fn virtual_temperature(temperature: f64, mixing_ratio: f64) -> Valid {
    within("air_temperature", temperature, -100.0, 100.0, "Cel")?;
    let kelvin = temperature + ZERO_CELSIUS;
    Ok(kelvin * (1.0 + mixing_ratio / MASS_RATIO) / (1.0 + mixing_ratio) - ZERO_CELSIUS)
}

/// Density of moist air in kg/m3: `100 p / (R Tv)`, `p` in hPa.
///
/// # Errors
/// A temperature outside -100 to 100 Cel, a pressure outside 300 to 1100 hPa.
pub fn air_density(temperature: f64, vapour: f64, pressure: f64) -> Valid {
    let mixed = mixing_ratio(MASS_RATIO, vapour, pressure)?;
    let kelvin = virtual_temperature(temperature, mixed)? + ZERO_CELSIUS;
    Ok(100.0 * pressure / (GAS_CONSTANT * kelvin))
}
