//! What is counted while the service runs: samples and refusals, and how each source
//! stands. Raised by many threads, read by whoever renders.
//!
//! The rule kept here: every label is from the settings or from a closed list, so that
//! nothing a stranger sends makes a new one; what happens often is told in the log once
//! at first and then as an hourly sum.

use crate::clock::Clock;
use crate::delivery::tally::Tally;
use adapters::port::{Refused, State, Watch};
use observation::refusal::Stage;
use observation::{Property, Refusal, SourceIndex, StationIndex, Time};
use std::collections::{BTreeMap, VecDeque};
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::watch;

/// Refusals kept for each station, newest last.
pub const KEPT_REFUSALS: usize = 8;

/// Longest detail of a refusal that is kept, in bytes.
const LONGEST_DETAIL: usize = 400;

/// What became of samples: the `result` label.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SampleResult {
    /// In the log.
    Accepted = 0,
    /// A repeat with the same value.
    Repeated = 1,
    /// A repeat with another value.
    Conflict = 2,
    /// Recognised as redelivered.
    Redelivered = 3,
    /// Kept, but no sample.
    SetAside = 4,
}

impl SampleResult {
    /// All results in the order of their numbers.
    pub const ALL: [Self; 5] =
        [Self::Accepted, Self::Repeated, Self::Conflict, Self::Redelivered, Self::SetAside];

    /// The word of the label.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Accepted => "accepted",
            Self::Repeated => "repeated",
            Self::Conflict => "conflict",
            Self::Redelivered => "redelivered",
            Self::SetAside => "set_aside",
        }
    }
}

/// One refusal, for people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptRefusal {
    /// When.
    pub time: Time,
    /// Through which source.
    pub source: SourceIndex,
    /// Where on its way.
    pub stage: Stage,
    /// Why.
    pub reason: Refusal,
    /// In a line.
    pub detail: String,
}

/// One source.
#[derive(Debug)]
pub struct SourceCounts {
    /// Its name.
    pub name: String,
    /// Its kind.
    pub kind: String,
    samples: [AtomicU64; 5],
    sessions: AtomicU64,
    now: Mutex<SourceNow>,
}

/// How a source stands at present.
#[derive(Clone, Debug)]
pub struct SourceNow {
    /// Up, down or at fault.
    pub state: State,
    /// Since when.
    pub since: Time,
    /// Where it listens, if it does.
    pub address: Option<SocketAddr>,
}

impl SourceCounts {
    /// Samples of one result.
    pub fn samples(&self, result: SampleResult) -> u64 {
        self.samples.get(result as usize).map_or(0, |n| n.load(Relaxed))
    }

    /// Sessions begun.
    pub fn sessions(&self) -> u64 {
        self.sessions.load(Relaxed)
    }

    /// How it stands.
    pub fn now(&self) -> SourceNow {
        lock(&self.now).clone()
    }
}

#[derive(Debug, Default)]
struct Refusals {
    /// Station (none: unknown), stage and reason; how often, and how often told.
    counts: BTreeMap<(Option<StationIndex>, Stage, Refusal), (u64, u64)>,
    /// By station; the last place is for unknown ones.
    last: Vec<VecDeque<KeptRefusal>>,
}

/// All counters.
pub struct Counts {
    property: Arc<Property>,
    clock: Arc<dyn Clock>,
    sources: Vec<SourceCounts>,
    forwarders: Vec<Arc<Tally>>,
    /// Damage in the history that somebody met.
    noticed: Arc<history::Noticed>,
    refusals: Mutex<Refusals>,
    /// Panics while a minute boundary was evaluated, by station.
    boundary_panics: Vec<AtomicU64>,
    /// Monotonic milliseconds at which the engine last made progress.
    beat: AtomicU64,
    /// Raised whenever a source's state or address changes.
    changes: watch::Sender<u64>,
}

impl Counts {
    /// Nothing counted yet. `sources` are name and kind, in the order of their indices.
    pub fn new(
        property: Arc<Property>,
        clock: Arc<dyn Clock>,
        sources: &[(String, String)],
    ) -> Self {
        let since = clock.now();
        let stations = property.stations.len();
        Self {
            sources: sources
                .iter()
                .map(|(name, kind)| SourceCounts {
                    name: name.clone(),
                    kind: kind.clone(),
                    samples: Default::default(),
                    sessions: AtomicU64::new(0),
                    now: Mutex::new(SourceNow {
                        state: State::Down("not started yet".to_owned()),
                        since,
                        address: None,
                    }),
                })
                .collect(),
            forwarders: Vec::new(),
            noticed: Arc::default(),
            refusals: Mutex::new(Refusals {
                counts: BTreeMap::new(),
                last: vec![VecDeque::new(); stations + 1],
            }),
            boundary_panics: (0..stations).map(|_| AtomicU64::new(0)).collect(),
            beat: AtomicU64::new(0),
            changes: watch::Sender::new(0),
            property,
            clock,
        }
    }

