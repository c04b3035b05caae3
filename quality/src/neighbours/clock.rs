//! The clock test: do the hourly changes of pressure fit those of the
//! neighbours better when they are shifted by whole hours?

use super::values::{Values, known};
use observation::Quantity;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Hours by which a station may be late (negative: early).
const LAGS: [i32; 4] = [-2, -1, 1, 2];
const FARTHEST_LAG: usize = 2;
/// Hours over which the evidence is summed at most.
const WINDOW: usize = 72;
/// The evidence is summed over this many at least.
const LEAST_HOURS: usize = 24;
/// Hours over which the usual disagreement is learned, ending before the window.
const MEMORY: usize = 720;
const LEAST_MEMORY: usize = 200;
/// A sum must also be this many spreads above what is usual: where the weather hardly moves
/// the pressure, or the barometers are noisy, a shift fits better by chance.
const UNUSUAL: f64 = 5.0;
/// Of a clock that is right, the evidence of an hour must on average speak against a shift
/// by this much: a wrong one will then speak for it by as much.
const LEAST_MEANING: f64 = 0.1;
/// The squared difference of one hour counts at most so many usual ones as a misfit.
const LARGEST_MISFIT: f64 = 25.0;
/// What is looked at: the largest squared disagreement that counts (hPa², K²) and the most
/// evidence that one hour adds.
const CHANNELS: [(Quantity, f64, f64); 1] = [(Quantity::AirPressureAtMeanSeaLevel, 0.25, 2.0)];

/// What is held of one station's clock.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Shift {
    /// Evidence that it is wrong.
    pub(super) score: f64,
    /// Hours by which it then is late.
    pub(super) lag: i32,
    /// Evidence of hours however few: what a shift would explain is not to be laid to the
    /// barometer meanwhile.
    pub(super) doubt: f64,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Channel {
    before: Option<f64>,
    /// Newest last: own change and that of the neighbours.
    changes: VecDeque<(Option<f64>, Option<f64>)>,
    /// Squared difference of the two, newest last.
    squares: VecDeque<Option<f64>>,
    /// Usual value of it, newest last, as long as `changes`.
    usual: VecDeque<Option<f64>>,
    /// By lag: evidence of the last hours.
    terms: [VecDeque<f64>; 4],
    /// By lag: squared difference when shifted, in usual ones, of the same hours.
    #[serde(default)]
    misfits: [VecDeque<f64>; 4],
    /// By lag: the usual evidence of an hour.
    usual_terms: [UsualTerm; 4],
}

/// Weight, sum and sum of squares of the evidence of single hours, slowly forgotten.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct UsualTerm {
    weight: f64,
    sum: f64,
    squares: f64,
}

impl UsualTerm {
    fn learn(&mut self, term: f64) {
        let keep = (-1.0 / MEMORY as f64).exp();
        self.weight = self.weight * keep + 1.0;
        self.sum = self.sum * keep + term;
        self.squares = self.squares * keep + term * term;
    }

    /// Whether a right clock has been seen to speak against a shift.
    fn means_something(&self) -> bool {
        self.weight >= LEAST_MEMORY as f64 && self.sum <= -LEAST_MEANING * self.weight
    }

    /// How far a sum over so many hours is above the usual one, in its spreads.
    fn above(&self, sum: f64, hours: usize) -> f64 {
        if !self.means_something() {
            return 0.0;
        }
        let mean = self.sum / self.weight;
        let variance = (self.squares / self.weight - mean * mean).max(1e-3);
        (sum - hours as f64 * mean) / (variance * hours as f64).sqrt()
    }
}

/// State of the test for all stations.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Clock {
    /// Channel by channel, station by station.
    channels: Vec<Vec<Channel>>,
}

fn push<T>(ring: &mut VecDeque<T>, value: T, longest: usize) {
    if ring.len() >= longest {
        ring.pop_front();
    }
    ring.push_back(value);
}

fn nth_last<T: Copy>(ring: &VecDeque<T>, back: usize) -> Option<T> {
    ring.iter().rev().nth(back).copied()
}

impl Clock {
    pub(super) fn new(stations: usize) -> Self {
        Self { channels: vec![vec![Channel::default(); stations]; CHANNELS.len()] }
    }

    /// Takes the values of one hour; returns what is held of each station's clock.
    pub(super) fn take(&mut self, values: &[Values]) -> Vec<Shift> {
        let mut scores = vec![[(0.0, 0.0); LAGS.len()]; values.len()];
        for ((quantity, square, term), channels) in CHANNELS.into_iter().zip(&mut self.channels) {
            let changes: Vec<Option<f64>> =
                channels.iter_mut().zip(values).map(|(c, v)| c.change(v.get(quantity))).collect();
            for (place, channel) in channels.iter_mut().enumerate() {
                let others = changes.iter().enumerate().filter(|(other, _)| *other != place);
                let others: Vec<f64> = others.filter_map(|(_, change)| *change).collect();
                let enough = others.len() >= (values.len() - 1).min(2);
                let reference = enough.then(|| others.iter().sum::<f64>() / others.len() as f64);
                let found = channel.take(changes[place], reference, square, term);
                for (sum, score) in scores[place].iter_mut().zip(found) {
                    (sum.0, sum.1) = (sum.0 + score.0, sum.1 + score.1);
                }
            }
        }
        let best = |scores: [(f64, f64); LAGS.len()]| {
            let mut best = Shift::default();
            for ((score, doubt), lag) in scores.into_iter().zip(LAGS) {
                if score > best.score {
                    (best.score, best.lag) = (score, lag);
                }
                best.doubt = best.doubt.max(doubt);
            }
            best
        };
        scores.into_iter().map(best).collect()
    }
}

