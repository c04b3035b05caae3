//! Times as people on the property read them: its own zone, 24 hours.

use super::texts::Texts;
use observation::days::Zone;
use observation::{Span, Time};

/// See the module.
pub struct Local<'a> {
    /// The property's zone.
    pub zone: &'a Zone,
    /// The day on which a week starts, 0 for Monday.
    pub week_starts: u8,
    /// The language.
    pub texts: &'a Texts,
}

impl Local<'_> {
    fn minutes(&self, time: Time) -> i64 {
        (time + self.zone.offset(time)).0.div_euclid(60_000).rem_euclid(1_440)
    }

    /// Hour and minute.
    pub fn clock(&self, time: Time) -> String {
        let minutes = self.minutes(time);
        format!("{:02}:{:02}", minutes / 60, minutes % 60)
    }

    /// The hour of the day, 0 to 23.
    pub fn hour(&self, time: Time) -> i64 {
        self.minutes(time) / 60
    }

    /// Whether it is midnight.
    pub fn is_midnight(&self, time: Time) -> bool {
        self.minutes(time) == 0
    }

    /// Day and month.
    pub fn day(&self, time: Time) -> String {
        let date = self.zone.date(time);
        let month = usize::from(date.month).checked_sub(1).and_then(|m| self.texts.months.get(m));
        format!("{} {}", date.day, month.copied().unwrap_or_default())
    }

    /// The day of the week, and whether a week starts with it.
    pub fn weekday(&self, time: Time) -> (&'static str, bool) {
        let weekday = self.zone.date(time).weekday();
        let name = self.texts.weekdays.get(usize::from(weekday)).copied().unwrap_or_default();
        (name, weekday == self.week_starts)
    }

    /// Day, month, year, hour and minute.
    pub fn dated(&self, time: Time) -> String {
        format!("{} {} {}", self.day(time), self.zone.date(time).year, self.clock(time))
    }
}

/// How long, in one unit.
pub fn long(span: Span) -> String {
    let seconds = span.0.max(0) / 1_000;
    match seconds {
        0..120 => format!("{seconds} s"),
        120..7_200 => format!("{} min", seconds / 60),
        7_200..172_800 => format!("{} h", seconds / 3_600),
        _ => format!("{} d", seconds / 86_400),
    }
}
