//! Sums of warmth and cold for plants.
//!
//! The rule: the two ways to take the mean differ by design, so each sum names its way.

use crate::validity::{Valid, within};

/// Growing degrees of one day in K, the mean first: `max((tx + tn) / 2 - base, 0)`
/// (McMaster and Wilhelm, Agric. Forest Meteorol. 87, 1997, 291-300, method 1).
/// Temperatures in Cel.
///
/// # Errors
/// A highest temperature below the lowest.
pub fn degrees_mean_first(highest: f64, lowest: f64, base: f64) -> Valid {
    within("lowest air_temperature", lowest, -90.0, highest, "Cel")?;
    Ok((f64::midpoint(highest, lowest) - base).max(0.0))
}

/// Growing degrees of one day in K, both extremes first lifted to the base, and cut to
/// the ceiling where there is one (the same paper, method 2).
///
/// # Errors
/// A highest temperature below the lowest.
pub fn degrees_clamped_first(highest: f64, lowest: f64, base: f64, ceiling: Option<f64>) -> Valid {
    within("lowest air_temperature", lowest, -90.0, highest, "Cel")?;
    let clamp = |t: f64| t.min(ceiling.unwrap_or(f64::INFINITY)).max(base);
    Ok(f64::midpoint(clamp(highest), clamp(lowest)) - base)
}

/// Whether an hour of this mean temperature is an hour of chill: 0 to 7.2 Cel (32 to
/// 45 degF, common practice).
pub fn is_chill_hour(temperature: f64) -> bool {
    (0.0..=7.2).contains(&temperature)
}

/// Whether an hour of this mean temperature is below 7.2 Cel (45 degF; Weinberger, Proc.
/// Amer. Soc. Hort. Sci. 56, 1950, 122-128; from memory).
pub fn is_below_chill_limit(temperature: f64) -> bool {
    temperature < 7.2
}

/// Chill units of one hour (Richardson, Seeley and Walker, HortScience 9, 1974, 331-332,
/// the Utah model; limits from memory).
pub fn chill_units(temperature: f64) -> f64 {
    // Upper limits in Cel, each belonging to its class, with the units of the hour.
    const CLASSES: [(f64, f64); 6] =
        [(1.4, 0.0), (2.4, 0.5), (9.1, 1.0), (12.4, 0.5), (15.9, 0.0), (18.0, -0.5)];
    CLASSES.iter().find(|(limit, _)| temperature <= *limit).map_or(-1.0, |class| class.1)
}
