//! What may be trusted, and how far: a value in its quantity's canonical unit with
//! a flag, reasons, a revision and the calibration that made it.

use crate::{Flag, Reasons, SeriesIndex, Time};

/// A reading. Its value is a whole number of its series' step (see
/// [`crate::Quantity::decimals`]), so that log, block, text and metric agree exactly.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// The series.
    pub series: SeriesIndex,
    /// For a point the time of measurement, for a window its end.
    pub time: Time,
    /// The value in steps; none exactly when there is no value.
    pub value: Option<i64>,
    /// How far to trust it.
    pub flag: Flag,
    /// Why.
    pub reasons: Reasons,
    /// 0 at first publication, one more with each correction; the highest counts.
    pub revision: u32,
    /// What made it: the number of the calibration in the instrument's merged
    /// timeline, counted from 1; 0 for none.
    pub made_by: u32,
}

/// Rounds `value` to whole steps of ten to the power of minus `decimals`, halves
/// away from zero. None if it is not finite or too large to keep.
pub fn to_steps(value: f64, decimals: u8) -> Option<i64> {
    let steps = (value * scale(decimals)).round();
    (steps.abs() < 9.0e15).then_some(steps as i64)
}

/// The number that `steps` stand for: the nearest floating-point number to the
/// decimal fraction.
pub fn from_steps(steps: i64, decimals: u8) -> f64 {
    steps as f64 / scale(decimals)
}

fn scale(decimals: u8) -> f64 {
    10f64.powi(i32::from(decimals))
}

/// `steps` as a decimal text without trailing zeros: `-0.05`, `17.3`, `4`.
pub fn decimal_text(steps: i64, decimals: u8) -> String {
    let mut out = Vec::with_capacity(24);
    crate::text::decimal(steps, decimals, &mut out);
    // Digits, a sign and a point.
    String::from_utf8(out).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_round_halves_away_from_zero_and_print_without_trailing_zeros() {
        for (value, decimals, steps, text) in [
            (17.3, 2, 1730, "17.3"),
            (-0.05, 2, -5, "-0.05"),
            (0.125, 2, 13, "0.13"),
            (-0.125, 2, -13, "-0.13"),
            (4.0, 1, 40, "4"),
            (0.0, 3, 0, "0"),
            (1013.25, 2, 101_325, "1013.25"),
        ] {
            assert_eq!(to_steps(value, decimals), Some(steps));
            assert_eq!(decimal_text(steps, decimals), text);
        }
        assert_eq!(to_steps(f64::NAN, 2), None);
        assert_eq!(to_steps(1e300, 2), None);
    }
}
