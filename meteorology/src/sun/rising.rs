//! Rise, noon and set (report appendix A.2, solved by iteration instead of
//! interpolation).
//!
//! The rule: poleward of the circles there may be no rise and no set; then there is none.

use super::ephemeris::geocentric;

/// Height in deg of the sun's middle when its upper edge touches the horizon: 34 minutes of
/// refraction and 16 of radius (report A.2).
pub const HORIZON: f64 = -0.8333;
/// Height at the end of civil twilight, deg (common practice).
pub const CIVIL: f64 = -6.0;
/// Height at the end of nautical twilight, deg.
pub const NAUTICAL: f64 = -12.0;
/// Height at the end of astronomical twilight, deg.
pub const ASTRONOMICAL: f64 = -18.0;

/// The sun's day around one noon.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Day {
    /// Rise, Unix seconds; none if it does not pass that height before noon.
    pub rise: Option<f64>,
    /// Noon: the sun crosses the meridian, Unix seconds.
    pub noon: f64,
    /// Set, Unix seconds.
    pub set: Option<f64>,
    /// Height of the sun at noon, deg, without refraction or parallax.
    pub height_at_noon: f64,
    /// Whether it stays above that height all day.
    pub always_up: bool,
}

impl Day {
    /// Hours from rise to set: 24 or 0 where it stays up or down.
    pub fn length(&self) -> f64 {
        match (self.rise, self.set) {
            (Some(rise), Some(set)) => (set - rise) / 3_600.0,
            _ if self.always_up => 24.0,
            _ => 0.0,
        }
    }
}

/// Hour angle in deg, -180 to 180, and declination at an instant.
fn angles(unix: f64, longitude: f64) -> (f64, f64) {
    let sun = geocentric(unix, super::delta_t(unix));
    let hour = sun.sidereal + longitude - sun.ascension;
    ((hour + 180.0).rem_euclid(360.0) - 180.0, sun.declination)
}

/// The sun's day with its noon nearest to 12 h mean local time of the UTC date that starts
/// at `midnight` (Unix seconds); the height in deg counts as rise and set.
pub fn day(midnight: f64, latitude: f64, longitude: f64, height: f64) -> Day {
    // The sun's hour angle gains 15 deg an hour, to within its own motion.
    const PER_DEGREE: f64 = 240.0;
    let mut noon = midnight + 43_200.0 - longitude * PER_DEGREE;
    for _ in 0..4 {
        noon -= angles(noon, longitude).0 * PER_DEGREE;
    }
    let declination = angles(noon, longitude).1;
    let height_at_noon = 90.0 - (latitude - declination).abs();
    // The height falls by less than the sun's daily change in declination at most.
    let crossing = |direction: f64| {
        let mut at = noon;
        for _ in 0..12 {
            let (hour, declination) = angles(at, longitude);
            let target = half_arc(latitude, declination, height)?;
            let hour = if (at - noon).abs() > 43_200.0 { hour + 360.0 * direction } else { hour };
            let step = (direction * target - hour) * PER_DEGREE;
            at += step;
            if step.abs() < 1e-3 {
                break;
            }
        }
        Some(at)
    };
    let (rise, set) = (crossing(-1.0), crossing(1.0));
    let always_up = rise.is_none()
        && set.is_none()
        && latitude.to_radians().sin() * declination.to_radians().sin()
            - latitude.to_radians().cos() * declination.to_radians().cos()
            > height.to_radians().sin();
    Day { rise, noon, set, height_at_noon, always_up }
}

/// Hour angle in deg at which a height is passed; none if it never is.
fn half_arc(latitude: f64, declination: f64, height: f64) -> Option<f64> {
    let (phi, delta) = (latitude.to_radians(), declination.to_radians());
    let cosine = (height.to_radians().sin() - phi.sin() * delta.sin()) / (phi.cos() * delta.cos());
    (-1.0..=1.0).contains(&cosine).then(|| cosine.acos().to_degrees())
}
