//! The protocol: the untouched year is judged once; then each fault is injected into a copy
//! of the state as it stood at its start, and the following 60 days are judged.

use crate::faults::Fault;
use crate::record::{LONGITUDE, Record};
use observation::Quantity;
use quality::diagnosis::{CauseGroup, named};
use quality::neighbours::{Kind, Limits, Panel, Setup, State, Suspicion};

/// Hours looked at after the start of a fault.
pub(crate) const HORIZON: usize = 1440;
/// A suspicion that the untouched year also has within so many hours is natural.
const NATURAL: usize = 48;
/// Injections start in the first days of these months: for the report,
pub(crate) const EVEN_MONTHS: [u8; 5] = [4, 6, 8, 10, 12];
/// and for choosing limits.
pub(crate) const ODD_MONTHS: [u8; 5] = [3, 5, 7, 9, 11];
const LAST_DAY: u8 = 10;

/// One suspicion from opening to closing.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Episode {
    pub(crate) opened: usize,
    pub(crate) closed: usize,
    pub(crate) suspicion: Suspicion,
    /// The last word on it so many hours after opening.
    pub(crate) later: Option<Suspicion>,
}

impl Episode {
    /// Whether both speak of the same instrument and kind.
    fn same(&self, other: &Self) -> bool {
        let (a, b) = (&self.suspicion, &other.suspicion);
        a.kind == b.kind && a.station == b.station && a.quantity == b.quantity
    }
}

/// Hours after opening at which the size is asked for again.
pub(crate) const SECOND_LOOK: usize = 240;

/// Adds what was said at `hour` to the episodes.
pub(crate) fn note(episodes: &mut Vec<Episode>, hour: usize, said: &[Suspicion]) {
    for suspicion in said {
        let open = episodes.iter_mut().rev().find(|e| {
            e.closed == usize::MAX
                && e.suspicion.kind == suspicion.kind
                && e.suspicion.station == suspicion.station
                && e.suspicion.quantity == suspicion.quantity
        });
        match (suspicion.state, open) {
            (State::Opened, _) => episodes.push(Episode {
                opened: hour,
                closed: usize::MAX,
                suspicion: *suspicion,
                later: None,
            }),
            (State::Changed, Some(episode)) if hour <= episode.opened + SECOND_LOOK => {
                episode.later = Some(*suspicion);
            }
            (State::Closed, Some(episode)) => episode.closed = hour,
            _ => {}
        }
    }
}

/// A panel that knows nothing.
pub(crate) fn panel(limits: &Limits) -> Panel {
    let setup = Setup { stations: 3, steps_per_hour: 1, longitude: LONGITUDE };
    Panel::new(setup, limits)
}

/// The untouched year; copies of the state before each of the hours asked for.
pub(crate) fn untouched(
    record: &Record,
    limits: &Limits,
    wanted: &[usize],
) -> (Vec<Episode>, Vec<(usize, Panel)>) {
    let mut state = panel(limits);
    let (mut episodes, mut copies) = (Vec::new(), Vec::new());
    for (hour, values) in record.hours.iter().enumerate() {
        if wanted.contains(&hour) {
            copies.push((hour, state.clone()));
        }
        let verdict = state.take(record.time(hour), values, limits);
        note(&mut episodes, hour, &verdict.suspicions);
    }
    (episodes, copies)
}

/// Start hours: `count` different ones in each month.
pub(crate) fn starts(
    record: &Record,
    random: &mut fastrand::Rng,
    months: &[u8],
    count: usize,
) -> Vec<usize> {
    let mut all = Vec::new();
    for month in months {
        let mut hours: Vec<usize> = (0..record.hours.len())
            .filter(|hour| {
                let at = record.calendar(*hour);
                at.month == *month && at.day <= LAST_DAY
            })
            .collect();
        random.shuffle(&mut hours);
        all.extend(hours.into_iter().take(count));
    }
    all
}

