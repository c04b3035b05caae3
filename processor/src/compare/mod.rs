//! The stations judged beside each other, and each by itself, from their readings.
//!
//! What is published of a compared series is *heard* at once. At the end of each minute
//! every new value is looked at beside its nearest neighbours, and what was doubted for a
//! step is looked at again for half an hour. An hour is judged when it ended ten minutes
//! ago: what comes later is kept and shown, but no longer compared. Verdicts are revisions
//! of flags and diagnoses; no reading waits for them.
//!
//! All of it follows from what was published and from the minutes walked, so that replay
//! says what the service said.

mod alone;
mod changed;
mod charted;
mod conditions;
mod consistent;
mod hours;
mod household;
mod minute;
mod names;
mod opinions;
mod overlay;
mod plan;
mod roster;
mod saved;
mod slow;
mod suspects;
mod usual;

pub use saved::{Learned, Resumed, SavedCompare};
pub use usual::UsualPair;

pub(crate) use overlay::Overlay;
pub(crate) use plan::{Seats, usable};

/// Which place in a [`Row`] is whose.
pub(crate) mod slots {
    pub(crate) use super::plan::{DIRECTION, HUMIDITY, PRESSURE, RAIN, SPEED, TEMPERATURE};
}

use crate::Processor;
use crate::output::Output;
use alone::{Failing, Health, Stands, Stillness};
use hours::{Hours, Word};
use household::Household;
use observation::property::InstrumentIndex;
use observation::reading::from_steps;
use observation::{Diagnosis, Flag, Reason, Reasons, SeriesIndex, Span, Time};
use opinions::{Finding, Opinions};
use plan::{COMPARED, SLOTS};
use quality::diagnosis::{Cause, Onset};
use quality::neighbours::{Glance, Limits, Neighbourhood, Quick};
use std::collections::VecDeque;
use suspects::Suspect;

/// How long after its end an hour is judged.
const LAG: Span = Span::minutes(10);
/// Hours that are remembered as they were judged, so that what was learned need not be
/// saved as often as the rest.
const ROWS: usize = 48;
/// Hours of the month whose conditions are looked at, and the most seats for which they
/// are kept.
const PAST: usize = 720;
const PAST_SEATS: usize = 64;
/// Readings doubted for their step that wait for corroboration at most.
const SUSPECTS: usize = 1_024;

/// What a seat said in one hour, by slot.
pub(crate) type Row = [Option<f64>; SLOTS];

/// What a reading said when it was published, before others spoke of it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Told {
    pub(crate) series: SeriesIndex,
    pub(crate) time: Time,
    pub(crate) value: Option<i64>,
    pub(crate) flag: Flag,
    pub(crate) reasons: Reasons,
}

/// What is known of one seat.
#[derive(Clone, Debug, Default)]
struct Seat {
    quick: Quick,
    /// By slot: the time of the last value that was looked at beside the neighbours.
    looked: [Option<Time>; SLOTS],
    /// By slot: the newest value.
    newest: [Option<(Time, f64)>; SLOTS],
    still: [Stillness; SLOTS],
    /// By slot: readings that the own checks doubted lately, forgotten within days.
    doubted: [f64; SLOTS],
    /// By slot: when it was first suspected.
    onset: [Option<Onset>; SLOTS],
    /// By slot: what the neighbours said last.
    glance: [Glance; SLOTS],
}

/// See the module.
#[derive(Debug)]
pub(crate) struct Compare {
    pub(crate) seats: Seats,
    limits: Limits,
    engine: Neighbourhood,
    own: Vec<Seat>,
    hours: Hours,
    judged: Option<i64>,
    /// The hours judged last, as they were, oldest first.
    pub(crate) rows: VecDeque<(i64, Vec<Row>)>,
    /// The same for a month, to look under which conditions an instrument is off.
    past: VecDeque<(i64, Vec<Row>)>,
    suspects: Vec<Suspect>,
    opinions: Opinions,
    /// By instrument.
    failing: Vec<Failing>,
    household: Household,
    /// Median temperature of the last hour, for pressures at other heights, Cel.
    air: f64,
    /// Whether the state is built, so that what is told is kept.
    resumed: bool,
}

