//! Rain that no neighbour has: a sprinkler, a hose, a drip, knocks at the post.
//!
//! A day is a trial: did the gauge count rain in hours in which, and beside which, all its
//! neighbours were dry? The trials are summed as log-likelihood ratios of often against
//! usually, never below zero (Page, Biometrika 41, 1954; for counts: Reynolds and Stoumbos,
//! J. Quality Technology 31, 1999, 87-108, from memory). Limits are own choices; what is
//! left out (drip of dew and fog, meltwater) is common practice.

#[cfg(test)]
mod tests;

use crate::charts::{Charted, Mean};
use crate::cusum::confidence;
use crate::diagnosis::Cause;
use crate::neighbours::{Root, State, Values, carried, median};
use observation::time::HOUR;
use observation::{Quantity, Time};
use serde::{Deserialize, Serialize};

/// Days of all before anything is said.
const WARM: u32 = 45;
/// Rain alone of a day that counts, mm: less is the last bucket of a drizzle.
const LEAST: f64 = 0.6;
/// Share of the days on which it is thought to be wrong; at least four times the usual one.
const OFTEN: f64 = 0.15;
/// Least and greatest share that is usual: where showers are so local that it is more,
/// nothing is told.
const USUAL: (f64, f64) = (0.01, 0.04);
/// Memory of the usual share, days.
const MEMORY: f64 = 365.0;
/// The sum at which it is told.
const LIMIT: f64 = 7.0;
/// What was not to be seen for so many days is over.
const GONE: i64 = 14;
/// Rain alone within three hours that counts, mm: the gauges of a drizzle tip in turn.
const LEAST_AROUND: f64 = 0.35;
/// Dew and fog drip: at most so much in an hour, mm, at such a humidity, %, and wind, m/s.
const DRIP: (f64, f64, f64) = (0.5, 97.0, 1.5);
/// Rain within so many hours of frost may be meltwater; the frost, Cel.
const MELT: (i64, f64) = (48, 1.0);
/// Hours of the day count as one and the same when their mean resultant is at least this.
const SAME_HOUR: f64 = 0.7;

/// What the rain that no neighbour had was like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Alone {
    /// Its depth, mm.
    pub depth: f64,
    /// The hour of the day, UTC, where it is much the same.
    pub hour: Option<f64>,
    /// Mean relative humidity meanwhile, %.
    pub humidity: Option<f64>,
}

/// Sums of a day, and of all such days.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Sums {
    depth: f64,
    hours: u32,
    /// Of the hour of the day as an angle, weighted by depth.
    east: f64,
    north: f64,
    humidity: (f64, u32),
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Gauge {
    day: Sums,
    compared: u32,
    usual: Mean,
    sum: f64,
    /// Since the sum left zero: first day, days, what fell.
    spell: Option<(i64, u32, Sums)>,
    last: i64,
    open: bool,
    /// Days of all at which it began, if later than all others.
    #[serde(default)]
    first: u32,
}

/// All gauges.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RainAlone {
    gauges: Vec<Gauge>,
    /// The last three hours, newest last: number, and the rain of each station.
    hours: Vec<(i64, Vec<Option<f64>>)>,
    frost: Option<i64>,
    days: u32,
}

impl Sums {
    fn add(&mut self, hour: i64, depth: f64, humidity: f64) {
        let angle = std::f64::consts::TAU * (hour.rem_euclid(24) as f64 + 0.5) / 24.0;
        self.depth += depth;
        self.hours += 1;
        self.east += depth * angle.sin();
        self.north += depth * angle.cos();
        if humidity.is_finite() {
            self.humidity = (self.humidity.0 + humidity, self.humidity.1 + 1);
        }
    }

    const fn join(&mut self, other: &Self) {
        self.depth += other.depth;
        self.hours += other.hours;
        self.east += other.east;
        self.north += other.north;
        self.humidity.0 += other.humidity.0;
        self.humidity.1 += other.humidity.1;
    }

    fn alone(&self) -> Alone {
        let hour = self.east.atan2(self.north).rem_euclid(std::f64::consts::TAU);
        let (humidity, count) = self.humidity;
        Alone {
            depth: self.depth,
            hour: (self.east.hypot(self.north) >= SAME_HOUR * self.depth)
                .then_some(hour / std::f64::consts::TAU * 24.0),
            humidity: (count > 0).then(|| humidity / f64::from(count)),
        }
    }
}

impl RainAlone {
    /// Goes on with the stations as they now are: a gauge that was changed begins anew.
    pub(crate) fn rearranged(self, roots: &[Option<Root>]) -> Self {
        let begin = || Gauge { first: self.days, ..Gauge::default() };
        let gauges = carried(&self.gauges, roots, begin, |gauge, root| {
            if !root.keeps(Quantity::PrecipitationDepth) {
                *gauge = begin();
            }
        });
        let hours = self
            .hours
            .iter()
            .map(|(hour, rains)| (*hour, carried(rains, roots, || None, |_, _| ())));
        Self { hours: hours.collect(), gauges, ..self }
    }

