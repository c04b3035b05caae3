//! What the service knows at one moment, for everything that only shows it: metrics,
//! page, status, displays.
//!
//! The rule kept here: a [`Snapshot`] never changes; the engine makes a new one after
//! every commit and before the receipts, so that whoever got a receipt finds its value.
//! Counters that other threads raise are in [`crate::counts::Counts`].

use crate::clock::Clock;
use crate::counts::Counts;
use crate::engine::pacing::Reason;
use meteorology::outlook::{Facts, Score};
use observation::property::{InstrumentIndex, Reports};
use observation::{
    Diagnosis, Flag, Property, Quantity, Reading, Reasons, Refusal, Series, SeriesIndex, Span,
    StationIndex, Time,
};
use processor::totals::{Gusts, RainTotals};
use processor::{Absent, UsualPair};
use std::sync::Arc;
use tokio::sync::watch;

/// Everything that whoever renders is given.
#[derive(Clone)]
pub struct View {
    /// The settings of this run.
    pub settings: Arc<config::Settings>,
    /// The newest snapshot.
    pub snapshots: watch::Receiver<Arc<Snapshot>>,
    /// Counters and the states of sources.
    pub counts: Arc<Counts>,
    /// The clock, for ages.
    pub clock: Arc<dyn Clock>,
}

impl View {
    /// The newest snapshot.
    pub fn snapshot(&self) -> Arc<Snapshot> {
        Arc::clone(&self.snapshots.borrow())
    }
}

/// The newest converted, checked sample of an instrument.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Live {
    /// The value in steps of the instrument's quantity (see
    /// [`observation::Quantity::decimals`], [`observation::reading::from_steps`]); none
    /// where the sample gave no value (a fault, the first total of a counter).
    pub value: Option<i64>,
    /// How far to trust it.
    pub flag: Flag,
    /// Why.
    pub reasons: Reasons,
    /// Its event time.
    pub time: Time,
    /// When it arrived.
    pub received: Time,
}

/// How a station stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StationState {
    /// `received` of its last logged sample, of whatever channel.
    pub heartbeat: Option<Time>,
    /// When anything of it arrived, repeats and what was set aside included.
    pub seen: Option<Time>,
    /// Event time of its newest logged sample.
    pub latest: Option<Time>,
}

/// Upper bounds of the buckets of commit times, in seconds.
pub const COMMIT_BUCKETS: [f64; 12] =
    [0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0];

/// How long commits took.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CommitTimes {
    /// Commits that took at most the bound of the same place in [`COMMIT_BUCKETS`] and
    /// longer than the one before it; not cumulative.
    pub buckets: [u64; 12],
    /// All commits, longer ones included.
    pub count: u64,
    /// Their sum in seconds.
    pub sum: f64,
}

impl CommitTimes {
    /// Counts one commit.
    pub fn add(&mut self, seconds: f64) {
        if let Some(place) = COMMIT_BUCKETS.iter().position(|&bound| seconds <= bound)
            && let Some(bucket) = self.buckets.get_mut(place)
        {
            *bucket += 1;
        }
        self.count += 1;
        self.sum += seconds;
    }
}

/// How many commits were made for which reason.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CommitReasons([u64; Reason::ALL.len()]);

impl CommitReasons {
    /// Counts one commit.
    pub fn add(&mut self, reason: Reason) {
        if let Some(count) = self.0.get_mut(reason as usize) {
            *count += 1;
        }
    }

    /// Each reason with its count.
    pub fn each(&self) -> impl Iterator<Item = (Reason, u64)> {
        Reason::ALL.into_iter().zip(self.0)
    }
}