impl Compare {
    pub(crate) fn new(property: &observation::Property, plan: &crate::plan::Plan) -> Self {
        let seats = Seats::new(property, plan);
        let limits = Limits::default();
        Self {
            engine: Neighbourhood::new(&seats.sites, 1, &limits),
            own: seats.sites.iter().map(|_| Seat::default()).collect(),
            limits,
            hours: Hours::default(),
            judged: None,
            rows: VecDeque::new(),
            past: VecDeque::new(),
            suspects: Vec::new(),
            opinions: Opinions::default(),
            failing: vec![Failing::default(); property.instruments.len()],
            household: Household::new(property.stations.len()),
            air: 10.0,
            resumed: false,
            seats,
        }
    }
}

impl Processor {
    /// What is open.
    pub fn diagnoses(&self) -> &[Diagnosis] {
        self.compare.opinions.open()
    }

    /// How an instrument's last value differed from what its neighbours let expect, and
    /// what usually it does, in the canonical unit.
    pub fn neighbour_difference(&self, instrument: InstrumentIndex) -> Option<(f64, f64)> {
        let place = instrument.0 as usize;
        let station = usize::from(self.property.instruments.get(place)?.station.0);
        let seat = self.compare.seats.seat_of.get(station).copied().flatten()?;
        let slot = (0..SLOTS)
            .find(|&s| self.compare.seats.voice(seat, s).is_some_and(|v| v.instrument == place))?;
        let glance = self.compare.own.get(seat)?.glance.get(slot)?;
        Some((glance.difference?, glance.usual?))
    }

    /// Hears what was published since this was called last.
    pub(crate) fn listen(&mut self, out: &mut Output) {
        for told in self.book.take_told() {
            self.hear(told, out);
        }
    }

    fn hear(&mut self, told: Told, out: &mut Output) {
        let Some((seat, slot)) = self.compare.seats.of(told.series) else { return };
        let Some(&voice) = self.compare.seats.voice(seat, slot) else { return };
        let decimals = COMPARED.get(slot).map_or(2, |q| q.decimals());
        let value = told.value.filter(|_| told.flag != Flag::Erroneous).and_then(|steps| {
            let value = from_steps(steps, decimals);
            let Some(rise) = voice.rise else { return Some(value) };
            meteorology::pressure::at_height(value, self.compare.air, rise).ok()
        });
        let usable = usable(told.flag, told.reasons);
        if self.compare.judged.is_some_and(|judged| hours::hour_of(told.time) < judged) {
            return;
        }
        let word = value.map(|value| Word { time: told.time, value, usable });
        let seats = self.compare.seats.sites.len();
        self.compare.hours.take(seats, (seat, slot), told.time, word);
        let (Some(value), Some(own)) = (value, self.compare.own.get_mut(seat)) else { return };
        let before = own.newest.get(slot).copied().flatten();
        if before.is_some_and(|(time, _)| told.time <= time) {
            return;
        }
        if !usable {
            if let Some(doubted) = own.doubted.get_mut(slot) {
                *doubted += 1.0;
            }
            let benign = Reasons::NONE.with(Reason::Step).with(Reason::Saturated);
            let only_step = told.flag == Flag::Doubtful
                && told.reasons.contains(Reason::Step)
                && told.reasons.bits() & !benign.bits() == 0;
            if let (true, Some((_, last))) = (only_step, before) {
                if self.compare.suspects.len() >= SUSPECTS {
                    self.compare.suspects.remove(0);
                }
                self.compare.suspects.push(Suspect {
                    series: told.series.0,
                    seat,
                    slot,
                    time: told.time,
                    change: value - last,
                });
            }
        }
        if let Some(newest) = own.newest.get_mut(slot) {
            *newest = Some((told.time, value));
        }
        let raw = told.value.map_or(value, |steps| from_steps(steps, decimals));
        let stands =
            own.still.get_mut(slot).map(|still| still.take(slot, told.time, raw, voice.interval));
        match stands {
            Some(Stands::Still(since)) => self.stands_still(seat, slot, told, since, out),
            _ => self.moves(seat, slot, told.time, out),
        }
    }

