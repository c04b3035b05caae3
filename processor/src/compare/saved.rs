//! Leaving and coming back: what is small is saved with the rest every few minutes; what
//! was learned is large, stands at an hour of its own, and is brought forward by the hours
//! that were judged since.

use super::alone::{Failing, Stillness};
use super::hours::Hours;
use super::household::Household;
use super::names::Names;
use super::opinions::Opinions;
use super::overlay::SavedOverlay;
use super::plan::{COMPARED, SLOTS, Seats, Voice};
use super::roster::{Roster, keeps, moved};
use super::suspects::Suspect;
use super::{Compare, Row, Seat};
use crate::Processor;
use observation::{Diagnosis, Time};
use quality::diagnosis::Onset;
use quality::neighbours::{Neighbourhood, Quick, Root};
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
    /// What stands for the roster in what was saved without one.
    fingerprint: u64,
    /// Of the places of stations and instruments, likewise.
    #[serde(default)]
    order: u64,
    #[serde(default)]
    roster: Roster,
    /// All stations, and all instruments with theirs: what is known by their places.
    #[serde(default)]
    names: Names,
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
    #[serde(default)]
    roster: Roster,
    judged: i64,
    engine: Neighbourhood,
    past: VecDeque<(i64, Vec<Row>)>,
}

/// How much of what was learned is in use again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Resumed {
    /// All of it.
    Whole,
    /// All but what was changed: stations, and instruments as `STATION/INSTRUMENT`.
    But(Vec<String>),
    /// None: nothing was saved, or it is of other stations.
    Nothing,
}

/// The series that are compared, by seat and slot.
fn numbered(seats: &Seats) -> Vec<[Option<u32>; SLOTS]> {
    let number = |voice: &Option<Voice>| voice.as_ref().map(|v| v.series.0);
    seats.voices.iter().map(|voices| voices.each_ref().map(number)).collect()
}

