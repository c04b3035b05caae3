//! What the night brought to every station, from yesterday evening to this morning.

use super::days::cut_of_rain;
use super::range::Range;
use super::roles::Role;
use super::slices::{SLICE, Slice, Slices};
use history::{Look, ReadError, Selection};
use observation::diagnosis::Stage;
use observation::{
    Diagnosis, Property, Quantity, Reading, Series, SeriesIndex, Span, Statistic, Time,
};
use processor::summaries::Measure;
use std::collections::HashMap;
use std::ops::ControlFlow;

/// Most changes of trust that are told.
const TOLD: usize = 8;

/// The night of all stations.
pub struct Night {
    pub from: Time,
    /// The morning, or now where it has not come yet.
    pub to: Time,
    /// The rain day that ends in the morning, as far as it has come.
    pub rain_day: (Time, Time),
    pub stations: Vec<Nightly>,
    /// What was opened and closed since, newest first.
    pub trust: Vec<Diagnosis>,
}

/// The night of one station.
#[derive(Default)]
pub struct Nightly {
    /// Its identifier.
    pub station: String,
    air: Option<Slices>,
    pub grass: Option<Slice>,
    /// With the averaging time.
    pub gust: Option<(Slice, Option<Span>)>,
    pub battery: Option<Slice>,
    rain: Option<Slices>,
    /// Depth of the rain day in steps, and whether some of it is not known.
    pub depth: Option<(f64, bool)>,
    /// Readings that do not count.
    pub left_out: u32,
}

/// What a series is read for.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Part {
    Air,
    Grass,
    Gust,
    Battery,
    Rain,
}

impl Night {
    /// None where nothing is asked for.
    pub const fn nothing(at: Time) -> Self {
        Self { from: at, to: at, rain_day: (at, at), stations: Vec::new(), trust: Vec::new() }
    }
}

/// Reads the night before `now`; in its first hour a night has little to tell: until then it
/// is the one before.
///
/// # Errors
/// When the history cannot be read.
pub fn read(look: &Look<'_>, property: &Property, now: Time) -> Result<Night, ReadError> {
    let (from, morning) = Range::Overnight.extent(now - Span::hours(1), &property.days);
    let to = morning.min(now);
    let rain_day = cut_of_rain(property, morning);
    let rain_day = (rain_day.0, rain_day.1.min(now));
    let mut stations: Vec<Nightly> = Vec::new();
    let mut parts: HashMap<SeriesIndex, (usize, Part, Span)> = HashMap::new();
    for (place, station) in property.stations.iter().enumerate() {
        let mut night = Nightly { station: station.id.clone(), ..Nightly::default() };
        for (part, index, series) in series_of(look, property, &station.id) {
            let spacing = Measure::of(property, &series).spacing.unwrap_or(Span::minutes(1));
            parts.insert(index, (place, part, spacing));
            match part {
                Part::Air => night.air = Some(Slices::default()),
                Part::Rain => {
                    night.rain = Some(Slices::default());
                    night.depth = Some((0.0, false));
                }
                Part::Gust => night.gust = Some((Slice::default(), series.over)),
                Part::Grass => night.grass = Some(Slice::default()),
                Part::Battery => night.battery = Some(Slice::default()),
            }
        }
        stations.push(night);
    }
    if !parts.is_empty() {
        let begin = from.min(rain_day.0) + Span(1);
        let end = to.max(rain_day.1) + Span(1);
        let selection =
            Selection { series: parts.keys().copied().collect(), ..Selection::between(begin, end) };
        let mut known: HashMap<SeriesIndex, i64> = HashMap::new();
        look.by_series(&selection, &mut |index, run| {
            let Some(&(place, part, _)) = parts.get(&index) else {
                return ControlFlow::Continue(());
            };
            let Some(night) = stations.get_mut(place) else { return ControlFlow::Continue(()) };
            for reading in run {
                if part == Part::Rain && rain_day.0 < reading.time && reading.time <= rain_day.1 {
                    *known.entry(index).or_default() += i64::from(night.rained(reading));
                }
                if from < reading.time && reading.time <= to {
                    night.take(part, reading);
                }
            }
            ControlFlow::Continue(())
        })?;
        for (index, (place, part, spacing)) in parts {
            let Some(night) = stations.get_mut(place) else { continue };
            let Some(depth) = night.depth.as_mut() else { continue };
            if part == Part::Rain {
                let expected = (rain_day.1 - rain_day.0).0.max(0) / spacing.0.max(1);
                // A window may come late.
                let known = known.get(&index).copied().unwrap_or(0);
                if known == 0 {
                    night.depth = None;
                    continue;
                }
                depth.1 = expected - known > 2;
            }
        }
    }
    for night in &mut stations {
        night.grass = night.grass.filter(|s| s.count > 0);
        night.battery = night.battery.filter(|s| s.count > 0);
        night.gust = night.gust.filter(|(s, _)| s.count > 0);
    }
    Ok(Night { from, to, rain_day, stations, trust: trust(look, from)? })
}