    /// The same with forwarders.
    #[must_use]
    pub fn with_forwarders(mut self, forwarders: Vec<Arc<Tally>>) -> Self {
        self.forwarders = forwarders;
        self
    }

    /// The same, noting damage where the writer looks for it.
    #[must_use]
    pub fn with_noticed(mut self, noticed: &Arc<history::Noticed>) -> Self {
        self.noticed = Arc::clone(noticed);
        self
    }

    /// Where damage is noted.
    pub fn noticed(&self) -> Arc<history::Noticed> {
        Arc::clone(&self.noticed)
    }

    /// The forwarders in the order of the settings.
    pub fn forwarders(&self) -> &[Arc<Tally>] {
        &self.forwarders
    }

    /// The sources in the order of their indices.
    pub fn sources(&self) -> &[SourceCounts] {
        &self.sources
    }

    /// A source.
    pub fn source(&self, source: SourceIndex) -> Option<&SourceCounts> {
        self.sources.get(usize::from(source.0))
    }

    /// Counts samples.
    pub fn add_samples(&self, source: SourceIndex, result: SampleResult, count: u64) {
        if count > 0
            && let Some(counter) = self.source(source).and_then(|s| s.samples.get(result as usize))
        {
            counter.fetch_add(count, Relaxed);
        }
    }

    /// Counts a session begun.
    pub fn add_session(&self, source: SourceIndex) {
        if let Some(source) = self.source(source) {
            source.sessions.fetch_add(1, Relaxed);
        }
    }

    /// Refusals by station (none: unknown), stage and reason.
    pub fn refusals(&self) -> Vec<(Option<StationIndex>, Stage, Refusal, u64)> {
        lock(&self.refusals)
            .counts
            .iter()
            .map(|(&(station, stage, reason), &(count, _))| (station, stage, reason, count))
            .collect()
    }

    /// The last few refusals of a station (none: of unknown ones), oldest first.
    pub fn last_refusals(&self, station: Option<StationIndex>) -> Vec<KeptRefusal> {
        let refusals = lock(&self.refusals);
        let place = station.map_or(refusals.last.len() - 1, |s| usize::from(s.0));
        refusals.last.get(place).map(|l| l.iter().cloned().collect()).unwrap_or_default()
    }

    /// Counts a refusal by the processor; the detail goes to the page.
    pub fn refuse(&self, source: SourceIndex, refused: &Refused<'_>) {
        let time = self.clock.now();
        let mut detail = refused.detail.to_owned();
        if detail.len() > LONGEST_DETAIL {
            let end = (0..=LONGEST_DETAIL).rev().find(|&i| detail.is_char_boundary(i)).unwrap_or(0);
            detail.truncate(end);
        }
        let first = {
            let mut refusals = lock(&self.refusals);
            let station = refused.station.filter(|s| usize::from(s.0) + 1 < refusals.last.len());
            let count =
                refusals.counts.entry((station, refused.stage, refused.reason)).or_default();
            count.0 += 1;
            let first = count.0 == 1;
            if first {
                count.1 = 1;
            }
            let place = station.map_or(refusals.last.len() - 1, |s| usize::from(s.0));
            if let Some(last) = refusals.last.get_mut(place) {
                if last.len() == KEPT_REFUSALS {
                    last.pop_front();
                }
                last.push_back(KeptRefusal {
                    time,
                    source,
                    stage: refused.stage,
                    reason: refused.reason,
                    detail: detail.clone(),
                });
            }
            first
        };
        if first {
            tracing::warn!(
                station = self.station_name(refused.station),
                source = self.source(source).map_or("", |s| s.name.as_str()),
                stage = refused.stage.word(),
                reason = refused.reason.word(),
                "refused: {detail} (more like it are counted and summed up hourly)"
            );
        }
    }

    /// Tells in the log what was refused since the last time, one line for each
    /// station, stage and reason. Called hourly.
    pub fn sum_up(&self) {
        let mut fresh = Vec::new();
        for (&(station, stage, reason), count) in &mut lock(&self.refusals).counts {
            if count.0 > count.1 {
                fresh.push((station, stage, reason, count.0 - count.1));
                count.1 = count.0;
            }
        }
        for (station, stage, reason, count) in fresh {
            tracing::info!(
                station = self.station_name(station),
                stage = stage.word(),
                reason = reason.word(),
                "refused {count} times since the last summary"
            );
        }
    }

