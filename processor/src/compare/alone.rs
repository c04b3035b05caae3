//! What a station says against itself: a value that stands still, a sensor that returns the
//! constants of a fault, readings that its own checks doubt.

use super::plan::COMPARED;
use observation::{Quantity, Span, Time};
use quality::persistence::{Set, still};
use serde::{Deserialize, Serialize};

/// Faulty samples in a row after which the sensor is thought to fail, and sound ones in a
/// row after which it is thought to be well again.
const IN_A_ROW: u8 = 5;

/// A run of equal values.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Run {
    value: f64,
    since: Time,
    last: Time,
}

/// Of one compared series.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Stillness {
    run: Option<Run>,
}

/// What a value means for the run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Stands {
    /// It moves.
    Moves,
    /// It has not moved since then.
    Still(Time),
}

impl Stillness {
    /// Takes the next value by time; `interval` is the expected time between two: after a
    /// longer gap the run begins anew.
    pub(crate) fn take(&mut self, slot: usize, time: Time, value: f64, interval: Span) -> Stands {
        let gap = Span(interval.0.saturating_mul(5)).max(Span::hours(1));
        let run = match self.run {
            Some(run) if time <= run.last => return Stands::Moves,
            Some(run) if run.value == value && time - run.last <= gap => Run { last: time, ..run },
            _ => Run { value, since: time, last: time },
        };
        self.run = Some(run);
        let quantity = COMPARED.get(slot).copied().unwrap_or(Quantity::PrecipitationDepth);
        match still(Set::Home, quantity, value, 0.0, time - run.since) {
            Some(true) => Stands::Still(run.since),
            _ => Stands::Moves,
        }
    }
}

/// Of one instrument.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Failing {
    faulty: u8,
    sound: u8,
    since: Option<Time>,
    open: bool,
}

/// What a sample changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Health {
    /// Nothing.
    Same,
    /// It is thought to fail since then.
    Fails(Time),
    /// It is thought to be well again.
    Recovers,
}

impl Failing {
    pub(crate) fn take(&mut self, faulty: bool, time: Time) -> Health {
        if faulty {
            self.sound = 0;
            let since = *self.since.get_or_insert(time);
            self.faulty = self.faulty.saturating_add(1);
            if self.faulty >= IN_A_ROW && !self.open {
                self.open = true;
                return Health::Fails(since);
            }
        } else if self.faulty > 0 {
            self.sound += 1;
            if !self.open || self.sound >= IN_A_ROW {
                let open = self.open;
                *self = Self::default();
                return if open { Health::Recovers } else { Health::Same };
            }
        }
        Health::Same
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn five_in_a_row_open_and_five_sound_ones_close() {
        let mut failing = Failing::default();
        let mut seen = Vec::new();
        for (nth, faulty) in [1, 1, 0, 1, 1, 1, 1, 1, 1, 0, 1, 0, 0, 0, 0, 0].iter().enumerate() {
            seen.push(failing.take(*faulty == 1, Time(nth as i64)));
        }
        let told: Vec<(usize, Health)> =
            seen.iter().copied().enumerate().filter(|(_, h)| *h != Health::Same).collect();
        assert_eq!(told, [(7, Health::Fails(Time(3))), (15, Health::Recovers)]);
    }

    #[test]
    fn a_value_that_stands_for_long_is_still_and_a_gap_begins_anew() {
        let mut stillness = Stillness::default();
        let hour = |h: i64| Time(h * 3_600_000);
        for h in 0..18 {
            assert_eq!(stillness.take(0, hour(h), 12.0, Span::hours(1)), Stands::Moves);
        }
        assert_eq!(stillness.take(0, hour(18), 12.0, Span::hours(1)), Stands::Still(hour(0)));
        assert_eq!(stillness.take(0, hour(40), 12.0, Span::hours(1)), Stands::Moves);
        assert_eq!(stillness.take(0, hour(41), 12.1, Span::hours(1)), Stands::Moves);
    }
}
