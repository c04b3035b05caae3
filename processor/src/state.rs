//! What the processor knows besides samples and readings, station by station: small
//! enough to be written every few minutes.

use crate::counting::Count;
use observation::signal::gauge::Rate;
use observation::signal::vane::Seen;
use observation::{Flag, Reasons, Span, Time};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// Version of what is saved; another is not restored.
pub const VERSION: u32 = 1;

/// The newest converted, checked sample of an instrument.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Live {
    /// The value in the canonical unit; none where a sample has no value of its own,
    /// such as a tip or a vane in a gap.
    pub value: Option<f64>,
    /// How far to trust it.
    pub flag: Flag,
    /// Why.
    pub reasons: Reasons,
    /// Event time.
    pub time: Time,
    /// Arrival.
    pub received: Time,
}

/// Sum of a step under way, in millionths of the canonical unit so that the order of
/// adding does not matter.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Bucket {
    pub(crate) good: i64,
    pub(crate) good_count: u32,
    pub(crate) doubtful: i64,
    pub(crate) doubtful_count: u32,
    pub(crate) wrong: u32,
    pub(crate) reasons: Reasons,
    pub(crate) made_by: u32,
}

/// The sample added to a bucket last, should it turn out to be one of a burst.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Added {
    pub(crate) end: Time,
    pub(crate) millionths: i64,
    pub(crate) flag: Flag,
}

/// What is known of one instrument.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct InstrumentState {
    pub(crate) live: Option<Live>,
    /// Follows the newest samples as they come.
    pub(crate) count: Count,
    pub(crate) seen: Seen,
    /// Stands where the track begins.
    pub(crate) floor: Count,
    /// Last value that was not erroneous, for the check of steps.
    pub(crate) before: Option<(Time, f64)>,
    /// Newest event time.
    pub(crate) last: Option<Time>,
    /// Start of the gap that was published.
    pub(crate) gap: Option<Time>,
    pub(crate) buckets: BTreeMap<Time, Bucket>,
    pub(crate) added: Option<Added>,
    pub(crate) rate: Rate,
    /// Up to when the rate has taken tips.
    pub(crate) rate_at: Option<Time>,
    /// Pressure of the last hours, one a minute, in steps.
    pub(crate) pressures: VecDeque<(Time, i64)>,
    /// Minutes to be evaluated again, and whether a late sample lies in them.
    pub(crate) late: BTreeMap<Time, bool>,
}

/// What is known of one station.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct StationState {
    /// Minutes in which it said something, over the last hours.
    pub(crate) beats: BTreeSet<Time>,
    /// Minutes still to be evaluated.
    pub(crate) due: BTreeSet<Time>,
    /// Newest heartbeat.
    pub(crate) last: Option<Time>,
}

/// How long minutes with a heartbeat are remembered.
pub(crate) const BEATS: Span = Span::hours(4);

/// One station as it is saved.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SavedStation {
    /// Its identifier.
    pub station: String,
    /// A number for the settings it depends on.
    pub fingerprint: u64,
    pub(crate) state: StationState,
    /// By instrument identifier.
    pub(crate) instruments: BTreeMap<String, InstrumentState>,
    /// Where each track begins, by channel name.
    pub(crate) floors: BTreeMap<String, Time>,
}

/// Everything as it is saved.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Saved {
    /// [`VERSION`].
    pub version: u32,
    /// The last minute evaluated.
    pub walked: Option<Time>,
    /// The stations.
    pub stations: Vec<SavedStation>,
}
