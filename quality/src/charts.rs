//! What shows under one condition only, told by a control chart: the difference to the
//! neighbours under the condition, less what it is beside it, day by day, in a cumulative
//! sum ([`crate::cusum`]; Page, Biometrika 41, 1954). The judgement of windows asks whether an
//! instrument is off at all times, and finds late what is off on sunny noons alone.
//!
//! The conditions are common practice; the limits are own choices.

mod chart;
mod conditions;
mod day;
mod station;

use crate::cusum::{Chart as Limits, Cusum};
use crate::diagnosis::{Cause, around, elevation};
use crate::neighbours::{State, Values};
use chart::Chart;
use conditions::CONDITIONS;
pub(crate) use day::Mean;
use station::Station;

use crate::rain_alone::Alone;
use observation::{Quantity, Time};
use serde::{Deserialize, Serialize};

/// Days of all before anything is said.
const WARM: i64 = 45;
/// Days of which the hours are kept: what is beside a condition may be days ago.
pub(crate) const KEPT: usize = 12;
/// Neighbours that are off by this share of the size in the same sense say that it is another
/// that changed.
const SHARED: f64 = 0.5;

/// The numbers of the charts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChartLimits {
    /// Reference value and decision interval in spreads of one day.
    pub chart: Limits,
    /// Where a day's usual spread is more than so many times the least excess that is told,
    /// the neighbours are too far away, and nothing is told.
    pub spread: f64,
}

/// What a chart told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Charted {
    /// Opened, looked at again, closed.
    pub state: State,
    /// The place of the station.
    pub station: usize,
    /// What the instrument measures.
    pub quantity: Quantity,
    /// What it means.
    pub cause: Cause,
    /// When it began.
    pub since: Time,
    /// Mean excess under the condition since then, in the unit of the quantity; for wind and
    /// rain the factor.
    pub size: f64,
    /// The cumulative sum, in decision intervals.
    pub score: f64,
    /// 0.5 when it opens, towards 1.
    pub confidence: f64,
    /// Days under the condition since it began.
    pub days: u32,
    /// Degrees from which the wind is weak; none where it is no shelter.
    pub sector: Option<f64>,
    /// Hours in which it was seen, where they are counted.
    pub hours: Option<u32>,
    /// What rain was like that no neighbour had.
    pub alone: Option<Alone>,
}

/// The charts of all stations.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Charts {
    stations: Vec<Station>,
    /// The last hour, and how many days were seen.
    last: Option<i64>,
    seen: i64,
}

impl Charts {
    /// Takes the values of one hour, counted from 1970, by station; `near` are the places of
    /// each station's neighbours, nearest first, `place` degrees north and east. `off` tells
    /// since which hour an instrument is known to be off at all times, or no longer: what was
    /// before says nothing of now.
    pub fn take(
        &mut self,
        hour: i64,
        values: &[Values],
        near: &[Vec<usize>],
        place: (f64, f64),
        (limits, off): (&ChartLimits, impl Fn(usize, Quantity) -> Option<i64>),
    ) -> Vec<Charted> {
        let mut told = Vec::new();
        // Of two stations nothing says which of them changed.
        if values.len() < 3 || self.last.is_some_and(|last| hour <= last) {
            return told;
        }
        self.stations.resize_with(values.len(), Station::beginning);
        let today = hour.div_euclid(24);
        if self.last.is_some_and(|last| last.div_euclid(24) < today) {
            self.seen += 1;
            self.end_of_day(today, near, limits, off, &mut told);
        }
        self.last = Some(hour);
        let sun = elevation(hour, place);
        for (place, station) in self.stations.iter_mut().enumerate() {
            let near = near.get(place).map_or(&[][..], Vec::as_slice);
            station.hour(today, limits, |quantity, since_wet| {
                around((hour, sun), place, quantity, near, |s| values[s], since_wet)
            });
        }
        told
    }

    /// What is open of an instrument.
    pub fn open(&self, station: usize, quantity: Quantity) -> Option<Cause> {
        let charts = self.stations.get(station)?.charts.iter().zip(&CONDITIONS);
        let of = charts.filter(|(chart, of)| chart.open && of.quantity == quantity);
        of.map(|(_, condition)| condition.cause).next()
    }

