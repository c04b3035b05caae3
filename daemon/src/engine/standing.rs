//! What the engine knows beside the processor: newest readings, heartbeats, rain, the
//! figures of the history. From it a snapshot is made after every commit.

use super::core::Core;
use super::process::Process;
use crate::snapshot::{HistoryState, Live, Rain, Snapshot, StationState};
use history::weeks::monday;
use history::{Committed, History, Look, ReadError, Selection};
use observation::property::InstrumentIndex;
use observation::reading::to_steps;
use observation::time::{DAY, HOUR, MINUTE};
use observation::{Message, Property, Quantity, Reading, Series, Span, StationIndex, Time};
use processor::totals::{Gusts, RainTotals, Totals};
use processor::{Absent, UsualPair};
use std::sync::Arc;

/// One gauge.
#[derive(Debug)]
struct Gauge {
    instrument: InstrumentIndex,
    /// Rain that processors counted which were thrown away, in millimetres.
    before: f64,
}

/// What is told anew with every minute.
#[derive(Debug)]
struct Told {
    /// The minute up to which it was told; none where something came since.
    minute: Option<Time>,
    rain: Vec<RainTotals>,
    gusts: Arc<[Gusts]>,
    absent: Arc<[Absent]>,
}

/// See the module.
pub struct Standing {
    property: Arc<Property>,
    series: Arc<[Series]>,
    property_id: Arc<str>,
    started: Time,
    epoch: u64,
    newest: Vec<Option<Reading>>,
    stations: Vec<StationState>,
    gauges: Vec<Gauge>,
    totals: Totals,
    told: Told,
    /// What is usual between neighbours, and of which hour and how many diagnoses.
    usual: (Option<(i64, usize)>, Arc<[UsualPair]>),
    /// How the history stands.
    pub history: HistoryState,
}

impl Standing {
    /// Nothing known yet.
    pub fn new(
        property: Arc<Property>,
        series: Arc<[Series]>,
        property_id: Arc<str>,
        started: Time,
        epoch: u64,
        event_gap: Span,
    ) -> Self {
        let gauges: Vec<Gauge> = (0_u32..)
            .zip(&property.instruments)
            .filter(|(_, i)| i.quantity == Quantity::PrecipitationDepth)
            .map(|(index, _)| Gauge { instrument: InstrumentIndex(index), before: 0.0 })
            .collect();
        let totals = Totals::new(Arc::clone(&property), &series, event_gap);
        Self {
            newest: vec![None; series.len()],
            stations: vec![StationState::default(); property.stations.len()],
            property,
            series,
            property_id,
            started,
            epoch,
            gauges,
            totals,
            usual: (None, Arc::new([])),
            told: Told {
                minute: None,
                rain: Vec::new(),
                gusts: Arc::new([]),
                absent: Arc::new([]),
            },
            history: HistoryState::default(),
        }
    }

