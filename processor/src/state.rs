//! What the processor knows besides samples and readings, station by station: small
//! enough to be written every few minutes.

use crate::compare::SavedCompare;
use crate::judge::Before;
use crate::outlook::SavedOutlook;
use crate::runs::Past;
use crate::tally::{Count, Tally};
use crate::track::Doubt;
use observation::signal::vane::Seen;
use observation::{Flag, Reasons, Time};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// Version of what is saved; another is not restored.
pub const VERSION: u32 = 5;

/// Most values of one instrument that wait for their time to come, and most gaps whose
/// ends are remembered.
const MOST: usize = 64;

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

/// What is known of one instrument.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct InstrumentState {
    /// The newest whose time is not beyond arrival.
    pub(crate) live: Option<Live>,
    /// Those whose time has not come yet, oldest first.
    ahead: VecDeque<Live>,
    /// Follows the samples as they come, for live values and the total.
    pub(crate) count: Count,
    /// The same for the switches of a vane.
    pub(crate) seen: Seen,
    /// Stands where the track begins.
    pub(crate) floor: Tally,
    /// What the next value is compared with.
    pub(crate) before: Before,
    /// The same among samples from before the track.
    pub(crate) before_late: Before,
    /// Greatest event time.
    pub(crate) last: Option<Time>,
    /// Start of the gap that was published.
    pub(crate) gap: Option<Time>,
    /// The minute at which it is looked whether a gap has begun.
    pub(crate) look: Option<Time>,
    /// Times of `missing` readings that a sample may fall on.
    pub(crate) marks: VecDeque<Time>,
    /// Minutes already evaluated in which late samples lie.
    pub(crate) late: BTreeSet<Time>,
}

impl InstrumentState {
    /// Takes what a sample says, if nothing newer was said.
    pub(crate) fn tell(&mut self, live: Live) {
        self.come(live.received);
        if live.time <= live.received {
            self.show(live);
            return;
        }
        if self.ahead.len() >= MOST
            && let Some(first) = self.ahead.pop_front()
        {
            self.show(first);
        }
        let place = self.ahead.partition_point(|l| l.time <= live.time);
        self.ahead.insert(place, live);
    }

    /// What was ahead of its time and is so no more.
    pub(crate) fn come(&mut self, now: Time) {
        while self.ahead.front().is_some_and(|l| l.time <= now) {
            if let Some(live) = self.ahead.pop_front() {
                self.show(live);
            }
        }
    }

    fn show(&mut self, live: Live) {
        if self.live.is_none_or(|shown| live.time >= shown.time) {
            self.live = Some(live);
        }
    }

    /// The clock was set back: nothing that came before is newer than what comes.
    pub(crate) fn bring_back(&mut self, now: Time) {
        self.last = self.last.map(|last| last.min(now));
        self.ahead.clear();
        if let Some(live) = &mut self.live {
            live.time = live.time.min(now);
        }
        if self.before.time().is_some_and(|last| last > now) {
            self.before = Before::default();
        }
        self.look = None;
        self.floor.bring_back(now);
    }

    /// Remembers where a `missing` reading stands.
    pub(crate) fn mark(&mut self, time: Time) {
        if self.marks.len() >= MOST {
            self.marks.pop_front();
        }
        self.marks.push_back(time);
    }
}

/// What is known of one station.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct StationState {
    /// Minutes still to be evaluated.
    pub(crate) due: BTreeSet<Time>,
    /// Minutes already evaluated in which it was heard for the first time late.
    pub(crate) late: BTreeSet<Time>,
    /// Whether a gap was published of an instrument that speaks on change.
    pub(crate) quiet: bool,
    /// Newest heartbeat by event time.
    pub(crate) last: Option<Time>,
}

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
    /// Where each track begins, by channel name, and what of it a step of the clock took.
    pub(crate) floors: BTreeMap<String, (Option<Time>, Option<Time>)>,
    /// Where numbers of messages are in the log that are no longer in memory.
    pub(crate) past: Past,
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
    /// The steps of the server's clock that still matter.
    pub(crate) doubts: Vec<Doubt>,
    /// The record that was taken from last.
    pub(crate) number: u64,
    /// When the clock was last set back.
    pub(crate) stepped_back: Option<Time>,
    /// What is known of stations beside each other.
    pub(crate) compare: SavedCompare,
    /// The outlook; none in what was saved before there was one.
    #[serde(default)]
    pub(crate) outlook: Option<SavedOutlook>,
}
