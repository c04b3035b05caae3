//! Where days, months and years are cut: local time as data.
//!
//! Whoever reads the settings knows the rules of time zones and writes them down as a
//! table of offsets; here it is only looked up, so that the same settings cut the same
//! days wherever and whenever they are cut. A span is `(from, to]`, as windows are: what
//! is measured at midnight itself ends the day before.

use crate::time::DAY;
use crate::{Date, Span, Time};

/// The offsets of a time zone: from when each holds, oldest first. The last holds for
/// ever. Before the first the first holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Zone {
    changes: Vec<(Time, Span)>,
}

impl Default for Zone {
    /// UTC.
    fn default() -> Self {
        Self { changes: vec![(Time(i64::MIN), Span::ZERO)] }
    }
}

impl Zone {
    /// A zone of an offset from the beginning on, and of others from later instants on.
    pub fn new(first: Span, later: impl IntoIterator<Item = (Time, Span)>) -> Self {
        let mut changes = vec![(Time(i64::MIN), first)];
        changes.extend(later);
        changes.sort_by_key(|change| change.0);
        Self { changes }
    }

    /// The offset at an instant.
    pub fn offset(&self, time: Time) -> Span {
        let end = self.changes.partition_point(|change| change.0 <= time);
        self.changes.get(end.saturating_sub(1)).map_or(Span::ZERO, |change| change.1)
    }

    /// The local date at an instant.
    pub fn date(&self, time: Time) -> Date {
        Date::of_day((time + self.offset(time)).utc_day())
    }

    /// The instant from which on the local clock shows this time of this date or later:
    /// of a time that is skipped the next after it, of one that comes twice the first,
    /// unless the clock is set back into the day before in between.
    pub fn instant(&self, date: Date, after_midnight: Span) -> Time {
        let wall = date.number().saturating_mul(DAY).saturating_add(after_midnight.0);
        let mut end =
            self.changes.partition_point(|change| change.0.0 <= wall.saturating_add(2 * DAY));
        let mut until = self.changes.get(end).map_or(Time(i64::MAX), |change| change.0);
        while let Some(&(from, offset)) = end.checked_sub(1).and_then(|n| self.changes.get(n)) {
            let here = Time(wall.saturating_sub(offset.0));
            if here >= until {
                return until;
            }
            if here > from {
                return here;
            }
            (until, end) = (from, end - 1);
        }
        until
    }
}

/// When a day starts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DayStart {
    /// After midnight, less than a day.
    pub after_midnight: Span,
    /// Whether midnight of UTC is meant, not the local one.
    pub utc: bool,
}

/// What a day is cut for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum DayKind {
    /// From midnight to midnight, local time.
    Civil,
    /// Of rain: it stands under the date on which it starts (thrown back).
    Rain,
    /// Of the highest temperature: under the date of its afternoon.
    Maximum,
    /// Of the lowest temperature: under the date of its dawn.
    Minimum,
}

impl DayKind {
    /// All kinds.
    pub const ALL: [Self; 4] = [Self::Civil, Self::Rain, Self::Maximum, Self::Minimum];

    /// The word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Civil => "civil",
            Self::Rain => "rain",
            Self::Maximum => "maximum",
            Self::Minimum => "minimum",
        }
    }

    /// The kind of a word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// How long a summary is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Division {
    /// A full hour of UTC.
    Hour,
    /// A day of some kind.
    Day,
    /// A month of such days.
    Month,
    /// A year of such days.
    Year,
}

impl Division {
    /// All divisions.
    pub const ALL: [Self; 4] = [Self::Hour, Self::Day, Self::Month, Self::Year];

    /// The word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Hour => "hour",
            Self::Day => "day",
            Self::Month => "month",
            Self::Year => "year",
        }
    }

    /// The division of a word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|division| division.word() == word)
    }
}

