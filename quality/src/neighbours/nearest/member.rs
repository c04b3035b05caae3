//! One panel of a neighbourhood: whose stations it holds, and for whom it speaks.

use crate::neighbours::limits::Limits;
use crate::neighbours::panel::Panel;
use crate::neighbours::values::Values;
use observation::Quantity;
use serde::{Deserialize, Serialize};

#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Member {
    /// Places of its stations; none of one that is no more. Unless it is shared, the first is
    /// the one it speaks for.
    pub(super) stations: Vec<Option<usize>>,
    /// Whether it speaks for all of its stations.
    #[serde(default)]
    pub(super) shared: bool,
    /// Stations, by their place in the panel, that have not spoken yet: while others speak for
    /// theirs, it begins with their first word.
    #[serde(default)]
    waits: Vec<usize>,
    pub(super) panel: Panel,
}

impl Member {
    pub(super) fn new(stations: Vec<usize>, shared: bool, panel: Panel) -> Self {
        let stations = stations.into_iter().map(Some).collect();
        Self { stations, shared, waits: Vec::new(), panel }
    }

    /// The station at a place in the panel.
    pub(super) fn station(&self, local: usize) -> Option<usize> {
        self.stations.get(local).copied().flatten()
    }

    /// The place of a station in the panel.
    fn local(&self, station: usize) -> Option<usize> {
        self.stations.iter().position(|own| *own == Some(station))
    }

    /// The stations it speaks for.
    pub(super) fn own(&self) -> impl Iterator<Item = usize> + '_ {
        let count = if self.shared { self.stations.len() } else { 1 };
        self.stations.iter().take(count).copied().flatten()
    }

    /// Whether it speaks for a station.
    pub(super) fn speaks_of(&self, station: usize) -> bool {
        self.own().any(|own| own == station)
    }

    /// Whether it may say something of what a station measures.
    pub(super) fn speaks_for(&self, station: usize, quantity: Quantity) -> bool {
        let heard = |local| self.panel.hears(local, quantity);
        self.speaks_of(station) && self.local(station).is_some_and(heard)
    }

    /// The values of its stations.
    pub(super) fn column(&self, values: &[Values]) -> Vec<Values> {
        let of = |station: &Option<usize>| station.and_then(|s| values.get(s).copied());
        self.stations.iter().map(|s| of(s).unwrap_or(Values::MISSING)).collect()
    }

    /// Takes out what a station measures.
    pub(super) fn blank(&self, column: &mut [Values], station: usize, quantity: Quantity) {
        if let Some(value) = self.local(station).and_then(|local| column.get_mut(local)) {
            value.set(quantity, f64::NAN);
        }
    }

    /// Begins only when these stations have spoken.
    pub(super) fn wait_for(&mut self, new: impl Fn(usize) -> bool) {
        let stations = self.stations.iter().enumerate();
        self.waits =
            stations.filter(|(_, s)| s.is_some_and(&new)).map(|(local, _)| local).collect();
    }

    /// Whether it still waits for the first word of a station.
    pub(super) fn waits(&mut self, column: &[Values]) -> bool {
        self.waits.retain(|local| column.get(*local).is_none_or(|value| !value.is_known()));
        !self.waits.is_empty()
    }

    /// Whether it may speak of offsets.
    pub(super) fn has_learned(&self, limits: &Limits) -> bool {
        self.panel.hours() > limits.warm * 24
    }
}