    /// Whether what a seat says in a slot is surely wrong at present.
    pub(crate) fn is_wrong(&self, seat: usize, slot: usize) -> bool {
        let open = self.compare.opinions.open();
        !open.is_empty()
            && self.names(seat, slot).is_some_and(|(station, instrument)| {
                self.compare.opinions.wrong_since(&station, &instrument).is_some()
            })
    }

    fn names(&self, seat: usize, slot: usize) -> Option<(String, String)> {
        let voice = self.compare.seats.voice(seat, slot)?;
        let station = self.property.stations.get(*self.compare.seats.stations.get(seat)?)?;
        let instrument = self.property.instruments.get(voice.instrument)?;
        Some((station.id.clone(), instrument.id.clone()))
    }

    fn stands_still(
        &mut self,
        seat: usize,
        slot: usize,
        told: Told,
        since: Time,
        out: &mut Output,
    ) {
        self.book.overlay.doubt(told.series.0, told.time, Flag::Doubtful, Reason::Persistence);
        self.again.push((told.series, told.time));
        let (Some(cause), Some((station, instrument))) =
            (stuck_cause(slot), self.names(seat, slot))
        else {
            return;
        };
        if self.compare.opinions.holds(&station, &instrument, &[cause]) {
            return;
        }
        let hours = (told.time - since).as_seconds() / 3_600.0;
        let finding = Finding {
            time: told.time,
            station: Some(station),
            instrument: Some(instrument),
            cause,
            since,
            size: None,
            confidence: 0.7,
            words: format!("the value has not moved at all for {hours:.0} h"),
            numbers: vec![("hours", hours)],
        };
        self.compare.opinions.hold(finding, &mut out.diagnoses);
    }

    fn moves(&mut self, seat: usize, slot: usize, time: Time, out: &mut Output) {
        if self.compare.opinions.open().is_empty() {
            return;
        }
        let (Some(cause), Some((station, instrument))) =
            (stuck_cause(slot), self.names(seat, slot))
        else {
            return;
        };
        self.compare.opinions.close(
            Some(&station),
            Some(&instrument),
            cause,
            time,
            &mut out.diagnoses,
        );
    }

    /// A sample of an instrument was, or was not, a constant of a fault.
    pub(crate) fn health(&mut self, place: usize, reasons: Reasons, time: Time, out: &mut Output) {
        let faulty = reasons.contains(Reason::Fault);
        let Some(health) = self.compare.failing.get_mut(place).map(|f| f.take(faulty, time)) else {
            return;
        };
        let Some(declared) = self.property.instruments.get(place) else { return };
        let station = self.property.stations.get(usize::from(declared.station.0));
        let Some(station) = station.map(|s| s.id.clone()) else { return };
        let instrument = declared.id.clone();
        match health {
            Health::Same => {}
            Health::Fails(since) => {
                let finding = Finding {
                    time,
                    station: Some(station),
                    instrument: Some(instrument),
                    cause: Cause::SensorFault,
                    since,
                    size: None,
                    confidence: 0.95,
                    words: "five samples in a row are values that a failing sensor returns"
                        .to_owned(),
                    numbers: Vec::new(),
                };
                self.compare.opinions.hold(finding, &mut out.diagnoses);
            }
            Health::Recovers => self.compare.opinions.close(
                Some(&station),
                Some(&instrument),
                Cause::SensorFault,
                time,
                &mut out.diagnoses,
            ),
        }
    }
}

/// What a value that stands still means.
const fn stuck_cause(slot: usize) -> Option<Cause> {
    Some(match slot {
        plan::TEMPERATURE => Cause::ThermometerStuck,
        plan::HUMIDITY | plan::DEW_POINT => Cause::HumidityStuck,
        plan::PRESSURE => Cause::BarometerStuck,
        plan::SPEED => Cause::CupStuck,
        plan::DIRECTION => Cause::VaneStuck,
        _ => return None,
    })
}