/// One span that is summarised: `(from, to]`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Cut {
    /// Where it starts; not part of it.
    pub from: Time,
    /// Where it ends; part of it.
    pub to: Time,
    /// The date it stands under; of a month or year its first.
    pub date: Date,
}

/// How a property cuts its days.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Days {
    /// Its zone.
    pub zone: Zone,
    /// Start of the rain day.
    pub rain: DayStart,
    /// Start of the day of the highest temperature.
    pub maximum: DayStart,
    /// Start of the day of the lowest temperature.
    pub minimum: DayStart,
    /// The day of the month on which months start, 1 to 28.
    pub month_starts: u8,
    /// Month and day on which years start; the day is 1 to 28.
    pub year_starts: (u8, u8),
}

impl Default for Days {
    /// Days from midnight to midnight of UTC, months from their first, years from
    /// January.
    fn default() -> Self {
        let midnight = DayStart::default();
        Self {
            zone: Zone::default(),
            rain: midnight,
            maximum: midnight,
            minimum: midnight,
            month_starts: 1,
            year_starts: (1, 1),
        }
    }
}

/// Start of a day after which its afternoon lies on the next date, and its dawn.
const NOON: Span = Span::hours(12);
const DAWN: Span = Span::hours(6);

impl Days {
    /// When days of a kind start.
    pub const fn start(&self, kind: DayKind) -> DayStart {
        match kind {
            DayKind::Civil => DayStart { after_midnight: Span::ZERO, utc: false },
            DayKind::Rain => self.rain,
            DayKind::Maximum => self.maximum,
            DayKind::Minimum => self.minimum,
        }
    }

    /// How many days after the date on which it starts a day's own date is (common
    /// practice of climatological observers: rain is thrown back to the date on which
    /// most of it fell; the highest temperature of 09 to 09 h too; the lowest stands under
    /// the morning on which it is read).
    fn later(&self, kind: DayKind) -> i64 {
        let after = self.start(kind).after_midnight;
        i64::from(match kind {
            DayKind::Civil | DayKind::Rain => false,
            DayKind::Maximum => after >= NOON,
            DayKind::Minimum => after >= DAWN,
        })
    }

    /// When the day of a kind starts that stands under a date.
    fn day_from(&self, kind: DayKind, date: Date) -> Time {
        let start = self.start(kind);
        let date = Date::of_day(date.number() - self.later(kind));
        if start.utc {
            Time(date.number().saturating_mul(DAY)) + start.after_midnight
        } else {
            self.zone.instant(date, start.after_midnight)
        }
    }

    /// The day of a kind that stands under a date. Where a zone leaves a date out, the day
    /// is empty.
    pub fn day(&self, kind: DayKind, date: Date) -> Cut {
        let next = Date::of_day(date.number() + 1);
        Cut { from: self.day_from(kind, date), to: self.day_from(kind, next), date }
    }

    /// The date of the day of a kind that an instant lies in.
    pub fn date_of(&self, kind: DayKind, time: Time) -> Date {
        // A day may start up to a day and an offset of half a day before its date.
        let mut date = self.zone.date(time).number() - 3;
        while self.day_from(kind, Date::of_day(date + 1)) < time {
            date += 1;
        }
        Date::of_day(date)
    }

    /// The first date of the month or year, as they are cut here, that a date lies in.
    fn first_of(&self, division: Division, date: Date) -> Date {
        match division {
            Division::Hour | Division::Day => date,
            Division::Month => {
                let first = date.first_of_month(-i64::from(date.day < self.month_starts));
                Date { day: self.month_starts, ..first }
            }
            Division::Year => {
                let (month, day) = self.year_starts;
                let before = (date.month, date.day) < (month, day);
                Date { year: date.year - i32::from(before), month, day }
            }
        }
    }

    fn next(division: Division, first: Date) -> Date {
        match division {
            Division::Hour | Division::Day => Date::of_day(first.number() + 1),
            Division::Month => Date { day: first.day, ..first.first_of_month(1) },
            Division::Year => Date { year: first.year.saturating_add(1), ..first },
        }
    }

