//! What the comparison says: which instrument, since when, by how much, how surely.

use super::values::Group;
use observation::{Quantity, Time};
use serde::{Deserialize, Serialize};

/// What is wrong, as far as values alone tell.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Kind {
    /// Off by a constant, a factor or an angle, or on the way there.
    Offset,
    /// Does not move though its neighbours do.
    Stuck,
    /// A gauge that does not tip in the rain of its neighbours.
    Blocked,
    /// The station's clock is off by whole hours.
    Clock,
}

/// Where a suspicion stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// New.
    Opened,
    /// Its date or size was looked at again.
    Changed,
    /// No longer held.
    Closed,
}

/// One statement on one instrument.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Suspicion {
    /// Where it stands.
    pub state: State,
    /// Place of the station in the list it was set up with; none where two disagree and
    /// nothing says which of them is wrong.
    pub station: Option<usize>,
    /// What the instrument measures.
    pub quantity: Quantity,
    /// What is wrong.
    pub kind: Kind,
    /// When it began.
    pub since: Time,
    /// By how much: Cel, %, hPa, degrees; for wind speed the factor; for a clock the hours
    /// it is late; mm missed for a gauge; none if stuck.
    pub size: Option<f64>,
    /// Standard error of the size.
    pub error: Option<f64>,
    /// Strength of the evidence, against the limit at which it opens.
    pub score: f64,
    /// 0.5 when it just opens, towards 1.
    pub confidence: f64,
}

/// Why a score beyond its limit opened nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reason {
    /// A suspicion of this group is open, whose instrument stands in the terms.
    Waits(Group),
    /// A suspicion of the air of the same station is open or was lately.
    SameSensor,
    /// The clock of the station may be wrong: the pressure of another hour looks like an offset
    /// while it rises or falls.
    ClockDoubted,
    /// It may be the cold of clear calm nights that gathers at the place.
    Cold,
    /// Another station is nearly as likely.
    Unclear,
    /// The offset is within what instruments in the field reach.
    Small,
    /// One of the same group closed a short while ago.
    Rests,
}

/// What would have been suspected but for a rule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KeptBack {
    /// Place of the station in the list it was set up with.
    pub station: usize,
    /// What the instrument measures.
    pub quantity: Quantity,
    /// Strength of the evidence.
    pub score: f64,
    /// The rule.
    pub reason: Reason,
}

/// Confidence in a score that opens at `limit`: 0.5 there, 0.9 at one and a half of it.
pub(super) fn confidence(score: f64, limit: f64) -> f64 {
    let beyond = (score.abs() / limit - 1.0).max(0.0);
    1.0 - 0.5 * (-beyond * 3.2).exp()
}

/// Of the neighbours' evidence for one statement, the one that two thirds of them reach:
/// the lesser of two, so that both must agree.
pub(super) fn agreed(values: &mut [f64]) -> Option<f64> {
    values.sort_by(|a, b| b.total_cmp(a));
    values.get((values.len() * 2).div_ceil(3).checked_sub(1)?).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_thirds_of_the_neighbours_must_agree() {
        assert_eq!(agreed(&mut []), None);
        assert_eq!(agreed(&mut [4.0]), Some(4.0));
        assert_eq!(agreed(&mut [4.0, 1.0]), Some(1.0));
        assert_eq!(agreed(&mut [1.0, 3.0, 2.0]), Some(2.0));
        assert_eq!(agreed(&mut [1.0, 4.0, 3.0, 2.0]), Some(2.0));
    }

    #[test]
    fn confidence_begins_at_a_half() {
        assert!((confidence(5.8, 5.8) - 0.5).abs() < 1e-12);
        assert!((confidence(-8.7, 5.8) - 0.9).abs() < 0.01);
    }
}
