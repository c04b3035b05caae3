//! How far a reading may be trusted, in the words of the WMO, and why.

use serde::{Deserialize, Serialize};
use std::fmt;

/// The quality flag of a reading. The words are those of the WMO's guidelines on
/// quality control of automatic weather station data (WMO-No. 488, appendix VI.2),
/// with `unchecked` for a reading that no check has looked at.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(rename_all = "lowercase")]
#[repr(u8)]
pub enum Flag {
    /// Passed every check that applies.
    Good = 0,
    /// Contradicts another reading it must agree with.
    Inconsistent = 1,
    /// Suspect.
    Doubtful = 2,
    /// Wrong.
    Erroneous = 3,
    /// There is no value.
    Missing = 4,
    /// No check applied yet.
    #[default]
    Unchecked = 5,
}

impl Flag {
    /// All flags, in the order of their numbers.
    pub const ALL: [Self; 6] = [
        Self::Good,
        Self::Inconsistent,
        Self::Doubtful,
        Self::Erroneous,
        Self::Missing,
        Self::Unchecked,
    ];

    /// The number used in metrics and records.
    pub const fn number(self) -> u8 {
        self as u8
    }

    /// The flag of a number.
    pub fn from_number(number: u8) -> Option<Self> {
        Self::ALL.get(usize::from(number)).copied()
    }

    /// The word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Inconsistent => "inconsistent",
            Self::Doubtful => "doubtful",
            Self::Erroneous => "erroneous",
            Self::Missing => "missing",
            Self::Unchecked => "unchecked",
        }
    }

    /// Whether a value with this flag may stand in totals and value metrics.
    pub const fn counts(self) -> bool {
        matches!(self, Self::Good | Self::Unchecked)
    }

    /// The worse of two: missing, then erroneous, doubtful, inconsistent; a check
    /// that passed turns `unchecked` into `good`.
    #[must_use]
    pub fn worse(self, other: Self) -> Self {
        const fn rank(flag: Flag) -> u8 {
            match flag {
                Flag::Unchecked => 0,
                Flag::Good => 1,
                Flag::Inconsistent => 2,
                Flag::Doubtful => 3,
                Flag::Erroneous => 4,
                Flag::Missing => 5,
            }
        }
        if rank(other) > rank(self) { other } else { self }
    }
}

impl fmt::Display for Flag {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// One reason for a flag. A good reading may carry reasons too.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(u8)]
pub enum Reason {
    /// Outside the plausible range.
    Range = 0,
    /// Changed too much since the value before.
    Step = 1,
    /// Has not changed for too long.
    Persistence = 2,
    /// Contradicts another quantity of the same station.
    Consistency = 3,
    /// Contradicts the neighbours.
    Neighbours = 4,
    /// Its time is uncertain.
    Clock = 5,
    /// The sensor or its wiring reports a fault.
    Fault = 6,
    /// At the end of the sensor's scale.
    Saturated = 7,
    /// Possibly iced.
    Frozen = 8,
    /// Somebody was working at the instrument.
    Maintenance = 9,
    /// A person decided.
    Operator = 10,
    /// Made from less than all of its period.
    Incomplete = 11,
}

impl Reason {
    /// All reasons, in the order of their numbers.
    pub const ALL: [Self; 12] = [
        Self::Range,
        Self::Step,
        Self::Persistence,
        Self::Consistency,
        Self::Neighbours,
        Self::Clock,
        Self::Fault,
        Self::Saturated,
        Self::Frozen,
        Self::Maintenance,
        Self::Operator,
        Self::Incomplete,
    ];

    /// The word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Range => "range",
            Self::Step => "step",
            Self::Persistence => "persistence",
            Self::Consistency => "consistency",
            Self::Neighbours => "neighbours",
            Self::Clock => "clock",
            Self::Fault => "fault",
            Self::Saturated => "saturated",
            Self::Frozen => "frozen",
            Self::Maintenance => "maintenance",
            Self::Operator => "operator",
            Self::Incomplete => "incomplete",
        }
    }
}

/// A set of reasons.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Reasons(u16);

impl Reasons {
    /// No reason.
    pub const NONE: Self = Self(0);

    /// From the bits of a record; unknown bits are dropped.
    pub const fn from_bits(bits: u16) -> Self {
        Self(bits & 0x0fff)
    }

    /// The bits, one a reason, in the order of [`Reason::ALL`].
    pub const fn bits(self) -> u16 {
        self.0
    }

    /// With `reason` added.
    #[must_use]
    pub const fn with(self, reason: Reason) -> Self {
        Self(self.0 | (1 << reason as u8))
    }

    /// The union of both sets.
    #[must_use]
    pub const fn union(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Whether `reason` is in the set.
    pub const fn contains(self, reason: Reason) -> bool {
        self.0 & (1 << reason as u8) != 0
    }

    /// Whether the set is empty.
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// The reasons in the order of their numbers.
    pub fn iter(self) -> impl Iterator<Item = Reason> {
        Reason::ALL.into_iter().filter(move |&r| self.contains(r))
    }
}

impl From<Reason> for Reasons {
    fn from(reason: Reason) -> Self {
        Self::NONE.with(reason)
    }
}

impl FromIterator<Reason> for Reasons {
    fn from_iter<I: IntoIterator<Item = Reason>>(reasons: I) -> Self {
        reasons.into_iter().fold(Self::NONE, Self::with)
    }
}
