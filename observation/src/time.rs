//! Instants and spans, both in whole milliseconds.
//!
//! Instants are UTC. Local time exists only where days are cut and where people
//! look, and there the zone is an argument.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::ops::{Add, Neg, Sub};

/// One second in milliseconds.
pub const SECOND: i64 = 1_000;
/// One minute in milliseconds.
pub const MINUTE: i64 = 60 * SECOND;
/// One hour in milliseconds.
pub const HOUR: i64 = 60 * MINUTE;
/// One UTC day in milliseconds.
pub const DAY: i64 = 24 * HOUR;

/// An instant: milliseconds since 1970-01-01T00:00:00Z, leap seconds not counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Time(pub i64);

/// A signed length of time in milliseconds.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Span(pub i64);

/// The first instant a station's clock is believed to know: 2000-01-01T00:00:00Z.
/// What is earlier is a clock that was never set.
pub const FIRST_BELIEVABLE: Time = Time(946_684_800_000);

/// Why a text is no instant or no span.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Malformed(pub String);

impl fmt::Display for Malformed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for Malformed {}

impl Time {
    /// The start of the UTC minute this instant lies in.
    pub const fn minute_start(self) -> Self {
        Self(self.0 - self.0.rem_euclid(MINUTE))
    }

    /// The end label of the window step this instant falls into: windows are
    /// `(end - step, end]`, so an instant exactly on a boundary belongs to the
    /// window that ends there.
    pub const fn step_end(self, step: Span) -> Self {
        Self(-((-self.0).div_euclid(step.0)) * step.0)
    }

    /// The number of the UTC day, counted from 1970-01-01.
    pub const fn utc_day(self) -> i64 {
        self.0.div_euclid(DAY)
    }

    /// Reads an RFC 3339 instant with `Z` or a numeric offset. Digits beyond the
    /// millisecond are cut.
    ///
    /// # Errors
    /// A text that is no instant, or has no offset.
    pub fn parse(text: &str) -> Result<Self, Malformed> {
        text.parse::<jiff::Timestamp>()
            .map(|t| Self(t.as_nanosecond().div_euclid(1_000_000) as i64))
            .map_err(|e| {
                Malformed(format!(
                    "`{text}` is not an RFC 3339 instant such as 2026-03-01T06:00:00Z: {e}"
                ))
            })
    }

    /// From Unix seconds, rounded to the nearest millisecond; none if it does not
    /// fit the years 1 to 9999.
    pub fn from_seconds(seconds: f64) -> Option<Self> {
        let milliseconds = (seconds * 1_000.0).round();
        (milliseconds.is_finite() && milliseconds.abs() < 2.5e14)
            .then_some(Self(milliseconds as i64))
    }

    /// Unix seconds.
    pub fn seconds(self) -> f64 {
        self.0 as f64 / 1_000.0
    }
}

/// RFC 3339 with `Z`, milliseconds only where they are not zero.
impl fmt::Display for Time {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match jiff::Timestamp::from_millisecond(self.0) {
            Ok(t) if self.0.rem_euclid(SECOND) == 0 => write!(f, "{t:.0}"),
            Ok(t) => write!(f, "{t:.3}"),
            Err(_) => write!(f, "{} ms", self.0),
        }
    }
}

impl Span {
    /// No time at all.
    pub const ZERO: Self = Self(0);

    /// From whole seconds.
    pub const fn seconds(seconds: i64) -> Self {
        Self(seconds * SECOND)
    }

    /// From whole minutes.
    pub const fn minutes(minutes: i64) -> Self {
        Self(minutes * MINUTE)
    }

    /// From whole hours.
    pub const fn hours(hours: i64) -> Self {
        Self(hours * HOUR)
    }

    /// From whole 24-hour days.
    pub const fn days(days: i64) -> Self {
        Self(days * DAY)
    }

    /// The span in seconds.
    pub fn as_seconds(self) -> f64 {
        self.0 as f64 / 1_000.0
    }

    /// The same length counted forward.
    pub const fn absolute(self) -> Self {
        Self(self.0.abs())
    }

