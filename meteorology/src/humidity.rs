//! Water vapour in the air.
//!
//! The rule: relative humidity is over liquid water at all temperatures (WMO-No. 8,
//! Vol. I, ch. 4), and a dew point is never above the temperature. Temperatures in Cel,
//! humidity in %, pressures in hPa.

use crate::saturation::{self, Method, Phase, ZERO_CELSIUS, unchecked};
use crate::validity::{OutOfRange, Valid, finite, inside, within};

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
#[inline]
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
        let humid = humidity > 0.0 && humidity <= 100.0;
        if temperature <= high && humid && dew_point > low && dew_point < high {
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
#[inline]
pub fn frost_point(method: Method, temperature: f64, humidity: f64) -> Valid {
    if let (Some((a, b, c)), Some((over, slope, shift)), Some((low, _)), Some((least, _))) = (
        method.magnus(Phase::Water),
        method.magnus(Phase::Ice),
        method.range(Phase::Ice),
        method.range(Phase::Water),
    ) {
        // As for the dew point: no exponential before the logarithm. Below freezing and
        // inside the ends of all ranges nothing else needs to be looked at.
        let x = (humidity / 100.0 * (a / over)).ln() + b * temperature / (c + temperature);
        let frost_point = shift * x / (slope - x);
        let humid = humidity > 0.0 && humidity <= 100.0;
        if temperature >= least
            && temperature < 0.0
            && humid
            && frost_point > low
            && frost_point < 0.0
        {
            return Ok(frost_point);
        }
    }
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
#[inline]
pub fn wet_bulb(method: Method, temperature: f64, humidity: f64, pressure: f64) -> Valid {
    let factor = enhancement(pressure)?;
    let vapour = factor * vapour_pressure(method, temperature, humidity)?;
    let psychrometer = Psychrometer { method, temperature, pressure, factor, vapour };
    let (least, _) = method.range(Phase::Water).unwrap_or((-45.0, 60.0));
    let wet = match method.magnus(Phase::Water) {
        Some(coefficients) => psychrometer.descended(coefficients),
        None => psychrometer.enclosed(least),
    };
    if wet >= least {
        Ok(wet.min(temperature))
    } else {
        Err(OutOfRange::Undefined("the wet bulb lies below the method's range"))
    }
}

/// More steps of Newton's method than any wet bulb takes: eight from 60 Cel in dry air,
/// the farthest, with a formula of Magnus's form.
const STEPS: usize = 10;

/// The psychrometer equation of some air.
#[derive(Clone, Copy)]
struct Psychrometer {
    method: Method,
    temperature: f64,
    pressure: f64,
    factor: f64,
    vapour: f64,
}

impl Psychrometer {
    /// By how much a wet bulb would hold too much vapour. It grows with the wet bulb, ever
    /// faster, and is not negative at the temperature.
    #[inline]
    fn excess(&self, wet: f64, saturated: f64) -> f64 {
        self.factor * saturated
            - psychrometer_coefficient(Phase::Water, wet) * self.pressure * (self.temperature - wet)
            - self.vapour
    }

    /// From the temperature down: the steps never pass the solution, so that they need no
    /// bounds.
    #[inline]
    fn descended(&self, (a, b, c): (f64, f64, f64)) -> f64 {
        let mut wet = self.temperature;
        for _ in 0..STEPS {
            let below = 1.0 / (c + wet);
            let saturated = a * (b * wet * below).exp();
            // The derivative of the coefficient is 6.53e-4 times 0.000944.
            let slope = self.factor * saturated * b * c * below * below
                + self.pressure
                    * (psychrometer_coefficient(Phase::Water, wet)
                        - 6.53e-4 * 0.000_944 * (self.temperature - wet));
            let step = self.excess(wet, saturated) / slope;
            wet -= step;
            if step.abs() < 1e-9 {
                break;
            }
        }
        wet
    }

    /// By Newton's method between bounds; not a number below the least.
    fn enclosed(&self, least: f64) -> f64 {
        let excess = |wet: f64| self.excess(wet, unchecked(self.method, Phase::Water, wet));
        let (mut low, mut high) = (least, self.temperature);
        if excess(low) > 0.0 {
            return f64::NAN;
        }
        let mut wet = self.temperature;
        for _ in 0..80 {
            let here = excess(wet);
            if here > 0.0 {
                high = wet;
            } else {
                low = wet;
            }
            let slope = (excess(wet + 1e-4) - here) / 1e-4;
            let newton = wet - here / slope;
            let next =
                if newton > low && newton < high { newton } else { f64::midpoint(low, high) };
            if (next - wet).abs() < 1e-9 {
                return next;
            }
            wet = next;
        }
        wet
    }
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
#[inline]
pub fn mixing_ratio(ratio: f64, vapour: f64, pressure: f64) -> Valid {
    if !(inside(pressure, 300.0, 1100.0) & inside(vapour, 0.0, pressure / 2.0)) {
        within("surface_air_pressure", pressure, 300.0, 1100.0, "hPa")?;
        within("water_vapor_partial_pressure_in_air", vapour, 0.0, pressure / 2.0, "hPa")?;
    }
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
#[inline]
pub fn absolute_humidity(vapour: f64, temperature: f64) -> Valid {
    within("air_temperature", temperature, -100.0, 100.0, "Cel")?;
    finite(216.68 * vapour / (temperature + ZERO_CELSIUS), "no vapour pressure")
}

/// Virtual temperature in Cel: `T (1 + w / ratio) / (1 + w)`.
///
/// # Errors
/// A temperature outside -100 to 100 Cel.
#[inline]
pub fn virtual_temperature(temperature: f64, mixing_ratio: f64) -> Valid {
    within("air_temperature", temperature, -100.0, 100.0, "Cel")?;
    let kelvin = temperature + ZERO_CELSIUS;
    Ok(kelvin * (1.0 + mixing_ratio / MASS_RATIO) / (1.0 + mixing_ratio) - ZERO_CELSIUS)
}

/// Density of moist air in kg/m3: `100 p / (R Tv)`, `p` in hPa.
///
/// # Errors
/// A temperature outside -100 to 100 Cel, a pressure outside 300 to 1100 hPa.
#[inline]
pub fn air_density(temperature: f64, vapour: f64, pressure: f64) -> Valid {
    let mixed = mixing_ratio(MASS_RATIO, vapour, pressure)?;
    let kelvin = virtual_temperature(temperature, mixed)? + ZERO_CELSIUS;
    Ok(100.0 * pressure / (GAS_CONSTANT * kelvin))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Both ways to the wet bulb meet, in the corners of the range too.
    #[test]
    fn wet_bulbs_from_above_and_between_bounds_agree() {
        for method in Method::ALL.into_iter().filter(|m| m.magnus(Phase::Water).is_some()) {
            let (low, high) = method.range(Phase::Water).unwrap_or_default();
            for place in 0..=40 {
                let temperature = low + (high - low) * f64::from(place) / 40.0;
                for humidity in [0.0, 0.5, 3.0, 20.0, 50.0, 80.0, 99.0, 100.0] {
                    for pressure in [300.0, 700.0, 1013.25, 1100.0] {
                        let wet = wet_bulb(method, temperature, humidity, pressure);
                        let factor = enhancement(pressure).unwrap_or_default();
                        let vapour =
                            vapour_pressure(method, temperature, humidity).unwrap_or_default();
                        let vapour = factor * vapour;
                        let own = Psychrometer { method, temperature, pressure, factor, vapour };
                        let other = own.enclosed(low);
                        let apart = (wet.unwrap_or(f64::NAN) - other).abs();
                        let neither = wet.is_err() && other.is_nan();
                        let at = (method, temperature, humidity, pressure);
                        assert!(neither || apart < 2e-9, "{at:?}: {wet:?}, {other}");
                    }
                }
            }
        }
    }
}
