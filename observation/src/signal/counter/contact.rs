//! A bare contact: every change counts, bounces do not.

use super::{CountFault, Increment, Kind};
use crate::{Span, Time};
use serde::{Deserialize, Serialize};

/// A bare contact, of which every change counts once. Changes between two samples may
/// be lost in pairs: see [`super::gauge::loses_above`].
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
