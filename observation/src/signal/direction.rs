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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use super::*;
    use proptest::prelude::*;

    fn all(directions: &[f64]) -> Directions {
        directions.iter().fold(Directions::default(), |mut sum, &d| {
            sum.add(d, 1.0);
            sum
        })
    }

    // Vector means; a mean of opposite directions does not exist: common practice.
    #[test]
    fn means_are_vector_means() {
        for (directions, expected) in [
            (vec![350.0, 10.0], Some(360.0)),
            (vec![0.0, 90.0, 180.0, 270.0], None),
            // atan(0.168372 / 3.916891), the sums of sines and cosines (calculated).
            (vec![350.0, 355.0, 5.0, 20.0], Some(2.4614)),
            (vec![90.0, 270.0], None),
            (vec![225.0], Some(225.0)),
            (vec![0.0], Some(360.0)),
            (vec![], None),
        ] {
            let mean = all(&directions).mean();
            match (mean, expected) {
                (Some(mean), Some(expected)) => {
                    assert!((mean - expected).abs() < 1e-4, "{directions:?}: {mean}");
                }
                other => assert_eq!(other.0, other.1, "{directions:?}"),
            }
        }
        assert_eq!(to_steps(all(&[350.0, 10.0]).mean().unwrap(), 1), Some(3_600));
    }

    #[test]
    fn speed_weights_the_mean_but_not_the_spread() {
        let mut light = Directions::default();
        light.add(90.0, 0.0);
        light.add(180.0, 5.0);
        assert!((light.mean().unwrap() - 180.0).abs() < 1e-9);
        assert_eq!(light.standard_deviation(), all(&[90.0, 180.0]).standard_deviation());
        let mut calm = Directions::default();
        calm.add(90.0, 0.0);
        assert_eq!(calm.mean(), None);
    }

    // Yamartino 1984, eq. 6: two opposite directions give pi / sqrt(3), 103.923 degrees;
    // the second row calculated from the equation (population value 14.142).
    #[test]
    fn the_spread_is_yamartinos() {
        for (directions, expected, tolerance) in [
            (vec![0.0, 180.0], 103.923, 5e-4),
            (vec![340.0, 350.0, 0.0, 10.0, 20.0], 14.1486, 5e-5),
            (vec![77.0, 77.0, 77.0], 0.0, 1e-5),
        ] {
            let spread = all(&directions).standard_deviation().unwrap();
            assert!((spread - expected).abs() <= tolerance, "{directions:?}: {spread}");
        }
        assert_eq!(Directions::default().standard_deviation(), None);
    }

    // Sixteen sectors of 22.5 degrees and eight of 45, centred on the points; an edge
    // goes clockwise (own choice).
    #[test]
    fn points_have_the_trades_sectors() {
        for (degrees, sixteen, eight) in [
            (0.0, "N", "N"),
            (11.24, "N", "N"),
            (11.25, "NNE", "N"),
            (22.4, "NNE", "N"),
            (22.5, "NNE", "NE"),
            (33.76, "NE", "NE"),
            (180.0, "S", "S"),
            (247.5, "WSW", "W"),
            (348.74, "NNW", "N"),
            (348.76, "N", "N"),
            (360.0, "N", "N"),
            (-90.0, "W", "W"),
        ] {
            assert_eq!(point_of_sixteen(degrees), Some(sixteen), "{degrees}");
            assert_eq!(point_of_eight(degrees), Some(eight), "{degrees}");
        }
        for (place, word) in POINTS.iter().enumerate() {
            let degrees = parse_point(word).unwrap();
            assert_eq!(parse_point(&word.to_lowercase()), Some(degrees));
            assert_eq!(point_of_sixteen(degrees), Some(POINTS[place]));
        }
        assert_eq!(parse_point("north"), None);
    }

    #[test]
    fn steps_stay_above_zero_and_at_most_a_circle() {
        for (degrees, steps) in [
            (0.0, Some(3_600)),
            (0.04, Some(3_600)),
            (0.06, Some(1)),
            (359.97, Some(3_600)),
            (360.0, Some(3_600)),
            (-1e-20, Some(3_600)),
            (720.0, Some(3_600)),
            (f64::NAN, None),
            (f64::INFINITY, None),
        ] {
            assert_eq!(to_steps(degrees, 1), steps, "{degrees}");
        }
    }

    proptest! {
        #[test]
        fn every_direction_lies_above_0_and_at_most_at_360(degrees in any::<f64>()) {
            match normalise(degrees) {
                Some(d) => prop_assert!(d > 0.0 && d <= 360.0),
                None => prop_assert!(!degrees.is_finite()),
            }
        }

        #[test]
        fn a_turned_vane_turns_the_mean_and_keeps_the_spread(
            directions in prop::collection::vec(-60.0_f64..60.0, 1..50),
            turned in 0.0_f64..360.0,
        ) {
            let one = all(&directions);
            let other = all(&directions.iter().map(|d| d + turned).collect::<Vec<_>>());
            let difference = (other.mean().unwrap() - one.mean().unwrap() - turned).rem_euclid(360.0);
            prop_assert!(difference.min(360.0 - difference) < 1e-6);
            let (a, b) = (one.standard_deviation().unwrap(), other.standard_deviation().unwrap());
            prop_assert!((a - b).abs() < 1e-4, "{a} {b}");
        }

        #[test]
        fn means_and_spreads_stay_in_their_ranges(
            rows in prop::collection::vec((any::<f64>(), any::<f64>()), 0..50),
        ) {
            let mut sum = Directions::default();
            for (degrees, weight) in rows {
                sum.add(degrees, weight);
            }
            prop_assert!(sum.mean().is_none_or(|d| d > 0.0 && d <= 360.0));
            prop_assert!(sum.standard_deviation().is_none_or(|s| (0.0..=103.93).contains(&s)));
        }
    }
}
