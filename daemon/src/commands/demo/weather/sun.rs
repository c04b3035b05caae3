//! The sun of the property, and what it does to the air in the course of a day.

use meteorology::sun::{self, Day, HORIZON};
use std::f64::consts::PI;
use std::sync::Arc;

/// Where the invented smallholding lies, degrees north and east.
pub const LATITUDE: f64 = 54.07;
/// See [`LATITUDE`].
pub const LONGITUDE: f64 = -2.28;
/// Seconds of one day.
const DAY: f64 = 86_400.0;
/// Hours by which the warmest hour lags behind the highest sun, and how fast the air cools
/// after sunset, for air at 1.5 m (Parton and Logan, A model for diurnal variation in soil
/// and air temperature, Agric. Meteorol. 23, 1981, 205-216; from memory).
const LAG: f64 = 1.86;
const COOLING: f64 = 2.20;

/// Rises and sets, worked out once for a span of days.
#[derive(Clone, Debug)]
pub(super) struct Sun {
    /// Day number since 1970 of the first.
    first: i64,
    days: Arc<[Day]>,
}

/// The sun's day of a date.
fn day(date: i64) -> Day {
    sun::day(date as f64 * DAY, LATITUDE, LONGITUDE, HORIZON)
}

#[expect(clippy::cast_possible_truncation, reason = "a day number")]
fn date_of(seconds: f64) -> i64 {
    (seconds / DAY).floor() as i64
}

impl Sun {
    /// For the days of a span of Unix time; others are worked out when they are asked for.
    pub(super) fn new(from: f64, to: f64) -> Self {
        let first = date_of(from) - 1;
        Self { first, days: (first..=date_of(to) + 1).map(day).collect() }
    }

    fn day(&self, date: i64) -> Day {
        let place = usize::try_from(date - self.first).ok();
        place.and_then(|p| self.days.get(p)).copied().unwrap_or_else(|| day(date))
    }

    /// Height at noon of the date, degrees.
    pub(super) fn noon_height(&self, seconds: f64) -> f64 {
        self.day(date_of(seconds)).height_at_noon
    }

    /// Sine of its height.
    pub(super) fn sine(&self, seconds: f64) -> f64 {
        let day = self.day(date_of(seconds));
        let latitude = LATITUDE.to_radians();
        // At noon the sun stands in the south here.
        let declination = (LATITUDE - 90.0 + day.height_at_noon).to_radians();
        let hour = ((seconds - day.noon) / 240.0).to_radians();
        latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour.cos()
    }

    /// Where the temperature stands within its daily range under a clear sky: -0.5 at
    /// sunrise, up to 0.5 after noon.
    pub(super) fn course(&self, seconds: f64) -> f64 {
        let date = date_of(seconds);
        let day = self.day(date);
        let (Some(rise), Some(set)) = (day.rise, day.set) else { return 0.0 };
        let warmth = |after: f64, length: f64| (PI * after / (length + 2.0 * LAG * 3_600.0)).sin();
        if (rise..=set).contains(&seconds) {
            return warmth(seconds - rise, set - rise) - 0.5;
        }
        let other = self.day(if seconds < rise { date - 1 } else { date + 1 });
        let (Some(other_rise), Some(other_set)) = (other.rise, other.set) else { return 0.0 };
        let (rose, set, rises) =
            if seconds < rise { (other_rise, other_set, rise) } else { (rise, set, other_rise) };
        let passed = (seconds - set) / (rises - set);
        let left = ((-COOLING * passed).exp() - (-COOLING).exp()) / (1.0 - (-COOLING).exp());
        warmth(set - rose, set - rose) * left - 0.5
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-06-21 and 2026-12-21, 00 UTC.
    const MIDSUMMER: f64 = 1_782_000_000.0;
    const MIDWINTER: f64 = 1_797_811_200.0;

    #[test]
    fn the_sun_is_the_one_of_the_property() {
        let sun = Sun::new(MIDSUMMER, MIDSUMMER);
        for (midnight, highest) in [(MIDSUMMER, 59.4), (MIDWINTER, 12.5)] {
            // 90 deg less latitude, plus and less 23.44 deg.
            assert!((sun.noon_height(midnight) - highest).abs() < 0.1);
            let peak = (0..1_440).map(|m| sun.sine(midnight + f64::from(m) * 60.0));
            let peak = peak.fold(-1.0, f64::max).asin().to_degrees();
            assert!((peak - highest).abs() < 0.1, "{peak}");
            assert!(sun.sine(midnight) < 0.0);
        }
    }

    #[test]
    fn the_day_warms_from_sunrise_past_noon_and_has_no_step() {
        for midnight in [MIDSUMMER, MIDWINTER] {
            let sun = Sun::new(midnight, midnight);
            let of = |minute: i32| sun.course(midnight + f64::from(minute) * 60.0);
            let warmest = (0..1_440).max_by(|a, b| of(*a).total_cmp(&of(*b))).unwrap_or(0);
            assert!((12 * 60 + 60..16 * 60).contains(&warmest), "{warmest}");
            for minute in -1_440..1_440 {
                assert!((of(minute + 1) - of(minute)).abs() < 0.02, "{minute}");
                assert!((-0.5001..=0.5001).contains(&of(minute)));
            }
        }
    }
}
