//! Any number of stations: up to five are one panel; of more, each has a panel of itself
//! and its nearest, so that the cost of a reading does not grow with their number.

use super::limits::Limits;
use super::panel::{Panel, Setup, Verdict};
use super::sites::{LARGEST, Site, nearest};
use super::suspicion::{Kind, State};
use super::values::Values;
use crate::charts::{Charts, KEPT};
use crate::diagnosis::Cause;
use crate::rain_alone::RainAlone;
use crate::rose::Rose;
use observation::time::HOUR;
use observation::{Quantity, Time};
use serde::{Deserialize, Serialize};

#[derive(Clone, Debug, Serialize, Deserialize)]
struct Member {
    /// Places of its stations; the first is the one it speaks for, unless there is only
    /// one panel.
    stations: Vec<usize>,
    panel: Panel,
}

/// The comparison of all stations of a property.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Neighbourhood {
    members: Vec<Member>,
    /// By station, its neighbours.
    #[serde(default)]
    near: Vec<Vec<usize>>,
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
        let panel = |stations: Vec<usize>| {
            let longitude = stations.first().map_or(0.0, |s| sites[*s].longitude);
            let setup = Setup { stations: stations.len(), steps_per_hour, longitude };
            Member { panel: Panel::new(setup, limits), stations }
        };
        let members = match sites.len() {
            0 | 1 => Vec::new(),
            count if count <= LARGEST => vec![panel((0..count).collect())],
            count => (0..count)
                // The own station first, whatever else stands at the same place.
                .map(|own| panel(std::iter::once(own).chain(nearest(sites, own)).collect()))
                .collect(),
        };
        let near = (0..sites.len()).map(|own| nearest(sites, own)).collect();
        let place = sites.first().map_or((0.0, 0.0), |s| (s.latitude, s.longitude));
        Self {
            members,
            near,
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
        let alone = self.members.len() == 1;
        let mut column = Vec::with_capacity(LARGEST);
        for member in &mut self.members {
            column.clear();
            let of = |s: &usize| values.get(*s).copied().unwrap_or(Values::MISSING);
            column.extend(member.stations.iter().map(of));
            let verdict = member.panel.take(start, &column, limits);
            let own = |place: Option<usize>| alone || place.is_none_or(|p| p == 0);
            for mut suspicion in verdict.suspicions {
                // Each panel speaks for its own station; a disagreement without a culprit
                // would be said once by every panel that sees it.
                if own(suspicion.station) && (alone || suspicion.station.is_some()) {
                    suspicion.station = suspicion.station.map(|p| member.stations[p]);
                    all.suspicions.push(suspicion);
                }
            }
            for mut stray in verdict.strays {
                if own(Some(stray.station)) {
                    stray.station = member.stations[stray.station];
                    all.strays.push(stray);
                }
            }
            for mut kept in verdict.kept_back {
                if own(Some(kept.station)) {
                    kept.station = member.stations[kept.station];
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::neighbours::Suspicion;

    const WRONG_FROM: i64 = 48 * 24;

    /// Invented weather with noise of its own for every station: a repeatable sequence.
    struct Sky {
        state: u64,
    }

    impl Sky {
        fn noise(&mut self) -> f64 {
            // Sum of uniform numbers of a linear congruential generator (Knuth's constants).
            let mut sum = 0.0;
            for _ in 0..4 {
                self.state = self
                    .state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                sum += (self.state >> 40) as f64 / f64::from(1 << 24) - 0.5;
            }
            sum * 1.7
        }

        fn hour(&mut self, hour: i64, stations: usize) -> Vec<Values> {
            let phase = std::f64::consts::TAU * (hour % 24) as f64 / 24.0;
            let season = 0.6 * (hour as f64 / 11.0).sin() + 0.6 * (hour as f64 / 29.0).sin();
            let (temperature, pressure) = (12.0 + 5.0 * phase.sin() + 4.0 * season, 8.0 * season);
            let direction = 200.0 + 60.0 * (hour as f64 / 40.0).sin();
            (0..stations)
                .map(|station| Values {
                    temperature: temperature + 0.3 * self.noise() + 0.2 * station as f64,
                    humidity: 70.0 - 10.0 * phase.sin() + 1.5 * self.noise(),
                    dew_point: 6.0 + 2.0 * season + 0.3 * self.noise(),
                    pressure: 1013.0 + pressure + 0.1 * self.noise(),
                    speed: (4.0 + 1.5 * season + 0.3 * self.noise()).max(0.0),
                    direction: (direction + 4.0 * self.noise()).rem_euclid(360.0),
                    rain: 0.0,
                })
                .collect()
        }
    }

    fn sites(count: usize) -> Vec<Site> {
        (0..count)
            .map(|i| Site { latitude: 54.0 + 0.001 * i as f64, longitude: -2.0, elevation: 200.0 })
            .collect()
    }

    /// What is said of `count` stations of which `wrong` is 1.5 K warm from `WRONG_FROM` on.
    fn judged(count: usize, wrong: usize, silent: Option<usize>) -> Vec<(i64, Suspicion)> {
        let limits = Limits::default();
        let mut neighbourhood = Neighbourhood::new(&sites(count), 1, &limits);
        let mut sky = Sky { state: 5 };
        let mut said = Vec::new();
        for hour in 0..58 * 24 {
            let mut values = sky.hour(hour, count);
            if hour >= WRONG_FROM {
                values[wrong].temperature += 1.5;
            }
            if let Some(silent) = silent
                && hour >= 46 * 24
            {
                values[silent] = Values::MISSING;
            }
            let verdict = neighbourhood.take(Time(hour * HOUR), &values, &limits);
            said.extend(verdict.suspicions.into_iter().map(|s| (hour, s)));
        }
        said
    }

    fn opened(said: &[(i64, Suspicion)]) -> Vec<(i64, Suspicion)> {
        said.iter().filter(|(_, s)| s.state == State::Opened).copied().collect()
    }

    #[test]
    fn of_three_five_and_six_the_warm_one_is_named_with_its_size() {
        for count in [3, 5, 6] {
            let said = judged(count, 1, None);
            let opened = opened(&said);
            assert_eq!(opened.len(), 1, "{count}: {opened:?}");
            let (hour, first) = opened[0];
            assert_eq!((first.station, first.kind), (Some(1), Kind::Offset));
            assert_eq!(first.quantity, Quantity::AirTemperature);
            assert!((WRONG_FROM..WRONG_FROM + 48).contains(&hour), "{count}: hour {hour}");
            let last = said.last().map_or(first, |(_, s)| *s);
            assert!((last.size.unwrap_or(0.0) - 1.5).abs() < 0.15, "{last:?}");
            let since = (last.since.0 / HOUR - WRONG_FROM).abs();
            assert!(since <= 6, "{count}: {since} hours off");
        }
    }

    #[test]
    fn of_two_neither_is_named() {
        let opened = opened(&judged(2, 1, None));
        assert!(!opened.is_empty());
        assert!(opened.iter().all(|(_, s)| s.station.is_none()), "{opened:?}");
    }

    #[test]
    fn a_silent_station_leaves_the_others_a_voice() {
        let opened = opened(&judged(4, 1, Some(2)));
        assert_eq!(opened.len(), 1, "{opened:?}");
        assert_eq!(opened[0].1.station, Some(1));
    }

    #[test]
    fn steps_that_do_not_advance_are_not_taken_and_gaps_are_bridged() {
        let limits = Limits::default();
        let mut neighbourhood = Neighbourhood::new(&sites(3), 1, &limits);
        let mut sky = Sky { state: 9 };
        for hour in (0..20).chain(300..320).chain(100_000..100_020) {
            let values = sky.hour(hour, 3);
            neighbourhood.take(Time(hour * HOUR), &values, &limits);
        }
        let values = sky.hour(5, 3);
        let verdict = neighbourhood.take(Time(5 * HOUR), &values, &limits);
        assert_eq!(verdict, Verdict::default());
        let none = Neighbourhood::new(&sites(1), 1, &limits).take(Time(0), &values, &limits);
        assert!(none.suspicions.is_empty());
    }
}
