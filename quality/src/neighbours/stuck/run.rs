//! A run of equal values, and how far the neighbours turned meanwhile.

use crate::neighbours::suspicion::agreed;
use crate::neighbours::values::{known, turn};
use crate::neighbours::weather::Bridged;
use observation::Quantity;
use serde::{Deserialize, Serialize};

/// Values closer than this are equal.
pub(super) const EQUAL: f64 = 1e-6;
const BRIDGED_HOURS: usize = 3;
/// Neighbours must turn by so many steps of a vane before it is said to stand; by more
/// where it has few points, steps of so many deg or more: it stays where it is through long
/// winds that turn within a point (chosen on odd months of the open record).
const STEPS_TURNED: [f64; 2] = [1.5, 2.5];
const FEW_POINTS: f64 = 20.0;

/// Equal values in a row of one instrument.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Run {
    bridged: Bridged,
    pub(super) before: Option<f64>,
    pub(super) score: f64,
    pub(super) hours: usize,
    /// Whether the last step had a value.
    pub(super) counted: bool,
    /// How far each neighbour has turned since the run began, deg, and at most.
    #[serde(default)]
    turned: Vec<(f64, f64)>,
}

impl Run {
    /// The bridged value and its change; counts the run. A missing value neither continues
    /// a run nor, while it is bridged, ends it.
    pub(super) fn step(&mut self, value: f64) -> (f64, Option<f64>) {
        let now = self.bridged.take(value, BRIDGED_HOURS);
        self.counted = value.is_finite();
        if !self.counted && now.is_finite() {
            return (now, Some(0.0));
        }
        let change = self.before.zip(known(now)).map(|(before, now)| now - before);
        self.before = known(now);
        if change.is_some_and(|change| change.abs() < EQUAL) {
            self.hours += 1;
        } else {
            (self.hours, self.score) = (0, 0.0);
        }
        (now, change)
    }

    /// Adds what the neighbours turned in this step; begins anew with the run.
    pub(super) fn turn(&mut self, own: usize, changes: &[Option<f64>]) {
        if self.hours == 0 {
            self.turned = vec![(0.0, 0.0); changes.len()];
            return;
        }
        self.turned.resize(changes.len(), (0.0, 0.0));
        for (other, ((sum, most), change)) in self.turned.iter_mut().zip(changes).enumerate() {
            if other != own {
                *sum += change.map_or(0.0, turn);
                *most = most.max(sum.abs());
            }
        }
        // It never turns against itself.
        if let Some(own) = self.turned.get_mut(own) {
            *own = (0.0, f64::NAN);
        }
    }

    /// Whether the neighbours turned enough during the run for a vane to follow: one of few
    /// points stays where it is while the wind turns within a point.
    pub(super) fn saw_wind_turn(
        &self,
        quantity: Quantity,
        finest: Option<f64>,
        moves: &impl Fn(usize) -> bool,
    ) -> bool {
        if !quantity.is_direction() {
            return true;
        }
        let turned = self.turned.iter().enumerate().filter(|(other, _)| moves(*other));
        let most = turned.map(|(_, (_, most))| *most);
        let mut others: Vec<f64> = most.filter(|most| most.is_finite()).collect();
        let step = finest.unwrap_or(0.0);
        let needed = step * STEPS_TURNED[usize::from(step >= FEW_POINTS)];
        agreed(&mut others).is_some_and(|turned| turned >= needed)
    }
}
