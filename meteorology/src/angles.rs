//! Sine, cosine and angle in degrees from additions, multiplications and divisions alone.
//!
//! The rule: no call, no table and no branch, so that a loop over many values computes
//! several of them at a time, and so that every machine gives the same bits. Each is a
//! power series after a reduction of its argument, cut where the next term lies below the
//! rounding of a double; good to some units in the last place. Outside the range that
//! each states it gives a wrong number without a word: callers check their inputs.

use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, FRAC_PI_8};

/// Added to a double below 2^51 it leaves the nearest whole number in the lowest bits.
const WHOLE: f64 = 6_755_399_441_055_744.0;

/// Sine and cosine of an angle in deg, -1e6 to 1e6; exact at whole multiples of 90.
#[inline]
pub(crate) fn sine_cosine(degrees: f64) -> (f64, f64) {
    let shifted = degrees * (1.0 / 90.0) + WHOLE;
    let r = (degrees - (shifted - WHOLE) * 90.0).to_radians();
    // r is at most 0.786: its 17th power over 17! is 5e-17.
    let s = r * r;
    let sine = r + r
        * s
        * (-1.0 / 6.0
            + s * (1.0 / 120.0
                + s * (-1.0 / 5_040.0
                    + s * (1.0 / 362_880.0
                        + s * (-1.0 / 39_916_800.0
                            + s * (1.0 / 6_227_020_800.0 - s * (1.0 / 1_307_674_368_000.0)))))));
    let cosine = 1.0 - 0.5 * s
        + s * s
            * (1.0 / 24.0
                + s * (-1.0 / 720.0
                    + s * (1.0 / 40_320.0
                        + s * (-1.0 / 3_628_800.0
                            + s * (1.0 / 479_001_600.0
                                + s * (-1.0 / 87_178_291_200.0
                                    + s * (1.0 / 20_922_789_888_000.0)))))));
    // A quarter turn changes the two, half a turn both signs.
    let quarters = shifted.to_bits();
    let odd = (quarters & 1).wrapping_neg();
    let (a, b) = (sine.to_bits(), cosine.to_bits());
    let change = (a ^ b) & odd;
    let negative = (quarters & 2) << 62;
    let turned = (quarters.wrapping_add(1) & 2) << 62;
    (f64::from_bits(a ^ change ^ negative), f64::from_bits(b ^ change ^ turned))
}

/// The angle in deg, above 0 and at most 360, from the first axis towards the second, of
/// a vector that is finite and not zero.
#[inline]
pub(crate) fn angle(first: f64, second: f64) -> f64 {
    // The tangents of the bounds 1/16 and 3/16, and of the middle 1/8 of pi.
    const LOW: f64 = 0.198_912_367_379_658;
    const MIDDLE: f64 = std::f64::consts::SQRT_2 - 1.0;
    const HIGH: f64 = 0.668_178_637_919_299;
    let (x, y) = (first.abs(), second.abs());
    let (short, long) = (x.min(y), x.max(y));
    // From the nearest of 0, 1/8 and 1/4 of pi it is at most 1/16.
    let (tangent, base) = if short > HIGH * long {
        (1.0, FRAC_PI_4)
    } else if short > LOW * long {
        (MIDDLE, FRAC_PI_8)
    } else {
        (0.0, 0.0)
    };
    let t = (short - tangent * long) / (long + tangent * short);
    // atan t = t - t^3 / 3 ...; t is at most 0.199, its 23rd power over 23 is 2e-17 of it.
    let s = t * t;
    let s2 = s * s;
    let odd =
        1.0 / 3.0 + s2 * (1.0 / 7.0 + s2 * (1.0 / 11.0 + s2 * (1.0 / 15.0 + s2 * (1.0 / 19.0))));
    let even =
        1.0 / 5.0 + s2 * (1.0 / 9.0 + s2 * (1.0 / 13.0 + s2 * (1.0 / 17.0 + s2 * (1.0 / 21.0))));
    let within = base + (t - t * s * (odd - s * even));
    let quadrant = if y > x { FRAC_PI_2 - within } else { within };
    let degrees = quadrant.to_degrees();
    let half = if first < 0.0 { 180.0 - degrees } else { degrees };
    let whole = if second < 0.0 { 360.0 - half } else { half };
    if whole > 0.0 { whole } else { 360.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Even steps over a range.
    fn range(low: f64, high: f64) -> impl Iterator<Item = f64> {
        (0..=100_000).map(move |n| low + (high - low) * f64::from(n) / 1e5)
    }

    /// Against the standard library's, which the machine's C library or compiler gives.
    #[test]
    fn they_agree_with_the_standard_library() {
        for x in range(-720.0, 720.0) {
            let ((sine, cosine), (s, c)) = (sine_cosine(x), x.to_radians().sin_cos());
            assert!((sine - s).abs() < 2e-15 && (cosine - c).abs() < 2e-15, "{x}");
            let whole = x.rem_euclid(360.0);
            let back = angle(cosine, sine);
            let off = (back - whole).abs();
            assert!(off.min(360.0 - off) < 2e-13, "angle of {x}: {back}");
            let off = (angle(3.0 * c, 3.0 * s) - (3.0 * s).atan2(3.0 * c).to_degrees()).abs();
            assert!(off.min((off - 360.0).abs()) < 2e-13, "{x}");
        }
    }

    /// What people enter comes out as they expect it.
    #[test]
    fn whole_numbers_stay_whole() {
        assert_eq!(sine_cosine(90.0), (1.0, 0.0));
        assert_eq!(sine_cosine(180.0), (0.0, -1.0));
        assert_eq!(sine_cosine(-90.0), (-1.0, 0.0));
        assert_eq!(sine_cosine(360.0), (0.0, 1.0));
        let of = [(1.0, 0.0), (1.0, 1.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -2.0), (2.0, -2.0)];
        assert_eq!(of.map(|(x, y)| angle(x, y)), [360.0, 45.0, 90.0, 180.0, 270.0, 315.0]);
        assert_eq!(angle(3.0, -0.0), 360.0);
    }
}
