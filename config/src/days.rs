//! The keys of `[property]` that say how days, months and years are cut.

use crate::reader::{Item, Table};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use observation::days::{DayStart, Days, Zone};
use observation::{Span, Time};
use toml::de::DeValue;

/// Up to when the offsets of a zone are written down: the year 2100. The last holds on.
const LAST: Time = Time(4_102_444_800_000);

/// Reads the keys; `zone` is the property's.
pub(crate) fn read(table: &Table<'_>, zone: &TimeZone) -> Days {
    let start = |key: &'static str| table.item(key).and_then(|item| time_of_day(&item));
    let usual = Days::default();
    let month_starts = table.item("month_starts").and_then(|item| item.whole(1..=28, "1"));
    Days {
        zone: offsets(zone),
        rain: start("rain_day_starts").unwrap_or(DayStart { utc: true, ..usual.rain }),
        maximum: start("maximum_day_starts").unwrap_or(usual.maximum),
        minimum: start("minimum_day_starts").unwrap_or(usual.minimum),
        month_starts: month_starts.and_then(|m| u8::try_from(m).ok()).unwrap_or(1),
        year_starts: table
            .item("year_starts")
            .and_then(|item| month_and_day(&item))
            .unwrap_or(usual.year_starts),
    }
}

/// The offsets of a zone from 1970 on.
fn offsets(zone: &TimeZone) -> Zone {
    let offset = |at: Timestamp| Span::seconds(i64::from(zone.to_offset(at).seconds()));
    let later = zone
        .following(Timestamp::UNIX_EPOCH)
        .map(|change| change.timestamp())
        .take_while(|at| at.as_millisecond() < LAST.0)
        .map(|at| (Time(at.as_millisecond()), offset(at)));
    Zone::new(offset(Timestamp::UNIX_EPOCH), later)
}

/// `"09:00Z"`, after midnight UTC, or `"09:00"`, after the local one.
fn time_of_day(item: &Item<'_>) -> Option<DayStart> {
    let text = match item.value {
        DeValue::String(text) => text.as_ref(),
        _ => return item.wanted("a time of day", "\"09:00Z\""),
    };
    let (time, utc) = match text.strip_suffix(['Z', 'z']) {
        Some(time) => (time, true),
        None => (text, false),
    };
    let parsed = time.split_once(':').and_then(|(hours, minutes)| {
        let (hours, minutes) = (two_digits(hours)?, two_digits(minutes)?);
        (hours < 24 && minutes < 60).then(|| Span::minutes(hours * 60 + minutes))
    });
    if parsed.is_none() {
        let message = format!("`{text}` is not a time of day");
        item.fault(
            &message,
            &format!(
                "write {} = \"09:00Z\", or \"09:00\" for the local clock, which moves with summer time",
                item.key
            ),
        );
    }
    parsed.map(|after_midnight| DayStart { after_midnight, utc })
}

/// `"10-01"`.
fn month_and_day(item: &Item<'_>) -> Option<(u8, u8)> {
    let text = item.text()?;
    let parsed = text.split_once('-').and_then(|(month, day)| {
        let (month, day) = (two_digits(month)?, two_digits(day)?);
        let fits = (1..=12).contains(&month) && (1..=28).contains(&day);
        fits.then_some(u8::try_from(month).ok()?).zip(u8::try_from(day).ok())
    });
    if parsed.is_none() {
        item.fault(
            &format!("`{text}` is not a month and a day from 01 to 28"),
            "write year_starts = \"10-01\"",
        );
    }
    parsed
}

fn two_digits(text: &str) -> Option<i64> {
    let digits = text.len() == 2 && text.bytes().all(|b| b.is_ascii_digit());
    digits.then(|| text.parse().ok()).flatten()
}
