//! The text that is scraped, at moments that matter.

use super::collector::encode;
use super::exposition;
use crate::counts::{Counts, SampleResult};
use crate::engine::pacing::Reason;
use crate::fixture::{self, CUP, HAND, NOON, SCREEN};
use crate::snapshot::Snapshot;
use adapters::port::{Refused, State, Watch};
use observation::refusal::Stage;
use observation::{Flag, Quantity, Refusal, SourceIndex, Span, StationIndex, Time};
use std::io::Write;
use std::process::{Command, Stdio};

fn text(snapshot: &Snapshot, counts: &Counts, doubtful: bool, now: Time) -> String {
    encode(&exposition(snapshot, counts, doubtful, now).into_families()).unwrap()
}

/// What is scraped at an instant.
pub fn at(snapshot: &Snapshot, now: Time) -> String {
    text(snapshot, &fixture::counts(), false, now)
}

/// The value of the one series with this name and these labels.
pub fn value(text: &str, series: &str) -> Option<f64> {
    let mut found = text.lines().filter_map(|l| l.strip_prefix(series)?.strip_prefix(' '));
    let value = found.next().map(|v| v.parse().unwrap());
    assert_eq!(found.next(), None, "{series} stands twice");
    value
}

const TEMPERATURE: &str =
    r#"isobarn_air_temperature_celsius{station="orchard",instrument="screen_temperature"}"#;
const BY_HAND: &str = r#"isobarn_air_temperature_celsius{station="orchard",instrument="hand"}"#;
const STAMP: &str = r#"isobarn_reading_timestamp_seconds{station="orchard",instrument="screen_temperature",quantity="air_temperature"}"#;
const FLAG: &str = r#"isobarn_reading_flag{station="orchard",instrument="screen_temperature",quantity="air_temperature"}"#;
const UP: &str = r#"isobarn_station_up{station="orchard"}"#;

#[test]
fn a_value_comes_goes_and_comes_back_while_its_time_stays() {
    // Before anything was heard.
    let text = at(&fixture::silent("Orchard"), NOON);
    for series in [TEMPERATURE, BY_HAND, STAMP, FLAG] {
        assert_eq!(value(&text, series), None, "{series}");
    }
    assert_eq!(value(&text, UP), Some(0.0));

    // Heard.
    let heard = fixture::heard("Orchard", NOON);
    let text = at(&heard, NOON + Span::seconds(30));
    assert_eq!(value(&text, TEMPERATURE), Some(17.3));
    assert_eq!(value(&text, BY_HAND), Some(18.0));
    assert_eq!(value(&text, FLAG), Some(0.0));
    assert_eq!(value(&text, STAMP), Some(NOON.seconds()));
    assert_eq!(value(&text, UP), Some(1.0));

    // Just over five intervals later: gone, but when it was is known.
    let text = at(&heard, NOON + Span::seconds(151));
    assert_eq!(value(&text, TEMPERATURE), None);
    assert_eq!(value(&text, BY_HAND), None, "its station is silent");
    assert_eq!(value(&text, FLAG), Some(4.0), "missing");
    assert_eq!(value(&text, STAMP), Some(NOON.seconds()));
    assert_eq!(value(&text, UP), Some(0.0));
    assert!(!text.contains("isobarn_wind_speed"), "{text}");

    // And back.
    let later = NOON + Span::hours(2);
    let text = at(&fixture::heard("Orchard", later), later);
    assert_eq!(value(&text, TEMPERATURE), Some(17.3));
    assert_eq!(value(&text, STAMP), Some(later.seconds()));
}

#[test]
fn what_speaks_on_change_stays_while_its_station_lives() {
    let later = NOON + Span::hours(5);
    let mut snapshot = fixture::heard("Orchard", NOON);
    snapshot.stations[0].heartbeat = Some(later);
    let text = at(&snapshot, later);
    assert_eq!(value(&text, BY_HAND), Some(18.0));
    assert_eq!(value(&text, TEMPERATURE), None, "a periodic channel is silent by itself");
}

