//! A line through what is usual, slowly forgotten.

use serde::{Deserialize, Serialize};

/// Memory, and values that make it known.
const MEMORY: f64 = 720.0;
const KNOWN: f64 = 240.0;

/// Sums of a straight line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Slope {
    count: f64,
    along: f64,
    value: f64,
    squares: f64,
    products: f64,
}

impl Slope {
    /// Adds a value at a place on the line.
    pub(super) fn learn(&mut self, along: f64, value: f64) {
        let keep = (-1.0 / MEMORY).exp();
        let one = [1.0, along, value, along * along, along * value];
        let sums = [
            &mut self.count,
            &mut self.along,
            &mut self.value,
            &mut self.squares,
            &mut self.products,
        ];
        for (sum, one) in sums.into_iter().zip(one) {
            *sum = *sum * keep + one;
        }
    }

    /// What a step along the line usually adds; none while that is not known.
    pub(super) fn slope(&self) -> Option<f64> {
        let spread = self.squares - self.along * self.along / self.count.max(1.0);
        let common = self.products - self.along * self.value / self.count.max(1.0);
        (self.count >= KNOWN && spread > 0.0).then(|| common / spread)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_found_and_followed() {
        let mut slope = Slope::default();
        for i in 0..200_u32 {
            slope.learn(f64::from(i % 11), 3.0 + 0.2 * f64::from(i % 11));
            assert_eq!(slope.slope(), None);
        }
        for i in 0..200_u32 {
            slope.learn(f64::from(i % 11), 3.0 + 0.2 * f64::from(i % 11));
        }
        assert!((slope.slope().unwrap_or(0.0) - 0.2).abs() < 1e-9);
        for i in 0..5_000_u32 {
            slope.learn(f64::from(i % 11), 1.0 - 0.1 * f64::from(i % 11));
        }
        assert!((slope.slope().unwrap_or(0.0) + 0.1).abs() < 0.01);
    }
}
