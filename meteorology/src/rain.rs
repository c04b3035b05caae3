//! Rain: intensity and its classes, events, sums with what is missing.
//!
//! The rule: a sum says what it lacks; no message is not zero; a tipping bucket cannot
//! report a trace. Rate by the time between tips is in [`observation::signal::gauge`].
//! Depths in mm, rates in mm/h.

use crate::validity::{OutOfRange, Valid, within};
use observation::{Span, Time};
use serde::{Deserialize, Serialize};

/// Rate in mm/h of a depth that took `seconds`.
///
/// # Errors
/// No time, or a depth below zero.
pub fn rate(depth: f64, seconds: f64) -> Valid {
    within("depth", depth, 0.0, 1000.0, "mm")?;
    within("time", seconds, 1e-3, f64::MAX, "s")?;
    Ok(depth * 3600.0 / seconds)
}

/// A rate corrected for what falls while the bucket turns: `I / (1 - dead / interval)` (a
/// model of the bucket's movement, not a table). Times in s.
///
/// # Errors
/// A dead time that is not shorter than the interval.
pub fn corrected(rate: f64, interval: f64, dead: f64) -> Valid {
    within("rate", rate, 0.0, 2000.0, "mm/h")?;
    within("dead time", dead, 0.0, 10.0, "s")?;
    if dead >= interval {
        return Err(OutOfRange::Undefined("the bucket would turn longer than it fills"));
    }
    Ok(rate / (1.0 - dead / interval))
}

/// A corrected rate from a calibration table of `(measured, true)` rates that rise: straight
/// between the points, the nearest point's ratio beyond them. None for an empty or falling
/// table.
pub fn by_table(rate: f64, table: &[(f64, f64)]) -> Option<f64> {
    let rises = table.windows(2).all(|w| w[0].0 < w[1].0 && w[0].1 < w[1].1);
    let (first, last) = (table.first()?, table.last()?);
    let positive = first.0 > 0.0 && first.1 > 0.0;
    if !rises || !positive || !rate.is_finite() {
        return None;
    }
    if rate <= first.0 {
        return Some(rate * first.1 / first.0);
    }
    if rate >= last.0 {
        return Some(rate * last.1 / last.0);
    }
    let pair = table.windows(2).find(|w| rate <= w[1].0)?;
    let share = (rate - pair[0].0) / (pair[1].0 - pair[0].0);
    Some(pair[0].1 + share * (pair[1].1 - pair[0].1))
}

/// Whose classes of intensity.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Scheme {
    /// Light below 2.5, moderate below 10, heavy below 50, then violent, mm/h (WMO-No. 8,
    /// Vol. I, ch. 14; from memory). The default.
    #[default]
    Wmo,
    /// Light to 2.5, moderate to 7.6, then heavy, mm/h (American Meteorological Society,
    /// Glossary of Meteorology, "rain").
    Ams,
    /// Slight below 0.5, moderate to 4, then heavy, mm/h (UK Met Office, rain other than
    /// showers; from memory).
    UnitedKingdom,
}

impl Scheme {
    /// The name shown beside a class.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Wmo => "WMO",
            Self::Ams => "AMS",
            Self::UnitedKingdom => "UK",
        }
    }

    /// The names of the classes, the weakest first.
    pub const fn classes(self) -> &'static [&'static str] {
        match self {
            Self::Wmo => &["light", "moderate", "heavy", "violent"],
            Self::Ams => &["light", "moderate", "heavy"],
            Self::UnitedKingdom => &["slight", "moderate", "heavy"],
        }
    }

    /// The class of a rate in mm/h; none without rain. Rates are compared at 0.1 mm/h where
    /// the scheme states its limits so.
    pub fn class(self, rate: f64) -> Option<&'static str> {
        if rate.is_nan() || rate <= 0.0 {
            return None;
        }
        let tenths = (rate * 10.0).round();
        Some(match self {
            Self::Wmo if rate < 2.5 => "light",
            Self::Wmo if rate < 10.0 => "moderate",
            Self::Wmo if rate < 50.0 => "heavy",
            Self::Wmo => "violent",
            Self::Ams if tenths <= 25.0 => "light",
            Self::Ams if tenths <= 76.0 => "moderate",
            Self::UnitedKingdom if rate < 0.5 => "slight",
            Self::UnitedKingdom if rate <= 4.0 => "moderate",
            Self::Ams | Self::UnitedKingdom => "heavy",
        })
    }
}

/// One spell of rain between dry gaps.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// First fall.
    pub from: Time,
    /// Last fall.
    pub to: Time,
    /// Depth, mm.
    pub depth: f64,
}

