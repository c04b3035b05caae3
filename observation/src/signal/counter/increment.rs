//! So many counts between two instants, and how that came about.

use crate::{Flag, Reason, Reasons, Time};
use serde::{Deserialize, Serialize};

/// How an increment came about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Kind {
    /// The first sample: nothing to compare with.
    First,
    /// Counted on from the sample before.
    Normal,
    /// Counted on over the roll-over.
    Wrapped,
    /// The station began again; what was counted since the start is the increment,
    /// what came between the last sample and the restart is lost.
    Restarted,
    /// Restored a little too low: nothing is added, the baseline moves.
    StepBack,
    /// Could not have happened in the time; nothing is added until the next sample
    /// tells whether it was a glitch.
    Held,
    /// The held jump was real: a new baseline. Only what was counted after the jump
    /// is the increment.
    Confirmed,
    /// Older than the newest sample; nothing changes. Increments around it are
    /// recomputed between its neighbours in time (see [`super::Counter::starting_at`]).
    Late,
}

/// So many counts between two instants.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Increment {
    /// How many.
    pub count: u64,
    /// Since when; none for the first sample.
    pub from: Option<Time>,
    /// Until when: the sample's time.
    pub to: Time,
    /// How it came about.
    pub kind: Kind,
    /// How far to trust it: `unchecked`, or `doubtful`.
    pub flag: Flag,
    /// Why.
    pub reasons: Reasons,
}

impl Increment {
    pub(super) fn new(kind: Kind, count: u64, from: Option<Time>, to: Time) -> Self {
        let (flag, reasons) = match kind {
            Kind::First | Kind::Normal | Kind::Wrapped | Kind::Late => {
                (Flag::Unchecked, Reasons::NONE)
            }
            Kind::Restarted | Kind::StepBack => (Flag::Unchecked, Reason::Incomplete.into()),
            Kind::Held => (Flag::Doubtful, Reason::Step.into()),
            Kind::Confirmed => {
                (Flag::Doubtful, Reasons::NONE.with(Reason::Step).with(Reason::Incomplete))
            }
        };
        Self { count, from: from.map(|t| t.min(to)), to, kind, flag, reasons }
    }
}
