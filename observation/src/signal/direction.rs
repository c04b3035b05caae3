//! Directions: where the wind blows from, in degrees clockwise from true north.
//!
//! The rule: a direction is above 0 and at most 360; means are vector means; where the
//! vectors cancel there is no direction. Calms are left out by the caller.

use crate::reading;

/// Below this share of the summed lengths a resultant says nothing of the direction
/// (own choice: the spread is then beyond 120 degrees).
const LEAST_RESULTANT: f64 = 0.01;

/// The sixteen points of the compass, clockwise from north.
pub const POINTS: [&str; 16] = [
    "N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW",
    "NNW",
];

/// The same direction, above 0 and at most 360; none if it is no finite number.
pub fn normalise(degrees: f64) -> Option<f64> {
    let turned = degrees.rem_euclid(360.0);
    turned.is_finite().then_some(if turned == 0.0 { 360.0 } else { turned })
}

/// Rounds a direction to steps of ten to the power of minus `decimals`, still above 0
/// and at most 360. None if it is no finite number.
pub fn to_steps(degrees: f64, decimals: u8) -> Option<i64> {
    let circle = reading::to_steps(360.0, decimals)?;
    let steps = reading::to_steps(normalise(degrees)?, decimals)?;
    Some(if steps == 0 { circle } else { steps })
}

/// The point among sixteen; an edge belongs to the sector clockwise of it.
pub fn point_of_sixteen(degrees: f64) -> Option<&'static str> {
    POINTS.get(sector(degrees, 22.5)? % 16).copied()
}

/// The point among eight; an edge belongs to the sector clockwise of it.
pub fn point_of_eight(degrees: f64) -> Option<&'static str> {
    POINTS.get(sector(degrees, 45.0)? % 8 * 2).copied()
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a normalised direction holds at most 16 sectors"
)]
fn sector(degrees: f64, width: f64) -> Option<usize> {
    Some((normalise(degrees)? / width + 0.5).floor() as usize)
}

/// The direction of one of the sixteen points, in either case.
pub fn parse_point(word: &str) -> Option<f64> {
    let word = word.trim();
    let place = POINTS.iter().position(|p| p.eq_ignore_ascii_case(word))?;
    normalise(place as f64 * 22.5)
}

/// Directions being averaged.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Directions {
    count: u32,
    sine: f64,
    cosine: f64,
    length: f64,
    east: f64,
    north: f64,
}

impl Directions {
    /// Adds a direction with a weight (1, or the speed for a mean of wind vectors).
    /// Anything but finite numbers and weights of at least zero changes nothing.
    pub fn add(&mut self, degrees: f64, weight: f64) {
        if !degrees.is_finite() || !weight.is_finite() || weight < 0.0 {
            return;
        }
        let (sine, cosine) = degrees.rem_euclid(360.0).to_radians().sin_cos();
        self.count = self.count.saturating_add(1);
        self.sine += sine;
        self.cosine += cosine;
        self.length += weight;
        self.east += weight * sine;
        self.north += weight * cosine;
    }

    /// How many were added.
    pub const fn count(&self) -> u32 {
        self.count
    }

    /// The length of the resultant as a share of the summed weights, 0 to 1.
    pub fn resultant(&self) -> Option<f64> {
        let share = self.east.hypot(self.north) / self.length;
        share.is_finite().then(|| share.min(1.0))
    }

    /// The vector mean, above 0 and at most 360. None without directions, with all
    /// weights zero, or where the resultant is below a hundredth of their sum.
    pub fn mean(&self) -> Option<f64> {
        self.resultant().filter(|&r| r >= LEAST_RESULTANT)?;
        normalise(self.east.atan2(self.north).to_degrees())
    }

    /// The standard deviation in degrees, each direction counting once whatever its
    /// weight: with s and c the means of sine and cosine and `e = sqrt(1 - s^2 - c^2)`,
    /// `asin(e) (1 + (2/sqrt(3) - 1) e^3)` (Yamartino, A comparison of several
    /// "single-pass" estimators of the standard deviation of wind direction, Journal
    /// of Climate and Applied Meteorology 23, 1984, 1362-1366, eq. 6). Exact within
    /// 2 % for wind as it is, 15 % at worst; at most 103.9. None without directions.
    pub fn standard_deviation(&self) -> Option<f64> {
        if self.count == 0 {
            return None;
        }
        let count = f64::from(self.count);
        let (sine, cosine) = (self.sine / count, self.cosine / count);
        let e = (1.0 - (sine * sine + cosine * cosine)).clamp(0.0, 1.0).sqrt();
        let factor = 2.0 / 3.0_f64.sqrt() - 1.0;
        Some((e.asin() * (1.0 + factor * e.powi(3))).to_degrees())
    }
}
