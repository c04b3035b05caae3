//! Dates of the proleptic Gregorian calendar, without a zone.

use std::fmt;

/// A date.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Date {
    /// The year; the one before 1 is 0.
    pub year: i32,
    /// 1 to 12.
    pub month: u8,
    /// 1 to 31.
    pub day: u8,
}

/// Days of four hundred years, after which the calendar repeats.
const CYCLE: i64 = 146_097;
/// Days from 0000-03-01 to 1970-01-01. Years that begin in March end with the leap day.
const TO_1970: i64 = 719_468;

impl Date {
    /// The date so many days after 1970-01-01.
    pub fn of_day(day: i64) -> Self {
        let day = day.saturating_add(TO_1970);
        let (cycle, of_cycle) = (day.div_euclid(CYCLE), day.rem_euclid(CYCLE));
        // Leap days drop out of the days before the year is counted: every 1,460 days one,
        // not every 36,524, again every 146,096.
        let year = (of_cycle - of_cycle / 1_460 + of_cycle / 36_524 - of_cycle / 146_096) / 365;
        let of_year = of_cycle - (365 * year + year / 4 - year / 100);
        // From March on the months' lengths repeat after five with 153 days.
        let month = (5 * of_year + 2) / 153;
        let day = of_year - (153 * month + 2) / 5 + 1;
        let (month, later) = if month < 10 { (month + 3, 0) } else { (month - 9, 1) };
        Self {
            year: i32::try_from(cycle * 400 + year + later).unwrap_or(i32::MAX),
            month: u8::try_from(month).unwrap_or(1),
            day: u8::try_from(day).unwrap_or(1),
        }
    }

    /// Days since 1970-01-01; a day beyond the month's end counts into the next.
    pub fn number(self) -> i64 {
        let before_march = self.month <= 2;
        let year = i64::from(self.year) - i64::from(before_march);
        let month = i64::from(self.month) + if before_march { 9 } else { -3 };
        let of_cycle = year.rem_euclid(400);
        let of_year = (153 * month + 2) / 5 + i64::from(self.day) - 1;
        year.div_euclid(400) * CYCLE + of_cycle * 365 + of_cycle / 4 - of_cycle / 100 + of_year
            - TO_1970
    }

    /// The day of the week: 0 is Monday, 6 Sunday (the order of ISO 8601).
    pub fn weekday(self) -> u8 {
        // 1970-01-01 was a Thursday.
        u8::try_from((self.number() + 3).rem_euclid(7)).unwrap_or(0)
    }

    /// 1 to 366.
    pub fn day_of_year(self) -> u16 {
        let first = Self { month: 1, day: 1, ..self };
        u16::try_from(self.number() - first.number() + 1).unwrap_or(1)
    }

    /// The first of the month so many months later.
    #[must_use]
    pub fn first_of_month(self, later: i64) -> Self {
        let months = i64::from(self.year) * 12 + i64::from(self.month) - 1 + later;
        Self {
            year: i32::try_from(months.div_euclid(12)).unwrap_or(i32::MAX),
            month: u8::try_from(months.rem_euclid(12) + 1).unwrap_or(1),
            day: 1,
        }
    }

    /// Reads `2026-03-01`; none for anything else, or a day that is not in its month.
    pub fn parse(text: &str) -> Option<Self> {
        let mut parts = text.split('-');
        let mut part = |length: usize| {
            let part = parts.next()?;
            let digits = part.len() == length && part.bytes().all(|b| b.is_ascii_digit());
            digits.then(|| part.parse::<u16>().ok()).flatten()
        };
        let (year, month, day) = (part(4)?, part(2)?, part(2)?);
        let date = Self {
            year: i32::from(year),
            month: u8::try_from(month).ok()?,
            day: u8::try_from(day).ok()?,
        };
        (parts.next().is_none() && (1..=12).contains(&month) && Self::of_day(date.number()) == date)
            .then_some(date)
    }
}

/// `2026-03-01` (ISO 8601, calendar date, extended form).
impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}-{:02}", self.year, self.month, self.day)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against an independent library, every day of nine hundred years.
    #[test]
    fn days_of_the_week_follow_the_calendar() {
        // 2000-01-01 was a Saturday, 1969-12-31 a Wednesday, 2026-11-29 a Sunday.
        for (text, weekday) in [("2000-01-01", 5), ("1969-12-31", 2), ("2026-11-29", 6)] {
            assert_eq!(Date::parse(text).map(Date::weekday), Some(weekday), "{text}");
        }
    }

    #[test]
    fn dates_and_numbers_agree_with_jiff() {
        let epoch = jiff::civil::date(1970, 1, 1);
        let mut date = jiff::civil::date(1599, 12, 30);
        while date.year() < 2_500 {
            let number = i64::from((date - epoch).get_days());
            let ours = Date::of_day(number);
            assert_eq!(
                (ours.year, ours.month, ours.day),
                (i32::from(date.year()), date.month().cast_unsigned(), date.day().cast_unsigned())
            );
            assert_eq!(ours.number(), number);
            assert_eq!(ours.day_of_year(), date.day_of_year().cast_unsigned());
            date = date.tomorrow().unwrap_or(date);
        }
    }

    #[test]
    fn dates_are_read_and_months_counted() {
        let date = Date { year: 2024, month: 2, day: 29 };
        assert_eq!(Date::parse("2024-02-29"), Some(date));
        assert_eq!(date.to_string(), "2024-02-29");
        assert_eq!(date.first_of_month(11), Date { year: 2025, month: 1, day: 1 });
        assert_eq!(date.first_of_month(-2), Date { year: 2023, month: 12, day: 1 });
        for bad in ["2023-02-29", "2024-13-01", "2024-2-9", "24-02-29", "2024-02-29-1", ""] {
            assert_eq!(Date::parse(bad), None, "{bad}");
        }
    }
}
