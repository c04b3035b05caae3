//! A covariance about zero that forgets, and the drawing in of what is far out.

use super::matrix::{Factor, Symmetric, dot, square};
use serde::{Deserialize, Serialize};

/// Residuals for each of their elements before a spread is one.
const LEAST: f64 = 2.0;

/// Sum of outer products and the number of them, both after forgetting.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Spread {
    sum: Symmetric,
    count: f64,
    factor: Option<Factor>,
}

impl Spread {
    /// Nothing seen.
    pub(super) fn new(length: usize) -> Self {
        Self { sum: Symmetric::zero(length), count: 0.0, factor: None }
    }

    /// How many residuals stand behind it, after forgetting.
    pub(super) const fn count(&self) -> f64 {
        self.count
    }

    /// Forgets a share.
    pub(super) fn forget(&mut self, keep: f64) {
        self.sum.scale(keep);
        self.count *= keep;
    }

    /// Adds one residual.
    pub(super) fn add(&mut self, residual: &[f64]) {
        self.sum.add_outer(residual, 1.0);
        self.count += 1.0;
    }

    /// Brings the factor up to date. Of fewer residuals than twice their length nothing is said:
    /// what did not vary yet would count as never varying.
    pub(super) fn refresh(&mut self) {
        if self.count >= LEAST * self.sum.order() as f64 {
            let mut covariance = self.sum.clone();
            covariance.scale(1.0 / self.count);
            self.factor = covariance.factor(1e-9);
        }
    }

    /// The factor of the covariance as last refreshed.
    pub(super) const fn factor(&self) -> Option<&Factor> {
        self.factor.as_ref()
    }

    /// Mean squared length of a residual in units of spread: 1 on average.
    pub(super) fn length(&self, residual: &[f64]) -> Option<f64> {
        let factor = self.factor.as_ref()?;
        let mut white = residual.to_vec();
        factor.whiten(&mut white);
        Some(square(&white) / residual.len().max(1) as f64)
    }

    /// Takes out of a residual what lies along `directions`, in the measure of this spread;
    /// false if that cannot be done.
    pub(super) fn take_out(&self, residual: &mut [f64], directions: &[Vec<f64>]) -> bool {
        let Some(factor) = self.factor.as_ref() else { return directions.is_empty() };
        let mut basis: Vec<(Vec<f64>, Vec<f64>)> = Vec::new();
        for direction in directions {
            let (mut plain, mut white) = (direction.clone(), direction.clone());
            factor.whiten(&mut white);
            for (other, other_white) in &basis {
                let share = dot(&white, other_white);
                subtract(&mut plain, other, share);
                subtract(&mut white, other_white, share);
            }
            let length = square(&white).sqrt();
            if length > 1e-9 {
                for element in plain.iter_mut().chain(&mut white) {
                    *element /= length;
                }
                basis.push((plain, white));
            }
        }
        let mut white = residual.to_vec();
        factor.whiten(&mut white);
        for (direction, direction_white) in &basis {
            subtract(residual, direction, dot(&white, direction_white));
        }
        basis.len() < residual.len()
    }

    /// Draws the residual in to `limit` spreads (after Huber 1964, from memory); returns
    /// the mean squared length it had.
    pub(super) fn draw_in(&self, residual: &mut [f64], limit: f64) -> f64 {
        let Some(length) = self.length(residual) else { return 0.0 };
        let factor = (limit / length.max(1e-9).sqrt()).min(1.0);
        for element in residual {
            *element *= factor;
        }
        length
    }
}

fn subtract(from: &mut [f64], what: &[f64], times: f64) {
    for (element, other) in from.iter_mut().zip(what) {
        *element -= times * other;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn far_residuals_are_drawn_in_along_their_direction() {
        let mut spread = Spread::new(2);
        for _ in 0..50 {
            for residual in [[2.0, 0.0], [-2.0, 0.0], [0.0, 1.0], [0.0, -1.0]] {
                spread.add(&residual);
            }
        }
        spread.refresh();
        let mut far = [20.0, 0.0];
        let length = spread.draw_in(&mut far, 2.0);
        assert!((length - 100.0).abs() < 1e-5, "{length}");
        assert!((far[0] - 4.0 / 2.0_f64.sqrt() * 1.0).abs() < 1.2 && far[1].abs() < 1e-12);
        assert!((spread.length(&far).unwrap_or(0.0).sqrt() - 2.0).abs() < 1e-6);
        let mut near = [1.0, 0.5];
        spread.draw_in(&mut near, 2.0);
        assert_eq!(near, [1.0, 0.5]);
    }

    #[test]
    fn what_lies_along_a_direction_leaves_nothing() {
        let mut spread = Spread::new(3);
        for residual in [[2.0, 0.5, 0.0], [0.0, 1.0, 0.3], [0.1, 0.0, 1.5]] {
            spread.add(&residual);
            spread.refresh();
            assert!(spread.factor().is_none(), "of so few nothing is known");
            spread.add(&residual);
        }
        spread.refresh();
        let directions = [vec![1.0, -0.5, 0.2], vec![0.0, 1.0, 1.0]];
        let mut along: Vec<f64> =
            (0..3).map(|i| 3.0 * directions[0][i] - 2.0 * directions[1][i]).collect();
        assert!(spread.take_out(&mut along, &directions));
        assert!(square(&along) < 1e-18, "{along:?}");
        let mut across = vec![1.0, 1.0, -1.0];
        spread.take_out(&mut across, &directions);
        let once = across.clone();
        spread.take_out(&mut across, &directions);
        for (a, b) in once.iter().zip(&across) {
            assert!((a - b).abs() < 1e-9 && square(&once) > 1e-3);
        }
    }
}
