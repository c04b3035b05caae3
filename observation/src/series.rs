//! The name of a line of readings.

use crate::{Quantity, Span};
use serde::{Deserialize, Serialize};
use std::fmt;

/// The place of a series in the processor's list; the history gives each a stable
/// number of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SeriesIndex(pub u32);

/// What a reading is of its period, after the cell methods of the CF conventions
/// (CF Metadata Conventions 1.11, appendix E).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[repr(u8)]
pub enum Statistic {
    /// At one instant.
    Point = 0,
    /// Arithmetic mean; for directions the vector mean.
    Mean = 1,
    /// Greatest.
    Maximum = 2,
    /// Least.
    Minimum = 3,
    /// Total.
    Sum = 4,
    /// Standard deviation.
    StandardDeviation = 5,
}

impl Statistic {
    /// All statistics, in the order of their numbers.
    pub const ALL: [Self; 6] =
        [Self::Point, Self::Mean, Self::Maximum, Self::Minimum, Self::Sum, Self::StandardDeviation];

    /// The word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Point => "point",
            Self::Mean => "mean",
            Self::Maximum => "maximum",
            Self::Minimum => "minimum",
            Self::Sum => "sum",
            Self::StandardDeviation => "standard_deviation",
        }
    }

    /// The statistic of a word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.word() == word)
    }
}

impl fmt::Display for Statistic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// The key of a series: everything that tells its readings from others'.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Series {
    /// Station identifier.
    pub station: String,
    /// Instrument identifier; for a derived quantity the quantity's own name.
    pub instrument: String,
    /// The quantity; its canonical unit and step are the series'.
    pub quantity: Quantity,
    /// What the reading is of its period.
    pub statistic: Statistic,
    /// Averaging time of the sample itself, such as a gust's three seconds.
    pub over: Option<Span>,
    /// The window.
    pub period: Option<Span>,
}
