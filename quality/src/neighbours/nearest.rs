//! Any number of stations: up to five are one panel; of more, each has a panel of itself
//! and its nearest, so that the cost of a reading does not grow with their number.
//!
//! Where the stations change, the panels that have learned go on to speak beside those that
//! learn anew, until these have learned: `rearranged.rs`.

mod member;
mod rearranged;
#[cfg(test)]
mod tests;

use super::limits::Limits;
use super::panel::{Panel, Setup, Verdict};
use super::sites::{LARGEST, Site, nearest};
use super::suspicion::{Kind, State};
use super::values::Values;
use crate::charts::{Charts, KEPT};
use crate::diagnosis::Cause;
use crate::rain_alone::RainAlone;
use crate::rose::Rose;
use member::Member;
use observation::time::HOUR;
use observation::{Quantity, Time};
use serde::{Deserialize, Serialize};

pub use rearranged::Root;
pub(crate) use rearranged::carried;

/// The comparison of all stations of a property.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Neighbourhood {
    /// Those that speak until others have learned, longest first; then those of the stations
    /// as they stand.
    members: Vec<Member>,
    /// How many of the members speak until others have learned.
    #[serde(default)]
    elders: usize,
    /// By station, its neighbours.
    #[serde(default)]
    near: Vec<Vec<usize>>,
    /// The same, once the last elder is silent; empty where they are the same.
    #[serde(default)]
    coming: Vec<Vec<usize>>,
    /// Degrees north and east of the first station.
    #[serde(default)]
    place: (f64, f64),
    #[serde(default)]
    charts: Charts,
    #[serde(default)]
    rose: Rose,
    #[serde(default)]
    rain_alone: RainAlone,
    /// Instruments that are off at all times, or were until lately, and since which hour they
    /// are so or no longer so.
    #[serde(default)]
    off: Vec<Off>,
    /// What stands still, misses rain or is of a wrong clock: no chart looks at it.
    #[serde(default)]
    silenced: Vec<(usize, Quantity, Kind)>,
}

/// Station, quantity, hour, and whether it is off.
type Off = (usize, Quantity, i64, bool);

impl Neighbourhood {
    /// Sets up the panels: the lists are made once, here. `steps_per_hour` is 1 or 6.
    /// Fewer than two stations are never compared.
    pub fn new(sites: &[Site], steps_per_hour: usize, limits: &Limits) -> Self {
        let panel = |stations: Vec<usize>, shared: bool| {
            let longitude = stations.first().map_or(0.0, |s| sites[*s].longitude);
            let setup = Setup { stations: stations.len(), steps_per_hour, longitude };
            Member::new(stations, shared, Panel::new(setup, limits))
        };
        let members = match sites.len() {
            0 | 1 => Vec::new(),
            count if count <= LARGEST => vec![panel((0..count).collect(), true)],
            count => (0..count)
                // The own station first, whatever else stands at the same place.
                .map(|own| panel(std::iter::once(own).chain(nearest(sites, own)).collect(), false))
                .collect(),
        };
        let near = (0..sites.len()).map(|own| nearest(sites, own)).collect();
        let place = sites.first().map_or((0.0, 0.0), |s| (s.latitude, s.longitude));
        Self {
            members,
            elders: 0,
            near,
            coming: Vec::new(),
            place,
            charts: Charts::default(),
            rose: Rose::default(),
            rain_alone: RainAlone::default(),
            off: Vec::new(),
            silenced: Vec::new(),
        }
    }

