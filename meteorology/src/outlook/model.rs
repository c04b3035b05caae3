//! A chance of rain from the sixteen terms.

use super::starting;
use super::terms::{TERMS, Terms};

/// Terms further from their mean than this many spreads count as that far (beyond nearly all
/// of the open record): a fault of an instrument must not carry the chance away.
pub(super) const FURTHEST: f64 = 8.0;

/// A logistic regression over the terms in spreads from their means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Model {
    /// Mean of each term.
    pub means: [f64; TERMS],
    /// Spread (standard deviation) of each term.
    pub spreads: [f64; TERMS],
    /// Log-odds of rain where every term is at its mean.
    pub intercept: f64,
    /// Log-odds a spread of each term.
    pub weights: [f64; TERMS],
}

impl Model {
    /// The one that comes from open data: hours of three airports, 2013.
    pub const fn starting() -> Self {
        starting::MODEL
    }

    /// The terms in spreads from their means.
    pub fn scaled(&self, terms: &Terms) -> [f64; TERMS] {
        let mut scaled = [0.0; TERMS];
        for (place, out) in scaled.iter_mut().enumerate() {
            let far = (terms.0[place] - self.means[place]) / self.spreads[place];
            *out = far.clamp(-FURTHEST, FURTHEST);
        }
        scaled
    }

    /// Chance of rain in the next twelve hours, 0 to 1.
    pub fn chance(&self, terms: &Terms) -> f64 {
        let scaled = self.scaled(terms);
        let sum: f64 = scaled.iter().zip(self.weights).map(|(x, w)| x * w).sum();
        logistic(self.intercept + sum)
    }
}

/// From log-odds to a chance.
pub(super) fn logistic(odds: f64) -> f64 {
    1.0 / (1.0 + (-odds).exp())
}
