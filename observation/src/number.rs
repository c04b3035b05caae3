//! A number that is neither infinite nor "not a number": the only kind a sample or
//! a reading can hold.

use serde::{Deserialize, Serialize};
use std::fmt;

/// A finite floating-point number. The constructor is the only way in.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Finite(f64);

impl Finite {
    /// Zero.
    pub const ZERO: Self = Self(0.0);

    /// Keeps `value` if it is finite; negative zero becomes zero, so that equal
    /// values have equal bits.
    pub fn new(value: f64) -> Option<Self> {
        value.is_finite().then_some(Self(value + 0.0))
    }

    /// The number itself.
    pub const fn get(self) -> f64 {
        self.0
    }
}

impl From<Finite> for f64 {
    fn from(value: Finite) -> Self {
        value.0
    }
}

/// A value that was infinite or not a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotFinite;

impl fmt::Display for NotFinite {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the value is not a finite number")
    }
}

impl std::error::Error for NotFinite {}

impl TryFrom<f64> for Finite {
    type Error = NotFinite;

    fn try_from(value: f64) -> Result<Self, NotFinite> {
        Self::new(value).ok_or(NotFinite)
    }
}
