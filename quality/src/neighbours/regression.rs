//! Expected contrasts: ridge regression that forgets (Hoerl & Kennard 1970; Ljung &
//! Söderström 1983, both from memory).
//!
//! Sums are kept of the terms as they come; they are brought to zero mean and unit spread
//! when the equations are solved, so that one penalty fits all of them.

use super::matrix::{Symmetric, dot};
use serde::{Deserialize, Serialize};

/// A term this many spreads from its mean counts as that far and no farther.
const FARTHEST: f64 = 5.0;
/// Added to the spread of a term. A term that is hardly ever seen would otherwise be drawn in
/// to next to nothing as often as it is seen, and so never be learned.
const LEAST_SPREAD: f64 = 0.1;

/// The sums and the last solution. The first term is the constant 1.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Regression {
    gram: Symmetric,
    /// Target by target, then term by term.
    products: Vec<f64>,
    /// Of the solution in use: mean and spread of each term.
    means: Vec<f64>,
    spreads: Vec<f64>,
    /// Target by target, for standardized terms.
    coefficients: Vec<f64>,
}

impl Regression {
    /// Nothing learned: every expectation is zero.
    pub(super) fn new(terms: usize, targets: usize) -> Self {
        Self {
            gram: Symmetric::zero(terms),
            products: vec![0.0; terms * targets],
            means: vec![0.0; terms],
            spreads: vec![1.0; terms],
            coefficients: vec![0.0; terms * targets],
        }
    }

    const fn terms(&self) -> usize {
        self.gram.order()
    }

    /// Hours that stand behind the solution, after forgetting.
    pub(super) fn support(&self) -> f64 {
        self.gram.get(0, 0)
    }

    /// Puts the mean where a term is missing (not a number) and draws in what is far out.
    pub(super) fn complete(&self, terms: &mut [f64]) {
        let known = self.support() > 0.0;
        let learned = self.means.iter().zip(&self.spreads);
        for (term, (mean, spread)) in terms.iter_mut().zip(learned).skip(1) {
            if term.is_nan() {
                *term = *mean;
            } else if known {
                *term = term.clamp(mean - FARTHEST * spread, mean + FARTHEST * spread);
            }
        }
    }

    /// Forgets a share of what was learned.
    pub(super) fn forget(&mut self, keep: f64) {
        self.gram.scale(keep);
        for product in &mut self.products {
            *product *= keep;
        }
    }

    /// Adds one observation of all targets.
    pub(super) fn learn(&mut self, terms: &[f64], targets: &[f64], weight: f64) {
        self.gram.add_outer(terms, weight);
        let count = self.terms();
        for (products, target) in self.products.chunks_exact_mut(count).zip(targets) {
            for (product, term) in products.iter_mut().zip(terms) {
                *product += weight * target * term;
            }
        }
    }

    /// Solves with the penalty `ridge` on every standardized coefficient.
    pub(super) fn solve(&mut self, ridge: f64) {
        let (count, support) = (self.terms(), self.support());
        if count < 2 || support <= 0.0 {
            return;
        }
        let means: Vec<f64> = (0..count).map(|j| self.gram.get(j, 0) / support).collect();
        let spreads: Vec<f64> = (0..count)
            .map(|j| {
                let variance = self.gram.get(j, j) / support - means[j] * means[j];
                variance.max(0.0).sqrt() + LEAST_SPREAD
            })
            .collect();
        let mut centred = Symmetric::zero(count - 1);
        for row in 1..count {
            for column in 1..=row {
                let product = self.gram.get(row, column) - support * means[row] * means[column];
                let product = product / (spreads[row] * spreads[column]);
                let penalty = if row == column { ridge } else { 0.0 };
                centred.set(row - 1, column - 1, product + penalty);
            }
        }
        let Some(factor) = centred.factor(0.0) else { return };
        let targets = self.products.chunks_exact(count);
        for (products, found) in targets.zip(self.coefficients.chunks_exact_mut(count)) {
            found[0] = products[0] / (support + 1.0);
            for j in 1..count {
                found[j] = (products[j] - means[j] * products[0]) / spreads[j];
            }
            factor.solve(&mut found[1..]);
        }
        self.means = means;
        self.spreads = spreads;
    }

    /// What the targets should be under these (complete) terms.
    pub(super) fn expect(&self, terms: &[f64], out: &mut Vec<f64>) {
        out.clear();
        let mut standard: Vec<f64> = terms
            .iter()
            .zip(self.means.iter().zip(&self.spreads))
            .map(|(term, (mean, spread))| (term - mean) / spread)
            .collect();
        if let Some(constant) = standard.first_mut() {
            *constant = 1.0;
        }
        out.extend(self.coefficients.chunks_exact(self.terms()).map(|c| dot(c, &standard)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_coefficients_of_a_line_whatever_the_scale() {
        let mut regression = Regression::new(3, 1);
        for i in 0..4000_u32 {
            let a = f64::from(i % 17) * 100.0;
            let b = f64::from(i % 5) * 0.01;
            regression.learn(&[1.0, a, b], &[2.0 + 0.03 * a - 40.0 * b], 1.0);
        }
        regression.solve(1e-6);
        let mut out = Vec::new();
        regression.expect(&[1.0, 800.0, 0.02], &mut out);
        assert!((out[0] - (2.0 + 24.0 - 0.8)).abs() < 0.02, "{out:?}");
    }

    #[test]
    fn a_missing_term_counts_as_its_mean_and_a_far_one_is_drawn_in() {
        let mut regression = Regression::new(2, 1);
        for i in 0..100_u32 {
            regression.learn(&[1.0, f64::from(i % 2)], &[1.0], 1.0);
        }
        regression.solve(1.0);
        let mut terms = [1.0, f64::NAN];
        regression.complete(&mut terms);
        assert!((terms[1] - 0.5).abs() < 1e-12);
        let mut terms = [1.0, 99.0];
        regression.complete(&mut terms);
        assert!(terms[1] < 3.6);
    }

    #[test]
    fn a_term_that_is_seen_late_is_learned() {
        let mut regression = Regression::new(3, 1);
        for i in 0..480_u32 {
            if i % 24 == 0 {
                regression.solve(1.0);
            }
            let late = if i >= 240 && i % 4 == 0 { 1.0 } else { 0.0 };
            let mut terms = [1.0, f64::from(i % 7), late];
            regression.complete(&mut terms);
            regression.learn(&terms, &[2.0 * late], 1.0);
        }
        regression.solve(1.0);
        let mut out = Vec::new();
        let mut terms = [1.0, 3.0, 1.0];
        regression.complete(&mut terms);
        regression.expect(&terms, &mut out);
        assert!((out[0] - 2.0).abs() < 0.2, "{out:?}");
    }
}
