//! A step that a neighbour shares is weather: corroboration lifts the suspicion, for half
//! an hour before and after it (a gust front; common practice).

use super::hours::Hours;
use super::plan::{HUMIDITY, PRESSURE, RAIN, Seats, TEMPERATURE};
use observation::{Span, Time};
use serde::{Deserialize, Serialize};

/// How far before and after a neighbour's change may lie.
pub(crate) const REACH: Span = Span::minutes(30);
/// So much of the change must the neighbour share.
const SHARE: f64 = 0.5;
/// A jump of pressure that says that something passed, hPa in the reach.
const JUMP: f64 = 1.0;
/// Rain that says so, mm.
const RAIN_FELL: f64 = 0.2;

/// A reading that is doubted for its step alone.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Suspect {
    pub(crate) series: u32,
    pub(crate) seat: usize,
    pub(crate) slot: usize,
    pub(crate) time: Time,
    /// Signed.
    pub(crate) change: f64,
}

impl Suspect {
    /// Whether it can still be lifted at an instant.
    pub(crate) fn waits(&self, now: Time) -> bool {
        now <= self.time + REACH
    }

    /// Whether something corroborates it, as far as is known at `now`.
    pub(crate) fn corroborated(&self, seats: &Seats, hours: &Hours, now: Time) -> bool {
        let (from, to) = (self.time - REACH, (self.time + REACH).min(now));
        let near = seats.near.get(self.seat).map_or(&[][..], Vec::as_slice);
        let sign = self.change.signum();
        if near.iter().any(|&other| {
            let words = hours.between((other, self.slot), from, to).map(|w| sign * w.value);
            greatest_rise(words) >= SHARE * self.change.abs()
        }) {
            return true;
        }
        let falls = self.slot == TEMPERATURE && sign < 0.0;
        let moistens = self.slot == HUMIDITY && sign > 0.0;
        (falls || moistens)
            && near.iter().chain([&self.seat]).any(|&seat| {
                let pressures = || hours.between((seat, PRESSURE), from, to).map(|w| w.value);
                let rain: f64 = hours.between((seat, RAIN), from, to).map(|w| w.value).sum();
                rain >= RAIN_FELL
                    || greatest_rise(pressures()) >= JUMP
                    || greatest_rise(pressures().map(|p| -p)) >= JUMP
            })
    }
}

/// The most by which a later value exceeds an earlier one.
fn greatest_rise(values: impl Iterator<Item = f64>) -> f64 {
    let (mut least, mut rise) = (f64::INFINITY, 0.0_f64);
    for value in values {
        least = least.min(value);
        rise = rise.max(value - least);
    }
    rise
}

#[cfg(test)]
mod tests {
    use super::greatest_rise;

    #[test]
    fn a_rise_is_from_earlier_to_later() {
        assert!((greatest_rise([3.0, 1.0, 2.5, 0.0].into_iter()) - 1.5).abs() < 1e-12);
        assert!(greatest_rise(std::iter::empty()).abs() < 1e-12);
    }
}