    /// The label of a station: its identifier, `unknown` without one.
    pub fn station_name(&self, station: Option<StationIndex>) -> &str {
        station
            .and_then(|s| self.property.stations.get(usize::from(s.0)))
            .map_or("unknown", |s| s.id.as_str())
    }

    /// Counts a minute boundary that failed inside and gave no reading.
    pub fn add_boundary_panic(&self, station: StationIndex) {
        if let Some(count) = self.boundary_panics.get(usize::from(station.0)) {
            count.fetch_add(1, Relaxed);
        }
    }

    /// Minute boundaries that failed inside, of one station.
    pub fn boundary_panics(&self, station: StationIndex) -> u64 {
        self.boundary_panics.get(usize::from(station.0)).map_or(0, |n| n.load(Relaxed))
    }

    /// The engine is alive.
    pub fn beat(&self) {
        let now = u64::try_from(self.clock.monotonic().as_millis()).unwrap_or(u64::MAX);
        self.beat.store(now, Relaxed);
    }

    /// How long ago the engine last made progress.
    pub fn since_beat(&self) -> Duration {
        self.clock.monotonic().saturating_sub(Duration::from_millis(self.beat.load(Relaxed)))
    }

    /// Whoever waits for the state or address of a source to change.
    pub fn changes(&self) -> watch::Receiver<u64> {
        self.changes.subscribe()
    }
}

impl Watch for Counts {
    fn state(&self, source: SourceIndex, state: State) {
        let Some(counts) = self.source(source) else { return };
        let since = self.clock.now();
        {
            let mut now = lock(&counts.now);
            if now.state == state {
                return;
            }
            now.state = state.clone();
            now.since = since;
        }
        match &state {
            State::Up => tracing::info!(source = counts.name, "up"),
            State::Down(reason) => tracing::warn!(source = counts.name, "down: {reason}"),
            State::Fault(reason) => tracing::error!(source = counts.name, "fault: {reason}"),
        }
        self.changes.send_modify(|n| *n += 1);
    }

    fn listening(&self, source: SourceIndex, address: SocketAddr) {
        if let Some(counts) = self.source(source) {
            lock(&counts.now).address = Some(address);
            self.changes.send_modify(|n| *n += 1);
        }
    }

    fn refused(&self, source: SourceIndex, refused: Refused<'_>) {
        self.refuse(source, &refused);
    }

    fn arrived(&self, _source: SourceIndex, _place: &str, _bytes: &[u8]) {}
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::HandClock;

    fn counts() -> Counts {
        let clock = Arc::new(HandClock::at(Time(0)));
        Counts::new(
            Arc::new(Property::default().indexed()),
            clock,
            &[("push".to_owned(), "http".to_owned())],
        )
    }

    #[test]
    fn refusals_are_counted_and_only_the_last_few_are_kept() {
        let counts = counts();
        for i in 0..20 {
            counts.refused(
                SourceIndex(0),
                Refused {
                    station: None,
                    stage: Stage::Decode,
                    reason: Refusal::Malformed,
                    detail: &format!("byte {i}"),
                },
            );
        }
        assert_eq!(counts.refusals(), [(None, Stage::Decode, Refusal::Malformed, 20)]);
        let last = counts.last_refusals(None);
        assert_eq!(last.len(), KEPT_REFUSALS);
        assert_eq!(last.last().map(|r| r.detail.as_str()), Some("byte 19"));
    }

    #[test]
    fn a_station_that_is_not_in_the_settings_has_no_label_of_its_own() {
        let counts = counts();
        counts.refused(
            SourceIndex(0),
            Refused {
                station: Some(StationIndex(7)),
                stage: Stage::Decode,
                reason: Refusal::Unit,
                detail: "é".repeat(1_000).as_str(),
            },
        );
        assert_eq!(counts.refusals(), [(None, Stage::Decode, Refusal::Unit, 1)]);
        assert!(counts.last_refusals(None)[0].detail.len() <= LONGEST_DETAIL);
    }

    #[test]
    fn a_state_is_told_once() {
        let counts = counts();
        let mut changes = counts.changes();
        counts.state(SourceIndex(0), State::Up);
        assert!(changes.has_changed().unwrap_or(false));
        changes.mark_unchanged();
        counts.state(SourceIndex(0), State::Up);
        assert!(!changes.has_changed().unwrap_or(true));
    }
}
