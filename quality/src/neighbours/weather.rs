//! The weather all stations stand in, and what each of them last said: the ground the
//! expected contrasts are explained with. Medians, so that one bad instrument moves little.

use super::values::{Values, known, median};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::f64::consts::TAU;

/// A missing value is bridged for this many hours.
const BRIDGED_HOURS: usize = 3;
const DAY_HOURS: usize = 24;
/// The temperature is compared with its mean over this many hours.
const SEASON_HOURS: usize = 240;
const TENDENCY_HOURS: usize = 3;

/// A value that is bridged over short gaps.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Bridged {
    value: Option<f64>,
    age: usize,
}

impl Bridged {
    pub(super) fn take(&mut self, value: f64, longest: usize) -> f64 {
        if value.is_finite() {
            *self = Self { value: Some(value), age: 0 };
        } else {
            self.age = self.age.saturating_add(1);
            if self.age > longest {
                self.value = None;
            }
        }
        self.value.unwrap_or(f64::NAN)
    }
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Station {
    temperature: Bridged,
    humidity: Bridged,
    pressure: Bridged,
    east: Bridged,
    north: Bridged,
}

/// What is remembered from step to step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Tracker {
    steps_per_hour: usize,
    stations: Vec<Station>,
    /// Median temperature of the last steps, newest last.
    temperatures: VecDeque<Option<f64>>,
}

/// The weather of one step.
#[derive(Clone, Debug, Default)]
pub(super) struct Weather {
    /// Two harmonics of the solar hour.
    pub(super) hour: [f64; 4],
    /// 0 in the night, 1 at solar noon.
    pub(super) day: f64,
    pub(super) temperature: f64,
    pub(super) humidity: f64,
    /// Against 1015 hPa.
    pub(super) pressure: f64,
    /// Range of the temperature in the last 24 h: small under cloud.
    pub(super) swing: f64,
    /// Temperature against its 10-day mean.
    pub(super) anomaly: f64,
    /// Change of temperature in 3 h.
    pub(super) tendency: f64,
    /// Consensus wind, towards nothing: components it blows *from*, m/s.
    pub(super) east: f64,
    pub(super) north: f64,
    /// Median speed, m/s.
    pub(super) speed: f64,
    /// By station: components and speed; zero where not known.
    pub(super) winds: Vec<(f64, f64, f64)>,
    /// By station, bridged.
    pub(super) temperatures: Vec<f64>,
    pub(super) humidities: Vec<f64>,
}

impl Tracker {
    pub(super) fn new(stations: usize, steps_per_hour: usize) -> Self {
        Self {
            steps_per_hour,
            stations: vec![Station::default(); stations],
            temperatures: VecDeque::new(),
        }
    }

    /// `hour` is the solar hour, 0 to 24.
    pub(super) fn take(&mut self, hour: f64, values: &[Values]) -> Weather {
        let longest = BRIDGED_HOURS * self.steps_per_hour;
        let mut weather = Weather::default();
        let mut pressures = Vec::with_capacity(values.len());
        for (station, value) in self.stations.iter_mut().zip(values) {
            weather.temperatures.push(station.temperature.take(value.temperature, longest));
            weather.humidities.push(station.humidity.take(value.humidity, longest));
            pressures.push(station.pressure.take(value.pressure, longest));
            // A wind without direction is one that changes it: no component counts.
            let (sin, cos) = if value.direction.is_finite() {
                value.direction.to_radians().sin_cos()
            } else {
                (0.0, 0.0)
            };
            let east = known(station.east.take(value.speed * sin, longest)).unwrap_or(0.0);
            let north = known(station.north.take(value.speed * cos, longest)).unwrap_or(0.0);
            weather.winds.push((east, north, east.hypot(north)));
        }
        weather.temperature = median(weather.temperatures.iter().copied());
        weather.humidity = median(weather.humidities.iter().copied());
        weather.pressure = known(median(pressures.into_iter())).unwrap_or(1015.0) - 1015.0;
        let count = weather.winds.len().max(1) as f64;
        weather.east = weather.winds.iter().map(|w| w.0).sum::<f64>() / count;
        weather.north = weather.winds.iter().map(|w| w.1).sum::<f64>() / count;
        weather.speed = median(weather.winds.iter().map(|w| w.2));
        let (sin, cos) = (TAU * hour / 24.0).sin_cos();
        weather.hour = [sin, cos, 2.0 * sin * cos, cos * cos - sin * sin];
        weather.day = (TAU * (hour - 6.0) / 24.0).sin().max(0.0);
        self.remember(&mut weather);
        weather
    }

    fn remember(&mut self, weather: &mut Weather) {
        let steps = self.steps_per_hour;
        if self.temperatures.len() >= SEASON_HOURS * steps {
            self.temperatures.pop_front();
        }
        let before = self.temperatures.iter().rev().nth(TENDENCY_HOURS * steps - 1);
        weather.tendency = before.copied().flatten().map_or(f64::NAN, |t| weather.temperature - t);
        self.temperatures.push_back(known(weather.temperature));
        let mut extent = (f64::INFINITY, f64::NEG_INFINITY, 0_usize);
        for value in self.temperatures.iter().rev().take(DAY_HOURS * steps).flatten() {
            extent = (extent.0.min(*value), extent.1.max(*value), extent.2 + 1);
        }
        let enough = extent.2 >= DAY_HOURS * steps / 2;
        weather.swing = if enough { extent.1 - extent.0 } else { f64::NAN };
        let (sum, count) = self
            .temperatures
            .iter()
            .flatten()
            .fold((0.0, 0_usize), |(sum, count), value| (sum + value, count + 1));
        let enough = count >= SEASON_HOURS * steps / 2;
        weather.anomaly = if enough { weather.temperature - sum / count as f64 } else { f64::NAN };
    }
}