    /// Takes the values of one hour, counted from 1970, by station; `near` are the places of
    /// each station's neighbours. What is told is told once the hour after is known.
    pub fn take(&mut self, hour: i64, values: &[Values], near: &[Vec<usize>]) -> Vec<Charted> {
        let newest = self.hours.last().map(|(hour, _)| *hour);
        if values.len() < 3 || newest.is_some_and(|newest| hour <= newest) {
            return Vec::new();
        }
        self.gauges.resize_with(values.len(), Gauge::default);
        if median(values.iter().map(|v| v.temperature)) < MELT.1 {
            self.frost = Some(hour);
        }
        let rains = values.iter().map(|v| Some(v.rain).filter(|r| r.is_finite())).collect();
        self.hours.push((hour, rains));
        if self.hours.len() > 3 {
            self.hours.remove(0);
        }
        let judged = hour - 1;
        if let [(first, before), (middle, own), (_, after)] = self.hours.as_slice()
            && (*first, *middle) == (hour - 2, judged)
            && self.frost.is_none_or(|frost| judged - frost > MELT.0)
        {
            for (place, gauge) in self.gauges.iter_mut().enumerate() {
                let Some(depth) = own.get(place).copied().flatten() else { continue };
                let of = |row: &Vec<Option<f64>>| row.get(place).copied().flatten().unwrap_or(0.0);
                let own_around = of(before) + depth + of(after);
                let near = near.get(place).map_or(&[][..], Vec::as_slice);
                // What each neighbour had in the three hours, of those that know.
                let around: Vec<f64> = near
                    .iter()
                    .filter_map(|n| {
                        let of = |row: &Vec<Option<f64>>| row.get(*n).copied().flatten();
                        Some(of(before)? + of(own)? + of(after)?)
                    })
                    .collect();
                if around.len() < 2 {
                    continue;
                }
                gauge.compared += 1;
                if depth <= 0.0
                    || own_around < LEAST_AROUND
                    || around.iter().any(|rain| *rain > 0.0)
                {
                    continue;
                }
                let of = |get: fn(&Values) -> f64| {
                    median(near.iter().filter_map(|n| values.get(*n)).map(get))
                };
                let (humidity, wind) = (of(|v| v.humidity), of(|v| v.speed));
                let drip =
                    depth <= DRIP.0 && humidity >= DRIP.1 && (wind.is_nan() || wind < DRIP.2);
                if !drip {
                    gauge.day.add(judged, depth, humidity);
                }
            }
        }
        if judged.rem_euclid(24) != 23 {
            return Vec::new();
        }
        self.days = self.days.saturating_add(1);
        let (day, days) = (judged.div_euclid(24), self.days);
        let gauges = self.gauges.iter_mut().enumerate();
        let ended = gauges.filter_map(|(place, gauge)| {
            let warm = days.saturating_sub(gauge.first) > WARM;
            gauge.end_of_day(place, day, warm)
        });
        ended.collect()
    }
}

impl Gauge {
    fn end_of_day(&mut self, station: usize, day: i64, warm: bool) -> Option<Charted> {
        let sums = std::mem::take(&mut self.day);
        // A day of which most is not known is no trial.
        if std::mem::take(&mut self.compared) < 12 && sums.depth < LEAST {
            return self.turn(station, day, warm, false);
        }
        let alone = sums.depth >= LEAST;
        let usual = self.usual.mean.max(USUAL.0);
        let often = OFTEN.max(4.0 * usual).min(0.9);
        let ratio = if alone { (often / usual).ln() } else { ((1.0 - often) / (1.0 - usual)).ln() };
        self.sum = if warm { (self.sum + ratio).clamp(0.0, 2.0 * LIMIT) } else { 0.0 };
        if self.sum <= 0.0 {
            self.spell = None;
        } else if alone {
            let (since, days, mut all) = self.spell.unwrap_or((day, 0, Sums::default()));
            all.join(&sums);
            self.spell = Some((since, days + 1, all));
            self.last = day;
        }
        // What is suspected teaches nothing.
        if self.sum < 0.5 * LIMIT {
            self.usual.learn(f64::from(u8::from(alone)), MEMORY);
        }
        self.turn(station, day, warm, alone)
    }

    fn turn(&mut self, station: usize, day: i64, warm: bool, alone: bool) -> Option<Charted> {
        let (since, days, sums) = self.spell.unwrap_or((day, 0, Sums::default()));
        let state = if self.open {
            if self.sum <= 0.0 || day - self.last > GONE {
                (self.open, self.sum, self.spell) = (false, 0.0, None);
                State::Closed
            } else if alone && days.is_multiple_of(3) {
                State::Changed
            } else {
                return None;
            }
        } else if warm && self.sum >= LIMIT && days >= 3 && self.usual.mean <= USUAL.1 {
            self.open = true;
            State::Opened
        } else {
            return None;
        };
        let score = self.sum / LIMIT;
        Some(Charted {
            state,
            station,
            quantity: Quantity::PrecipitationDepth,
            cause: Cause::GaugeRainAlone,
            since: Time(since * 24 * HOUR),
            size: sums.depth,
            score,
            confidence: confidence(score),
            days,
            sector: None,
            hours: Some(sums.hours),
            alone: Some(sums.alone()),
        })
    }
}
