//! What a group expects of its contrasts, and how unusual it finds them: learned from days
//! that are old enough, never from days in which a suspicion was open.

use super::limits::{GroupLimits, Limits};
use super::regression::Regression;
use super::spread::Spread;
use super::windows::{Sums, Weighed, Windows};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Days before residuals are drawn in and their spread is learned, beside the hold-back.
const DAYS_BEFORE_DRAWING_IN: usize = 10;
const DAYS_BEFORE_SPREAD: usize = 3;
/// Means of 24 h are drawn in at this many spreads, once there are enough of them.
const MEANS_DRAWN_IN: f64 = 3.0;
const MEANS_ENOUGH: f64 = 20.0;
/// Half-days before means of 24 h are believed.
const HALF_DAYS_BEFORE_MEANS: usize = 22;
/// A length this small says no less than this.
const LEAST_LENGTH: f64 = 0.02;
/// The prediction of the logarithm of the length is bounded.
const FARTHEST_LOGARITHM: f64 = 3.0;

/// One step, waiting to be learned.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Held {
    /// In half the room: they are rounded far finer than any of them is measured.
    terms: Vec<f32>,
    contrasts: Option<Vec<f64>>,
}

/// Expected contrasts of one group and the spreads of what is left.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Expectation {
    steps_per_day: usize,
    components: usize,
    regression: Regression,
    /// Of single steps.
    pub(super) steps: Spread,
    /// Of means over 24 h.
    pub(super) days: Spread,
    held: VecDeque<Held>,
}

impl Expectation {
    pub(super) fn new(terms: usize, components: usize, steps_per_day: usize) -> Self {
        Self {
            steps_per_day,
            components,
            // One more target: the logarithm of the squared length of the residual.
            regression: Regression::new(terms, components + 1),
            steps: Spread::new(components),
            days: Spread::new(components),
            held: VecDeque::new(),
        }
    }

    /// Adds a step to the windows and to what is to be learned: contrasts, and the
    /// directions in which they say nothing because a value is missing.
    pub(super) fn take(
        &mut self,
        terms: &[f64],
        observed: Option<(Vec<f64>, Vec<Vec<f64>>)>,
        limits: &Limits,
        own: &GroupLimits,
        windows: &mut Windows,
    ) {
        let mut terms = terms.to_vec();
        self.regression.complete(&mut terms);
        let mut expected = Vec::new();
        self.regression.expect(&terms, &mut expected);
        let residual = observed.and_then(|(contrasts, missing)| {
            let mut residual: Vec<f64> =
                contrasts.iter().zip(&expected).map(|(y, e)| y - e).collect();
            self.steps.take_out(&mut residual, &missing).then_some(residual)
        });
        let contrasts = residual
            .as_ref()
            .map(|residual| residual.iter().zip(&expected).map(|(r, e)| r + e).collect());
        if let Some(plain) = residual {
            let mut drawn = plain.clone();
            let length = self.steps.draw_in(&mut drawn, own.drawn_in);
            let logarithm =
                expected[self.components].clamp(-FARTHEST_LOGARITHM, FARTHEST_LOGARITHM);
            windows.push(Weighed {
                drawn: &drawn,
                plain: &plain,
                weight: (-limits.weighting * logarithm).exp(),
                length: length.min(own.drawn_in * own.drawn_in),
            });
        } else {
            windows.push(Weighed { drawn: &[], plain: &[], weight: 0.0, length: 0.0 });
        }
        #[allow(clippy::cast_possible_truncation)]
        let terms = terms.iter().map(|term| *term as f32).collect();
        self.held.push_back(Held { terms, contrasts });
    }

    /// To be called at the start of each day, before its first step. Nothing is learned
    /// while `frozen`.
    pub(super) fn start_day(
        &mut self,
        frozen: bool,
        limits: &Limits,
        own: &GroupLimits,
        windows: &Windows,
    ) {
        if self.held.len() < (limits.hold_back + 1) * self.steps_per_day {
            return;
        }
        let day: Vec<Held> = self.held.drain(..self.steps_per_day).collect();
        if !frozen && day.iter().any(|held| held.contrasts.is_some()) {
            self.learn(&day, limits, own, windows.seen() / self.steps_per_day);
        }
        self.regression.solve(own.ridge);
        if !frozen && windows.seen() * 2 > HALF_DAYS_BEFORE_MEANS * self.steps_per_day {
            let end = windows.seen() - limits.hold_back * self.steps_per_day;
            for end in [end + self.steps_per_day / 2, end + self.steps_per_day] {
                self.learn_mean(end, limits, windows);
            }
            self.days.refresh();
        }
    }

    fn learn(&mut self, day: &[Held], limits: &Limits, own: &GroupLimits, age: usize) {
        self.regression.forget((-1.0 / limits.memory).exp());
        if age > limits.hold_back + DAYS_BEFORE_SPREAD {
            self.steps.forget((-1.0 / limits.spread_memory).exp());
        }
        let mut targets = Vec::new();
        for held in day {
            let Some(contrasts) = &held.contrasts else { continue };
            let terms: Vec<f64> = held.terms.iter().map(|term| f64::from(*term)).collect();
            self.regression.expect(&terms, &mut targets);
            let mut residual: Vec<f64> =
                contrasts.iter().zip(&targets).map(|(y, e)| y - e).collect();
            let (mut weight, mut logarithm) = (1.0, 0.0);
            if age > limits.hold_back + DAYS_BEFORE_DRAWING_IN && self.steps.factor().is_some() {
                let length = self.steps.draw_in(&mut residual, own.drawn_in);
                weight = (own.drawn_in / length.max(1e-9).sqrt()).min(1.0);
                logarithm = length.max(LEAST_LENGTH).ln();
            }
            if age > limits.hold_back + DAYS_BEFORE_SPREAD {
                self.steps.add(&residual);
            }
            targets.clear();
            targets.extend(contrasts);
            targets.push(logarithm);
            self.regression.learn(&terms, &targets, weight);
        }
        self.steps.refresh();
    }

    fn learn_mean(&mut self, end: usize, limits: &Limits, windows: &Windows) {
        let mut sums = Sums::default();
        let start = end.saturating_sub(self.steps_per_day);
        let enough =
            windows.between(start, end, &mut sums) && sums.count * 2.0 >= self.steps_per_day as f64;
        if enough {
            if self.days.count() > MEANS_ENOUGH {
                self.days.refresh();
                self.days.draw_in(&mut sums.drawn, MEANS_DRAWN_IN);
            }
            self.days.forget((-0.5 / limits.spread_memory).exp());
            self.days.add(&sums.drawn);
        }
    }
}
