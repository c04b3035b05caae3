//! Running sums over the last hours to weeks: every window is a difference of two of them.

use serde::{Deserialize, Serialize};

/// One step as it enters the windows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Weighed<'a> {
    /// Residual, drawn in.
    pub(super) drawn: &'a [f64],
    /// Residual as it was.
    pub(super) plain: &'a [f64],
    /// Weight by conditions; zero where there is no residual.
    pub(super) weight: f64,
    /// Squared length of the residual, bounded.
    pub(super) length: f64,
}

/// What a window holds.
#[derive(Clone, Debug, Default)]
pub(super) struct Sums {
    /// Steps with a residual.
    pub(super) count: f64,
    /// Weighted mean residual, drawn in.
    pub(super) drawn: Vec<f64>,
    /// Weighted mean residual as it was.
    pub(super) plain: Vec<f64>,
    /// Weighted mean squared length.
    pub(super) length: f64,
}

/// A ring of running sums.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Windows {
    /// Steps kept.
    capacity: usize,
    components: usize,
    /// Steps seen.
    seen: usize,
    /// `capacity + 1` rows of count, weight, weighted length, drawn, plain.
    ring: Vec<f64>,
}

const FIXED: usize = 3;

impl Windows {
    /// Room for windows of up to `capacity` steps.
    pub(super) fn new(capacity: usize, components: usize) -> Self {
        let row = FIXED + 2 * components;
        Self { capacity, components, seen: 0, ring: vec![0.0; (capacity + 1) * row] }
    }

    /// Steps seen.
    pub(super) const fn seen(&self) -> usize {
        self.seen
    }

    const fn row(&self) -> usize {
        FIXED + 2 * self.components
    }

    fn at(&self, step: usize) -> &[f64] {
        let start = step % (self.capacity + 1) * self.row();
        &self.ring[start..start + self.row()]
    }

    /// Adds a step.
    pub(super) fn push(&mut self, step: Weighed) {
        let row = self.row();
        let from = self.seen % (self.capacity + 1) * row;
        let to = (self.seen + 1) % (self.capacity + 1) * row;
        self.ring.copy_within(from..from + row, to);
        self.seen += 1;
        if step.weight > 0.0 {
            let sums = &mut self.ring[to..to + row];
            sums[0] += 1.0;
            sums[1] += step.weight;
            sums[2] += step.weight * step.length;
            let (drawn, plain) = sums[FIXED..].split_at_mut(self.components);
            for (sum, value) in drawn.iter_mut().zip(step.drawn) {
                *sum += step.weight * value;
            }
            for (sum, value) in plain.iter_mut().zip(step.plain) {
                *sum += step.weight * value;
            }
        }
    }

    /// The steps after `from` up to `to`, both counted from the start; false if they are
    /// no longer kept or none of them has a residual.
    pub(super) fn between(&self, from: usize, to: usize, out: &mut Sums) -> bool {
        if from >= to || to > self.seen || from + self.capacity < self.seen {
            return false;
        }
        let (first, last) = (self.at(from), self.at(to));
        out.count = last[0] - first[0];
        let weight = last[1] - first[1];
        if out.count < 0.5 || weight <= 0.0 {
            return false;
        }
        out.length = (last[2] - first[2]) / weight;
        let mean = |range: std::ops::Range<usize>, into: &mut Vec<f64>| {
            into.clear();
            into.extend(range.map(|j| (last[j] - first[j]) / weight));
        };
        mean(FIXED..FIXED + self.components, &mut out.drawn);
        mean(FIXED + self.components..self.row(), &mut out.plain);
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_window_holds_its_own_steps_only() {
        let mut windows = Windows::new(10, 1);
        for i in 0..25_u32 {
            let value = [f64::from(i)];
            let weight = if i == 20 { 0.0 } else { 2.0 };
            windows.push(Weighed { drawn: &value, plain: &value, weight, length: 1.0 });
        }
        let mut sums = Sums::default();
        assert!(windows.between(18, 25, &mut sums));
        assert!((sums.count - 6.0).abs() < 1e-12);
        assert!((sums.drawn[0] - 127.0 / 6.0).abs() < 1e-9, "18 19 21 22 23 24");
        assert!(windows.between(15, 25, &mut sums));
        assert!(!windows.between(14, 25, &mut sums), "no longer kept");
        assert!(!windows.between(20, 21, &mut sums), "nothing inside");
        assert!(!windows.between(24, 26, &mut sums), "not yet seen");
    }
}
