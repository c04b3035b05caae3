//! The cumulative sum of Page, two-sided, as a named, classical test beside the judgement
//! of windows: Page, Biometrika 41, 1954, 100-115; in the tabular form with reference
//! value `k` and decision interval `h` of Montgomery, Introduction to Statistical Quality
//! Control (from memory).

use serde::{Deserialize, Serialize};

/// Reference value and decision interval, both in spreads of one value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chart {
    /// Half the shift that is to be found.
    pub reference: f64,
    /// The sum at which it is thought found.
    pub interval: f64,
}

impl Chart {
    /// The usual choice for a shift of one spread: 0.5 and 5; without a shift it alarms
    /// once in 465 independent values (same book).
    pub const USUAL: Self = Self { reference: 0.5, interval: 5.0 };
}

/// Confidence in a sum of so many decision intervals: 0.5 where it is told, 0.9 at two of
/// them. An own choice.
pub(crate) fn confidence(score: f64) -> f64 {
    1.0 - 0.5 * (-(score - 1.0).max(0.0) * 1.6).exp()
}

/// The two sums and how long each has been above zero.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Cusum {
    up: f64,
    down: f64,
    up_for: u32,
    down_for: u32,
}

/// An alarm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Alarm {
    /// Whether the values became greater.
    pub upwards: bool,
    /// Values since the sum left zero: when the shift began.
    pub values: u32,
}

impl Cusum {
    /// Takes the next value in spreads from its mean; what is not finite is passed over.
    pub fn take(&mut self, value: f64, chart: Chart) -> Option<Alarm> {
        if !value.is_finite() {
            return None;
        }
        self.up = (self.up + value - chart.reference).max(0.0);
        self.down = (self.down - value - chart.reference).max(0.0);
        self.up_for = if self.up > 0.0 { self.up_for.saturating_add(1) } else { 0 };
        self.down_for = if self.down > 0.0 { self.down_for.saturating_add(1) } else { 0 };
        if self.up > chart.interval {
            return Some(Alarm { upwards: true, values: self.up_for });
        }
        (self.down > chart.interval).then_some(Alarm { upwards: false, values: self.down_for })
    }

    /// Lets neither sum stand above a value, so that what is over is seen to be.
    pub const fn at_most(&mut self, value: f64) {
        self.up = self.up.min(value);
        self.down = self.down.min(value);
    }

    /// The sum of what was greater.
    pub const fn above(&self) -> f64 {
        self.up
    }

    /// The greater of both sums.
    pub const fn value(&self) -> f64 {
        self.up.max(self.down)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shift_is_found_with_its_beginning() {
        let mut cusum = Cusum::default();
        for value in [0.2, -0.3, 0.1, f64::NAN, -0.4] {
            assert_eq!(cusum.take(value, Chart::USUAL), None);
        }
        let found: Vec<Option<Alarm>> = (0..5).map(|_| cusum.take(2.0, Chart::USUAL)).collect();
        // 1.5 a value: above 5 with the fourth.
        assert_eq!(found[2], None);
        assert_eq!(found[3], Some(Alarm { upwards: true, values: 4 }));
        assert!((cusum.value() - 7.5).abs() < 1e-12);
    }
}
