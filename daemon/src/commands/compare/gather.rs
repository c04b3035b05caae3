//! Hours of all stations out of the history, put together in pairs.

use super::super::Failure;
use history::{Reader, Selection};
use observation::reading::from_steps;
use observation::time::HOUR;
use observation::{Property, Quantity, Series, Span, Statistic, Time};
use quality::pairs::Both;
use std::collections::BTreeMap;
use std::ops::ControlFlow;

/// Each station is compared with so many of its nearest at most.
const NEAREST: usize = 4;
/// What is compared.
const QUANTITIES: [Quantity; 7] = [
    Quantity::AirTemperature,
    Quantity::RelativeHumidity,
    Quantity::DewPointTemperature,
    Quantity::AirPressureAtMeanSeaLevel,
    Quantity::WindSpeed,
    Quantity::WindFromDirection,
    Quantity::PrecipitationDepth,
];

/// The hours of two stations in which both said something of a quantity.
pub(super) struct Pair {
    pub(super) first: String,
    pub(super) second: String,
    pub(super) quantity: Quantity,
    pub(super) hours: Vec<Both>,
}

/// Sums of one hour of one station and quantity.
#[derive(Clone, Copy, Default)]
struct Sum {
    count: f64,
    value: f64,
    east: f64,
    north: f64,
}

impl Sum {
    fn mean(self, quantity: Quantity) -> Option<f64> {
        if self.count < 1.0 {
            return None;
        }
        Some(match quantity {
            Quantity::PrecipitationDepth => self.value,
            _ if quantity.is_direction() => {
                self.east.atan2(self.north).to_degrees().rem_euclid(360.0)
            }
            _ => self.value / self.count,
        })
    }
}

/// Whether a series is the one that is compared, of several of one quantity.
fn compared(series: &Series) -> Option<usize> {
    let minutes = series.period.map(|p| p.0 / 60_000);
    let fits = match series.quantity {
        Quantity::WindSpeed | Quantity::WindFromDirection => {
            series.statistic == Statistic::Mean && minutes == Some(10)
        }
        Quantity::PrecipitationDepth => series.statistic == Statistic::Sum && minutes == Some(1),
        _ => true,
    };
    QUANTITIES.iter().position(|q| *q == series.quantity).filter(|_| fits)
}

/// All pairs, over the newest `span` of the history.
pub(super) fn pairs(
    reader: &Reader,
    property: &Property,
    span: Span,
) -> Result<Vec<Pair>, Failure> {
    let look = reader.look();
    let Some(last) = look.last()? else { return Ok(Vec::new()) };
    let to = last.received.max(last.walked) + Span::hours(1);
    let selection = Selection::between(to - span, to);
    let mut sums: BTreeMap<(i64, usize, usize), Sum> = BTreeMap::new();
    look.by_series(&selection, &mut |index, run| {
        let Some(series) = reader.names().series(index) else { return ControlFlow::Continue(()) };
        let (Some(place), Some(station)) = (compared(series), property.station(&series.station))
        else {
            return ControlFlow::Continue(());
        };
        for reading in run {
            let Some(steps) = reading.value.filter(|_| reading.flag.counts()) else { continue };
            let value = from_steps(steps, series.quantity.decimals());
            let hour = (reading.time.0 - 1).div_euclid(HOUR);
            let sum = sums.entry((hour, usize::from(station.0), place)).or_default();
            let (sin, cos) = value.to_radians().sin_cos();
            sum.count += 1.0;
            sum.value += value;
            (sum.east, sum.north) = (sum.east + sin, sum.north + cos);
        }
        ControlFlow::Continue(())
    })?;
    Ok(together(&sums, property))
}

fn together(sums: &BTreeMap<(i64, usize, usize), Sum>, property: &Property) -> Vec<Pair> {
    let sites: Vec<quality::neighbours::Site> = property
        .stations
        .iter()
        .map(|s| quality::neighbours::Site {
            latitude: s.latitude,
            longitude: s.longitude,
            elevation: s.elevation,
        })
        .collect();
    let mut pairs = Vec::new();
    for first in 0..sites.len() {
        let near = quality::neighbours::nearest(&sites, first);
        for &second in near.iter().take(NEAREST).filter(|second| **second > first) {
            for (place, &quantity) in QUANTITIES.iter().enumerate() {
                let hours = both(sums, property, (first, second), place, quantity);
                if !hours.is_empty() {
                    let id = |station: usize| {
                        property.stations.get(station).map(|s| s.id.clone()).unwrap_or_default()
                    };
                    pairs.push(Pair { first: id(first), second: id(second), quantity, hours });
                }
            }
        }
    }
    pairs
}

fn both(
    sums: &BTreeMap<(i64, usize, usize), Sum>,
    property: &Property,
    (first, second): (usize, usize),
    place: usize,
    quantity: Quantity,
) -> Vec<Both> {
    let of = |hour: i64, station: usize, quantity: Quantity| {
        let place = QUANTITIES.iter().position(|q| *q == quantity)?;
        sums.get(&(hour, station, place))?.mean(quantity)
    };
    let either = |hour, quantity| {
        of(hour, first, quantity).into_iter().chain(of(hour, second, quantity)).reduce(f64::max)
    };
    sums.keys()
        .filter(|(_, station, own)| *station == first && *own == place)
        .filter_map(|&(hour, ..)| {
            let time = Time(hour * HOUR);
            Some(Both {
                time,
                first: of(hour, first, quantity)?,
                second: of(hour, second, quantity)?,
                wind: either(hour, Quantity::WindSpeed),
                direction: of(hour, first, Quantity::WindFromDirection).or(of(
                    hour,
                    second,
                    Quantity::WindFromDirection,
                )),
                sun: sun(property, time),
            })
        })
        .collect()
}

/// Elevation of the sun in the middle of an hour, degrees.
fn sun(property: &Property, hour: Time) -> f64 {
    let unix = (hour + Span::minutes(30)).seconds();
    let place = meteorology::sun::Place {
        latitude: property.latitude,
        longitude: property.longitude,
        elevation: property.elevation,
        pressure: 1013.0,
        temperature: 10.0,
    };
    90.0 - meteorology::sun::position(unix, meteorology::sun::delta_t(unix), &place).zenith
}