    /// Judges the day before yesterday's end: what is beside it came since.
    fn end_of_day(
        &mut self,
        today: i64,
        near: &[Vec<usize>],
        limits: &ChartLimits,
        off: impl Fn(usize, Quantity) -> Option<i64>,
        told: &mut Vec<Charted>,
    ) {
        let judged = today - 2;
        for (place, station) in self.stations.iter_mut().enumerate() {
            for (chart, condition) in station.charts.iter_mut().zip(&CONDITIONS) {
                let from = off(place, condition.quantity);
                // The day in which it changed is of both kinds.
                let from = from.map_or(i64::MIN, |hour| hour.div_euclid(24) + 1);
                chart.judge(judged, from, condition, limits);
            }
        }
        if self.seen < WARM {
            return;
        }
        for place in 0..self.stations.len() {
            for (nth, condition) in CONDITIONS.iter().enumerate() {
                let shared = |size: f64| {
                    near.get(place).is_some_and(|near| {
                        let charts =
                            near.iter().filter_map(|n| self.stations.get(*n)?.charts.get(nth));
                        charts.filter_map(Chart::excess).any(|excess| excess >= SHARED * size)
                    })
                };
                let Some(chart) = self.stations.get(place).and_then(|s| s.charts.get(nth)) else {
                    continue;
                };
                let turn = chart.turn(judged, condition, limits, shared);
                let charted =
                    turn.map(|state| chart.charted(state, place, judged, (condition, limits)));
                let chart = self.stations.get_mut(place).and_then(|s| s.charts.get_mut(nth));
                if let (Some(chart), Some(charted)) = (chart, charted) {
                    chart.open = charted.state != State::Closed;
                    if !chart.open {
                        (chart.sum, chart.spell) = (Cusum::default(), None);
                    }
                    told.push(charted);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use observation::time::HOUR;

    const PLACE: (f64, f64) = (54.0, 0.0);

    /// 100 days of three invented stations from April 2026 on; `alter` changes the first.
    fn told(stations: usize, alter: impl Fn(i64, f64, &mut Values)) -> Vec<Charted> {
        let near: Vec<Vec<usize>> =
            (0..stations).map(|own| (0..stations).filter(|o| *o != own).collect()).collect();
        let mut charts = Charts::default();
        let mut random = 1_u64;
        let mut noise = || {
            random = random
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (random >> 40) as f64 / f64::from(1 << 24) - 0.5
        };
        let first = 493_000;
        let limits = crate::neighbours::Limits::default().charts;
        let mut all = Vec::new();
        for hour in first..first + 2400 {
            let day = (hour - first) / 24;
            let sun = elevation(hour, PLACE);
            let wind = 4.0 + 3.0 * (hour as f64 / 9.3).sin();
            let direction = (hour as f64 * 3.7).rem_euclid(360.0);
            let mut values: Vec<Values> = (0..stations)
                .map(|_| Values {
                    temperature: 10.0 + 0.2 * noise(),
                    humidity: if hour.rem_euclid(24) < 6 { 99.0 } else { 65.0 } + noise(),
                    speed: wind * (1.0 + 0.1 * noise()),
                    direction,
                    rain: if hour.rem_euclid(50) < 6 { 1.2 + 0.2 * noise() } else { 0.0 },
                    ..Values::MISSING
                })
                .collect();
            alter(day, sun, &mut values[0]);
            all.extend(charts.take(hour, &values, &near, PLACE, (&limits, |_, _| None)));
        }
        all
    }

    #[test]
    fn what_is_off_in_the_sun_alone_is_told_with_its_date_and_nothing_else_is() {
        assert_eq!(told(3, |_, _, _| {}), []);
        let found = told(3, |day, sun, own| {
            if day >= 70 && sun > 25.0 {
                own.temperature += 1.0;
            }
        });
        assert_eq!((found[0].cause, found[0].station), (Cause::SunlitScreen, 0));
        assert_eq!(found[0].state, State::Opened);
        assert!(found[0].size > 0.4 && found[0].confidence >= 0.5, "{found:?}");
        assert!(found.iter().all(|f| f.cause == Cause::SunlitScreen && f.station == 0));
        let since = found[0].since.0 / HOUR - 493_000;
        assert!((70 * 24 - 30..75 * 24).contains(&since), "{since}");
        // A thermometer that is warm day and night is for the windows to tell.
        assert_eq!(told(3, |day, _, own| own.temperature += if day >= 70 { 1.0 } else { 0.0 }), []);
    }

    #[test]
    fn of_two_stations_nothing_is_told_and_what_is_over_closes() {
        let sunlit = |until: i64| {
            move |day: i64, sun: f64, own: &mut Values| {
                if (60..until).contains(&day) && sun > 25.0 {
                    own.temperature += 1.0;
                }
            }
        };
        assert_eq!(told(2, sunlit(200)), []);
        let found = told(3, sunlit(75));
        assert_eq!(found.last().map(|f| f.state), Some(State::Closed), "{found:?}");
    }

    #[test]
    fn a_gauge_that_counts_twice_and_one_that_leaks_are_told() {
        for (factor, cause) in
            [(2.0, Cause::GaugeCountsTooMuch), (0.5, Cause::GaugeCatchesTooLittle)]
        {
            let found = told(3, |day, _, own| own.rain *= if day >= 70 { factor } else { 1.0 });
            assert_eq!((found[0].cause, found[0].station), (cause, 0), "{found:?}");
            assert!((found[0].size - factor).abs() < 0.2 * factor, "{found:?}");
            assert!(found.iter().all(|f| f.station == 0 && f.cause == cause), "{found:?}");
        }
    }

    #[test]
    fn trees_from_one_side_are_told_with_their_sector() {
        let found = told(3, |day, _, own| {
            if day >= 70 && (100.0..170.0).contains(&own.direction) {
                own.speed *= 0.6;
            }
        });
        assert!(!found.is_empty());
        assert!(
            found.iter().all(|f| f.cause == Cause::MastSheltered && f.station == 0),
            "{found:?}"
        );
        assert_eq!(found[0].sector, Some(135.0));
    }
}
