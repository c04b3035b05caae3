//! Who is compared, by names and by what their values depend on: what was learned is kept
//! under them, so that a change of the settings loses what depends on it and nothing else.

use super::Row;
use super::plan::{COMPARED, SLOTS, Seats};
use observation::Property;
use observation::signal::counter::boot_number;
use quality::neighbours::Root;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// One station that is compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Known {
    station: String,
    /// A number for where it stands.
    site: u64,
    /// By slot: the instrument, and a number for all that makes its values what they are.
    voices: [Option<(String, u64)>; SLOTS],
}

/// All of them, by seat.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Roster {
    seats: Vec<Known>,
}

impl Roster {
    pub(crate) fn new(property: &Property, seats: &Seats) -> Self {
        let known = seats.stations.iter().enumerate().map(|(seat, &place)| {
            let site = seats.sites.get(seat);
            let at = site.map(|s| [s.latitude, s.longitude, s.elevation].map(f64::to_bits));
            let voice = |slot: usize| {
                let voice = seats.voice(seat, slot)?;
                let i = property.instruments.get(voice.instrument)?;
                // Not how often it speaks, nor what is plausible: its values stay what they are.
                let meaning = (
                    (i.quantity, &i.unit, i.height, voice.rise),
                    (&i.signal, &i.calibrations, i.mounting, i.statistic),
                );
                Some((i.id.clone(), boot_number(&format!("{meaning:?}"))))
            };
            Known {
                station: property.stations.get(place).map(|s| s.id.clone()).unwrap_or_default(),
                site: boot_number(&format!("{at:?}")),
                voices: std::array::from_fn(voice),
            }
        });
        Self { seats: known.collect() }
    }

    pub(crate) const fn len(&self) -> usize {
        self.seats.len()
    }

    /// What each station of `now` was in this one.
    pub(crate) fn roots(&self, now: &Self) -> Vec<Option<Root>> {
        let root = |known: &Known| {
            let same = |old: &&(usize, &Known)| {
                (&old.1.station, old.1.site) == (&known.station, known.site)
            };
            let all: Vec<(usize, &Known)> = self.seats.iter().enumerate().collect();
            let &(place, old) = all.iter().find(same)?;
            let voices = COMPARED.iter().zip(known.voices.iter().zip(&old.voices));
            let anew = voices.filter(|(_, (now, then))| now.is_some() && now != then);
            Some(Root { place, anew: anew.map(|(quantity, _)| *quantity).collect() })
        };
        now.seats.iter().map(root).collect()
    }

    /// The same where nothing changed.
    pub(crate) fn unchanged(&self) -> Vec<Option<Root>> {
        (0..self.seats.len()).map(|place| Some(Root { place, anew: Vec::new() })).collect()
    }

    /// What of this roster is learned anew given its roots, in names.
    pub(crate) fn anew(&self, roots: &[Option<Root>]) -> Vec<String> {
        let mut names = Vec::new();
        for (known, root) in self.seats.iter().zip(roots) {
            let Some(root) = root else {
                names.push(known.station.clone());
                continue;
            };
            for (quantity, voice) in COMPARED.iter().zip(&known.voices) {
                if let (true, Some((instrument, _))) = (root.anew.contains(quantity), voice) {
                    names.push(format!("{}/{instrument}", known.station));
                }
            }
        }
        names
    }
}

/// Whether what was known of a slot holds.
pub(crate) fn keeps(root: &Root, slot: usize) -> bool {
    COMPARED.get(slot).is_some_and(|quantity| !root.anew.contains(quantity))
}

/// Hours as the stations that now are would have said them.
pub(crate) fn moved(
    rows: &VecDeque<(i64, Vec<Row>)>,
    roots: &[Option<Root>],
) -> VecDeque<(i64, Vec<Row>)> {
    let row = |rows: &[Row], root: &Option<Root>| {
        let Some(root) = root else { return [None; SLOTS] };
        let mut row = rows.get(root.place).copied().unwrap_or_default();
        for (slot, value) in row.iter_mut().enumerate() {
            *value = value.filter(|_| keeps(root, slot));
        }
        row
    };
    rows.iter().map(|(hour, rows)| (*hour, roots.iter().map(|r| row(rows, r)).collect())).collect()
}
