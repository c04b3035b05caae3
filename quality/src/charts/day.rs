//! Sums of a day, and means that are slowly forgotten.

use serde::{Deserialize, Serialize};

/// Sum and hours of one day, under a condition and beside it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Day {
    pub(super) number: i64,
    pub(super) under: (f64, u16),
    pub(super) beside: (f64, u16),
}

impl Day {
    pub(super) const fn add(&mut self, under: bool, difference: f64) {
        let sum = if under { &mut self.under } else { &mut self.beside };
        *sum = (sum.0 + difference, sum.1.saturating_add(1));
    }

    /// The mean under the condition, of so many hours at least.
    pub(super) fn under(&self, least: u16) -> Option<f64> {
        (self.under.1 >= least.max(1)).then(|| self.under.0 / f64::from(self.under.1))
    }
}

/// A mean that follows; the first values count fully.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Mean {
    pub(crate) mean: f64,
    count: f64,
}

impl Mean {
    pub(crate) fn learn(&mut self, value: f64, memory: f64) {
        self.count = (self.count + 1.0).min(memory);
        self.mean += (value - self.mean) / self.count;
    }

    pub(crate) fn is_known(&self, least: f64) -> bool {
        self.count >= least
    }
}
