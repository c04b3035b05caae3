//! Where a formula may be used.
//!
//! The rule: outside its published range a formula gives no number but says why.

use std::fmt;

/// Why there is no value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum OutOfRange {
    /// An input lies outside the range the source states, or is no number.
    Input {
        /// The input's name.
        name: &'static str,
        /// What was given.
        value: f64,
        /// Least value the formula holds for.
        low: f64,
        /// Greatest value the formula holds for.
        high: f64,
        /// UCUM code of the three numbers.
        unit: &'static str,
    },
    /// The inputs are each possible, together they have no answer.
    Undefined(&'static str),
    /// The method chosen needs an input that others of the formula do not; its name.
    Lacking(&'static str),
}

impl OutOfRange {
    /// The reason in words.
    pub fn reason(&self) -> String {
        self.to_string()
    }
}

impl fmt::Display for OutOfRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Input { name, value, low, high, unit } => {
                write!(f, "{name} is {value} {unit}, the formula holds for ")?;
                match (low.is_finite(), high.is_finite()) {
                    (true, true) => write!(f, "{low} to {high} {unit}"),
                    (true, false) => write!(f, "at least {low} {unit}"),
                    (false, true) => write!(f, "at most {high} {unit}"),
                    (false, false) => f.write_str("finite numbers"),
                }
            }
            Self::Undefined(reason) => f.write_str(reason),
            Self::Lacking(name) => write!(f, "the method needs {name}"),
        }
    }
}

impl std::error::Error for OutOfRange {}

/// A value in the unit the function states, or why there is none.
pub type Valid = Result<f64, OutOfRange>;

/// Passes `value` on if it lies in `low..=high`.
///
/// # Errors
/// A value outside, or one that is not a finite number.
#[inline]
pub fn within(name: &'static str, value: f64, low: f64, high: f64, unit: &'static str) -> Valid {
    if value >= low && value <= high && value.is_finite() {
        Ok(value)
    } else {
        Err(OutOfRange::Input { name, value, low, high, unit })
    }
}

/// Whether a number lies inside its ends: asked of all inputs at once, without a branch
/// between them, before [`within`] says which of them is outside.
#[inline]
#[allow(clippy::needless_bitwise_bool, reason = "no branch is wanted")]
pub(crate) fn inside(value: f64, low: f64, high: f64) -> bool {
    (value >= low) & (value <= high)
}

/// Passes a result on if it is a finite number.
///
/// # Errors
/// One that is not.
#[inline]
pub fn finite(value: f64, otherwise: &'static str) -> Valid {
    if value.is_finite() { Ok(value) } else { Err(OutOfRange::Undefined(otherwise)) }
}
