//! Samples and settings in; readings, revisions and state out.
//!
//! The same code serves the running service and the replay of a recording, so it
//! knows no clock: a sample's `received` is the only time that passes here. Order is
//! the order of calls. Start reading at [`Processor::take`], which places a sample in
//! time, asks whether it is held already and gives it to its instruments; then at
//! [`Processor::walk`], which evaluates the minutes that have ended.
//!
//! The rules kept here: how samples were grouped into messages and records makes no
//! difference; nor does it whether a minute was walked by a timer or by the next sample,
//! or whether the program was restarted in between; every window is a pure function of
//! the samples in and shortly before it.

mod absorb;
mod beats;
mod book;
mod clock_step;
mod compare;
mod derived;
mod gap;
mod hash;
mod identity;
mod judge;
mod late;
mod ledger;
mod lookback;
mod options;
mod other_unit;
mod outlook;
mod output;
mod plan;
mod recall;
mod redelivery;
mod restart;
mod runs;
mod sheet;
mod state;
mod station_clock;
pub mod summaries;
mod take;
mod tally;
pub mod totals;
mod track;
mod walk;
mod windows;

pub use compare::{Learned, Resumed, SavedCompare, UsualPair};
pub use derived::Absent;
pub use options::Options;
pub use outlook::{Ahead, SavedOutlook};
pub use output::{Output, SetAside};
pub use recall::{Held, Key, Recall};
pub use state::{Live, Saved, SavedStation, VERSION};

use beats::Beats;
use book::Book;
use compare::Compare;
use derived::Absences;
use identity::Identities;
use observation::property::InstrumentIndex;
use observation::{Property, Series, SeriesIndex, Span, StationIndex, Time};
use other_unit::UnitDoubt;
use outlook::Outlook;
use plan::Plan;
use redelivery::Redeliveries;
use state::{InstrumentState, StationState};
use station_clock::StationClock;
use std::collections::VecDeque;
use std::sync::Arc;
use take::Scratch;
use track::{Doubt, Track};

/// The deterministic core. See the crate's description.
#[derive(Debug)]
pub struct Processor {
    property: Arc<Property>,
    options: Options,
    plan: Plan,
    stations: Vec<StationState>,
    instruments: Vec<InstrumentState>,
    /// In which minutes each station was heard.
    beats: Vec<Beats>,
    /// The minute each station was heard in last, while it is still to be evaluated.
    heard: Vec<Option<Time>>,
    /// Good depth of rain since this processor was made, in millimetres.
    rain: Vec<f64>,
    tracks: Vec<Track>,
    identities: Vec<Identities>,
    redeliveries: Redeliveries,
    clocks: Vec<StationClock>,
    units: Vec<UnitDoubt>,
    book: Book,
    compare: Compare,
    outlook: Outlook,
    absences: Absences,
    /// Readings of which something new is said.
    again: Vec<(SeriesIndex, Time)>,
    /// The last minute evaluated.
    walked: Option<Time>,
    /// The record that was taken from last.
    number: u64,
    /// Steps of the server's clock that still matter, oldest first.
    doubts: VecDeque<Doubt>,
    /// When the clock was last set back, by the new clock; or when the first sample came.
    stepped_back: Option<Time>,
    /// Whether any sample came, ever.
    begun: bool,
    scratch: Scratch,
}

impl Processor {
    /// A processor that has seen nothing.
    pub fn new(property: Arc<Property>, options: Options) -> Self {
        let plan = Plan::new(&property);
        let compare = Compare::new(&property, &plan);
        let mut book = Book::new(plan.series.len());
        for voice in compare.seats.voices.iter().flatten().flatten() {
            book.compare(voice.series);
        }
        Self {
            stations: property.stations.iter().map(|_| StationState::default()).collect(),
            instruments: property.instruments.iter().map(|_| InstrumentState::default()).collect(),
            beats: property.stations.iter().map(|_| Beats::default()).collect(),
            heard: vec![None; property.stations.len()],
            rain: vec![0.0; property.instruments.len()],
            tracks: property.channels.iter().map(|_| Track::default()).collect(),
            identities: property.stations.iter().map(|_| Identities::default()).collect(),
            redeliveries: Redeliveries::default(),
            clocks: property.stations.iter().map(|_| StationClock::default()).collect(),
            units: UnitDoubt::all(&property),
            book,
            compare,
            outlook: Outlook::default(),
            absences: Absences::default(),
            again: Vec::new(),
            walked: None,
            number: 0,
            doubts: VecDeque::new(),
            stepped_back: None,
            begun: false,
            scratch: Scratch::default(),
            property,
            options,
            plan,
        }
    }

    /// All series there can be, in the order of their indices.
    pub fn series(&self) -> &[Series] {
        &self.plan.series
    }

    /// What stations do not derive though they nearly could, or were asked to.
    pub fn absent(&self) -> &[Absent] {
        &self.plan.absent
    }

    /// The instant up to which minutes were evaluated: the last minute's end plus the
    /// grace; 1970 while nothing was. No sample may be received before it.
    pub fn walked(&self) -> Time {
        self.walked.map_or(Time(0), |minute| minute + self.options.grace)
    }

    /// The same, and what was not derived when its station was heard last: outside the
    /// validity of its formula, or for want of something to compute with.
    pub fn absent_now(&self) -> Vec<Absent> {
        let now = self.absences.all().filter_map(|(series, since, why)| {
            let series = self.plan.series.get(series.0 as usize)?;
            let (station, quantity) = (series.station.clone(), series.quantity);
            Some(Absent { station, quantity, since: Some(since), reason: why.text() })
        });
        self.plan.absent.iter().cloned().chain(now).collect()
    }

    /// The newest converted, checked sample of an instrument: the greatest event time not
    /// beyond the arrival of the newest.
    pub fn live(&self, instrument: InstrumentIndex) -> Option<&Live> {
        self.instruments.get(instrument.0 as usize)?.live.as_ref()
    }

    /// Good depth of rain in millimetres that a gauge counted since this processor was
    /// made, each tip once; later revisions never take away.
    pub fn rain(&self, instrument: InstrumentIndex) -> f64 {
        self.rain.get(instrument.0 as usize).copied().unwrap_or_default()
    }

    /// The newest heartbeat of a station, by event time.
    pub fn heartbeat(&self, station: StationIndex) -> Option<Time> {
        self.stations.get(usize::from(station.0))?.last
    }

    /// How far back the log must be read at a restart for identities.
    pub const fn memory() -> Span {
        Span(identity::MEMORY.0 + identity::BLOCK.0)
    }

    /// The instruments of a station, by place, wind before direction.
    fn places(&self, station: usize) -> std::ops::Range<usize> {
        0..self.plan.by_station.get(station).map_or(0, Vec::len)
    }

    fn place(&self, station: usize, nth: usize) -> usize {
        self.plan.by_station.get(station).and_then(|l| l.get(nth)).copied().unwrap_or(usize::MAX)
    }
}
