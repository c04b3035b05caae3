//! Equal values while the neighbours move: how unlikely is the run?
//!
//! The chance that a value repeats is learned by how far the neighbours moved, starting
//! from a table measured on whole and half units of airport reports.

mod rules;
mod run;

use super::suspicion::agreed;
use super::values::{Values, known, turn};
use observation::Quantity;
use rules::{BINS, RULES, Rule};
use run::{EQUAL, Run};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// The starting table counts as so many hours a bin.
const STARTING_WEIGHT: f64 = 1000.0;
/// Counts are halved when a bin holds so many hours.
const LARGEST_WEIGHT: f64 = 20_000.0;
/// What has stood beyond its limit for so many hours is dead, and no neighbour to others.
const DEAD_HOURS: usize = 48;
/// A cup that stands while its neighbours blow less than this says nothing, m/s: it starts at
/// about half of it (common practice), and it may be sheltered.
const STARTED: f64 = 2.0;
/// Above this a humidity may stand for long, %: it is saturated, or dries slowly.
const SATURATED: f64 = 97.0;
const SATURATED_HOURS: usize = 24;
/// Humidity has long quiet runs in fog: both neighbours must range this far, points, over
/// the hours of the run that is asked for.
const HUMIDITY_RANGE: f64 = 5.0;
const HUMIDITY_HOURS: usize = 8;

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Table {
    runs: Vec<Run>,
    equal: [f64; BINS],
    total: [f64; BINS],
    /// Smallest turn seen, deg: the step of a vane that has few points.
    #[serde(default)]
    finest: Option<f64>,
}

/// State of the test for all stations.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Stuck {
    tables: Vec<Table>,
    humidity: Vec<(Run, VecDeque<Option<f64>>)>,
}

/// A run that is long enough.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Found {
    pub(super) station: usize,
    pub(super) quantity: Quantity,
    /// Length of the run, hours.
    pub(super) hours: usize,
    pub(super) score: f64,
    pub(super) limit: f64,
}

impl Stuck {
    pub(super) fn new(stations: usize) -> Self {
        let table = |rule: &Rule| Table {
            runs: vec![Run::default(); stations],
            equal: rule.chances.map(|chance| chance * STARTING_WEIGHT),
            total: [STARTING_WEIGHT; BINS],
            finest: None,
        };
        Self {
            tables: RULES.iter().map(table).collect(),
            humidity: vec![(Run::default(), VecDeque::new()); stations],
        }
    }

    /// The smallest turn of a vane that was seen, degrees; 0 while none was.
    pub(super) fn vane_step(&self) -> f64 {
        let tables = RULES.iter().zip(&self.tables);
        let vane = tables.filter(|(rule, _)| rule.quantity.is_direction());
        vane.filter_map(|(_, table)| table.finest).fold(0.0, f64::max)
    }

    /// Takes the values of one hour; returns every run beyond its limit.
    pub(super) fn take(&mut self, values: &[Values]) -> Vec<Found> {
        let mut found = Vec::new();
        for (rule, table) in RULES.iter().zip(&mut self.tables) {
            table.take(rule, values, &mut found);
        }
        self.take_humidity(values, &mut found);
        found
    }

    fn take_humidity(&mut self, values: &[Values], found: &mut Vec<Found>) {
        for ((run, past), value) in self.humidity.iter_mut().zip(values) {
            let (now, _) = run.step(value.humidity);
            if past.len() >= HUMIDITY_HOURS {
                past.pop_front();
            }
            past.push_back(known(now));
        }
        let ranges: Vec<f64> = self.humidity.iter().map(|(_, past)| range(past)).collect();
        for (station, (run, _)) in self.humidity.iter().enumerate() {
            let mut others: Vec<f64> = ranges.clone();
            others.remove(station);
            let moved = agreed(&mut others).is_some_and(|range| range >= HUMIDITY_RANGE);
            let saturated = run.before.is_some_and(|value| value >= SATURATED);
            let least = if saturated { SATURATED_HOURS } else { HUMIDITY_HOURS };
            if moved && run.hours + 1 >= least && run.hours > 0 {
                found.push(Found {
                    station,
                    quantity: Quantity::RelativeHumidity,
                    hours: run.hours,
                    score: (run.hours + 1) as f64,
                    limit: least as f64,
                });
            }
        }
    }
}

fn range(past: &VecDeque<Option<f64>>) -> f64 {
    if past.len() < HUMIDITY_HOURS || past.iter().any(Option::is_none) {
        return 0.0;
    }
    let known = past.iter().flatten();
    let high = known.clone().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = known.copied().fold(f64::INFINITY, f64::min);
    high - low
}

