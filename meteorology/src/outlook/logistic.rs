//! Fitting a logistic regression to many hours at once.
//!
//! Least of `sum of -ln(chance of what happened) + penalty / 2 * |weights|²` over the terms
//! in spreads from their means, the intercept free, by Newton steps (iteratively reweighted
//! least squares: McCullagh and Nelder 1989, Generalized linear models, section 4.4; the
//! penalty: le Cessie and van Houwelingen 1992, Ridge estimators in logistic regression;
//! both from memory).

use super::model::{Model, logistic};
use super::terms::{TERMS, Terms};

/// Numbers that are fitted: the intercept, then the weights.
const SIZE: usize = TERMS + 1;
/// Newton steps at most.
const STEPS: usize = 50;
/// Change of every number below which it is done.
const DONE: f64 = 1e-10;

/// One hour to learn from: its terms, and whether it rained in the twelve hours after.
pub type Row = (Terms, bool);

/// What a fit gave.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    /// The model.
    pub model: Model,
    /// Share of the rows with rain.
    pub wet: f64,
    /// Newton steps it took.
    pub steps: usize,
}

/// Fits a model. None where the rows are all wet, all dry, or one term never changes; or
/// where it does not settle.
pub fn fit(rows: &[Row], penalty: f64) -> Option<Fit> {
    let count = rows.len() as f64;
    let wet = rows.iter().filter(|row| row.1).count() as f64 / count;
    if !(wet > 0.0 && wet < 1.0) {
        return None;
    }
    let mut model = Model {
        means: [0.0; TERMS],
        spreads: [0.0; TERMS],
        intercept: (wet / (1.0 - wet)).ln(),
        weights: [0.0; TERMS],
    };
    for place in 0..TERMS {
        let of = |row: &Row| row.0.0[place];
        let mean = rows.iter().map(of).sum::<f64>() / count;
        let square = rows.iter().map(|row| (of(row) - mean).powi(2)).sum::<f64>() / count;
        model.means[place] = mean;
        model.spreads[place] = square.sqrt();
    }
    if !model.spreads.iter().all(|spread| *spread > 1e-12) {
        return None;
    }
    let scaled: Vec<[f64; TERMS]> = rows.iter().map(|row| model.scaled(&row.0)).collect();
    for step in 1..=STEPS {
        let mut slope = [0.0; SIZE];
        let mut curve = [[0.0; SIZE]; SIZE];
        for (x, row) in scaled.iter().zip(rows) {
            let odds =
                model.intercept + x.iter().zip(model.weights).map(|(x, w)| x * w).sum::<f64>();
            let chance = logistic(odds);
            let missed = f64::from(u8::from(row.1)) - chance;
            let weight = chance * (1.0 - chance);
            let mut with_one = [1.0; SIZE];
            with_one[1..].copy_from_slice(x);
            for ((one, slope), row) in with_one.iter().zip(&mut slope).zip(&mut curve) {
                *slope += missed * one;
                for (other, sum) in with_one.iter().zip(row) {
                    *sum += weight * one * other;
                }
            }
        }
        for place in 1..SIZE {
            slope[place] -= penalty * model.weights[place - 1];
            curve[place][place] += penalty;
        }
        let change = solve(curve, slope)?;
        model.intercept += change[0];
        for (weight, change) in model.weights.iter_mut().zip(&change[1..]) {
            *weight += change;
        }
        if change.iter().all(|c| c.abs() < DONE) {
            return Some(Fit { model, wet, steps: step });
        }
    }
    None
}

/// Solves a symmetric positive system (Cholesky). None where it is not positive.
fn solve(mut a: [[f64; SIZE]; SIZE], mut b: [f64; SIZE]) -> Option<[f64; SIZE]> {
    for i in 0..SIZE {
        for j in 0..=i {
            let shared: f64 = a[i][..j].iter().zip(&a[j][..j]).map(|(x, y)| x * y).sum();
            let left = a[i][j] - shared;
            if i == j {
                if left.is_nan() || left <= 0.0 {
                    return None;
                }
                a[i][i] = left.sqrt();
            } else {
                a[i][j] = left / a[j][j];
            }
        }
    }
    for i in 0..SIZE {
        let known: f64 = a[i][..i].iter().zip(&b[..i]).map(|(x, y)| x * y).sum();
        b[i] = (b[i] - known) / a[i][i];
    }
    for i in (0..SIZE).rev() {
        let known: f64 = (i + 1..SIZE).map(|k| a[k][i] * b[k]).sum();
        b[i] = (b[i] - known) / a[i][i];
    }
    Some(b)
}
