//! Exponential, logarithm, sine and angle from additions, multiplications and divisions
//! alone, for the formulas that are computed often.
//!
//! The rule: no call, no table and no branch, so that a loop over many values computes
//! several of them at a time, and so that every machine gives the same bits. Each is a
//! power series after a reduction of its argument, cut where the next term lies below the
//! rounding of a double; good to some units in the last place. Outside the range that
//! each states it gives a wrong number without a word: callers check their inputs.

use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, FRAC_PI_8, LOG2_E};

/// Added to a double below 2^51 it leaves the nearest whole number in the lowest bits.
const WHOLE: f64 = 6_755_399_441_055_744.0;

/// The logarithm of 2 in two parts: 27 bits, whose product with a whole number up to
/// 2^26 is exact, and the rest.
const LN_2_HIGH: f64 = f64::from_bits(std::f64::consts::LN_2.to_bits() >> 26 << 26);
const LN_2_LOW: f64 = (std::f64::consts::LN_2 - LN_2_HIGH) + 2.319_046_813_846_3e-17;

/// `e^x`, x from -700 to 700.
#[inline]
pub(crate) fn exp(x: f64) -> f64 {
    let shifted = x * LOG2_E + WHOLE;
    let power = shifted - WHOLE;
    let r = (x - power * LN_2_HIGH) - power * LN_2_LOW;
    // Of r, at most 0.347, the 13th power over 13! is 2e-16 of the sum.
    let s = r * r;
    let even = 1.0 / 24.0
        + s * (1.0 / 720.0
            + s * (1.0 / 40_320.0 + s * (1.0 / 3_628_800.0 + s * (1.0 / 479_001_600.0))));
    let odd = 1.0 / 6.0
        + s * (1.0 / 120.0
            + s * (1.0 / 5_040.0 + s * (1.0 / 362_880.0 + s * (1.0 / 39_916_800.0))));
    let sum = 1.0 + (r + (0.5 * s + s * (r * odd + s * even)));
    sum * f64::from_bits((shifted.to_bits() << 52).wrapping_add(1.0_f64.to_bits()))
}

/// The natural logarithm of a normal number above zero.
#[inline]
pub(crate) fn ln(x: f64) -> f64 {
    const ONE: u64 = 1.0_f64.to_bits();
    const ROOT: u64 = std::f64::consts::FRAC_1_SQRT_2.to_bits();
    // 2^52, in whose lowest bits whole numbers stand.
    const UNIT: u64 = 4_503_599_627_370_496.0_f64.to_bits();
    // x = m 2^power, m from the root of one half to the root of two.
    let biased = x.to_bits().wrapping_add(ONE - ROOT) >> 52;
    let m = f64::from_bits(x.to_bits().wrapping_sub(biased << 52).wrapping_add(ONE));
    let power = f64::from_bits(UNIT | biased) - (4_503_599_627_370_496.0 + 1_023.0);
    // ln m = 2 (t + t^3 / 3 + t^5 / 5 ...); t is at most 0.172, its 21st power over 21 is
    // 2e-17 of it.
    let above = m - 1.0;
    let t = above / (m + 1.0);
    let s = t * t;
    let s2 = s * s;
    let first =
        1.0 / 3.0 + s2 * (1.0 / 7.0 + s2 * (1.0 / 11.0 + s2 * (1.0 / 15.0 + s2 * (1.0 / 19.0))));
    let second = 1.0 / 5.0 + s2 * (1.0 / 9.0 + s2 * (1.0 / 13.0 + s2 * (1.0 / 17.0)));
    let rest = s * (first + s * second);
    // 2 t = m - 1 - t (m - 1), which keeps the digits of m - 1.
    power * LN_2_HIGH + (above - t * (above - 2.0 * rest) + power * LN_2_LOW)
}

/// A base above zero to a power, as [`exp`] of the product with [`ln`]: good to the last
/// places while that product is small.
#[inline]
pub(crate) fn power(base: f64, exponent: f64) -> f64 {
    exp(exponent * ln(base))
}

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

    fn apart(ours: f64, theirs: f64) -> f64 {
        ((ours - theirs) / theirs).abs()
    }

    /// Against the standard library's, which the machine's C library or compiler gives.
    #[test]
    fn they_agree_with_the_standard_library() {
        for x in range(-700.0, 700.0) {
            assert!(apart(exp(x), x.exp()) < 4e-16, "exp {x}");
        }
        for x in range(-40.0, 40.0) {
            let y = x.exp();
            assert!(apart(exp(x), y) < 4e-16, "exp {x}");
            assert!(apart(ln(y), y.ln()) < 4e-16 || x == 0.0, "ln {y}");
            assert!(apart(power(y, 0.16), y.powf(0.16)) < 1e-15, "{y}^0.16");
        }
        for x in range(0.999, 1.001).filter(|&x| x != 1.0) {
            assert!(apart(ln(x), x.ln()) < 4e-16, "ln {x}");
        }
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
        assert_eq!((exp(0.0).to_bits(), ln(1.0)), (1.0_f64.to_bits(), 0.0));
        assert_eq!((ln(2.0), exp(1.0)), (std::f64::consts::LN_2, std::f64::consts::E));
        assert_eq!(sine_cosine(90.0), (1.0, 0.0));
        assert_eq!(sine_cosine(180.0), (0.0, -1.0));
        assert_eq!(sine_cosine(-90.0), (-1.0, 0.0));
        assert_eq!(sine_cosine(360.0), (0.0, 1.0));
        let of = [(1.0, 0.0), (1.0, 1.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -2.0), (2.0, -2.0)];
        assert_eq!(of.map(|(x, y)| angle(x, y)), [360.0, 45.0, 90.0, 180.0, 270.0, 315.0]);
        assert_eq!(angle(3.0, -0.0), 360.0);
    }
}
