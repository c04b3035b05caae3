//! Which numbers are counts.

use super::super::limits::Limits;
use crate::Span;
use std::fmt;

/// Whole numbers above this are not exact in a floating-point sample.
const LARGEST_EXACT: f64 = 9_007_199_254_740_992.0;

/// Why a number is no count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CountFault {
    /// Not a finite number.
    NotFinite,
    /// Below zero.
    Negative,
    /// Not whole.
    Fractional,
    /// Does not fit the declared width, or is too large to be exact (2^53).
    TooLarge,
    /// A state other than 0 and 1.
    NotAState,
}

impl fmt::Display for CountFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NotFinite => "the count is not a finite number",
            Self::Negative => "the count is below zero",
            Self::Fractional => "the count is not a whole number",
            Self::TooLarge => "the count does not fit the declared width",
            Self::NotAState => "the state is neither 0 nor 1",
        })
    }
}

impl std::error::Error for CountFault {}

/// Reads a whole count from a raw value.
///
/// # Errors
/// Not finite, negative, fractional, or above 2^53.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "whole, not negative and at most 2^53 at this point"
)]
pub fn count(value: f64) -> Result<u64, CountFault> {
    if !value.is_finite() {
        Err(CountFault::NotFinite)
    } else if value < 0.0 {
        Err(CountFault::Negative)
    } else if value > LARGEST_EXACT {
        Err(CountFault::TooLarge)
    } else if value.fract() != 0.0 {
        Err(CountFault::Fractional)
    } else {
        Ok(value as u64)
    }
}

/// Reads a running total of the declared width from a raw value.
///
/// # Errors
/// As [`count`], and a total that does not fit `bits`.
pub fn total(value: f64, bits: u8) -> Result<u64, CountFault> {
    let total = count(value)?;
    if u128::from(total) < Limits::new(bits, Span::ZERO).modulus() {
        Ok(total)
    } else {
        Err(CountFault::TooLarge)
    }
}
