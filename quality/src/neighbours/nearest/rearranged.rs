//! Stations that came, went, moved or were changed: what was learned of all others stays.
//!
//! A panel of the stations as they now stand learns from nothing, as its contrasts and terms
//! are those of all its stations. Until it has learned, the panels of before go on to speak:
//! of what has not changed, with what has changed left out. So nobody is without a voice for
//! weeks because a station was added.

use super::member::Member;
use super::{Limits, Neighbourhood, Site};
use observation::Quantity;

/// Panels that have learned and still speak for the same stations, at most.
const LEARNED: usize = 2;
/// What is compared.
const COMPARED: [Quantity; 7] = [
    Quantity::AirTemperature,
    Quantity::RelativeHumidity,
    Quantity::DewPointTemperature,
    Quantity::AirPressureAtMeanSeaLevel,
    Quantity::WindSpeed,
    Quantity::WindFromDirection,
    Quantity::PrecipitationDepth,
];

/// What a station was before the stations changed.
#[derive(Clone, Debug, PartialEq)]
pub struct Root {
    /// Its place in the list of stations before.
    pub place: usize,
    /// What it now measures by another instrument, or otherwise than before: learned anew.
    pub anew: Vec<Quantity>,
}

impl Root {
    /// Whether it is the station at a place, in nothing changed.
    pub const fn is_at(&self, place: usize) -> bool {
        self.place == place && self.anew.is_empty()
    }

    /// Whether what was learned of a quantity holds.
    pub(crate) fn keeps(&self, quantity: Quantity) -> bool {
        !self.anew.contains(&quantity)
    }
}

/// The roots by station, seen from the stations of before.
struct Heirs<'a> {
    roots: &'a [Option<Root>],
    places: Vec<Option<usize>>,
}

impl<'a> Heirs<'a> {
    fn new(roots: &'a [Option<Root>]) -> Self {
        let known = || roots.iter().enumerate().filter_map(|(now, r)| Some((now, r.as_ref()?)));
        let count = known().map(|(_, root)| root.place + 1).max().unwrap_or(0);
        let mut places = vec![None; count];
        for (now, root) in known() {
            if let Some(place) = places.get_mut(root.place) {
                *place = Some(now);
            }
        }
        Self { roots, places }
    }

    /// Where a station of before now is.
    fn now(&self, before: usize) -> Option<usize> {
        self.places.get(before).copied().flatten()
    }

    /// The same, if what was learned of a quantity holds.
    fn of(&self, before: usize, quantity: Quantity) -> Option<usize> {
        let now = self.now(before)?;
        self.roots.get(now)?.as_ref().is_some_and(|root| root.keeps(quantity)).then_some(now)
    }
}

impl Member {
    /// The panel among the stations as they now are, with what changed left out.
    fn moved(mut self, heirs: &Heirs<'_>) -> Self {
        for local in 0..self.stations.len() {
            let Some(before) = self.station(local) else { continue };
            for quantity in COMPARED {
                if heirs.of(before, quantity).is_none() {
                    self.panel.deafen(local, quantity);
                }
            }
            if let Some(station) = self.stations.get_mut(local) {
                *station = heirs.now(before);
            }
        }
        self
    }

    /// Whether it is the panel of the same stations, none of which was changed.
    fn is_whole(&self, of: &Self) -> bool {
        let first = self.shared || self.stations.first() == of.stations.first();
        let same = self.stations.len() == of.stations.len()
            && of.stations.iter().all(|station| self.stations.contains(station));
        self.shared == of.shared && first && same && self.panel.hears_all()
    }

    /// Whether it can still compare, and has somebody to speak for.
    fn is_of_use(&self) -> bool {
        self.own().next().is_some() && self.stations.iter().flatten().count() >= 2
    }
}