#[test]
fn windows_carry_their_statistic_and_rain_its_totals_in_base_units() {
    let text = at(&fixture::heard("Orchard", NOON), NOON);
    for (series, expected) in [
        (r#"isobarn_wind_speed_meters_per_second{station="orchard",instrument="cup"}"#, 4.2),
        (
            r#"isobarn_wind_speed_meters_per_second{station="orchard",instrument="cup",statistic="mean",period="PT10M"}"#,
            4.0,
        ),
        (
            r#"isobarn_wind_speed_of_gust_meters_per_second{station="orchard",instrument="cup",statistic="maximum",over="PT3S",period="PT10M"}"#,
            9.1,
        ),
        (r#"isobarn_rainfall_meters_total{station="orchard",instrument="gauge"}"#, 0.0026),
        (r#"isobarn_rainfall_rain_day_meters{station="orchard",instrument="gauge"}"#, 0.0012),
        (
            r#"isobarn_rainfall_sum_meters{station="orchard",instrument="gauge",span="year"}"#,
            0.3002,
        ),
        (
            r#"isobarn_rainfall_sum_meters{station="orchard",instrument="gauge",span="event"}"#,
            0.0014,
        ),
        (
            r#"isobarn_rainfall_missing_seconds{station="orchard",instrument="gauge",span="day"}"#,
            18_000.0,
        ),
        (
            r#"isobarn_wind_speed_of_gust_highest_meters_per_second{station="orchard",instrument="cup",over="PT3S",span="day"}"#,
            14.3,
        ),
    ] {
        assert_eq!(value(&text, series), Some(expected), "{series}");
    }
    let rate = value(
        &text,
        r#"isobarn_rainfall_rate_meters_per_second{station="orchard",instrument="gauge"}"#,
    );
    assert!(rate.is_some_and(|r| (r - 12.0 / 3.6e6).abs() < 1e-18), "{rate:?}");
}

#[test]
fn only_good_and_unchecked_values_are_shown_unless_doubtful_ones_are_asked_for() {
    for (flag, plain, asked) in [
        (Flag::Good, true, true),
        (Flag::Unchecked, true, true),
        (Flag::Doubtful, false, true),
        (Flag::Inconsistent, false, false),
        (Flag::Erroneous, false, false),
    ] {
        let mut snapshot = fixture::heard("Orchard", NOON);
        for live in snapshot.live.iter_mut().flatten() {
            live.flag = flag;
        }
        for (doubtful, expected) in [(false, plain), (true, asked)] {
            let text = text(&snapshot, &fixture::counts(), doubtful, NOON);
            assert_eq!(value(&text, TEMPERATURE).is_some(), expected, "{flag} {doubtful}");
            assert_eq!(value(&text, FLAG), Some(f64::from(flag.number())));
        }
    }
    for instrument in [SCREEN, HAND, CUP] {
        let mut snapshot = fixture::heard("Orchard", NOON);
        snapshot.live[instrument.0 as usize].as_mut().unwrap().value = None;
        let text = at(&snapshot, NOON);
        let id = &snapshot.property.instruments[instrument.0 as usize].id;
        let bare = format!("instrument=\"{id}\"}} ");
        assert!(
            !text.lines().any(|l| l.contains("celsius") && l.contains(&bare)),
            "{id} has no value"
        );
    }
}

#[test]
fn counters_are_there_from_the_start_and_never_shrink() {
    let counts = fixture::counts();
    let snapshot = fixture::silent("Orchard");
    let accepted = r#"isobarn_samples_total{source="push",result="accepted"}"#;
    let text_at_start = text(&snapshot, &counts, false, NOON);
    assert_eq!(value(&text_at_start, accepted), Some(0.0));
    counts.add_samples(SourceIndex(0), SampleResult::Accepted, 12);
    counts.state(SourceIndex(0), State::Up);
    for station in [None, Some(StationIndex(0))] {
        counts.refused(
            SourceIndex(0),
            Refused { station, stage: Stage::Decode, reason: Refusal::Unit, detail: "t in m/s" },
        );
    }
    counts.add_boundary_panic(StationIndex(0));
    let text = text(&snapshot, &counts, false, NOON);
    for (series, expected) in [
        (accepted, 12.0),
        (r#"isobarn_source_up{source="push"}"#, 1.0),
        (r#"isobarn_samples_refused_total{station="orchard",stage="decode",reason="unit"}"#, 1.0),
        (r#"isobarn_samples_refused_total{station="unknown",stage="decode",reason="unit"}"#, 1.0),
        (r#"isobarn_samples_refused_total{station="orchard",stage="process",reason="panic"}"#, 1.0),
    ] {
        assert_eq!(value(&text, series), Some(expected), "{series}");
    }
}

#[test]
fn commit_times_are_a_cumulative_histogram() {
    let mut snapshot = fixture::silent("Orchard");
    for seconds in [0.0008, 0.003, 0.003, 30.0] {
        snapshot.history.commits.add(seconds);
    }
    for reason in [Reason::Interval, Reason::Interval, Reason::CatchingUp] {
        snapshot.history.commit_reasons.add(reason);
    }
    let text = at(&snapshot, NOON);
    for (series, expected) in [
        (r#"isobarn_history_commit_seconds_bucket{le="0.001"}"#, 1.0),
        (r#"isobarn_history_commit_seconds_bucket{le="0.005"}"#, 3.0),
        (r#"isobarn_history_commit_seconds_bucket{le="5"}"#, 3.0),
        (r#"isobarn_history_commit_seconds_bucket{le="+Inf"}"#, 4.0),
        ("isobarn_history_commit_seconds_count", 4.0),
        (r#"isobarn_history_commits_total{reason="interval"}"#, 2.0),
        (r#"isobarn_history_commits_total{reason="catching_up"}"#, 1.0),
        (r#"isobarn_history_commits_total{reason="full"}"#, 0.0),
    ] {
        assert_eq!(value(&text, series), Some(expected), "{series}");
    }
}

#[test]
fn no_sample_carries_a_time_and_labels_are_escaped() {
    let mut snapshot = fixture::heard("Orchard", NOON);
    snapshot.history.set_aside = vec![("a\"b\\c\nd".to_owned(), Refusal::Future, 3)];
    let text = at(&snapshot, NOON);
    assert!(text.contains(r#"{station="a\"b\\c\nd",reason="future"} 3"#), "{text}");
    for line in text.lines().filter(|l| !l.starts_with('#')) {
        let after = line.rsplit_once('}').map_or_else(
            || line.split_once(' ').map_or("", |(_, rest)| rest),
            |(_, rest)| rest.trim_start(),
        );
        assert!(after.parse::<f64>().is_ok(), "a value and nothing else: {line}");
    }
}

/// Every quantity there is, each as its metric, and everything else.
#[test]
fn promtool_finds_nothing_to_say_about_any_quantity() {
    let mut snapshot = fixture::heard("Orchard", NOON);
    let mut property = (*snapshot.property).clone();
    let pattern = property.instruments[0].clone();
    for &quantity in Quantity::ALL {
        let mut instrument = pattern.clone();
        instrument.id = quantity.name().to_owned();
        instrument.quantity = quantity;
        property.instruments.push(instrument);
        snapshot.live.push(snapshot.live[0]);
    }
    snapshot.property = std::sync::Arc::new(property.indexed());
    snapshot.history.set_aside = vec![("orchard".to_owned(), Refusal::Future, 3)];
    snapshot.history.last_commit = Some(NOON);
    let counts = fixture::counts();
    counts.refused(
        SourceIndex(0),
        Refused { station: None, stage: Stage::Frame, reason: Refusal::TooLong, detail: "" },
    );
    let text = text(&snapshot, &counts, true, NOON);
    for &quantity in Quantity::ALL {
        let name = format!("isobarn_{}{{", quantity.metric_name());
        let there = text.contains(&name);
        assert_eq!(there, quantity != Quantity::PrecipitationDepth, "{name}");
    }
    let mut child = Command::new("promtool")
        .args(["check", "metrics"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("promtool is installed: tests/run --install");
    child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned()
        + &String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success() && said.trim().is_empty(), "{said}\n{text}");
}
