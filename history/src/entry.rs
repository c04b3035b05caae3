//! What the log holds: the kinds of its records, as they are written and read.

use observation::{Diagnosis, Finite, Message, Quantity, Reading, Refusal, SeriesIndex, Time};

/// A message, or a part of one, that is kept but is no sample.
#[derive(Clone, Debug, PartialEq)]
pub struct SetAside {
    /// What arrived.
    pub message: Message,
    /// Why it is not a sample.
    pub reason: Refusal,
}

/// One part of the processor's state, as the processor packs it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StatePart {
    /// The station and check it belongs to.
    pub name: String,
    /// Version of the layout of `body`.
    pub version: u32,
    /// Of the settings it depends on, and only those.
    pub fingerprint: u64,
    /// The part itself.
    pub body: Vec<u8>,
}

/// A state part with the log number it stands at: it contains what the records up to
/// and including that number did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SavedPart {
    /// The part.
    pub part: StatePart,
    /// The log number.
    pub at: u64,
}

/// What one commit writes. Indices are those of the last [`crate::History::register`].
#[derive(Clone, Copy, Debug)]
pub struct Batch<'a> {
    /// The processor's clock at the commit: not before any message's `received`, and
    /// not before the record before, except after a clock step.
    pub received: Time,
    /// The instant up to which minute boundaries were walked.
    pub walked: Time,
    /// The accepted messages, in order.
    pub messages: &'a [Message],
    /// The readings, in the order in which they were made.
    pub readings: &'a [Reading],
    /// What is kept aside.
    pub set_aside: &'a [SetAside],
}

/// What a commit did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Committed {
    /// The record's log number.
    pub number: u64,
    /// Length of the packed record.
    pub bytes: usize,
    /// How long the transaction took, its sync included.
    pub seconds: f64,
    /// Messages set aside before that were given up for it: there were more than may be.
    pub given_up: u64,
}

/// A dated entry of a person about an instrument.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// Station identifier; none for the whole property.
    pub station: Option<String>,
    /// Instrument identifier; none for the whole station.
    pub instrument: Option<String>,
    /// The kind's word, such as `cleaned` or `replaced`.
    pub kind: String,
    /// From when.
    pub from: Time,
    /// Until when, where it has an end.
    pub to: Option<Time>,
    /// In the person's words.
    pub text: String,
}

/// What a person saw and put into a number.
#[derive(Clone, Debug, PartialEq)]
pub struct Observation {
    /// Station identifier.
    pub station: String,
    /// When.
    pub time: Time,
    /// What.
    pub quantity: Quantity,
    /// The number.
    pub value: Finite,
    /// Its UCUM code.
    pub unit: String,
}

/// From this record on these settings hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Epoch {
    /// Of the settings that readings depend on.
    pub fingerprint: u64,
    /// The settings document, without secrets.
    pub text: String,
}

/// The server's clock was set: the record's `received` is the new time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockStep {
    /// The old clock at the step.
    pub old: Time,
    /// The new one.
    pub new: Time,
}

/// Sealed readings of a range were made anew.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Revised {
    /// The series.
    pub series: SeriesIndex,
    /// From when, included.
    pub from: Time,
    /// Until when, excluded.
    pub to: Time,
    /// The revision that now holds.
    pub revision: u32,
}

/// Anything else than samples that has its place in the order of the log.
#[derive(Clone, Debug, PartialEq)]
pub enum Entry {
    /// Samples and the readings made of them.
    Batch {
        /// The accepted messages, in order.
        messages: Vec<Message>,
        /// The readings, in the order in which they were made.
        readings: Vec<Reading>,
    },
    /// A note.
    Note(Note),
    /// An observation.
    Observation(Observation),
    /// A settings epoch.
    Epoch(Epoch),
    /// A clock step.
    ClockStep(ClockStep),
    /// A revised range.
    Revised(Revised),
    /// What was said of instruments when the record before was made.
    Diagnoses(Vec<Diagnosis>),
    /// Names were given numbers. Nobody but the history needs it; it takes a log
    /// number like every record.
    Registered,
}

/// A record as read.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// Its log number: order is this, never a time.
    pub number: u64,
    /// The processor's clock at its commit.
    pub received: Time,
    /// The instant up to which minute boundaries were walked.
    pub walked: Time,
    /// What it holds.
    pub entry: Entry,
}

/// The head of a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Head {
    /// Its log number.
    pub number: u64,
    /// The processor's clock at its commit.
    pub received: Time,
    /// The instant up to which minute boundaries were walked.
    pub walked: Time,
}
