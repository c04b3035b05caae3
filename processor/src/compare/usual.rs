//! What is usual between two neighbours: learned from the month of hours that the judgement
//! remembers, but for those in which something was held of either.

use super::plan::{COMPARED, SLOTS};
use crate::Processor;
use observation::time::HOUR;
use observation::{Quantity, StationIndex, Time};
use quality::pairs::{Both, Comparison, compare};

/// Fewest common hours: a week.
const LEAST: usize = 7 * 24;

/// Two stations and one quantity.
#[derive(Clone, Debug, PartialEq)]
pub struct UsualPair {
    /// The stations, in the order of the settings.
    pub stations: [StationIndex; 2],
    /// What they both measure, in its canonical unit.
    pub quantity: Quantity,
    /// First less second.
    pub usual: Comparison,
    /// Start of the first hour that was learned from,
    pub from: Time,
    /// and end of the last.
    pub to: Time,
}

impl Processor {
    /// The hour, counted from 1970, that was judged last: nothing new is usual before the
    /// next.
    pub const fn judged_hour(&self) -> Option<i64> {
        self.compare.judged
    }

    /// What is usual between each station and its nearest, of quantities that are compared
    /// as they are kept: pressures that are taken to one height first are not among them.
    pub fn usual_pairs(&self) -> Vec<UsualPair> {
        let seats = &self.compare.seats;
        let mut pairs: Vec<[usize; 2]> = (0..)
            .zip(&seats.near)
            .flat_map(|(own, near)| near.iter().map(move |&n| [own.min(n), own.max(n)]))
            .collect();
        pairs.sort_unstable();
        pairs.dedup();
        let slots = pairs.iter().flat_map(|pair| (0..SLOTS).map(move |slot| (*pair, slot)));
        slots.filter_map(|(pair, slot)| self.usual_pair(pair, slot)).collect()
    }

    fn usual_pair(&self, pair: [usize; 2], slot: usize) -> Option<UsualPair> {
        let seats = &self.compare.seats;
        let [first, second] = pair;
        if [first, second].iter().any(|&s| seats.voice(s, slot).is_none_or(|v| v.rise.is_some())) {
            return None;
        }
        let station = |seat: usize| {
            let place = *seats.stations.get(seat)?;
            Some(StationIndex(u16::try_from(place).ok()?))
        };
        let held = [first, second].map(|seat| self.held_since(seat, slot));
        let until = held.into_iter().flatten().min();
        let both: Vec<Both> = self
            .compare
            .past
            .iter()
            .filter(|(hour, _)| until.is_none_or(|until| Time((hour + 1) * HOUR) <= until))
            .filter_map(|(hour, rows)| {
                Some(Both {
                    time: Time(hour * HOUR),
                    first: rows.get(first)?.get(slot).copied().flatten()?,
                    second: rows.get(second)?.get(slot).copied().flatten()?,
                    wind: None,
                    direction: None,
                    sun: 0.0,
                })
            })
            .collect();
        let quantity = *COMPARED.get(slot)?;
        let usual = compare(quantity, both.iter()).filter(|usual| usual.count >= LEAST)?;
        Some(UsualPair {
            stations: [station(first)?, station(second)?],
            quantity,
            usual,
            from: both.first()?.time,
            to: Time(both.last()?.time.0 + HOUR),
        })
    }

    /// Since when something is held of what a seat says in a slot.
    fn held_since(&self, seat: usize, slot: usize) -> Option<Time> {
        let (station, instrument) = self.names(seat, slot)?;
        let own = |said: &&observation::Diagnosis| {
            said.station.as_deref() == Some(station.as_str())
                && said.instrument.as_ref().is_none_or(|i| *i == instrument)
        };
        self.diagnoses().iter().filter(own).map(|said| said.since).min()
    }
}