/// How the history stands.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HistoryState {
    /// Bytes of its files.
    pub bytes: u64,
    /// Bytes written since the start of the process.
    pub written_bytes: u64,
    /// When the last record was committed.
    pub last_commit: Option<Time>,
    /// Its log number.
    pub last_number: u64,
    /// Readings committed since the start of the process.
    pub logged_readings: u64,
    /// Commits since the start of the process.
    pub commits: CommitTimes,
    /// Why they were made.
    pub commit_reasons: CommitReasons,
    /// What is set aside: station identifier, reason, count of messages.
    pub set_aside: Vec<(String, Refusal, u64)>,
    /// Messages set aside that were given up since the start of the process, because there
    /// were more than may be.
    pub given_up_aside: u64,
    /// What was damaged at start and what was done about it, one line each.
    pub repairs: Vec<String>,
    /// Why nothing can be committed at present.
    pub fault: Option<String>,
    /// Bytes in use, as last looked, of those that `keep_samples` allows; both 0 before
    /// the first look.
    pub used_bytes: u64,
    /// Those.
    pub allowed_bytes: u64,
    /// Records whose samples were deleted since the start of the process because they were
    /// beyond what is to be kept.
    pub deleted_records: u64,
}

/// Rain of one gauge, in steps of `lwe_thickness_of_precipitation_amount` (0.001 mm).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rain {
    /// The gauge.
    pub instrument: InstrumentIndex,
    /// Good and unchecked depth since the process started; each tip counted once, never
    /// decreasing.
    pub total: i64,
    /// What fell in the spans that people ask for.
    pub totals: RainTotals,
}

/// What lies ahead, with what such outlooks were worth.
#[derive(Clone, Debug, PartialEq)]
pub struct Outlook {
    /// End of the hour it was made from: the twelve hours after are meant.
    pub time: Time,
    /// What is told besides the chance.
    pub facts: Facts,
    /// Chance of any rain, 0 to 1; none until 60 own days show skill.
    pub probability: Option<f64>,
    /// How good the chances given here were.
    pub score: Score,
    /// Own hours that were learned from.
    pub learned: u64,
}

impl Outlook {
    /// Whether it is too old to be shown as present: two hours after the one it was made
    /// from.
    pub fn is_stale(&self, now: Time) -> bool {
        now - self.time > OUTLOOK_LASTS
    }
}

/// How long an outlook stands for the present one: the next is an hour and ten minutes away.
pub const OUTLOOK_LASTS: Span = Span::hours(2);

/// What the service knows at one moment.
#[derive(Clone, Debug)]
pub struct Snapshot {
    /// When the process started.
    pub started: Time,
    /// When this snapshot was made.
    pub made: Time,
    /// Up to when minute boundaries were walked.
    pub walked: Time,
    /// Fingerprint of the settings that readings depend on.
    pub epoch: u64,
    /// The property's UUID.
    pub property_id: Arc<str>,
    /// Stations, channels, instruments.
    pub property: Arc<Property>,
    /// All series of this run, by index.
    pub series: Arc<[Series]>,
    /// Live values, by [`InstrumentIndex`].
    pub live: Vec<Option<Live>>,
    /// The newest reading of each series by event time, by [`SeriesIndex`].
    pub newest: Vec<Option<Reading>>,
    /// Stations, by [`StationIndex`].
    pub stations: Vec<StationState>,
    /// Rain of each gauge.
    pub rain: Vec<Rain>,
    /// The highest gusts.
    pub gusts: Arc<[Gusts]>,
    /// What is not derived at present, and why.
    pub absent: Arc<[Absent]>,
    /// What is held of which instrument, oldest first.
    pub diagnoses: Arc<[Diagnosis]>,
    /// What lies ahead; none before the first hour is over.
    pub outlook: Option<Arc<Outlook>>,
    /// By instrument: how far it is from what its neighbours let expect, and usually is
    /// from them.
    pub differences: Vec<Option<(f64, f64)>>,
    /// What is usual between neighbours.
    pub usual: Arc<[UsualPair]>,
    /// The history.
    pub history: HistoryState,
}

/// Intervals without a sample after which a periodic channel is silent.
pub const SILENT_AFTER: i64 = 5;

impl Snapshot {
    /// Before anything is known.
    pub fn empty(property: Arc<Property>, series: Arc<[Series]>, now: Time) -> Self {
        Self {
            started: now,
            made: now,
            walked: now,
            epoch: 0,
            property_id: Arc::from(""),
            live: vec![None; property.instruments.len()],
            newest: vec![None; series.len()],
            stations: vec![StationState::default(); property.stations.len()],
            rain: Vec::new(),
            gusts: Arc::new([]),
            absent: Arc::new([]),
            diagnoses: Arc::new([]),
            outlook: None,
            differences: vec![None; property.instruments.len()],
            usual: Arc::new([]),
            history: HistoryState::default(),
            property,
            series,
        }
    }