    /// The span of a division, cut by days of a kind, that an instant lies in.
    pub fn cut(&self, division: Division, kind: DayKind, time: Time) -> Cut {
        if division == Division::Hour {
            let to = time.step_end(Span::hours(1));
            let from = to - Span::hours(1);
            return Cut { from, to, date: self.zone.date(from) };
        }
        let date = self.first_of(division, self.date_of(kind, time));
        let next = Self::next(division, date);
        Cut { from: self.day_from(kind, date), to: self.day_from(kind, next), date }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Time {
        Time::parse(text).unwrap_or(Time(0))
    }

    fn date(text: &str) -> Date {
        Date::parse(text).unwrap_or(Date { year: 0, month: 1, day: 1 })
    }

    /// The table of a zone as an independent library knows it.
    fn zone(name: &str) -> (Zone, jiff::tz::TimeZone) {
        let tz = jiff::tz::TimeZone::get(name).unwrap_or(jiff::tz::TimeZone::UTC);
        let offset = |t: jiff::Timestamp| Span::seconds(i64::from(tz.to_offset(t).seconds()));
        let start = jiff::Timestamp::from_second(0).unwrap_or_default();
        let end: jiff::Timestamp = "2040-01-01T00:00:00Z".parse().unwrap_or_default();
        let changes: Vec<(Time, Span)> = tz
            .following(start)
            .take_while(|t| t.timestamp() < end)
            .map(|t| (Time(t.timestamp().as_millisecond()), offset(t.timestamp())))
            .collect();
        (Zone::new(offset(start), changes), tz.clone())
    }

    /// Every midnight of sixty years, in zones whose clocks change at one, at midnight, by
    /// half an hour, and which left out a day.
    #[test]
    fn midnights_agree_with_jiff() {
        for name in [
            "Europe/London",
            "America/Sao_Paulo",
            "America/Havana",
            "Australia/Lord_Howe",
            "Asia/Kathmandu",
            "Pacific/Apia",
        ] {
            let (zone, tz) = zone(name);
            let mut day = jiff::civil::date(1975, 1, 1);
            while day.year() < 2035 {
                let theirs =
                    day.to_zoned_datetime(tz.clone()).map(|z| Time(z.timestamp().as_millisecond()));
                let ours = zone.instant(
                    Date {
                        year: i32::from(day.year()),
                        month: day.month().cast_unsigned(),
                        day: day.day().cast_unsigned(),
                    },
                    Span::ZERO,
                );
                // Apia had no 2011-12-30: our empty day starts with the next.
                let skipped = name == "Pacific/Apia" && day == jiff::civil::date(2011, 12, 30);
                assert!(skipped || theirs.ok() == Some(ours), "{name} {day}");
                day = day.tomorrow().unwrap_or(day);
            }
        }
    }

    /// Summer time in the European Union and the United Kingdom begins on the last Sunday
    /// of March and ends on the last of October, at 01:00 UTC (Directive 2000/84/EC,
    /// articles 2 and 3).
    #[test]
    fn days_of_change_have_twenty_three_and_twenty_five_hours() {
        let days = Days { zone: zone("Europe/London").0, ..Days::default() };
        for (text, hours) in [
            ("2026-03-28", 24),
            ("2026-03-29", 23),
            ("2026-03-30", 24),
            ("2026-10-24", 24),
            ("2026-10-25", 25),
            ("2026-10-26", 24),
        ] {
            let day = days.day(DayKind::Civil, date(text));
            assert_eq!(day.to - day.from, Span::hours(hours), "{text}");
        }
        let year = days.cut(Division::Year, DayKind::Civil, at("2026-07-01T12:00:00Z"));
        assert_eq!(year.to - year.from, Span::days(365));
        let march = days.cut(Division::Month, DayKind::Civil, at("2026-03-15T12:00:00Z"));
        assert_eq!(march.to - march.from, Span::hours(31 * 24 - 1));
    }

    /// The rain day of 09 UTC does not move with summer time (common practice).
    #[test]
    fn rain_is_thrown_back() {
        let rain = DayStart { after_midnight: Span::hours(9), utc: true };
        let days = Days { zone: zone("Europe/London").0, rain, ..Days::default() };
        for (instant, wanted) in [
            ("2026-07-02T08:00:00Z", "2026-07-01"),
            ("2026-07-02T09:00:00Z", "2026-07-01"),
            ("2026-07-02T09:00:00.001Z", "2026-07-02"),
            ("2026-07-03T00:30:00Z", "2026-07-02"),
            ("2026-01-02T09:01:00Z", "2026-01-02"),
        ] {
            assert_eq!(days.date_of(DayKind::Rain, at(instant)), date(wanted), "{instant}");
        }
        let day = days.day(DayKind::Rain, date("2026-07-01"));
        assert_eq!((day.from, day.to), (at("2026-07-01T09:00:00Z"), at("2026-07-02T09:00:00Z")));
    }

    /// From 09 to 09 h the maximum stands under the first date, the minimum under the
    /// second; from 18 to 18 h both under the second (common practice).
    #[test]
    fn extremes_stand_under_their_afternoon_and_dawn() {
        for (hour, maximum, minimum) in [
            (9, "2026-07-01", "2026-07-02"),
            (18, "2026-07-02", "2026-07-02"),
            (0, "2026-07-01", "2026-07-01"),
        ] {
            let start = DayStart { after_midnight: Span::hours(hour), utc: true };
            let days = Days { maximum: start, minimum: start, ..Days::default() };
            let inside = at("2026-07-01T19:00:00Z");
            assert_eq!(days.date_of(DayKind::Maximum, inside), date(maximum), "{hour}");
            assert_eq!(days.date_of(DayKind::Minimum, inside), date(minimum), "{hour}");
            let cut = days.day(DayKind::Maximum, date(maximum));
            assert!(cut.from < inside && inside <= cut.to);
        }
    }

    #[test]
    fn months_and_years_start_where_they_are_told_to() {
        let days = Days { month_starts: 11, year_starts: (10, 1), ..Days::default() };
        let cut = |division, instant| days.cut(division, DayKind::Civil, at(instant));
        let month = cut(Division::Month, "2026-01-05T00:00:00Z");
        assert_eq!(month.date, date("2025-12-11"));
        assert_eq!(month.to, at("2026-01-11T00:00:00Z"));
        assert_eq!(cut(Division::Year, "2026-09-30T23:00:00Z").date, date("2025-10-01"));
        assert_eq!(cut(Division::Year, "2026-10-01T00:00:00Z").date, date("2025-10-01"));
        assert_eq!(cut(Division::Year, "2026-10-01T00:00:01Z").date, date("2026-10-01"));
        let hour = cut(Division::Hour, "2026-10-01T07:00:00Z");
        assert_eq!((hour.from, hour.to), (at("2026-10-01T06:00:00Z"), at("2026-10-01T07:00:00Z")));
    }

    #[test]
    fn cuts_tile_time() {
        let rain = DayStart { after_midnight: Span::hours(9), utc: false };
        let days = Days { zone: zone("America/Sao_Paulo").0, rain, ..Days::default() };
        for division in Division::ALL {
            for kind in DayKind::ALL {
                let mut cut = days.cut(division, kind, at("2016-01-01T12:00:00Z"));
                while cut.to < at("2020-01-01T00:00:00Z") && cut.to < cut.from + Span::days(800) {
                    let next = days.cut(division, kind, cut.to + Span(1));
                    assert_eq!(next.from, cut.to, "{division:?} {kind:?} {cut:?}");
                    assert!(next.to > next.from);
                    if division == Division::Hour && next.to > at("2016-03-01T00:00:00Z") {
                        break;
                    }
                    cut = next;
                }
            }
        }
    }
}