/// What each station that is compared was when something was saved; none where it cannot be
/// told.
fn roots(seats: &Seats, roster: &Roster, fingerprint: u64) -> Option<Vec<Option<Root>>> {
    let found = if roster.len() > 0 {
        roster.roots(&seats.roster)
    } else if fingerprint == seats.fingerprint {
        seats.roster.unchanged()
    } else {
        return None;
    };
    found.iter().any(Option::is_some).then_some(found)
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
            roster: seats.roster.clone(),
            names: Names::of(&self.property),
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

    /// Takes up what was saved, but for what depends on settings that have changed since.
    pub(crate) fn restore_compare(&mut self, saved: &SavedCompare) {
        self.restore_places(saved);
        let compare = &mut self.compare;
        compare.opinions.clone_from(&saved.opinions);
        let roots = roots(&compare.seats, &saved.roster, saved.fingerprint);
        let roots = roots.unwrap_or_else(|| vec![None; compare.seats.sites.len()]);
        let known = !saved.names.is_empty() || saved.order == self.compare.seats.order;
        self.end_what_changed((saved.own.len(), known), &roots);
        if roots.iter().all(Option::is_none) {
            return;
        }
        let compare = &mut self.compare;
        for (seat, root) in compare.own.iter_mut().zip(&roots) {
            let old = root.as_ref().and_then(|r| Some((r, saved.own.get(r.place)?)));
            if let Some((root, old)) = old {
                seat.take_up(root, old);
            }
        }
        compare.hours = saved.hours.moved(&roots);
        compare.judged = saved.judged;
        compare.rows = moved(&saved.rows, &roots);
        compare.air = saved.air;
        let now = numbered(&compare.seats);
        let known = |seat: usize, slot: usize| {
            let root = roots.get(seat)?.as_ref().filter(|root| keeps(root, slot))?;
            let then = saved.series.get(root.place)?.get(slot).copied().flatten()?;
            Some((then, now.get(seat)?.get(slot).copied().flatten()?))
        };
        let all = (0..roots.len()).flat_map(|seat| (0..SLOTS).map(move |slot| (seat, slot)));
        let numbers: BTreeMap<u32, u32> = all.filter_map(|(s, slot)| known(s, slot)).collect();
        let unmoved = saved.series == now
            && saved.order == compare.seats.order
            && (0..).zip(&roots).all(|(place, root)| root.as_ref().is_some_and(|r| r.is_at(place)));
        let number = |then: u32| if unmoved { Some(then) } else { numbers.get(&then).copied() };
        let seat_of = |then: usize| {
            roots.iter().position(|root| root.as_ref().is_some_and(|r| r.place == then))
        };
        let suspects = saved.suspects.iter().filter_map(|suspect| {
            let (series, seat) = (number(suspect.series)?, seat_of(suspect.seat)?);
            Some(Suspect { series, seat, ..*suspect })
        });
        compare.suspects = suspects.collect();
        self.book.overlay.restore(&saved.overlay, &number);
    }

    /// What is known by the places of stations and instruments among all.
    fn restore_places(&mut self, saved: &SavedCompare) {
        let now = Names::of(&self.property);
        let compare = &mut self.compare;
        let then = match &saved.names {
            names if !names.is_empty() => names,
            // It was saved without names, in an order that is the same.
            _ if saved.order == compare.seats.order => &now,
            _ => return,
        };
        let stations = now.stations_in(then);
        let moved = then.instruments_in(&now);
        compare.household = saved.household.moved(&stations, &|i| moved.get(i).copied().flatten());
        for (then, now) in moved.iter().enumerate() {
            let old = saved.failing.get(then);
            let new = now.and_then(|now| compare.failing.get_mut(now));
            if let (Some(old), Some(new)) = (old, new) {
                new.clone_from(old);
            }
        }
    }

    /// The state is built: what is told from now on is new.
    pub const fn resume(&mut self) {
        self.compare.resumed = true;
    }

    /// A record of diagnoses that was found while the state was built.
    pub fn was_told(&mut self, told: &[Diagnosis]) {
        self.compare.opinions.was_told(told);
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
            roster: compare.seats.roster.clone(),
            judged: compare.judged?,
            engine: compare.engine.clone(),
            past: compare.past.clone(),
        })
    }

    /// Takes up what was learned, after [`Self::restore`]: it may stand at an earlier hour.
    /// Without it the hours that are remembered are learned again. What depends on settings
    /// that have changed since is learned anew, beside what was learned of all else.
    pub fn restore_learned(&mut self, learned: Option<Learned>) -> Resumed {
        let compare = &mut self.compare;
        let mut from = i64::MIN;
        let mut resumed = Resumed::Nothing;
        let fits = |l: &Learned| Some(l.judged) <= compare.judged;
        if let Some(learned) = learned.filter(fits)
            && let Some(roots) = roots(&compare.seats, &learned.roster, learned.fingerprint)
        {
            let before = if learned.roster.len() > 0 { learned.roster.len() } else { roots.len() };
            let sites = &compare.seats.sites;
            compare.engine = learned.engine.rearranged(sites, &roots, before, &compare.limits);
            compare.past = moved(&learned.past, &roots);
            from = learned.judged + 1;
            let anew = compare.seats.roster.anew(&roots);
            resumed = if anew.is_empty() { Resumed::Whole } else { Resumed::But(anew) };
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
        resumed
    }
}

impl Seat {
    /// What was known of it, but for what was changed.
    fn take_up(&mut self, root: &Root, old: &SavedSeat) {
        self.quick = old.quick.clone();
        (self.looked, self.newest, self.still) = (old.looked, old.newest, old.still);
        (self.doubted, self.onset) = (old.doubted, old.onset);
        for slot in (0..SLOTS).filter(|slot| !keeps(root, *slot)) {
            self.quick.forget(COMPARED.get(slot).copied());
            if let Some(newest) = self.newest.get_mut(slot) {
                *newest = None;
            }
            if let Some(still) = self.still.get_mut(slot) {
                *still = Stillness::default();
            }
            if let Some(doubted) = self.doubted.get_mut(slot) {
                *doubted = 0.0;
            }
            if let Some(onset) = self.onset.get_mut(slot) {
                *onset = None;
            }
        }
    }
}