/// Groups falls `(time, mm)` that are in order into events apart by more than `gap`.
pub fn events(falls: impl IntoIterator<Item = (Time, f64)>, gap: Span) -> Vec<Event> {
    let mut events: Vec<Event> = Vec::new();
    for (time, depth) in falls {
        if depth.is_nan() || depth <= 0.0 {
            continue;
        }
        match events.last_mut() {
            Some(event) if time - event.to <= gap => {
                event.to = event.to.max(time);
                event.depth += depth;
            }
            _ => events.push(Event { from: time, to: time, depth }),
        }
    }
    events
}

/// A depth with the time nobody measured.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Total {
    /// Depth measured, mm.
    pub depth: f64,
    /// Time measured.
    pub covered: Span,
    /// Time not measured.
    pub missing: Span,
}

impl Total {
    /// Adds a window: its depth, or none if nobody measured.
    pub fn add(&mut self, depth: Option<f64>, window: Span) {
        match depth.filter(|d| d.is_finite() && *d >= 0.0) {
            Some(depth) => {
                self.depth += depth;
                self.covered = self.covered + window;
            }
            None => self.missing = self.missing + window,
        }
    }

    /// Both totals together.
    #[must_use]
    pub fn merged(self, other: Self) -> Self {
        Self {
            depth: self.depth + other.depth,
            covered: self.covered + other.covered,
            missing: self.missing + other.missing,
        }
    }

    /// The total as people read it: `3.2 mm`, `at least 3.2 mm, 5 h missing`.
    pub fn text(&self) -> String {
        if self.missing.0 <= 0 {
            return format!("{:.1} mm", self.depth);
        }
        let minutes = self.missing.0 / 60_000;
        let missing = match minutes {
            // Weeks in hours say little to people.
            m if m >= 48 * 60 && m % 1_440 < 60 => format!("{} d", m / 1_440),
            m if m >= 48 * 60 => format!("{} d {} h", m / 1_440, m % 1_440 / 60),
            m if m >= 60 && m % 60 == 0 => format!("{} h", m / 60),
            m if m >= 60 => format!("{} h {} min", m / 60, m % 60),
            m => format!("{m} min"),
        };
        if self.covered.0 <= 0 {
            return format!("not measured, {missing} missing");
        }
        format!("at least {:.1} mm, {missing} missing", self.depth)
    }
}

/// The fall within the last 24 hours of windows `(end, depth)`: those that end after
/// `now - 24 h` and not after `now`.
pub fn rolling_day(windows: &[(Time, Option<f64>)], step: Span, now: Time) -> Total {
    let mut total = Total::default();
    let day = Span::days(1);
    for (_, depth) in windows.iter().filter(|(end, _)| *end > now - day && *end <= now) {
        total.add(*depth, step);
    }
    // Windows nobody wrote are missing too.
    total.missing = day - total.covered;
    total
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_say_what_they_lack() {
        let mut total = Total::default();
        total.add(Some(3.2), Span::hours(19));
        assert_eq!(total.text(), "3.2 mm");
        total.add(None, Span::hours(5));
        assert_eq!(total.text(), "at least 3.2 mm, 5 h missing");
        let mut none = Total::default();
        none.add(None, Span::minutes(90));
        assert_eq!(none.text(), "not measured, 1 h 30 min missing");
        let mut long = none;
        long.add(None, Span::days(27) + Span::hours(15));
        long.add(Some(0.2), Span::hours(1));
        assert_eq!(long.text(), "at least 0.2 mm, 27 d 16 h missing");
    }

    #[test]
    fn a_dry_gap_parts_events() {
        let at = |hours: i64| Time(Span::hours(hours).0);
        let falls = [(at(0), 0.2), (at(5), 0.2), (at(11), 0.0), (at(12), 0.4)];
        let events = events(falls, Span::hours(6));
        assert_eq!(events.len(), 2);
        assert_eq!((events[0].from, events[0].to), (at(0), at(5)));
        assert!((events[0].depth - 0.4).abs() < 1e-12);
        assert_eq!(events[1], Event { from: at(12), to: at(12), depth: 0.4 });
    }

    #[test]
    fn the_rolling_day_counts_windows_nobody_wrote_as_missing() {
        let windows = [(Time(0), Some(9.0)), (Time(3_600_000), Some(1.0))];
        let total = rolling_day(&windows, Span::hours(1), Time(86_400_000));
        assert!((total.depth - 1.0).abs() < 1e-12);
        assert_eq!(total.missing, Span::hours(23));
    }

    #[test]
    fn a_table_corrects_between_and_beyond_its_points() {
        let table = [(50.0, 51.0), (100.0, 105.0)];
        assert_eq!(by_table(75.0, &table), Some(78.0));
        assert_eq!(by_table(25.0, &table), Some(25.5));
        assert_eq!(by_table(200.0, &table), Some(210.0));
        assert_eq!(by_table(1.0, &[]), None);
    }
}
