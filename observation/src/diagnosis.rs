//! What is said of an instrument: which one, what is wrong, since when, how surely.

use crate::Time;
use serde::{Deserialize, Serialize};

/// Where a diagnosis stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Stage {
    /// New.
    Opened,
    /// Its date, size or confidence was looked at again.
    Changed,
    /// No longer held.
    Closed,
}

impl Stage {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Opened, Self::Changed, Self::Closed];

    /// Its word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Opened => "opened",
            Self::Changed => "changed",
            Self::Closed => "closed",
        }
    }

    /// The stage of a word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|stage| stage.word() == word)
    }
}

/// What a diagnosis rests on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// In a sentence.
    pub words: String,
    /// Named numbers, all finite, in the order in which they are told.
    pub numbers: Vec<(String, f64)>,
    /// The span in which it is to be seen, from its beginning
    pub from: Time,
    /// to its end.
    pub to: Time,
}

/// One statement on one instrument. Names are those of the settings at the time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Diagnosis {
    /// When it was said.
    pub time: Time,
    /// Station; none where two disagree and nothing says which of them is wrong.
    pub station: Option<String>,
    /// Instrument; none for what concerns the whole station, or no certain one.
    pub instrument: Option<String>,
    /// The cause, from a closed list.
    pub cause: String,
    /// Where it stands.
    pub stage: Stage,
    /// When it began.
    pub since: Time,
    /// By how much, in the canonical unit of the quantity or as the cause says; finite.
    pub size: Option<f64>,
    /// From 0 to 1, high from 0.9.
    pub confidence: f64,
    /// What it rests on.
    pub evidence: Evidence,
}

/// A number with so many decimals, as it is told; none for one that is not finite.
pub fn told(number: f64, decimals: i32) -> Option<f64> {
    let scale = 10_f64.powi(decimals);
    let rounded = (number * scale).round() / scale;
    // No minus zero: it would be told apart from zero.
    rounded.is_finite().then_some(rounded + 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_come_back_and_numbers_are_told_rounded() {
        for stage in Stage::ALL {
            assert_eq!(Stage::parse(stage.word()), Some(stage));
        }
        assert_eq!(Stage::parse("open"), None);
        assert_eq!(told(1.23456, 3), Some(1.235));
        assert_eq!(told(-0.0001, 2).map(f64::to_bits), Some(0.0_f64.to_bits()));
        assert_eq!(told(f64::NAN, 2), None);
    }
}
