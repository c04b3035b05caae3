//! What senders say about the time, and what is made of it.

use crate::croft::{BECK, ORCHARD, RIDGE};
use crate::reader;
use observation::{Stated, StationIndex, Time};

fn stated(station: StationIndex, time: &str) -> Stated {
    let channel = if station == BECK { "level" } else { "t" };
    let body = format!(r#"{{"{channel}":1,"time":{time}}}"#);
    reader().json(station, None, body.as_bytes()).unwrap_or_else(|e| panic!("{time}: {e}")).samples
        [0]
    .stated
}

fn at(text: &str) -> Stated {
    Stated::At(Time::parse(text).unwrap())
}

#[test]
fn numbers_are_unix_seconds_or_milliseconds_by_setting() {
    for (number, text) in [
        ("1772344800", "2026-03-01T06:00:00Z"),
        ("1772344800.25", "2026-03-01T06:00:00.25Z"),
        ("1.7723448e9", "2026-03-01T06:00:00Z"),
        ("0", "1970-01-01T00:00:00Z"),
        ("86400", "1970-01-02T00:00:00Z"),
        ("-1", "1969-12-31T23:59:59Z"),
    ] {
        assert_eq!(stated(ORCHARD, number), at(text), "{number}");
    }
    assert_eq!(stated(BECK, "1772344800250"), at("2026-03-01T06:00:00.25Z"));
    // Milliseconds where seconds are declared, and the reverse, are passed on as they
    // are: far outside the window.
    assert_eq!(stated(ORCHARD, "1772344800000"), Stated::At(Time(1_772_344_800_000_000)));
    assert_eq!(stated(BECK, "1772344800"), at("1970-01-21T12:19:04.8Z"));
    assert_eq!(stated(ORCHARD, "1e308"), Stated::At(Time(9_000_000_000_000_000)));
    assert_eq!(stated(ORCHARD, "null"), Stated::Nothing);
}

#[test]
fn texts_are_rfc_3339() {
    for (text, instant) in [
        ("2026-03-01T06:00:00Z", "2026-03-01T06:00:00Z"),
        ("2026-03-01t06:00:00z", "2026-03-01T06:00:00Z"),
        ("2026-03-01 06:00:00Z", "2026-03-01T06:00:00Z"),
        ("2026-03-01T11:30:00.125+05:30", "2026-03-01T06:00:00.125Z"),
        // A leap second is the last one of its minute.
        ("2016-12-31T23:59:60Z", "2016-12-31T23:59:59Z"),
    ] {
        assert_eq!(stated(ORCHARD, &format!("\"{text}\"")), at(instant), "{text}");
    }
}

// European Union summer time in 2026: from 29 March to 25 October, 01:00 UTC
// (Directive 2000/84/EC; the United Kingdom's rule has the same instants).
#[test]
fn local_times_are_placed_or_called_unplaceable() {
    for (local, expected) in [
        ("2026-03-01T06:00:00", Some("2026-03-01T06:00:00Z")),
        ("2026-07-01T06:00:00", Some("2026-07-01T05:00:00Z")),
        ("2026-07-01 06:00", Some("2026-07-01T05:00:00Z")),
        ("2026-03-29T00:59:59", Some("2026-03-29T00:59:59Z")),
        ("2026-03-29T01:30:00", None),
        ("2026-03-29T02:00:00", Some("2026-03-29T01:00:00Z")),
        ("2026-10-25T00:59:59", Some("2026-10-24T23:59:59Z")),
        ("2026-10-25T01:30:00", None),
        ("2026-10-25T02:00:00", Some("2026-10-25T02:00:00Z")),
    ] {
        let expected = expected.map_or(Stated::Unplaceable, at);
        assert_eq!(stated(RIDGE, &format!("\"{local}\"")), expected, "{local}");
    }
    // Without a zone in the settings no local time can be placed.
    assert_eq!(stated(ORCHARD, "\"2026-03-01T06:00:00\""), Stated::Unplaceable);
}

#[test]
fn texts_that_are_no_time_void_the_message() {
    for text in [
        "",
        "yesterday",
        "06:00:00",
        "2026-03-01",
        "2026-13-01T06:00:00Z",
        "2026-03-01T25:00:00Z",
        "2026-03-01T06:00:00Z[Europe/London]",
        "2026-03-01T06:00:00+99:00",
        "2026-03-01T06:00:00 UTC",
        "20260301T060000Z",
    ] {
        let body = format!(r#"{{"t":1,"time":"{text}"}}"#);
        assert!(reader().json(ORCHARD, None, body.as_bytes()).is_err(), "{text}");
    }
}
