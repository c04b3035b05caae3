//! The outlook of one place, hour by hour: a chance, later what became of it, its score,
//! and what is learned of it.

use super::HORIZON;
use super::learner::{Learner, Parts};
use super::score::Score;
use super::terms::{Hour, Terms};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// A chance whose twelve hours are not over.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Waiting {
    hour: i64,
    chance: f64,
    parts: Parts,
    was_wet: bool,
    /// Whether it rained since.
    wet: bool,
    /// Hours since that were measured.
    known: usize,
}

/// A chance as it was told to the store, whether or not people may see it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Told {
    /// Chance of rain in the next twelve hours, 0 to 1.
    pub chance: f64,
    /// Whether the score allows to tell it.
    pub proven: bool,
}

/// See the module.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Place {
    learner: Learner,
    waiting: VecDeque<Waiting>,
    score: Score,
    last: Option<i64>,
}

impl Place {
    /// Takes the hours up to one that is over, oldest first, the last being hour number
    /// `hour` counted from 1970. Gives the chance that follows; none where too little is
    /// known. An hour that is not later than the last is not taken.
    pub fn take(&mut self, hour: i64, hours: &[Hour]) -> Option<Told> {
        if self.last.is_some_and(|last| hour <= last) {
            return None;
        }
        self.last = Some(hour);
        let wet = hours.last().and_then(Hour::wet);
        for waiting in &mut self.waiting {
            if hour - waiting.hour <= HORIZON as i64
                && let Some(wet) = wet
            {
                waiting.known += 1;
                waiting.wet |= wet;
            }
        }
        while let Some(over) = self.waiting.front().copied()
            && hour - over.hour >= HORIZON as i64
        {
            self.waiting.pop_front();
            if over.wet || over.known >= HORIZON {
                self.score.add(over.hour, over.chance, over.was_wet, over.wet);
                self.learner.learn(&over.parts, over.wet);
            } else {
                self.score.add_unknown();
            }
        }
        let terms = Terms::of(hours)?;
        let parts = Parts::of(&terms, hour);
        let chance = self.learner.chance(&parts);
        let was_wet = terms.was_wet();
        self.waiting.push_back(Waiting { hour, chance, parts, was_wet, wet: false, known: 0 });
        Some(Told { chance, proven: self.score.is_proven() })
    }

    /// What its chances were worth so far.
    pub const fn score(&self) -> &Score {
        &self.score
    }

    /// Own hours that were learned from.
    pub const fn learned(&self) -> u64 {
        self.learner.hours()
    }

    /// Whether it is whole, after it was read back.
    pub fn is_sound(&self) -> bool {
        self.learner.is_sound() && self.waiting.len() <= HORIZON
    }
}
