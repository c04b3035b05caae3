//! Leaving and coming back: what is small is saved with the rest every few minutes; what
//! was learned is large, stands at an hour of its own, and is brought forward by the hours
//! that were judged since.

use super::alone::{Failing, Stillness};
use super::hours::Hours;
use super::household::Household;
use super::opinions::Opinions;
use super::overlay::SavedOverlay;
use super::plan::{SLOTS, Seats, Voice};
use super::suspects::Suspect;
use super::{Compare, Row};
use crate::Processor;
use observation::Time;
use quality::diagnosis::{Cause, Onset};
use quality::neighbours::{Neighbourhood, Quick};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, VecDeque};

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct SavedSeat {
    quick: Quick,
    looked: [Option<Time>; SLOTS],
    newest: [Option<(Time, f64)>; SLOTS],
    still: [Stillness; SLOTS],
    doubted: [f64; SLOTS],
    #[serde(default)]
    onset: [Option<Onset>; SLOTS],
}

/// The small part of what is known of stations beside each other.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SavedCompare {
    fingerprint: u64,
    /// Of the places of stations and instruments; zero in what was saved without it.
    #[serde(default)]
    order: u64,
    /// Series by seat and slot: their numbers change when an instrument is added.
    #[serde(default)]
    series: Vec<[Option<u32>; SLOTS]>,
    own: Vec<SavedSeat>,
    hours: Hours,
    judged: Option<i64>,
    rows: VecDeque<(i64, Vec<Row>)>,
    suspects: Vec<Suspect>,
    opinions: Opinions,
    failing: Vec<Failing>,
    household: Household,
    air: f64,
    overlay: SavedOverlay,
}

/// What was learned up to an hour.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Learned {
    fingerprint: u64,
    judged: i64,
    engine: Neighbourhood,
    past: VecDeque<(i64, Vec<Row>)>,
}

/// The series that are compared, by seat and slot.
fn numbered(seats: &Seats) -> Vec<[Option<u32>; SLOTS]> {
    let number = |voice: &Option<Voice>| voice.as_ref().map(|v| v.series.0);
    seats.voices.iter().map(|voices| voices.each_ref().map(number)).collect()
}

impl Processor {
    pub(crate) fn save_compare(&self) -> SavedCompare {
        let Compare {
            seats,
            own,
            hours,
            judged,
            rows,
            suspects,
            opinions,
            failing,
            household,
            air,
            ..
        } = &self.compare;
        SavedCompare {
            fingerprint: seats.fingerprint,
            order: seats.order,
            series: numbered(seats),
            own: own
                .iter()
                .map(|seat| SavedSeat {
                    quick: seat.quick.clone(),
                    looked: seat.looked,
                    newest: seat.newest,
                    still: seat.still,
                    doubted: seat.doubted,
                    onset: seat.onset,
                })
                .collect(),
            hours: hours.clone(),
            judged: *judged,
            rows: rows.clone(),
            suspects: suspects.clone(),
            opinions: opinions.clone(),
            failing: failing.clone(),
            household: household.clone(),
            air: *air,
            overlay: self.book.overlay.save(),
        }
    }

    /// Takes up what was saved, if the same is compared. What is known by the place of an
    /// instrument among all begins anew where instruments came, went or changed places.
    pub(crate) fn restore_compare(&mut self, saved: &SavedCompare) {
        let compare = &mut self.compare;
        let same =
            saved.fingerprint == compare.seats.fingerprint && saved.own.len() == compare.own.len();
        if !same {
            return;
        }
        for (seat, old) in compare.own.iter_mut().zip(&saved.own) {
            seat.quick = old.quick.clone();
            seat.looked = old.looked;
            seat.newest = old.newest;
            seat.still = old.still;
            seat.doubted = old.doubted;
            seat.onset = old.onset;
        }
        compare.hours.clone_from(&saved.hours);
        compare.judged = saved.judged;
        compare.rows.clone_from(&saved.rows);
        compare.opinions.clone_from(&saved.opinions);
        compare.air = saved.air;
        let now = numbered(&compare.seats);
        let moved: BTreeMap<u32, u32> = saved
            .series
            .iter()
            .flatten()
            .zip(now.iter().flatten())
            .filter_map(|(then, now)| (*then).zip(*now))
            .collect();
        let unmoved = saved.series == now && saved.order == compare.seats.order;
        let number = |then: u32| if unmoved { Some(then) } else { moved.get(&then).copied() };
        compare.suspects.clone_from(&saved.suspects);
        compare.suspects.retain_mut(|suspect| {
            let now = number(suspect.series);
            suspect.series = now.unwrap_or(suspect.series);
            now.is_some()
        });
        self.book.overlay.restore(&saved.overlay, &number);
        let placed = saved.order == compare.seats.order
            && saved.failing.len() == compare.failing.len()
            && saved.household.fits(&compare.household);
        if placed {
            compare.failing.clone_from(&saved.failing);
            compare.household.clone_from(&saved.household);
        } else {
            // Nobody would close them.
            compare.opinions.drop_all_of(&[
                Cause::SensorFault,
                Cause::BatteryFailing,
                Cause::RadioDropouts,
            ]);
        }
    }

    /// The hour up to which stations were judged beside each other.
    pub fn judged(&self) -> Option<i64> {
        self.compare.judged
    }

    /// What was learned so far: large, so it need not be saved with everything else, but
    /// every day at least. None while nothing was judged.
    pub fn learned(&self) -> Option<Learned> {
        let compare = &self.compare;
        Some(Learned {
            fingerprint: compare.seats.fingerprint,
            judged: compare.judged?,
            engine: compare.engine.clone(),
            past: compare.past.clone(),
        })
    }

    /// Takes up what was learned, after [`Self::restore`]: it may stand at an earlier hour.
    /// Without it the hours that are remembered are learned again.
    pub fn restore_learned(&mut self, learned: Option<Learned>) {
        let compare = &mut self.compare;
        let fits = |l: &Learned| {
            l.fingerprint == compare.seats.fingerprint && Some(l.judged) <= compare.judged
        };
        let mut from = i64::MIN;
        if let Some(learned) = learned.filter(fits) {
            compare.engine = learned.engine;
            compare.past = learned.past;
            from = learned.judged + 1;
        }
        let rows: Vec<(i64, Vec<Row>)> =
            compare.rows.iter().filter(|(hour, _)| *hour >= from).cloned().collect();
        let air = compare.air;
        for (hour, rows) in rows {
            // What was said of them was said then.
            compare.take_row(hour, &rows);
            compare.remember_long(hour, &rows);
        }
        compare.air = air;
    }
}
