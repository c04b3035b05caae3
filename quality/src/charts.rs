//! What shows under one condition only, told by a control chart: the difference to the
//! neighbours under the condition, less what it is beside it, day by day, in a cumulative
//! sum ([`crate::cusum`]; Page, Biometrika 41, 1954). The judgement of windows asks whether an
//! instrument is off at all times, and finds late what is off on sunny noons alone.
//!
//! The conditions are common practice; the limits are own choices.

mod chart;
mod conditions;
mod day;
mod slope;
mod station;
#[cfg(test)]
mod tests;

use crate::cusum::{Chart as Limits, Cusum};
use crate::diagnosis::{Cause, around, elevation};
use crate::neighbours::{Root, State, Values, carried};
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
/// So does one that is off by so many times the size in the other sense.
const OPPOSITE: f64 = 1.2;

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

    /// Goes on with the stations as they now are: what was changed begins anew.
    pub(crate) fn rearranged(self, roots: &[Option<Root>]) -> Self {
        let today = self.last.map(|last| last.div_euclid(24));
        let stations = carried(
            &self.stations,
            roots,
            || Station::from(today),
            |station, root| station.forget(root, today),
        );
        Self { stations, ..self }
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
                let near = near.get(place).map_or(&[][..], Vec::as_slice);
                let most = |nth: usize| {
                    let charts = near.iter().filter_map(|n| self.stations.get(*n)?.charts.get(nth));
                    charts.filter_map(Chart::excess).fold(0.0, f64::max)
                };
                let other = condition.opposite().map_or(0.0, most);
                let shared =
                    |size: f64| most(nth) >= SHARED * size || other >= OPPOSITE * size.max(0.0);
                let Some(chart) = self.stations.get(place).and_then(|s| s.charts.get(nth)) else {
                    continue;
                };
                if !chart.is_warm(judged, WARM) {
                    continue;
                }
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
