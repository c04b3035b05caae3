//! Leaving and coming back: what is small is saved with the rest every few minutes; what
//! was learned is large, stands at an hour of its own, and is brought forward by the hours
//! that were judged since.

use super::alone::{Failing, Stillness};
use super::hours::Hours;
use super::household::Household;
use super::opinions::Opinions;
use super::overlay::SavedOverlay;
use super::plan::SLOTS;
use super::suspects::Suspect;
use super::{Compare, Row};
use crate::Processor;
use observation::Time;
use quality::diagnosis::Onset;
use quality::neighbours::{Neighbourhood, Quick};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

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

    /// Takes up what was saved, if it is of the same stations.
    pub(crate) fn restore_compare(&mut self, saved: &SavedCompare) {
        let compare = &mut self.compare;
        let same = saved.fingerprint == compare.seats.fingerprint
            && saved.own.len() == compare.own.len()
            && saved.failing.len() == compare.failing.len()
            && saved.household.fits(&compare.household);
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
        compare.suspects.clone_from(&saved.suspects);
        compare.opinions.clone_from(&saved.opinions);
        compare.failing.clone_from(&saved.failing);
        compare.household.clone_from(&saved.household);
        compare.air = saved.air;
        self.book.overlay.restore(&saved.overlay);
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