    /// The live value of an instrument.
    pub fn live(&self, instrument: InstrumentIndex) -> Option<&Live> {
        self.live.get(instrument.0 as usize)?.as_ref()
    }

    /// The newest reading of a series.
    pub fn newest(&self, series: SeriesIndex) -> Option<&Reading> {
        self.newest.get(series.0 as usize)?.as_ref()
    }

    /// Whether any sample of the station came within five of its intervals before `now`.
    pub fn station_up(&self, station: StationIndex, now: Time) -> bool {
        let place = usize::from(station.0);
        let interval = self.property.stations.get(place).map(|s| s.interval);
        let heartbeat = self.stations.get(place).and_then(|s| s.heartbeat);
        match (interval, heartbeat) {
            (Some(interval), Some(last)) => within(last, interval, now),
            _ => false,
        }
    }

    /// Whether an instrument's values may still be shown as present: a periodic channel
    /// for five of its intervals, any other as long as its station lives.
    pub fn fresh(&self, instrument: InstrumentIndex, now: Time) -> bool {
        let Some(declared) = self.property.instruments.get(instrument.0 as usize) else {
            return false;
        };
        match declared.reports {
            Reports::Periodic => self
                .live(instrument)
                .is_some_and(|live| within(live.received, declared.interval, now)),
            Reports::OnChange | Reports::Adaptive => self.station_up(declared.station, now),
        }
    }

    /// The instrument that a series belongs to; none for derived quantities.
    pub fn instrument_of(&self, series: SeriesIndex) -> Option<InstrumentIndex> {
        let series = self.series.get(series.0 as usize)?;
        let station = self.property.station(&series.station)?;
        (0_u32..)
            .zip(&self.property.instruments)
            .find(|(_, i)| i.station == station && i.id == series.instrument)
            .map(|(index, _)| InstrumentIndex(index))
    }

    /// Whether the newest reading of a series may still be shown as present: as its
    /// instrument; a derived one for five of its station's intervals, at least five
    /// minutes, after its own time.
    pub fn fresh_series(&self, series: SeriesIndex, now: Time) -> bool {
        if let Some(instrument) = self.instrument_of(series) {
            return self.fresh(instrument, now);
        }
        if self.series.get(series.0 as usize).is_some_and(is_chance) {
            return self.newest(series).is_some_and(|r| now - r.time <= OUTLOOK_LASTS);
        }
        let Some(station) =
            self.series.get(series.0 as usize).and_then(|s| self.property.station(&s.station))
        else {
            return false;
        };
        let interval =
            self.property.stations.get(usize::from(station.0)).map_or(Span::ZERO, |s| s.interval);
        let interval = interval.max(Span::minutes(1));
        self.newest(series).is_some_and(|r| within(r.time, interval, now))
    }
}

/// Whether a series is the chance of rain, which comes once an hour.
pub fn is_chance(series: &Series) -> bool {
    series.quantity == Quantity::ProbabilityOfPrecipitation
}

fn within(last: Time, interval: Span, now: Time) -> bool {
    now.0.saturating_sub(last.0) <= interval.0.saturating_mul(SILENT_AFTER)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn commit_times_fall_into_one_bucket_each() {
        let mut times = CommitTimes::default();
        for seconds in [0.0005, 0.001, 0.002, 7.0] {
            times.add(seconds);
        }
        assert_eq!(times.buckets[0], 2);
        assert_eq!(times.buckets[1], 1);
        assert_eq!(times.buckets.iter().sum::<u64>(), 3, "the longest is in none");
        assert_eq!(times.count, 4);
    }

    #[test]
    fn five_intervals_without_a_sample_are_silence() {
        let last = Time(1_000_000);
        assert!(within(last, Span::seconds(30), Time(last.0 + 150_000)));
        assert!(!within(last, Span::seconds(30), Time(last.0 + 150_001)));
    }
}
