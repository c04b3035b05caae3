//! The sun: where it stands, when it rises and sets, what a clear sky lets through.
//!
//! The rule: one algorithm, good to 0.0003 deg from the year -2000 to 6000 (Reda and
//! Andreas, Solar Position Algorithm for Solar Radiation Applications, NREL/TP-560-34302,
//! 2003, revised 2008; equation numbers are that report's). Times are Unix seconds, UTC;
//! angles in deg; longitudes count east.

mod ephemeris;
mod rising;
mod tables;

pub use ephemeris::{Place, Position, incidence, julian_day, position};
pub use rising::{ASTRONOMICAL, CIVIL, Day, HORIZON, NAUTICAL, day};

use crate::validity::{OutOfRange, Valid, within};

/// Difference of terrestrial and universal time in s around a year: 2000 to 2050 by the
/// polynomial of Espenak and Meeus (Five Millennium Canon of Solar Eclipses,
/// NASA/TP-2006-214141; from memory), held at its ends. A second moves the sun by
/// 0.00001 deg.
pub fn delta_t(unix: f64) -> f64 {
    let years = (unix / (365.25 * 86_400.0) - 30.0).clamp(0.0, 50.0);
    62.92 + 0.322_17 * years + 0.005_589 * years * years
}

/// Length of the shadow at noon of something one unit high: the tangent of the zenith
/// angle. No unit.
///
/// # Errors
/// A sun at or below the horizon.
pub fn shadow(elevation: f64) -> Valid {
    within("elevation of the sun", elevation, -90.0, 90.0, "deg")?;
    if elevation <= 0.0 {
        return Err(OutOfRange::Undefined("the sun is not above the horizon"));
    }
    Ok(1.0 / elevation.to_radians().tan())
}

/// Global irradiance in W/m2 under a clear sky: `1098 cos z exp(-0.059 / cos z)`
/// (Haurwitz, J. Meteorol. 2, 1945, 154-166, and 3, 1946, 123-124;
/// as quoted by Reno, Hansen and Stein, Global horizontal irradiance clear sky models,
/// SAND2012-2389, 2012, in the form of the library pvlib; 0.057 is in use as well).
/// Nothing where the sun is down. Zenith angle in deg.
///
/// # Errors
/// An angle outside 0 to 180 deg.
pub fn clear_sky(zenith: f64) -> Valid {
    within("zenith angle", zenith, 0.0, 180.0, "deg")?;
    let cosine = zenith.to_radians().cos();
    if cosine <= 1e-6 {
        return Ok(0.0);
    }
    Ok(1098.0 * cosine * (-0.059 / cosine).exp())
}
