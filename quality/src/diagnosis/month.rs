//! The hours of the last month of one instrument, beside those of its neighbours: before a
//! change and after it. What [`super::refine`] looks at.

use super::conditions::Hour;
use crate::neighbours::{Values, median};
use observation::Quantity;
use observation::time::HOUR;

/// Humidity above which the neighbours count as wet, %.
const WET: f64 = 95.0;
/// Hours of the last days.
const LOOKED_BACK: i64 = 5 * 24;

/// Whose hours are looked at.
#[derive(Clone, Copy, Debug)]
pub struct View<'a> {
    /// The place of its station.
    pub station: usize,
    /// What the instrument measures.
    pub quantity: Quantity,
    /// The places of the neighbours, nearest first.
    pub near: &'a [usize],
    /// Degrees north and degrees east, for the sun.
    pub place: (f64, f64),
    /// The hour of the change, counted from 1970.
    pub since: i64,
}

/// A month of hours, parted. Each list is oldest first.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Month {
    /// Before the change, and before the last days.
    pub before: Vec<Hour>,
    /// Since the change.
    pub after: Vec<Hour>,
    /// The last days, whenever the change was: what comes and goes with the sun changes anew
    /// every day.
    pub lately: Vec<Hour>,
}

/// Parts a month of hours (counted from 1970, oldest first, each with the values of all
/// stations) at a change.
pub fn parted(
    past: impl DoubleEndedIterator<Item = (i64, impl Fn(usize) -> Values)> + Clone,
    view: &View<'_>,
) -> Month {
    let newest = past.clone().next_back().map_or(i64::MAX, |(hour, _)| hour);
    let last_days = newest.saturating_sub(LOOKED_BACK);
    let mut month = Month::default();
    let mut since_wet = f64::INFINITY;
    for (hour, values) in past {
        let warmed =
            matches!(view.quantity, Quantity::AirTemperature | Quantity::AirPressureAtMeanSeaLevel);
        let sun = if warmed { elevation(hour, view.place) } else { f64::NAN };
        let found =
            around((hour, sun), view.station, view.quantity, view.near, values, &mut since_wet);
        if hour < view.since.min(last_days) {
            month.before.push(found);
        }
        if hour >= last_days {
            month.lately.push(found);
        }
        if hour >= view.since {
            month.after.push(found);
        }
    }
    month
}

/// One hour (its number and the elevation of the sun) of an instrument beside its neighbours;
/// `since_wet` is carried from hour to hour.
pub(crate) fn around(
    (number, sun): (i64, f64),
    station: usize,
    quantity: Quantity,
    near: &[usize],
    values: impl Fn(usize) -> Values,
    since_wet: &mut f64,
) -> Hour {
    let of = |quantity: Quantity| median(near.iter().map(|&n| values(n).get(quantity)));
    let humidity = of(Quantity::RelativeHumidity);
    let wet = humidity >= WET || of(Quantity::PrecipitationDepth) > 0.0;
    *since_wet = if wet { 0.0 } else { *since_wet + 1.0 };
    // Of directions the first that is known: they have no middle.
    let mut directions = near.iter().map(|&n| values(n).direction);
    Hour {
        own: values(station).get(quantity),
        others: of(quantity),
        sun,
        wind: of(Quantity::WindSpeed),
        direction: directions.find(|d| d.is_finite()).unwrap_or(f64::NAN),
        humidity,
        since_wet: *since_wet,
        number,
    }
}

/// Elevation of the sun in the middle of an hour, degrees.
pub(crate) fn elevation(hour: i64, (latitude, longitude): (f64, f64)) -> f64 {
    let unix = ((hour * HOUR + HOUR / 2) / 1_000) as f64;
    let place = meteorology::sun::Place {
        latitude,
        longitude,
        elevation: 0.0,
        pressure: 1013.0,
        temperature: 10.0,
    };
    90.0 - meteorology::sun::position(unix, meteorology::sun::delta_t(unix), &place).zenith
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_month_is_parted_at_the_change_and_told_its_weather() {
        let values = |hour: i64| {
            move |station: usize| Values {
                temperature: if station == 0 { 12.0 } else { 10.0 },
                humidity: if hour.rem_euclid(24) == 3 { 99.0 } else { 60.0 },
                speed: station as f64,
                direction: if station == 2 { 350.0 } else { f64::NAN },
                ..Values::MISSING
            }
        };
        // 2026-06-21T00:00Z is hour 494,928 from 1970.
        let first = 494_928 - 300;
        let past = (first..first + 320).map(|hour| (hour, values(hour)));
        let view = View {
            station: 0,
            quantity: Quantity::AirTemperature,
            near: &[1, 2],
            place: (54.0, 0.0),
            since: first + 100,
        };
        let Month { before, after, lately } = parted(past.clone(), &view);
        assert_eq!((before.len(), after.len(), lately.len()), (100, 220, 121));
        let last = after[after.len() - 1];
        assert!((last.own - 12.0).abs() < 1e-12 && (last.others - 10.0).abs() < 1e-12);
        assert!((last.wind - 1.5).abs() < 1e-12 && (last.direction - 350.0).abs() < 1e-12);
        // The hour from 19 to 20 UTC, sixteen after the wet one.
        assert!((last.since_wet - 16.0).abs() < 1e-12, "{last:?}");
        // Midsummer noon on 54 N: 90 - 54 + 23.4; the hour from 12 to 13 is a little lower.
        let noon = after[after.len() - 8];
        assert!((noon.sun - 59.0).abs() < 0.6, "{}", noon.sun);
        // What is usual ends before the last days, however young the change is.
        let late = parted(past, &View { since: first + 318, ..view });
        assert_eq!((late.before.len(), late.after.len()), (199, 2));
    }
}
