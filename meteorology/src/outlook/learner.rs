//! One place's own weights: the starting ones, drawn on by every own hour whose outcome is
//! known.
//!
//! A Gaussian belief about the weights is carried from hour to hour, one Newton step each
//! (West, Harrison and Migon 1985, Dynamic generalized linear models and Bayesian
//! forecasting; Spiegelhalter and Lauritzen 1990, Sequential updating of conditional
//! probabilities; both from memory). So nothing of the hours themselves need be kept. Two
//! terms of the season start at nothing: one year of open data cannot teach them.

use super::model::{Model, logistic};
use super::terms::{TERMS, Terms};
use serde::{Deserialize, Serialize};

/// Terms with the season's two.
const PARTS: usize = TERMS + 2;
/// Weights with the intercept.
const SIZE: usize = PARTS + 1;
/// How surely the starting weights are believed: as by so many hours' worth of Newton
/// curvature, the penalty with which they were fitted.
const BELIEF: f64 = 100.0;
/// The same of the intercept: how often it rains is the first thing that differs.
const BELIEF_INTERCEPT: f64 = 5.0;
/// Worth of one hour beside the hours it shares eleven of its twelve with. Twelfths would
/// be the least; a front that passes is seen from several hours.
const WORTH: f64 = 0.25;
/// Hours in a year.
const YEAR: f64 = 8_765.82;

/// See the module.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Learner {
    /// Intercept, weights of the terms, weights of the season.
    weights: Vec<f64>,
    /// Covariance of the belief, row by row.
    spread: Vec<f64>,
    /// Hours learned from.
    hours: u64,
}

/// What a chance was made of.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Parts([f64; SIZE]);

impl Parts {
    /// The terms of an hour counted from 1970, its season, and a one for the intercept.
    pub(super) fn of(terms: &Terms, hour: i64) -> Self {
        let mut parts = [1.0; SIZE];
        parts[1..=TERMS].copy_from_slice(&Model::starting().scaled(terms));
        let (sin, cos) = (hour as f64 / YEAR * std::f64::consts::TAU).sin_cos();
        (parts[TERMS + 1], parts[TERMS + 2]) = (sin, cos);
        Self(parts)
    }
}

impl Default for Learner {
    fn default() -> Self {
        let start = Model::starting();
        let mut weights = vec![start.intercept];
        weights.extend(start.weights);
        weights.extend([0.0; PARTS - TERMS]);
        let mut spread = vec![0.0; SIZE * SIZE];
        for place in 0..SIZE {
            let belief = if place == 0 { BELIEF_INTERCEPT } else { BELIEF };
            spread[place * SIZE + place] = 1.0 / belief;
        }
        Self { weights, spread, hours: 0 }
    }
}

impl Learner {
    /// Whether it is whole, after it was read back.
    pub(super) fn is_sound(&self) -> bool {
        let finite = |all: &[f64]| all.iter().all(|v| v.is_finite());
        self.weights.len() == SIZE
            && self.spread.len() == SIZE * SIZE
            && finite(&self.weights)
            && finite(&self.spread)
    }

    /// Hours learned from.
    pub(super) const fn hours(&self) -> u64 {
        self.hours
    }

    /// Chance of rain, 0 to 1.
    pub(super) fn chance(&self, parts: &Parts) -> f64 {
        logistic(self.weights.iter().zip(parts.0).map(|(w, x)| w * x).sum())
    }

    /// Learns what became of an hour.
    pub(super) fn learn(&mut self, parts: &Parts, wet: bool) {
        let x = &parts.0;
        let chance = self.chance(parts);
        let mut toward = [0.0; SIZE];
        for (row, out) in self.spread.chunks_exact(SIZE).zip(&mut toward) {
            *out = row.iter().zip(x).map(|(s, x)| s * x).sum();
        }
        let doubt: f64 = toward.iter().zip(x).map(|(t, x)| t * x).sum();
        let curve = WORTH * chance * (1.0 - chance);
        let shrink = curve / (1.0 + curve * doubt);
        for i in 0..SIZE {
            for j in 0..SIZE {
                self.spread[i * SIZE + j] -= shrink * toward[i] * toward[j];
            }
        }
        let missed = f64::from(u8::from(wet)) - chance;
        // What is left of the way after the belief has become surer.
        let step = WORTH * missed / (1.0 + curve * doubt);
        for (weight, toward) in self.weights.iter_mut().zip(toward) {
            *weight += step * toward;
        }
        self.hours += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn terms(humidity: f64) -> Terms {
        let mut terms = Terms(Model::starting().means);
        terms.0[5] = humidity;
        terms
    }

    #[test]
    fn it_starts_as_the_starting_model_and_learns_how_often_it_rains_here() {
        let mut learner = Learner::default();
        let usual = terms(70.0);
        let start = learner.chance(&Parts::of(&usual, 0));
        assert!((start - Model::starting().chance(&usual)).abs() < 1e-12);
        for hour in 0..4_000 {
            learner.learn(&Parts::of(&usual, hour), hour % 10 == 0);
        }
        let dry_place = learner.chance(&Parts::of(&usual, 4_000));
        assert!((dry_place - 0.1).abs() < 0.03, "{dry_place}");
        assert!(learner.is_sound() && learner.hours() == 4_000);
    }

    #[test]
    fn a_term_that_matters_more_here_than_elsewhere_gets_more_weight() {
        let mut learner = Learner::default();
        for hour in 0..4_000_i64 {
            let damp = hour % 3 == 0;
            let terms = terms(if damp { 95.0 } else { 50.0 });
            learner.learn(&Parts::of(&terms, hour), damp);
        }
        let chance = |humidity| learner.chance(&Parts::of(&terms(humidity), 4_000));
        assert!(chance(95.0) > 0.75 && chance(50.0) < 0.12, "{} {}", chance(95.0), chance(50.0));
    }
}
