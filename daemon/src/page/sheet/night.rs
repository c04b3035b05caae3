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
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::fixture;
    use history::{Batch, History, Options};
    use observation::time::{DAY, HOUR, MINUTE};
    use observation::{Flag, Reasons};

    const EVENING: i64 = 20_600 * DAY + 18 * HOUR;

    fn reading(series: u32, time: Time, value: i64, flag: Flag) -> Reading {
        let (series, reasons) = (SeriesIndex(series), Reasons::NONE);
        Reading { series, time, value: Some(value), flag, reasons, revision: 0, made_by: 1 }
    }

    /// A night in UTC from six to nine: it cools by a step a minute from 9.00 to 0.00 Cel
    /// and on to -0.60, with an hour without any air temperature, and a doubted one; a tip
    /// each ten minutes from three to four and one before the evening.
    fn filled(folder: &std::path::Path) -> History {
        let (mut history, _) = History::open(folder, &Options::at(Time(EVENING))).unwrap();
        let (property, series) = (fixture::property("Orchard"), fixture::series());
        history.register(Time(EVENING), &property, &series, &[]).unwrap();
        let mut readings = Vec::new();
        for minute in -9 * 60..15 * 60_i64 {
            let time = Time(EVENING + (minute + 1) * MINUTE);
            if !(300..360).contains(&minute) {
                let flag = if minute == 899 { Flag::Doubtful } else { Flag::Good };
                readings.push(reading(0, time, 840 - minute - 1, flag));
            }
            let wet = minute == -400 || (540..600).contains(&minute) && minute % 10 == 0;
            readings.push(reading(2, time, if wet { 200 } else { 0 }, Flag::Good));
            if minute % 10 == 9 {
                let gust = if minute == 99 { 910 } else { 300 };
                readings.push(reading(5, time, gust, Flag::Unchecked));
            }
        }
        readings.sort_by_key(|r| r.time);
        let received = Time(EVENING + 15 * HOUR);
        let batch = Batch {
            received,
            walked: received,
            messages: &[],
            readings: &readings,
            set_aside: &[],
            state: &[],
        };
        history.commit(&batch).unwrap();
        history
    }

    #[test]
    fn a_night_is_told_of_every_station_with_what_it_lacks() {
        let folder = tempfile::tempdir().unwrap();
        let history = filled(folder.path());
        let mut property = (*fixture::property("Orchard")).clone();
        let mut ridge = property.stations[0].clone();
        ridge.id = "ridge".to_owned();
        property.stations.push(ridge);
        let property = property.indexed();
        // Two hours after the night: it is still the one that is told.
        let now = Time(EVENING + 17 * HOUR);
        let night = read(&history.look(), &property, now).unwrap();
        assert_eq!((night.from, night.to), (Time(EVENING), Time(EVENING + 15 * HOUR)));
        let [orchard, ridge] = &night.stations[..] else { panic!("two stations") };
        let minute = |n: i64| Time(EVENING + n * MINUTE);
        assert_eq!(orchard.lowest(), Some((-59, minute(899))), "the doubted one is left out");
        assert_eq!(orchard.left_out, 1);
        // Below zero from the minute after the 840th: the last four quarters.
        assert_eq!(orchard.below_zero(), Some(4));
        assert_eq!(orchard.lacking(night.from, night.to), Some(4));
        assert_eq!(orchard.wet(night.from, night.to), Some((1, 0)));
        let (gust, over) = orchard.gust.unwrap();
        assert_eq!((gust.most, gust.most_at, over), (910, minute(100), Some(Span::seconds(3))));
        assert!(ridge.lowest().is_none() && ridge.wet(night.from, night.to).is_none());
        // The civil day is the rain day here: it began at midnight, with six tips.
        assert_eq!(night.rain_day, (Time(20_601 * DAY), Time(20_602 * DAY).min(now)));
        assert_eq!(orchard.depth, Some((1_200.0, true)), "nothing is known after nine");

        let early = read(&history.look(), &property, Time(EVENING + 30 * MINUTE)).unwrap();
        assert_eq!(early.to, Time(EVENING - 9 * HOUR), "a night of half an hour is none yet");
    }
}