/// What became of one injection.
#[derive(Clone, Debug)]
pub(crate) struct Outcome {
    /// Hours until the right instrument and kind was named.
    pub(crate) delay: f64,
    /// Whether the first new suspicion of that group and kind named the right station;
    /// none if there was no such suspicion.
    pub(crate) right: Option<bool>,
    /// The suspicion that named it.
    pub(crate) hit: Option<Episode>,
    /// First new suspicion of anything else: of the same station or of another.
    pub(crate) elsewhere: Option<(bool, Quantity, Kind)>,
    /// The group of causes told first; none if nothing new was told.
    pub(crate) cause: Option<CauseGroup>,
    /// Rain at the drier neighbour until then, mm.
    pub(crate) rain: f64,
}

fn group(quantity: Quantity) -> u8 {
    match quantity {
        Quantity::AirTemperature | Quantity::RelativeHumidity => 0,
        Quantity::DewPointTemperature => 1,
        Quantity::AirPressureAtMeanSeaLevel => 2,
        Quantity::WindSpeed => 3,
        Quantity::WindFromDirection => 4,
        _ => 5,
    }
}

/// Injects `fault` into `station` at `since`.
pub(crate) fn inject(
    record: &Record,
    limits: &Limits,
    natural: &[Episode],
    state: &Panel,
    fault: &Fault,
    station: usize,
    since: usize,
) -> Outcome {
    let mut state = state.clone();
    let mut episodes = Vec::new();
    for hour in since..record.hours.len().min(since + HORIZON) {
        let mut values = record.hours[hour];
        values[station] = fault.apply(record, station, since, hour);
        let verdict = state.take(record.time(hour), &values, limits);
        note(&mut episodes, hour, &verdict.suspicions);
    }
    let fresh: Vec<&Episode> = episodes
        .iter()
        .filter(|e| {
            !natural.iter().any(|n| {
                n.same(e)
                    && n.opened <= e.opened + NATURAL
                    && e.opened <= n.closed.saturating_add(NATURAL)
            })
        })
        .collect();
    let of_group = |e: &&&Episode| {
        e.suspicion.kind == fault.kind && group(e.suspicion.quantity) == group(fault.quantity)
    };
    let names = |e: &Episode| e.suspicion.station == Some(station);
    let first = fresh.iter().find(of_group);
    let hit = fresh.iter().filter(of_group).find(|e| {
        names(e) && (e.suspicion.quantity == fault.quantity || fault.kind == Kind::Clock)
    });
    let elsewhere = fresh
        .iter()
        .find(|e| !of_group(e))
        .map(|e| (names(e), e.suspicion.quantity, e.suspicion.kind));
    let rain = hit.map_or(f64::NAN, |hit| {
        let sum = |other: usize| -> f64 {
            record.hours[since..=hit.opened]
                .iter()
                .map(|values| values[other].rain)
                .filter(|rain| rain.is_finite())
                .sum()
        };
        sum((station + 1) % 3).min(sum((station + 2) % 3))
    });
    Outcome {
        cause: fresh.first().map(|e| named(&e.suspicion).group()),
        delay: hit.map_or(f64::INFINITY, |hit| (hit.opened - since) as f64),
        right: first.map(|first| names(first)),
        hit: hit.map(|hit| **hit),
        elsewhere,
        rain,
    }
}

/// By parity of the month, the strongest score of each group and of the clock test in the untouched year with
/// nothing ever opened: where a limit could stand.
pub(crate) fn strongest(record: &Record, limits: &Limits) -> [[f64; 6]; 2] {
    let mut state = panel(limits);
    let mut never = *limits;
    for own in &mut never.groups {
        own.score = f64::INFINITY;
    }
    let mut found = [[0.0; 6]; 2];
    for (hour, values) in record.hours.iter().enumerate() {
        let verdict = state.take(record.time(hour), values, &never);
        let parity = usize::from(record.calendar(hour).month % 2);
        for (largest, score) in found[parity].iter_mut().zip(verdict.evidence) {
            *largest = score.unwrap_or(0.0).max(*largest);
        }
        found[parity][5] = verdict.clock.max(found[parity][5]);
    }
    found
}
