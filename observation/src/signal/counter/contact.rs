//! A bare contact: every change counts, bounces do not.

use super::{CountFault, Increment, Kind};
use crate::{Span, Time};
use serde::{Deserialize, Serialize};

/// A bare contact, of which every change counts once. Changes between two samples may
/// be lost in pairs: see [`crate::signal::gauge::loses_above`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChangeState {
    last: Option<(Time, bool)>,
    spacing: Spacing,
}

impl ChangeState {
    /// Takes the next state; a change sooner than `dead_time` after the last counted
    /// one is a bounce.
    ///
    /// # Errors
    /// A state other than 0 and 1.
    pub fn step(
        &mut self,
        value: f64,
        time: Time,
        dead_time: Span,
    ) -> Result<Increment, CountFault> {
        let state = match value {
            0.0 => false,
            1.0 => true,
            _ => return Err(CountFault::NotAState),
        };
        let Some((before, previous)) = self.last else {
            self.last = Some((time, state));
            return Ok(Increment::new(Kind::First, 0, None, time));
        };
        if time < before {
            return Ok(Increment::new(Kind::Late, 0, Some(before), time));
        }
        self.last = Some((time, state));
        let counts = state != previous && self.spacing.admits(time, dead_time);
        Ok(Increment::new(Kind::Normal, u64::from(counts), Some(before), time))
    }
}

/// Lets an event through only if the last one let through is at least the dead time
/// ago. What bounces does not lengthen the wait.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Spacing {
    admitted: Option<Time>,
}

impl Spacing {
    /// Whether the event at `time` counts.
    pub fn admits(&mut self, time: Time, dead_time: Span) -> bool {
        let admits = self.admitted.is_none_or(|last| time >= last && time - last >= dead_time);
        if admits {
            self.admitted = Some(time);
        }
        admits
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use super::*;

    // Dead time of a gauge 300 to 500 ms: common practice.
    #[test]
    fn bounces_within_the_dead_time_do_not_count() {
        for (dead_time, admitted) in [
            (300, vec![0, 1_500, 4_000]),
            (5, vec![0, 9, 1_500, 4_000]),
            (1, vec![0, 4, 9, 1_500, 1_503, 4_000]),
            (0, vec![0, 4, 9, 1_500, 1_503, 4_000]),
        ] {
            let mut spacing = Spacing::default();
            let got: Vec<i64> = [0, 4, 9, 1_500, 1_503, 4_000]
                .into_iter()
                .filter(|&t| spacing.admits(Time(t), Span(dead_time)))
                .collect();
            assert_eq!(got, admitted, "{dead_time} ms");
        }
    }

    #[test]
    fn every_change_of_a_toggle_counts_once() {
        let mut contact = ChangeState::default();
        let mut sum = 0;
        for (time, state) in [
            (0, 0.0),
            (1_000, 0.0),
            (2_000, 1.0),
            (2_004, 0.0),
            (2_009, 1.0),
            (5_000, 1.0),
            (9_000, 0.0),
        ] {
            sum += contact.step(state, Time(time), Span(300)).unwrap().count;
        }
        assert_eq!(sum, 2);
        assert_eq!(contact.step(1.0, Time(8_000), Span(300)).unwrap().kind, Kind::Late);
        for bad in [0.5, 2.0, -1.0, f64::NAN] {
            assert_eq!(contact.step(bad, Time(10_000), Span(300)), Err(CountFault::NotAState));
        }
    }
}
