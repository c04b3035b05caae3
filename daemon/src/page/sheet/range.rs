//! The spans of time that the panes show. Each is a link that can be kept and shared.

use observation::days::{DayKind, Days, Division};
use observation::{Date, Span, Time};

/// A named span.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Range {
    /// The 24 hours before an instant.
    Hours24,
    /// From 18 to 9 o'clock.
    Overnight,
    /// The 48 hours before an instant.
    Hours48,
    /// Seven days, as long as the paper of a barograph.
    BarogramWeek,
    /// Days 1 to 10, 11 to 20 or 21 to the end of a month (WMO usage).
    Dekad,
    /// Three months from March, June, September or December.
    Season,
    /// The property's climatological year.
    Year,
    /// The lowest and highest of all that is kept.
    Extremes,
}

impl Range {
    /// All, the shortest first.
    pub const ALL: [Self; 8] = [
        Self::Hours24,
        Self::Overnight,
        Self::Hours48,
        Self::BarogramWeek,
        Self::Dekad,
        Self::Season,
        Self::Year,
        Self::Extremes,
    ];

    /// As it stands in a link.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Hours24 => "24h",
            Self::Overnight => "overnight",
            Self::Hours48 => "48h",
            Self::BarogramWeek => "barogram-week",
            Self::Dekad => "dekad",
            Self::Season => "season",
            Self::Year => "climatological-year",
            Self::Extremes => "extremes",
        }
    }

    /// The range of a word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|range| range.word() == word)
    }

    /// Length of those that end at any instant.
    const fn rolling(self) -> Option<Span> {
        match self {
            Self::Extremes | Self::Hours24 => Some(Span::hours(24)),
            Self::Hours48 => Some(Span::hours(48)),
            Self::BarogramWeek => Some(Span::days(7)),
            _ => None,
        }
    }

    /// From when to when: the span that lies just before `until`, or contains that.
    pub fn extent(self, until: Time, days: &Days) -> (Time, Time) {
        if let Some(length) = self.rolling() {
            let to = until.step_end(Span::minutes(1));
            return (to - length, to);
        }
        let just_before = until - Span(1);
        let date = days.zone.date(just_before);
        let midnight = |date: Date| days.zone.instant(date, Span::ZERO);
        match self {
            Self::Overnight => {
                let evening = |date: Date| days.zone.instant(date, Span::hours(18));
                let mut start = date;
                if evening(start) > just_before {
                    start = Date::of_day(start.number() - 1);
                }
                let morning = Date::of_day(start.number() + 1);
                (evening(start), days.zone.instant(morning, Span::hours(9)))
            }
            Self::Dekad => {
                let first =
                    Date { day: [1, 11, 21][usize::from((date.day - 1) / 10).min(2)], ..date };
                let next = match first.day {
                    21 => first.first_of_month(1),
                    day => Date { day: day + 10, ..first },
                };
                (midnight(first), midnight(next))
            }
            Self::Season => {
                let first = date.first_of_month(-i64::from(date.month % 3));
                (midnight(first), midnight(first.first_of_month(3)))
            }
            _ => {
                let cut = days.cut(Division::Year, DayKind::Civil, just_before);
                (cut.from, cut.to)
            }
        }
    }

    /// The instant whose span is the one before `(from, to]`.
    pub fn earlier(self, from: Time) -> Time {
        match self {
            Self::Overnight => from - Span::hours(1),
            _ => from,
        }
    }

    /// The instant whose span is the one after; none where that has not begun.
    pub fn later(self, from: Time, to: Time, now: Time) -> Option<Time> {
        let then = match self.rolling() {
            Some(length) => to + length,
            None if self == Self::Overnight => from + Span::hours(25),
            None => to + Span::minutes(1),
        };
        let begun = if self.rolling().is_some() { to } else { then };
        (begun < now).then_some(then)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use observation::days::Zone;

    fn at(text: &str) -> Time {
        Time::parse(text).unwrap_or(Time(0))
    }

    #[test]
    fn ranges_follow_one_another_across_summer_time() {
        // Central European Time of 2026 (EU directive 2000/84/EC): from 29 March 01:00 UTC.
        let zone = Zone::new(
            Span::hours(1),
            [
                (at("2026-03-29T01:00:00Z"), Span::hours(2)),
                (at("2026-10-25T01:00:00Z"), Span::hours(1)),
            ],
        );
        let days = Days { zone, ..Days::default() };
        let now = at("2026-04-08T10:00:30Z");
        for (range, from, to) in [
            (Range::Hours24, "2026-04-07T10:01:00Z", "2026-04-08T10:01:00Z"),
            (Range::Overnight, "2026-04-07T16:00:00Z", "2026-04-08T07:00:00Z"),
            (Range::Dekad, "2026-03-31T22:00:00Z", "2026-04-10T22:00:00Z"),
            (Range::Season, "2026-02-28T23:00:00Z", "2026-05-31T22:00:00Z"),
            (Range::Year, "2025-12-31T23:00:00Z", "2026-12-31T23:00:00Z"),
        ] {
            let extent = range.extent(now, &days);
            assert_eq!(extent, (at(from), at(to)), "{range:?}");
            let before = range.extent(range.earlier(extent.0), &days);
            if range != Range::Overnight {
                assert_eq!(before.1, extent.0, "{range:?}");
            }
            let then = range.later(before.0, before.1, now).unwrap_or(Time(0));
            assert_eq!(range.extent(then.min(now), &days), extent, "{range:?}");
        }
        assert_eq!(Range::Dekad.later(now, now + Span::days(1), now), None);
        // The third dekad of March has eleven days less an hour.
        let third = Range::Dekad.extent(at("2026-03-31T12:00:00Z"), &days);
        assert_eq!(third.1 - third.0, Span::hours(11 * 24 - 1));
        // Winter begins in December of the year before.
        let winter = Range::Season.extent(at("2026-01-15T12:00:00Z"), &days);
        assert_eq!(winter.0, at("2025-11-30T23:00:00Z"));
    }
}
