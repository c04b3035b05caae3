//! What a panel no longer judges: an instrument that was changed, a station that moved or is
//! no more. What was learned of all others stays.

use super::Panel;
use crate::neighbours::values::Values;
use observation::Quantity;

impl Panel {
    /// Whether something is judged.
    pub(in crate::neighbours) fn hears(&self, station: usize, quantity: Quantity) -> bool {
        !self.deaf.contains(&(station, quantity))
    }

    /// Whether all is judged.
    pub(in crate::neighbours) const fn hears_all(&self) -> bool {
        self.deaf.is_empty()
    }

    /// Judges something no more; what was held of it is dropped.
    pub(in crate::neighbours) fn deafen(&mut self, station: usize, quantity: Quantity) {
        if station >= self.stations || !self.hears(station, quantity) {
            return;
        }
        self.deaf.push((station, quantity));
        for judge in &mut self.judges {
            judge.deafen(station, quantity);
        }
        self.watches.drop_of(station, quantity);
    }

    /// Whether anything is held of any of its stations.
    pub(in crate::neighbours) fn holds(&self) -> bool {
        self.judges.iter().any(|judge| judge.open().is_some()) || self.watches.any()
    }

    /// Takes out what is not judged.
    pub(super) fn silence(&self, values: &mut [Values]) {
        for (station, quantity) in &self.deaf {
            if let Some(value) = values.get_mut(*station) {
                value.set(*quantity, f64::NAN);
            }
        }
    }

    /// The values by which vanes are compared: a cup that is not judged still tells wind from
    /// calm, and a vane that is not judged leaves its station out.
    pub(super) fn winds(&self, values: &[Values]) -> Vec<Values> {
        let mut winds = values.to_vec();
        for (station, quantity) in &self.deaf {
            if let (Quantity::WindFromDirection, Some(value)) = (quantity, winds.get_mut(*station))
            {
                (value.speed, value.direction) = (f64::NAN, f64::NAN);
            }
        }
        winds
    }
}
