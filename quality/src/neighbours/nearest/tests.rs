//! What is said of invented stations.

#![allow(clippy::expect_used)]

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

/// Stations of invented weather over days, and what is done to their values.
struct Course {
    sky: Sky,
    neighbourhood: Neighbourhood,
    hour: i64,
    said: Vec<(i64, Suspicion)>,
}

impl Course {
    fn new(count: usize) -> Self {
        let neighbourhood = Neighbourhood::new(&sites(count), 1, &Limits::default());
        Self { sky: Sky { state: 5 }, neighbourhood, hour: 0, said: Vec::new() }
    }

    /// Days of so many stations, whose values are altered.
    fn days(&mut self, days: i64, count: usize, alter: impl Fn(&mut [Values])) {
        let limits = Limits::default();
        for hour in self.hour..self.hour + days * 24 {
            let mut values = self.sky.hour(hour, count);
            alter(&mut values);
            let verdict = self.neighbourhood.take(Time(hour * HOUR), &values, &limits);
            self.said.extend(verdict.suspicions.into_iter().map(|s| (hour, s)));
        }
        self.hour += days * 24;
    }

    /// Saved, read again and gone on with, as after a restart.
    fn rearrange(&mut self, before: usize, roots: &[Option<Root>]) {
        let saved = serde_json::to_string(&self.neighbourhood).expect("a state can be written");
        let read: Neighbourhood = serde_json::from_str(&saved).expect("and read");
        self.neighbourhood =
            read.rearranged(&sites(roots.len()), roots, before, &Limits::default());
    }

    fn opened(&self) -> Vec<(i64, Option<usize>, Quantity)> {
        let opened = self.said.iter().filter(|(_, s)| s.state == State::Opened);
        opened.map(|(hour, s)| (*hour / 24, s.station, s.quantity)).collect()
    }
}

/// So many stations that are what they were.
fn same(count: usize) -> Vec<Option<Root>> {
    (0..count).map(|place| Some(Root { place, anew: Vec::new() })).collect()
}

const T: Quantity = Quantity::AirTemperature;

#[test]
fn a_station_that_is_added_leaves_the_others_what_was_learned() {
    let wrong = 1;
    for count in [3, 5, 7] {
        let mut course = Course::new(count);
        course.days(50, count, |_| {});
        // The new one is listed first and stands in a cold place.
        let roots: Vec<Option<Root>> = std::iter::once(None).chain(same(count)).collect();
        course.rearrange(count, &roots);
        assert!(course.neighbourhood.is_learning_anew());
        let cold = |values: &mut [Values]| values[0].temperature -= 2.0;
        course.days(3, count + 1, cold);
        assert_eq!(course.opened(), [], "{count}");
        let warm = |values: &mut [Values]| {
            cold(values);
            values[wrong].temperature += 1.5;
        };
        course.days(3, count + 1, warm);
        assert_eq!(course.opened().len(), 1, "{count}: {:?}", course.opened());
        let (day, station, quantity) = course.opened()[0];
        assert!((53..55).contains(&day) && (station, quantity) == (Some(wrong), T), "{count}");
        if count > 5 {
            continue;
        }
        // It is well again; the new one has been learned, and goes wrong.
        course.days(45, count + 1, cold);
        assert!(!course.neighbourhood.is_learning_anew(), "{count}");
        assert_eq!(course.opened().len(), 1, "{count}: {:?}", course.opened());
        course.days(3, count + 1, |values| {
            cold(values);
            values[0].temperature += 1.5;
        });
        let last = course.opened()[course.opened().len() - 1];
        assert!((101..104).contains(&last.0) && last.1 == Some(0), "{count}: {last:?}");
    }
}

#[test]
fn a_fault_that_stands_is_neither_closed_nor_learned_when_stations_change() {
    let mut course = Course::new(4);
    course.days(48, 4, |_| {});
    let warm = |values: &mut [Values]| values[2].temperature += 1.5;
    course.days(3, 4, warm);
    let roots: Vec<Option<Root>> = same(4).into_iter().chain([None]).collect();
    course.rearrange(4, &roots);
    course.days(25, 5, warm);
    let states: Vec<(Option<usize>, State)> = course
        .said
        .iter()
        .filter(|(_, s)| s.state != State::Changed)
        .map(|(_, s)| (s.station, s.state))
        .collect();
    assert_eq!(states, [(Some(2), State::Opened)], "it still stands");
    course.days(35, 5, |_| {});
    assert!(!course.neighbourhood.is_learning_anew());
    assert_eq!(course.opened().len(), 1, "what is well again is not off: {:?}", course.opened());
}

#[test]
fn an_instrument_that_is_changed_is_learned_anew_and_no_other() {
    let mut course = Course::new(4);
    course.days(48, 4, |_| {});
    let mut roots = same(4);
    roots[2] = Some(Root { place: 2, anew: vec![T, Quantity::WindFromDirection] });
    course.rearrange(4, &roots);
    let other = |values: &mut [Values]| {
        values[2].temperature += 3.0;
        values[2].direction = (values[2].direction + 90.0).rem_euclid(360.0);
    };
    course.days(6, 4, other);
    assert_eq!(course.opened(), []);
    let turned = |values: &mut [Values]| {
        other(values);
        values[0].direction = (values[0].direction + 30.0).rem_euclid(360.0);
        values[1].temperature += 1.5;
    };
    course.days(6, 4, turned);
    let found = course.opened();
    assert!(found.iter().any(|f| (f.1, f.2) == (Some(1), T)), "{found:?}");
    let vane = Quantity::WindFromDirection;
    assert!(found.iter().any(|f| (f.1, f.2) == (Some(0), vane)), "{found:?}");
    assert!(found.iter().all(|f| f.1 != Some(2)), "{found:?}");
}

#[test]
fn one_change_after_another_never_begins_the_learning_of_the_first_again() {
    let mut course = Course::new(3);
    course.days(50, 3, |_| {});
    for (count, days) in [(3, 20), (4, 20), (5, 27)] {
        let roots: Vec<Option<Root>> = same(count).into_iter().chain([None]).collect();
        course.rearrange(count, &roots);
        course.days(days, count + 1, |_| {});
    }
    // Of the station that came first, 67 days ago.
    course.days(3, 6, |values| values[3].temperature += 1.5);
    let found = course.opened();
    assert!(!found.is_empty() && found.iter().all(|f| f.1 == Some(3)), "{found:?}");
}

#[test]
fn a_state_of_before_is_read() {
    let mut course = Course::new(3);
    course.days(48, 3, |_| {});
    let mut saved = serde_json::to_value(&course.neighbourhood).expect("a state can be written");
    for new in ["elders", "coming"] {
        saved.as_object_mut().expect("an object").remove(new);
    }
    let member = saved["members"][0].as_object_mut().expect("an object");
    member.remove("shared");
    member.remove("waits");
    member["panel"].as_object_mut().expect("an object").remove("deaf");
    let read: Neighbourhood = serde_json::from_value(saved).expect("it is read");
    let roots = same(3);
    course.neighbourhood = read.rearranged(&sites(3), &roots, 3, &Limits::default());
    course.days(3, 3, |values| values[2].temperature += 1.5);
    assert_eq!(course.opened().iter().map(|f| f.1).collect::<Vec<_>>(), [Some(2)]);
}