/// The series of a station that the night is told from.
fn series_of(
    look: &Look<'_>,
    property: &Property,
    station: &str,
) -> Vec<(Part, SeriesIndex, Series)> {
    let names = look.names();
    let role = |part: Part, role: Role| {
        let (index, series) = role.choose(names, property, station)?;
        (series.station == station).then_some((part, index, series))
    };
    let plain = |part: Part, quantity: Quantity| {
        let fits = |(_, series): &(SeriesIndex, &Series)| {
            series.station == station
                && series.quantity == quantity
                && matches!(
                    series.statistic,
                    Statistic::Point | Statistic::Mean | Statistic::Minimum
                )
        };
        let (index, series) = names.all_series().find(fits)?;
        Some((part, index, series.clone()))
    };
    let all = [
        role(Part::Air, Role::Temperature),
        plain(Part::Grass, Quantity::GrassTemperature),
        role(Part::Gust, Role::Gust),
        plain(Part::Battery, Quantity::BatteryVoltage),
        role(Part::Rain, Role::Rain),
    ];
    all.into_iter().flatten().collect()
}

/// What was opened and closed since an instant, newest first.
fn trust(look: &Look<'_>, since: Time) -> Result<Vec<Diagnosis>, ReadError> {
    let mut found = Vec::new();
    look.newest_diagnoses(&mut |said: &Diagnosis| {
        // What is said of minutes and hours comes in nearly this order.
        if said.time < since - Span::days(1) || found.len() >= TOLD {
            return ControlFlow::Break(());
        }
        if said.time >= since && said.stage != Stage::Changed {
            found.push(said.clone());
        }
        ControlFlow::Continue(())
    })?;
    Ok(found)
}

impl Nightly {
    fn take(&mut self, part: Part, reading: &Reading) {
        let Some(steps) = reading.value else { return };
        if !reading.flag.counts() {
            self.left_out += 1;
            return;
        }
        let time = reading.time;
        match part {
            Part::Air => {
                if let Some(air) = &mut self.air {
                    air.take(time, steps);
                }
            }
            Part::Rain => {
                if let Some(rain) = &mut self.rain {
                    rain.take(time, steps);
                }
            }
            Part::Gust => {
                if let Some((gust, _)) = &mut self.gust {
                    gust.take(time, steps);
                }
            }
            Part::Grass => {
                if let Some(grass) = &mut self.grass {
                    grass.take(time, steps);
                }
            }
            Part::Battery => {
                if let Some(battery) = &mut self.battery {
                    battery.take(time, steps);
                }
            }
        }
    }

    /// Adds to the rain day; whether the reading counts.
    fn rained(&mut self, reading: &Reading) -> bool {
        let Some(steps) = reading.value.filter(|_| reading.flag.counts()) else { return false };
        if let Some((sum, _)) = &mut self.depth {
            *sum += steps as f64;
        }
        true
    }

    /// The lowest air temperature with its time.
    pub fn lowest(&self) -> Option<(i64, Time)> {
        let slices = self.air.as_ref()?.all().iter().map(|(_, slice)| slice);
        slices.filter(|s| s.count > 0).map(|s| (s.least, s.least_at)).min()
    }

    /// Quarters of an hour in which the air was below 0 Cel; none without a thermometer.
    pub fn below_zero(&self) -> Option<u32> {
        let slices = self.air.as_ref()?.all();
        count(slices.iter().filter(|(_, s)| s.count > 0 && s.least < 0).count())
    }

    /// Quarters of an hour of a span of which there is no air temperature that counts.
    pub fn lacking(&self, from: Time, to: Time) -> Option<u32> {
        let there = self.air.as_ref()?.all().iter().filter(|(_, s)| s.count > 0).count();
        let all = count(usize::try_from((to - from).0 / SLICE.0).unwrap_or(0))?;
        Some(all.saturating_sub(count(there)?))
    }

    /// Hours with rain, and hours of which nothing is known; none without a gauge.
    pub fn wet(&self, from: Time, to: Time) -> Option<(u32, u32)> {
        Some(super::days::wet_hours(self.rain.as_ref()?, from, to))
    }
}

fn count(found: usize) -> Option<u32> {
    u32::try_from(found).ok()
}

#[cfg(test)]
mod tests;