impl Neighbourhood {
    /// Goes on with the stations as they now are: `roots` tells of each what it was before,
    /// none of one that is new or stands elsewhere.
    #[must_use]
    pub fn rearranged(
        mut self,
        sites: &[Site],
        roots: &[Option<Root>],
        before: usize,
        limits: &Limits,
    ) -> Self {
        if let [member] = self.members.as_mut_slice() {
            // In what was saved before this was known, a single panel speaks for all.
            member.shared = true;
        }
        let unchanged = roots.len() == before
            && (0..).zip(roots).all(|(p, root)| root.as_ref().is_some_and(|r| r.is_at(p)));
        if unchanged {
            return self;
        }
        let heirs = Heirs::new(roots);
        let members = std::mem::take(&mut self.members);
        let mut carried: Vec<Member> = members.into_iter().map(|m| m.moved(&heirs)).collect();
        let mut next = Self::new(sites, 1, limits);
        let mut fresh: Vec<Member> = Vec::new();
        for mut member in std::mem::take(&mut next.members) {
            if let Some(place) = carried.iter().position(|old| old.is_whole(&member)) {
                fresh.push(carried.remove(place));
                continue;
            }
            if member.own().any(|own| carried.iter().any(|old| old.speaks_of(own))) {
                member.wait_for(|s| roots.get(s).is_none_or(Option::is_none));
            }
            fresh.push(member);
        }
        let mut elders: Vec<Member> = Vec::new();
        for member in carried.into_iter().filter(Member::is_of_use) {
            let learned = member.has_learned(limits);
            let same = |other: &&Member| {
                other.has_learned(limits) == learned
                    && other.shared == member.shared
                    && (member.shared || other.station(0) == member.station(0))
            };
            // Of those that have not learned the one that is furthest is the next to speak.
            if elders.iter().filter(same).count() < if learned { LEARNED } else { 1 } {
                elders.push(member);
            }
        }
        next.elders = elders.len();
        if !elders.is_empty() {
            next.coming = next.near.clone();
            for (near, root) in next.near.iter_mut().zip(roots) {
                let old = root.as_ref().and_then(|root| self.near.get(root.place));
                let mapped: Option<Vec<usize>> =
                    old.map(|old| old.iter().filter_map(|n| heirs.now(*n)).collect());
                if let Some(mapped) = mapped.filter(|mapped| !mapped.is_empty()) {
                    *near = mapped;
                }
            }
        }
        next.members = elders;
        next.members.extend(fresh);
        next.charts = self.charts.rearranged(roots);
        next.rose = self.rose.rearranged(roots);
        next.rain_alone = self.rain_alone.rearranged(roots);
        let off = self.off.into_iter();
        next.off = off.filter_map(|o| Some((heirs.of(o.0, o.1)?, o.1, o.2, o.3))).collect();
        let silenced = self.silenced.into_iter();
        next.silenced = silenced.filter_map(|s| Some((heirs.of(s.0, s.1)?, s.1, s.2))).collect();
        next
    }

    /// Lets those go that have been followed: who speaks for the same stations has learned, and
    /// they hold nothing.
    pub(super) fn retire(&mut self, limits: &Limits) {
        let mut place = 0;
        while place < self.elders {
            let followed = |own: usize| {
                let later = self.members.iter().skip(place + 1);
                later.filter(|m| m.speaks_of(own)).any(|m| m.has_learned(limits))
            };
            let is_over = self
                .members
                .get(place)
                .is_none_or(|elder| !elder.panel.holds() && elder.own().all(followed));
            if is_over {
                self.members.remove(place);
                self.elders -= 1;
                if self.elders == 0 && !self.coming.is_empty() {
                    self.near = std::mem::take(&mut self.coming);
                }
            } else {
                place += 1;
            }
        }
    }

    /// Whether panels of before the last change still speak.
    pub const fn is_learning_anew(&self) -> bool {
        self.elders > 0
    }
}

/// What was learned of each station, by station as they now are; `begin` makes that of one of
/// which nothing was, `forget` takes out what no longer holds.
pub(crate) fn carried<T: Clone>(
    old: &[T],
    roots: &[Option<Root>],
    begin: impl Fn() -> T,
    forget: impl Fn(&mut T, &Root),
) -> Vec<T> {
    let of = |root: &Root| {
        let mut state = old.get(root.place)?.clone();
        forget(&mut state, root);
        Some(state)
    };
    roots.iter().map(|root| root.as_ref().and_then(of).unwrap_or_else(&begin)).collect()
}