    /// Takes the values of the step that begins at `start`, by station. Places of stations
    /// in what is returned are those of the list of sites.
    pub fn take(&mut self, start: Time, values: &[Values], limits: &Limits) -> Verdict {
        let mut all = Verdict::default();
        self.retire(limits);
        for place in 0..self.members.len() {
            let (before, rest) = self.members.split_at_mut(place);
            let Some(member) = rest.first_mut() else { continue };
            let spoken = |station, quantity| before.iter().any(|m| m.speaks_for(station, quantity));
            let mut column = member.column(values);
            if self.elders > 0 {
                if member.waits(&column) {
                    continue;
                }
                if place >= self.elders && !member.has_learned(limits) {
                    // What those that have learned hold is not to be learned as usual.
                    for (station, quantity, _, _) in self.off.iter().filter(|off| off.3) {
                        if spoken(*station, *quantity) {
                            member.blank(&mut column, *station, *quantity);
                        }
                    }
                }
            }
            let verdict = member.panel.take(start, &column, limits);
            let member = &*member;
            let own = |local: usize, quantity| {
                let station = member.station(local)?;
                let says = member.speaks_for(station, quantity) && !spoken(station, quantity);
                says.then_some(station)
            };
            // A disagreement without a culprit would be said once by every panel that sees it.
            let disagrees = member.shared && !before.iter().any(|m| m.shared);
            for mut suspicion in verdict.suspicions {
                let named = suspicion.station.map(|local| own(local, suspicion.quantity));
                if named.map_or(disagrees, |named| named.is_some()) {
                    suspicion.station = named.flatten();
                    all.suspicions.push(suspicion);
                }
            }
            for mut stray in verdict.strays {
                if let Some(station) = own(stray.station, stray.quantity) {
                    stray.station = station;
                    all.strays.push(stray);
                }
            }
            for mut kept in verdict.kept_back {
                if let Some(station) = own(kept.station, kept.quantity) {
                    kept.station = station;
                    all.kept_back.push(kept);
                }
            }
            for (largest, found) in all.evidence.iter_mut().zip(verdict.evidence) {
                *largest = [*largest, found].into_iter().flatten().reduce(f64::max);
            }
            all.clock = all.clock.max(verdict.clock);
        }
        let hour = start.0.div_euclid(HOUR);
        self.note_off(hour, &all);
        let off = |station: usize, quantity: Quantity| {
            self.off.iter().filter(|o| (o.0, o.1) == (station, quantity)).map(|o| o.2).max()
        };
        let charts = (&limits.charts, off);
        let mut looked_at = values.to_vec();
        for (station, quantity, kind) in &self.silenced {
            match looked_at.get_mut(*station) {
                Some(value) if *kind == Kind::Clock => *value = Values::MISSING,
                Some(value) => value.set(*quantity, f64::NAN),
                None => {}
            }
        }
        all.charted = self.charts.take(hour, &looked_at, &self.near, self.place, charts);
        let late = |station: usize| {
            self.silenced.iter().any(|(s, _, kind)| (*s, *kind) == (station, Kind::Clock))
        };
        all.charted.extend(self.rose.take(hour, (values, &looked_at), &self.near, late));
        all.charted.extend(self.rain_alone.take(hour, &looked_at, &self.near));
        all
    }

    fn note_off(&mut self, hour: i64, verdict: &Verdict) {
        let kept = hour - KEPT as i64 * 24;
        self.off.retain(|(_, _, since, is_off)| *is_off || *since > kept);
        for suspicion in &verdict.suspicions {
            let Some(station) = suspicion.station else { continue };
            if suspicion.kind != Kind::Offset {
                let one = (station, suspicion.quantity, suspicion.kind);
                self.silenced.retain(|other| *other != one);
                if suspicion.state != State::Closed {
                    self.silenced.push(one);
                }
                continue;
            }
            let is_off = suspicion.state != State::Closed;
            let since = if is_off { suspicion.since.0.div_euclid(HOUR) } else { hour };
            self.off.retain(|o| (o.0, o.1) != (station, suspicion.quantity));
            self.off.push((station, suspicion.quantity, since, is_off));
        }
    }

    /// The cause that a chart holds open of an instrument.
    pub fn charted(&self, station: usize, quantity: Quantity) -> Option<Cause> {
        let gap = || {
            let vane = quantity == Quantity::WindFromDirection && self.rose.open(station);
            vane.then_some(Cause::VaneSwitchDead)
        };
        self.charts.open(station, quantity).or_else(gap)
    }
}
