//! What the processor made since the last commit.

use observation::{Diagnosis, Message, Reading, Refusal};

/// A message, or a part of one, that is kept but is no sample: it could not be placed
/// in time, or processing it failed.
#[derive(Clone, Debug, PartialEq)]
pub struct SetAside {
    /// What arrived.
    pub message: Message,
    /// Why it is not a sample.
    pub reason: Refusal,
}

/// Everything that one commit writes, and what is to be counted.
#[derive(Clone, Debug, Default)]
pub struct Output {
    /// Accepted messages in order, each with its accepted samples only.
    pub messages: Vec<Message>,
    /// Readings in the order in which they were made.
    pub readings: Vec<Reading>,
    /// What was said of instruments, in the order in which it was said.
    pub diagnoses: Vec<Diagnosis>,
    /// What is kept aside.
    pub set_aside: Vec<SetAside>,
    /// Samples accepted.
    pub accepted: u64,
    /// Samples that repeat a kept one with the same value.
    pub repeats: u64,
    /// Messages recognised as redelivered.
    pub redelivered: u64,
    /// Samples that repeat a kept one with another value, by station.
    pub conflicts: Vec<observation::StationIndex>,
    /// Window evaluations that failed inside and gave no reading, by station.
    pub panics: Vec<observation::StationIndex>,
}

impl Output {
    /// Empties it, keeping the memory.
    pub fn clear(&mut self) {
        let Self {
            messages,
            readings,
            diagnoses,
            set_aside,
            accepted,
            repeats,
            redelivered,
            conflicts,
            panics,
        } = self;
        messages.clear();
        readings.clear();
        diagnoses.clear();
        set_aside.clear();
        conflicts.clear();
        panics.clear();
        (*accepted, *repeats, *redelivered) = (0, 0, 0);
    }
}