    /// Reads `10 min`, `-31 d`, `1.5 h`, `500 ms` or ISO 8601 (`PT10M`, `P1D`).
    ///
    /// # Errors
    /// A text that is no span, with what may be written instead.
    pub fn parse(text: &str) -> Result<Self, Malformed> {
        let fault = || {
            Malformed(format!(
                "`{text}` is not a span of time; write it like \"10 min\", \"30 s\", \"2 h\", \"1 d\" or \"PT10M\""
            ))
        };
        let trimmed = text.trim();
        if trimmed.trim_start_matches(['+', '-']).starts_with(['P', 'p']) {
            let span: jiff::Span = trimmed.parse().map_err(|_| fault())?;
            if span.get_years() != 0 || span.get_months() != 0 {
                return Err(Malformed(format!(
                    "`{text}` has years or months, whose length is not fixed; write days"
                )));
            }
            let days = i64::from(span.get_weeks()) * 7 + i64::from(span.get_days());
            let rest = span
                .weeks(0)
                .days(0)
                .to_duration(jiff::SpanRelativeTo::days_are_24_hours())
                .map_err(|_| fault())?;
            let rest = i64::try_from(rest.as_millis()).map_err(|_| fault())?;
            return days
                .checked_mul(DAY)
                .and_then(|d| d.checked_add(rest))
                .map(Self)
                .ok_or_else(fault);
        }
        let split = trimmed.find(|c: char| c.is_ascii_alphabetic()).ok_or_else(fault)?;
        let (number, unit) = trimmed.split_at(split);
        let number: f64 = number.trim().parse().map_err(|_| fault())?;
        let unit = match unit.trim() {
            "ms" => 1,
            "s" => SECOND,
            "min" => MINUTE,
            "h" => HOUR,
            "d" => DAY,
            _ => return Err(fault()),
        };
        let milliseconds = (number * unit as f64).round();
        if milliseconds.is_finite() && milliseconds.abs() < 1e15 {
            Ok(Self(milliseconds as i64))
        } else {
            Err(fault())
        }
    }
}

/// ISO 8601, with days and smaller (`PT10M`, `P1DT2H`, `PT0S`).
impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut rest = self.0.unsigned_abs();
        if self.0 < 0 {
            f.write_str("-")?;
        }
        f.write_str("P")?;
        let mut part = |length: i64| {
            let length = length.unsigned_abs();
            let count = rest / length;
            rest %= length;
            count
        };
        let (days, hours, minutes) = (part(DAY), part(HOUR), part(MINUTE));
        if days > 0 {
            write!(f, "{days}D")?;
        }
        if hours > 0 || minutes > 0 || rest > 0 || days == 0 {
            f.write_str("T")?;
        }
        if hours > 0 {
            write!(f, "{hours}H")?;
        }
        if minutes > 0 {
            write!(f, "{minutes}M")?;
        }
        if rest > 0 || self.0 == 0 {
            let (seconds, milliseconds) = (rest / 1_000, rest % 1_000);
            if milliseconds == 0 {
                write!(f, "{seconds}S")?;
            } else {
                let fraction = format!("{milliseconds:03}");
                write!(f, "{seconds}.{}S", fraction.trim_end_matches('0'))?;
            }
        }
        Ok(())
    }
}

impl Add<Span> for Time {
    type Output = Self;
    fn add(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.0))
    }
}

impl Sub<Span> for Time {
    type Output = Self;
    fn sub(self, span: Span) -> Self {
        Self(self.0.saturating_sub(span.0))
    }
}

impl Sub for Time {
    type Output = Span;
    fn sub(self, other: Self) -> Span {
        Span(self.0.saturating_sub(other.0))
    }
}

impl Add for Span {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl Sub for Span {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

impl Neg for Span {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn instants_read_and_print_as_rfc_3339() {
        for (text, printed) in [
            ("2026-03-01T06:00:00Z", "2026-03-01T06:00:00Z"),
            ("2026-03-01T06:00:00.25Z", "2026-03-01T06:00:00.250Z"),
            ("2026-03-01T07:00:00+01:00", "2026-03-01T06:00:00Z"),
            ("1969-12-31T23:59:59.999Z", "1969-12-31T23:59:59.999Z"),
        ] {
            assert_eq!(Time::parse(text).map(|t| t.to_string()), Ok(printed.to_owned()));
        }
        assert!(Time::parse("2026-03-01T06:00:00").is_err());
        assert!(Time::parse("yesterday").is_err());
    }

    #[test]
    fn spans_read_in_both_spellings_and_print_as_iso_8601() {
        for (text, milliseconds, printed) in [
            ("10 min", 600_000, "PT10M"),
            ("PT10M", 600_000, "PT10M"),
            ("-31 d", -31 * DAY, "-P31D"),
            ("1.5 h", 5_400_000, "PT1H30M"),
            ("500 ms", 500, "PT0.5S"),
            ("P1DT2H", DAY + 2 * HOUR, "P1DT2H"),
            ("0 s", 0, "PT0S"),
        ] {
            let span = Span::parse(text).unwrap_or_else(|e| panic!("{text}: {e}"));
            assert_eq!(span.0, milliseconds, "{text}");
            assert_eq!(span.to_string(), printed, "{text}");
        }
        for bad in ["ten minutes", "10", "P1Y", "min", "1e400 s"] {
            assert!(Span::parse(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn an_instant_on_a_boundary_belongs_to_the_window_ending_there() {
        let step = Span::minutes(1);
        assert_eq!(Time(60_000).step_end(step), Time(60_000));
        assert_eq!(Time(60_001).step_end(step), Time(120_000));
        assert_eq!(Time(0).step_end(step), Time(0));
        assert_eq!(Time(-1).step_end(step), Time(0));
    }
}
