//! Symmetric positive definite matrices: what a regression and a covariance need.

use serde::{Deserialize, Serialize};

/// A symmetric matrix, its lower triangle row by row.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Symmetric {
    order: usize,
    lower: Vec<f64>,
}

/// The lower triangular L of LL' = A.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Factor {
    order: usize,
    lower: Vec<f64>,
}

const fn row_start(row: usize) -> usize {
    row * (row + 1) / 2
}

impl Symmetric {
    /// Nothing but zeros.
    pub(super) fn zero(order: usize) -> Self {
        Self { order, lower: vec![0.0; row_start(order)] }
    }

    /// Number of rows.
    pub(super) const fn order(&self) -> usize {
        self.order
    }

    /// The element of a row and a column.
    pub(super) fn get(&self, row: usize, column: usize) -> f64 {
        let (row, column) = if row < column { (column, row) } else { (row, column) };
        self.lower.get(row_start(row) + column).copied().unwrap_or(0.0)
    }

    /// Sets the element of a row and a column (and its mirror).
    pub(super) fn set(&mut self, row: usize, column: usize, value: f64) {
        let (row, column) = if row < column { (column, row) } else { (row, column) };
        if let Some(element) = self.lower.get_mut(row_start(row) + column) {
            *element = value;
        }
    }

    /// Multiplies every element.
    pub(super) fn scale(&mut self, by: f64) {
        for element in &mut self.lower {
            *element *= by;
        }
    }

    /// Adds `weight` xx'.
    pub(super) fn add_outer(&mut self, x: &[f64], weight: f64) {
        let mut start = 0;
        for (row, value) in x.iter().enumerate().take(self.order) {
            let factor = weight * value;
            if factor != 0.0 {
                let elements = &mut self.lower[start..=start + row];
                for (element, other) in elements.iter_mut().zip(x) {
                    *element += factor * other;
                }
            }
            start += row + 1;
        }
    }

    /// The Cholesky factor of A + `jitter` I; none unless positive definite.
    pub(super) fn factor(&self, jitter: f64) -> Option<Factor> {
        let mut lower = self.lower.clone();
        for row in 0..self.order {
            let (above, rest) = lower.split_at_mut(row_start(row));
            for column in 0..row {
                let other = &above[row_start(column)..=row_start(column) + column];
                let known = dot(&rest[..column], &other[..column]);
                rest[column] = (rest[column] - known) / other[column];
            }
            let square = rest[row] + jitter - square(&rest[..row]);
            if !(square > 0.0 && square.is_finite()) {
                return None;
            }
            rest[row] = square.sqrt();
        }
        Some(Factor { order: self.order, lower })
    }
}

impl Factor {
    /// Replaces x by the solution of Ly = x: independent components of unit spread where
    /// A is the covariance of x.
    pub(super) fn whiten(&self, x: &mut [f64]) {
        for row in 0..self.order.min(x.len()) {
            let elements = &self.lower[row_start(row)..=row_start(row) + row];
            x[row] = (x[row] - dot(&elements[..row], &x[..row])) / elements[row];
        }
    }

    /// Replaces b by the solution of Ax = b.
    pub(super) fn solve(&self, b: &mut [f64]) {
        self.whiten(b);
        for row in (0..self.order.min(b.len())).rev() {
            let start = row_start(row);
            b[row] /= self.lower[start + row];
            let value = b[row];
            for (column, element) in b[..row].iter_mut().enumerate() {
                *element -= self.lower[start + column] * value;
            }
        }
    }
}

/// Sum of products.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Sum of squares.
pub(super) fn square(a: &[f64]) -> f64 {
    dot(a, a)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn solves_what_was_multiplied() {
        let mut matrix = Symmetric::zero(3);
        matrix.add_outer(&[1.0, 2.0, -1.0], 0.5);
        matrix.add_outer(&[0.0, 1.0, 3.0], 2.0);
        matrix.add_outer(&[2.0, 0.0, 0.5], 1.0);
        let expected = [0.3, -1.2, 2.0];
        let mut b: Vec<f64> = (0..3)
            .map(|row| (0..3).map(|column| matrix.get(row, column) * expected[column]).sum())
            .collect();
        let factor = matrix.factor(0.0).unwrap();
        factor.solve(&mut b);
        for (found, wanted) in b.iter().zip(expected) {
            assert!((found - wanted).abs() < 1e-12, "{found} {wanted}");
        }
    }

    #[test]
    fn refuses_what_is_not_definite() {
        let mut matrix = Symmetric::zero(2);
        matrix.add_outer(&[1.0, 1.0], 1.0);
        assert!(matrix.factor(0.0).is_none());
        assert!(matrix.factor(1e-6).is_some());
        matrix.set(0, 0, f64::NAN);
        assert!(matrix.factor(1.0).is_none());
    }
}