    /// Fills in what the log knows: the newest readings, the rain of the year, the gusts
    /// of the day, what is set aside.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub fn restore(&mut self, look: Look<'_>) -> Result<(), ReadError> {
        self.history.set_aside = look.set_aside_counts()?;
        let Some(last) = look.last()? else { return Ok(()) };
        self.history.last_commit = Some(last.received);
        self.history.last_number = last.number;
        let intervals = self.property.instruments.iter().map(|i| i.interval.0);
        let longest = intervals.max().unwrap_or(MINUTE).saturating_mul(6).clamp(HOUR, 2 * DAY);
        let now = self.started.max(last.received);
        let from = now - Span(longest);
        let mut walk = look.walk(&Selection::between(from, now + Span::days(2)))?;
        while let Some(part) = walk.next_part()? {
            for kept in part {
                self.reading(&kept.reading, now);
            }
        }
        // A year of minutes: in the order of the log, in which the highest revision is the
        // last, they need no room beside the totals themselves. Week by week, as blocks are.
        let until = now + Span::days(2);
        for (series, mut from) in self.totals.wanted(now).into_iter().filter(|w| !w.0.is_empty()) {
            while from < until {
                let to = Time((monday(from.utc_day()) + 7) * DAY).min(until);
                let selection =
                    Selection { series: series.clone(), ..Selection::between(from, to) };
                look.all_revisions(&selection, &mut |kept| {
                    self.totals.take(&kept.reading);
                    Ok(())
                })?;
                from = to;
            }
        }
        Ok(())
    }

    /// Something of a station arrived, whatever became of it.
    pub fn seen(&mut self, station: StationIndex, received: Time) {
        if let Some(state) = self.stations.get_mut(usize::from(station.0)) {
            state.seen = Some(received);
        }
    }

    /// Takes up a logged message.
    pub fn message(&mut self, message: &Message) {
        let Some(state) = self.stations.get_mut(usize::from(message.station.0)) else { return };
        state.heartbeat = Some(message.received);
        state.seen = state.seen.max(Some(message.received));
        let latest = message.samples.iter().map(|s| s.stated.event_time(message.received)).max();
        state.latest = state.latest.max(latest.filter(|&t| t <= message.received));
    }

    fn reading(&mut self, reading: &Reading, now: Time) {
        let place = reading.series.0 as usize;
        if reading.time <= now
            && let Some(newest) = self.newest.get_mut(place)
            && newest.is_none_or(|n| (n.time, n.revision) <= (reading.time, reading.revision))
        {
            *newest = Some(*reading);
        }
        if self.totals.take(reading) {
            self.told.minute = None;
        }
    }

    /// Takes up what a commit wrote.
    pub fn written(&mut self, messages: &[Message], readings: &[Reading], now: Time) {
        for message in messages {
            self.message(message);
        }
        self.history.logged_readings += readings.len() as u64;
        for reading in readings {
            self.reading(reading, now);
        }
    }

    /// Takes up the figures of a commit.
    pub fn committed(&mut self, committed: Committed, now: Time, history: &History) {
        let state = &mut self.history;
        state.commits.add(committed.seconds);
        state.last_commit = Some(now);
        state.last_number = committed.number;
        state.written_bytes = history.written_bytes();
        state.bytes = history.file_bytes() + history.wal_bytes();
        state.fault = None;
    }

    /// The property.
    pub fn property(&self) -> Arc<Property> {
        Arc::clone(&self.property)
    }

    /// Counts anew what is set aside, after some of it was brought in.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub fn recount_aside(&mut self, history: &History) -> Result<(), ReadError> {
        self.history.set_aside = history.look().set_aside_counts()?;
        Ok(())
    }

    /// Counts messages set aside.
    pub fn set_aside(&mut self, station: StationIndex, reason: observation::Refusal) {
        let Some(id) = self.property.stations.get(usize::from(station.0)).map(|s| &s.id) else {
            return;
        };
        let counts = &mut self.history.set_aside;
        match counts.iter_mut().find(|(s, r, _)| s == id && *r == reason) {
            Some((_, _, count)) => *count += 1,
            None => counts.push((id.clone(), reason, 1)),
        }
    }

    /// A processor is thrown away: what it counted stays counted.
    pub fn keep_rain(&mut self, rain: &[(InstrumentIndex, f64)]) {
        for gauge in &mut self.gauges {
            if let Some((_, millimetres)) = rain.iter().find(|(i, _)| *i == gauge.instrument) {
                gauge.before += millimetres;
            }
        }
    }

    /// The rain that a processor counted, by gauge.
    pub fn rain_of<P: Process>(&self, processor: &P) -> Vec<(InstrumentIndex, f64)> {
        self.gauges.iter().map(|g| (g.instrument, processor.rain(g.instrument))).collect()
    }

    /// A snapshot of everything.
    pub fn snapshot<P: Process>(&mut self, core: &Core<P>, made: Time) -> Arc<Snapshot> {
        let live = (0_u32..)
            .zip(&self.property.instruments)
            .map(|(index, _)| core.processor.live(InstrumentIndex(index)))
            .collect();
        let counted = |instrument| core.processor.rain(instrument);
        self.tell(core.walked(), || core.processor.absent());
        let mut snapshot = self.assemble(made, core.walked(), live, &counted);
        let open = core.processor.diagnoses().iter().cloned();
        let of_now =
            core.processor.clocks_ahead().into_iter().chain(core.processor.units_doubted());
        snapshot.diagnoses = open.chain(of_now).collect();
        snapshot.outlook = core.processor.outlook().map(Arc::new);
        snapshot.differences = (0_u32..)
            .zip(&self.property.instruments)
            .map(|(index, _)| core.processor.neighbour_difference(InstrumentIndex(index)))
            .collect();
        snapshot.usual = self.usual(core);
        Arc::new(snapshot)
    }

    /// Worked out anew where an hour was judged or something opened or closed since.
    fn usual<P: Process>(&mut self, core: &Core<P>) -> Arc<[UsualPair]> {
        let at = core.processor.judged_hour().map(|hour| (hour, core.processor.diagnoses().len()));
        if self.usual.0 != at {
            self.usual = (at, core.processor.usual_pairs().into());
        }
        Arc::clone(&self.usual.1)
    }

    /// A snapshot of what the history alone tells, where no processor runs.
    pub fn without_processor(&mut self, made: Time) -> Snapshot {
        let live = vec![None; self.property.instruments.len()];
        self.tell(made, Vec::new);
        self.assemble(made, made, live, &|_| 0.0)
    }

    /// Sums up anew if a minute has passed or something came.
    fn tell(&mut self, walked: Time, absent: impl FnOnce() -> Vec<Absent>) {
        let minute = Time(walked.0.div_euclid(MINUTE) * MINUTE);
        if self.told.minute == Some(minute) {
            return;
        }
        self.totals.forget(minute);
        self.told = Told {
            minute: Some(minute),
            rain: self.totals.rain(minute),
            gusts: self.totals.gusts(minute).into(),
            absent: absent().into(),
        };
    }

    fn assemble(
        &self,
        made: Time,
        walked: Time,
        live: Vec<Option<Live>>,
        counted: &dyn Fn(InstrumentIndex) -> f64,
    ) -> Snapshot {
        let decimals = Quantity::PrecipitationDepth.decimals();
        let rain = self
            .gauges
            .iter()
            .filter_map(|gauge| {
                let totals = self.told.rain.iter().find(|t| t.instrument == gauge.instrument)?;
                let millimetres = gauge.before + counted(gauge.instrument);
                Some(Rain {
                    instrument: gauge.instrument,
                    total: to_steps(millimetres, decimals).unwrap_or(0),
                    totals: *totals,
                })
            })
            .collect();
        Snapshot {
            started: self.started,
            made,
            walked,
            epoch: self.epoch,
            property_id: Arc::clone(&self.property_id),
            property: Arc::clone(&self.property),
            series: Arc::clone(&self.series),
            live,
            newest: self.newest.clone(),
            stations: self.stations.clone(),
            rain,
            gusts: Arc::clone(&self.told.gusts),
            absent: Arc::clone(&self.told.absent),
            diagnoses: Arc::new([]),
            outlook: None,
            differences: vec![None; self.property.instruments.len()],
            usual: Arc::new([]),
            history: self.history.clone(),
        }
    }
}