impl Table {
    fn take(&mut self, rule: &Rule, values: &[Values], found: &mut Vec<Found>) {
        let changes: Vec<Option<f64>> = self
            .runs
            .iter_mut()
            .zip(values)
            .map(|(run, value)| run.step(value.get(rule.quantity)).1)
            .collect();
        if rule.quantity.is_direction() {
            let turns = changes.iter().flatten().map(|c| turn(*c).abs());
            self.finest = turns.filter(|t| *t > EQUAL).chain(self.finest).reduce(f64::min);
            for (station, run) in self.runs.iter_mut().enumerate() {
                run.turn(station, &changes);
            }
        }
        // One that has stood for days says nothing of the weather.
        let stands = |run: &Run| run.score >= rule.limit && run.hours >= DEAD_HOURS;
        let stands: Vec<bool> = self.runs.iter().map(stands).collect();
        for (station, run) in self.runs.iter_mut().enumerate() {
            let moves = |other: usize| other != station && stands.get(other) != Some(&true);
            let others = changes.iter().enumerate().filter(|(other, _)| moves(*other));
            let moved = common_move(rule.quantity, others.filter_map(|(_, change)| *change));
            let bin = rule.bins.iter().filter(|end| moved >= **end).count();
            if rule.quantity == Quantity::WindSpeed && is_calm(values, station) {
                continue;
            }
            if run.hours > 0 && run.counted {
                run.score -= (self.equal[bin] / self.total[bin]).ln();
            }
            if run.score >= rule.limit && run.saw_wind_turn(rule.quantity, self.finest, &moves) {
                found.push(Found {
                    station,
                    quantity: rule.quantity,
                    hours: run.hours,
                    score: run.score,
                    limit: rule.limit,
                });
            } else if run.score < 0.5 * rule.limit && run.counted && run.before.is_some() {
                self.equal[bin] += if run.hours > 0 { 1.0 } else { 0.0 };
                self.total[bin] += 1.0;
                if self.total[bin] > LARGEST_WEIGHT {
                    self.equal[bin] *= 0.5;
                    self.total[bin] *= 0.5;
                }
            }
        }
    }
}

/// Whether a cup stands where its neighbours hardly turn.
fn is_calm(values: &[Values], station: usize) -> bool {
    let others = values.iter().enumerate().filter(|(other, _)| *other != station);
    let mut speeds: Vec<f64> = others.map(|(_, v)| v.speed).filter(|s| s.is_finite()).collect();
    let stands = values.get(station).is_some_and(|v| v.speed.abs() < EQUAL);
    stands && agreed(&mut speeds).is_none_or(|speed| speed < STARTED)
}

/// How far the neighbours moved together; for directions, how far each of them turned.
fn common_move(quantity: Quantity, changes: impl Iterator<Item = f64>) -> f64 {
    let mut changes: Vec<f64> = changes.collect();
    if quantity.is_direction() {
        for change in &mut changes {
            *change = turn(*change).abs();
        }
        return agreed(&mut changes).unwrap_or(0.0);
    }
    let up = agreed(&mut changes).unwrap_or(0.0);
    for change in &mut changes {
        *change = -*change;
    }
    up.max(agreed(&mut changes).unwrap_or(0.0)).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn winds(stuck: &mut Stuck, directions: [f64; 3]) -> usize {
        let values = directions.map(|direction| Values { direction, ..Values::MISSING });
        stuck.take(&values).len()
    }

    #[test]
    fn a_vane_of_four_points_may_stand_while_the_wind_turns_within_two_of_them() {
        let mut stuck = Stuck::new(3);
        for _ in 0..40 {
            assert_eq!(winds(&mut stuck, [360.0, 90.0, 360.0]), 0);
            assert_eq!(winds(&mut stuck, [360.0, 360.0, 90.0]), 0);
        }
        let mut found = 0;
        for step in 0..40_u32 {
            let around = f64::from(step % 4) * 90.0;
            found += winds(&mut stuck, [360.0, around, around]);
        }
        assert!(found > 0, "the wind went round and round");
    }

    #[test]
    fn the_second_vane_that_stands_is_found_beside_the_first() {
        let mut stuck = Stuck::new(3);
        let mut last = 0;
        for hour in 0..120_u32 {
            let around = f64::from(hour * 37 % 360);
            last = winds(&mut stuck, [40.0, if hour < 60 { around + 5.0 } else { 90.0 }, around]);
            assert!(hour < 30 || last >= 1, "the first stands since the beginning: hour {hour}");
        }
        assert_eq!(last, 2);
    }

    #[test]
    fn a_cup_may_stand_in_a_calm_and_not_in_wind() {
        let found = |low: f64| {
            let mut stuck = Stuck::new(3);
            let mut found = 0;
            for hour in 0..48_u32 {
                let speeds = [0.0, low + f64::from(hour % 3), low + f64::from((hour + 1) % 3)];
                let values = speeds.map(|speed| Values { speed, ..Values::MISSING });
                found += stuck.take(&values).len();
            }
            found
        };
        assert_eq!(found(-0.2), 0);
        assert!(found(4.0) > 0);
    }

    #[test]
    fn a_thermometer_that_stands_still_while_others_move_is_found_and_a_quiet_night_is_not() {
        let mut stuck = Stuck::new(3);
        let hour = |stuck: &mut Stuck, own: f64, others: f64| {
            let mut values = [Values::MISSING; 3];
            for (value, temperature) in values.iter_mut().zip([own, others, others + 0.4]) {
                value.temperature = temperature;
            }
            stuck.take(&values)
        };
        for _ in 0..9 {
            assert!(hour(&mut stuck, 7.0, 6.0).is_empty());
        }
        let mut found = Vec::new();
        for i in 0..8_u32 {
            found = hour(&mut stuck, 7.0, 6.0 + f64::from(i));
        }
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].station, found[0].quantity), (0, Quantity::AirTemperature));
        assert!(hour(&mut stuck, 7.1, 15.0).is_empty());
    }
}
