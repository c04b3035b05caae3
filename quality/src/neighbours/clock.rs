//! The clock test: do the hourly changes of pressure fit those of the neighbours better
//! when they are shifted by whole hours?

use super::values::known;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Hours by which a station may be late (negative: early).
const LAGS: [i32; 4] = [-2, -1, 1, 2];
const FARTHEST_LAG: usize = 2;
/// Hours over which the evidence is summed.
const WINDOW: usize = 72;
/// Hours over which the usual disagreement is learned, ending before the window.
const MEMORY: usize = 720;
const LEAST_MEMORY: usize = 200;
/// Squared disagreement beyond this counts as this, hPa².
const LARGEST_SQUARE: f64 = 0.25;
/// One hour adds no more evidence than this.
const LARGEST_TERM: f64 = 2.0;

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Station {
    before: Option<f64>,
    /// Newest last: own change and that of the neighbours.
    changes: VecDeque<(Option<f64>, Option<f64>)>,
    /// Squared difference of the two, newest last.
    squares: VecDeque<Option<f64>>,
    /// Usual value of it, newest last, as long as `changes`.
    usual: VecDeque<Option<f64>>,
    /// By lag: evidence of the last hours.
    terms: [VecDeque<f64>; 4],
}

/// State of the test for all stations.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Clock {
    stations: Vec<Station>,
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
        Self { stations: vec![Station::default(); stations] }
    }

    /// Takes the pressures of one hour; returns for each station the best score and its
    /// lag in hours.
    pub(super) fn take(&mut self, pressures: &[f64]) -> Vec<(f64, i32)> {
        let changes: Vec<Option<f64>> = self
            .stations
            .iter_mut()
            .zip(pressures)
            .map(|(station, pressure)| {
                let now = known(*pressure);
                let change = now.zip(station.before).map(|(now, before)| now - before);
                station.before = now;
                change
            })
            .collect();
        let stations = self.stations.iter_mut().enumerate();
        stations
            .map(|(place, station)| {
                let others: Option<Vec<f64>> = changes
                    .iter()
                    .enumerate()
                    .filter(|(other, _)| *other != place)
                    .map(|(_, change)| *change)
                    .collect();
                let reference = others.map(|o| o.iter().sum::<f64>() / o.len().max(1) as f64);
                station.take(changes.get(place).copied().flatten(), reference)
            })
            .collect()
    }
}

impl Station {
    fn take(&mut self, own: Option<f64>, reference: Option<f64>) -> (f64, i32) {
        push(&mut self.changes, (own, reference), FARTHEST_LAG + 1);
        let square = own.zip(reference).map(|(a, b)| (a - b).powi(2));
        push(&mut self.squares, square.map(|s| s.min(LARGEST_SQUARE)), MEMORY + WINDOW);
        let older = self.squares.len().saturating_sub(WINDOW);
        let (sum, count) = self
            .squares
            .iter()
            .take(older)
            .flatten()
            .fold((0.0, 0_usize), |(sum, count), s| (sum + s, count + 1));
        let usual = (count >= LEAST_MEMORY).then(|| sum / count as f64);
        push(&mut self.usual, usual, FARTHEST_LAG + 1);
        let mut best = (0.0, 0);
        for (lag, terms) in LAGS.into_iter().zip(&mut self.terms) {
            // A late station shows now what the others showed before; for an early one
            // the others must be waited for.
            let back = usize::try_from(lag.abs()).unwrap_or(0);
            let (then, shifted) = if lag > 0 { (0, back) } else { (back, 0) };
            let term = nth_last(&self.changes, then).and_then(|(own, on_time)| {
                let other = nth_last(&self.changes, shifted)?.1?;
                let usual = nth_last(&self.usual, then).flatten().filter(|u| *u > 0.0)?;
                let (own, on_time) = (own?, on_time?);
                Some(((own - on_time).powi(2) - (own - other).powi(2)) / (2.0 * usual))
            });
            let term = term.unwrap_or(0.0).clamp(-LARGEST_TERM, LARGEST_TERM);
            push(terms, term, WINDOW);
            let score: f64 = terms.iter().sum();
            if score > best.0 {
                best = (score, lag);
            }
        }
        best
    }
}