impl Channel {
    fn change(&mut self, value: f64) -> Option<f64> {
        let now = known(value);
        let change = now.zip(self.before).map(|(now, before)| now - before);
        self.before = now;
        change
    }

    /// For each lag the evidence of the window, and how much of a doubt there is.
    fn take(
        &mut self,
        own: Option<f64>,
        reference: Option<f64>,
        largest_square: f64,
        largest_term: f64,
    ) -> [(f64, f64); LAGS.len()] {
        push(&mut self.changes, (own, reference), FARTHEST_LAG + 1);
        let square = own.zip(reference).map(|(a, b)| (a - b).powi(2).min(largest_square));
        push(&mut self.squares, square, MEMORY + WINDOW);
        let older = self.squares.len().saturating_sub(WINDOW);
        let known = self.squares.iter().take(older).flatten();
        let (sum, count) = known.fold((0.0, 0_usize), |(sum, count), s| (sum + s, count + 1));
        let usual = (count >= LEAST_MEMORY).then(|| sum / count as f64);
        push(&mut self.usual, usual, FARTHEST_LAG + 1);
        let mut scores = [(0.0, 0.0); LAGS.len()];
        let lags = LAGS.into_iter().zip(&mut self.terms).zip(&mut self.misfits);
        let lags = lags.zip(&mut self.usual_terms).zip(&mut scores);
        for ((((lag, terms), misfits), usual_term), score) in lags {
            // A late station shows now what the others showed before; for an early one
            // the others must be waited for.
            let back = usize::try_from(lag.abs()).unwrap_or(0);
            let (then, shifted) = if lag > 0 { (0, back) } else { (back, 0) };
            let term = nth_last(&self.changes, then).and_then(|(own, on_time)| {
                let other = nth_last(&self.changes, shifted)?.1?;
                let usual = nth_last(&self.usual, then).flatten().filter(|u| *u > 0.0)?;
                let (own, on_time) = (own?, on_time?);
                let shifted = (own - other).powi(2) / usual;
                Some(((own - on_time).powi(2) / (2.0 * usual) - 0.5 * shifted, shifted))
            });
            let (term, misfit) = term.unwrap_or((0.0, 1.0));
            if terms.len() >= WINDOW
                && let Some(oldest) = terms.front()
            {
                usual_term.learn(*oldest);
            }
            push(terms, term.clamp(-largest_term, largest_term), WINDOW);
            push(misfits, misfit.min(LARGEST_MISFIT), WINDOW);
            // The best of all beginnings within the window (Page 1954, from memory).
            let (mut sum, mut misfit) = (0.0, 0.0);
            for (back, (term, one)) in terms.iter().zip(&*misfits).rev().enumerate() {
                (sum, misfit) = (sum + term, misfit + one);
                let hours = back + 1;
                // A clock that is wrong fits as well as usual once it is shifted. In a
                // storm that pumps a box nothing fits, and a shift less badly by chance.
                let fit = sum / (misfit / hours as f64).max(1.0);
                if hours >= LEAST_HOURS && usual_term.above(sum, hours) >= UNUSUAL {
                    score.0 = fit.max(score.0);
                }
                if usual_term.means_something() {
                    score.1 = fit.max(score.1);
                }
            }
        }
        scores
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Greatest score of three invented barometers in 60 days; the first is so many hours
    /// late in the last five, and of noise times as loud.
    fn greatest(late: i64, loud: f64) -> f64 {
        let mut clock = Clock::new(3);
        let mut random = noise();
        let weather = |hour: i64| {
            let at = hour as f64;
            1010.0 + 6.0 * (at / 13.0).sin() + 3.0 * (at / 5.3).sin()
        };
        let mut greatest: f64 = 0.0;
        for hour in 0..60 * 24_i64 {
            let lately = hour >= 55 * 24;
            let mut value = |late: i64, loud: f64| Values {
                pressure: weather(hour - late) + 0.1 * loud * random(),
                ..Values::MISSING
            };
            let own = if lately { value(late, loud) } else { value(0, 1.0) };
            let scores = clock.take(&[own, value(0, 1.0), value(0, 1.0)]);
            greatest = greatest.max(scores[0].score);
        }
        greatest
    }

    /// Noise between -0.5 and 0.5.
    fn noise() -> impl FnMut() -> f64 {
        let mut state = 3_u64;
        move || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / f64::from(1 << 24) - 0.5
        }
    }

    #[test]
    fn a_late_clock_is_told_from_a_box_that_a_storm_pumps() {
        let limit = crate::neighbours::Limits::default().clock;
        assert!(greatest(0, 1.0) < limit, "{}", greatest(0, 1.0));
        for loud in [5.0, 20.0, 80.0] {
            assert!(greatest(0, loud) < limit, "{loud}: {}", greatest(0, loud));
        }
        for late in [1, 2, -1] {
            assert!(greatest(late, 1.0) > limit, "{late}: {}", greatest(late, 1.0));
        }
    }
}
