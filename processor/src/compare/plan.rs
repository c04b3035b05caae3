//! Which series of which station are compared, and with whom: worked out once.

use super::roster::Roster;
use crate::plan::{Part, Plan, Work};
use observation::property::Instrument;
use observation::{Property, Quantity, Reasons, SeriesIndex, Span};
use quality::neighbours::{Site, nearest};

/// What is compared, by slot.
pub(crate) const COMPARED: [Quantity; SLOTS] = [
    Quantity::AirTemperature,
    Quantity::RelativeHumidity,
    Quantity::DewPointTemperature,
    Quantity::AirPressureAtMeanSeaLevel,
    Quantity::WindSpeed,
    Quantity::WindFromDirection,
    Quantity::PrecipitationDepth,
];
/// How many.
pub(crate) const SLOTS: usize = 7;
pub(crate) const TEMPERATURE: usize = 0;
pub(crate) const HUMIDITY: usize = 1;
pub(crate) const DEW_POINT: usize = 2;
pub(crate) const PRESSURE: usize = 3;
pub(crate) const SPEED: usize = 4;
pub(crate) const DIRECTION: usize = 5;
pub(crate) const RAIN: usize = 6;

/// One compared series of a station.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Voice {
    /// The series.
    pub(crate) series: SeriesIndex,
    /// The place of its instrument.
    pub(crate) instrument: usize,
    /// Expected time between its readings.
    pub(crate) interval: Span,
    /// Metres from a barometer up to the property's own level; none for other quantities
    /// and for pressures that are reduced already.
    pub(crate) rise: Option<f64>,
}

/// See the module.
#[derive(Debug)]
pub(crate) struct Seats {
    /// Places of the stations that say something comparable.
    pub(crate) stations: Vec<usize>,
    /// By seat: what they say.
    pub(crate) voices: Vec<[Option<Voice>; SLOTS]>,
    /// By seat: the seats of the nearest others.
    pub(crate) near: Vec<Vec<usize>>,
    /// By seat: where it is.
    pub(crate) sites: Vec<Site>,
    /// By station: its seat.
    pub(crate) seat_of: Vec<Option<usize>>,
    /// By series: seat and slot.
    of_series: Vec<Option<(usize, usize)>>,
    /// Of what is compared: which instruments at which places. What was saved before there was
    /// a roster is known by it.
    pub(crate) fingerprint: u64,
    /// Of all stations and instruments in their order: what is known by their places.
    pub(crate) order: u64,
    /// Who is compared.
    pub(crate) roster: Roster,
}

/// The series of an instrument that is compared.
fn compared(part: &Part) -> SeriesIndex {
    match part.work {
        Work::Wind { long, .. } => long,
        _ => part.first(),
    }
}

fn slot_of(instrument: &Instrument) -> Option<usize> {
    let quantity = match instrument.quantity {
        Quantity::SurfaceAirPressure => Quantity::AirPressureAtMeanSeaLevel,
        other => other,
    };
    COMPARED.iter().position(|q| *q == quantity)
}

impl Seats {
    pub(crate) fn new(property: &Property, plan: &Plan) -> Self {
        let mut seats = Self {
            stations: Vec::new(),
            voices: Vec::new(),
            near: Vec::new(),
            sites: Vec::new(),
            seat_of: vec![None; property.stations.len()],
            of_series: vec![None; plan.series.len()],
            fingerprint: 0,
            order: 0,
            roster: Roster::default(),
        };
        for (place, station) in property.stations.iter().enumerate() {
            let mut voices = [None; SLOTS];
            for &instrument in plan.by_station.get(place).map_or(&[][..], Vec::as_slice) {
                let (Some(declared), Some(part)) =
                    (property.instruments.get(instrument), plan.parts.get(instrument))
                else {
                    continue;
                };
                let Some(slot) = slot_of(declared) else { continue };
                let rise = (declared.quantity == Quantity::SurfaceAirPressure)
                    .then(|| property.elevation - declared.height.unwrap_or(station.elevation));
                let voice =
                    Voice { series: compared(part), instrument, interval: declared.interval, rise };
                // The first of a kind speaks for its station.
                if let Some(free @ None) = voices.get_mut(slot) {
                    *free = Some(voice);
                    let seat = seats.stations.len();
                    if let Some(own) = seats.of_series.get_mut(voice.series.0 as usize) {
                        *own = Some((seat, slot));
                    }
                }
            }
            if voices.iter().any(Option::is_some) {
                if let Some(own) = seats.seat_of.get_mut(place) {
                    *own = Some(seats.stations.len());
                }
                seats.stations.push(place);
                seats.voices.push(voices);
                seats.sites.push(Site {
                    latitude: station.latitude,
                    longitude: station.longitude,
                    elevation: station.elevation,
                });
            }
        }
        seats.near = (0..seats.sites.len()).map(|own| nearest(&seats.sites, own)).collect();
        (seats.fingerprint, seats.order) = seats.fingerprints(property);
        seats.roster = Roster::new(property, &seats);
        seats
    }

    fn fingerprints(&self, property: &Property) -> (u64, u64) {
        let id = |place: usize| property.stations.get(place).map(|s| s.id.as_str());
        let measured = |voice: &Option<Voice>| {
            let voice = voice.as_ref()?;
            let instrument = property.instruments.get(voice.instrument)?;
            Some((instrument.id.as_str(), instrument.quantity, voice.rise))
        };
        let seats: Vec<_> = self
            .stations
            .iter()
            .zip(&self.voices)
            .map(|(&place, voices)| (id(place), voices.each_ref().map(measured)))
            .collect();
        let all: Vec<_> = property
            .instruments
            .iter()
            .map(|i| (id(usize::from(i.station.0)), i.id.as_str()))
            .collect();
        let stations: Vec<_> = property.stations.iter().map(|s| s.id.as_str()).collect();
        let number = observation::signal::counter::boot_number;
        (number(&format!("{seats:?}{:?}", self.sites)), number(&format!("{stations:?}{all:?}")))
    }

    /// Seat and slot of a series that is compared.
    pub(crate) fn of(&self, series: SeriesIndex) -> Option<(usize, usize)> {
        self.of_series.get(series.0 as usize).copied().flatten()
    }

    /// What a seat says in a slot.
    pub(crate) fn voice(&self, seat: usize, slot: usize) -> Option<&Voice> {
        self.voices.get(seat)?.get(slot)?.as_ref()
    }
}

/// Whether a value may teach something: not what its own instrument's checks doubt. What
/// others say of it does not silence it: else a fault that is found would be forgotten.
pub(crate) fn usable(flag: observation::Flag, reasons: Reasons) -> bool {
    use observation::{Flag, Reason};
    let own = [
        Reason::Range,
        Reason::Step,
        Reason::Clock,
        Reason::Fault,
        Reason::Frozen,
        Reason::Maintenance,
        Reason::Operator,
    ];
    match flag {
        Flag::Good | Flag::Unchecked => true,
        Flag::Doubtful | Flag::Inconsistent => {
            !reasons.is_empty() && !own.into_iter().any(|reason| reasons.contains(reason))
        }
        Flag::Erroneous | Flag::Missing => false,
    }
}
