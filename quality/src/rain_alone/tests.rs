//! Rain of invented gauges that no neighbour has.

use super::*;

/// 110 days of three invented gauges; `more` is what the first counts beside the rain.
fn told(more: impl Fn(i64, i64) -> f64, weather: Values) -> Vec<Charted> {
    let near = [vec![1, 2], vec![0, 2], vec![0, 1]];
    let mut rain = RainAlone::default();
    let mut all = Vec::new();
    for hour in 0..110 * 24_i64 {
        let shared = if hour % 50 < 5 { 0.8 } else { 0.0 };
        let of = |more: f64| Values { rain: shared + more, ..weather };
        let values = [of(more(hour / 24, hour % 24)), of(0.0), of(0.0)];
        all.extend(rain.take(hour, &values, &near));
    }
    all
}

const DRY: Values = Values { temperature: 18.0, humidity: 55.0, speed: 2.0, ..Values::MISSING };

#[test]
fn a_sprinkler_is_told_with_its_hour_and_the_dry_air() {
    assert_eq!(told(|_, _| 0.0, DRY), []);
    let sprinkler =
        |day: i64, hour: i64| if day >= 70 && day % 2 == 0 && hour == 19 { 3.0 } else { 0.0 };
    let found = told(sprinkler, DRY);
    let first = found[0];
    assert_eq!((first.state, first.station), (State::Opened, 0));
    assert_eq!(first.cause, Cause::GaugeRainAlone);
    let since = first.since.0 / HOUR / 24;
    assert!((70..76).contains(&since), "{since}");
    let alone = first.alone.map(|a| (a.hour.map(f64::floor), a.humidity));
    assert_eq!(alone, Some((Some(19.0), Some(55.0))));
    assert!((first.size - 3.0 * f64::from(first.days)).abs() < 1e-9, "{first:?}");
    assert!(found.iter().all(|f| f.station == 0));
}

#[test]
fn dew_meltwater_and_the_last_bucket_of_a_drizzle_are_no_rain_of_its_own() {
    let dawn = |day: i64, hour: i64| if day >= 60 && (4..7).contains(&hour) { 0.2 } else { 0.0 };
    let damp = Values { humidity: 99.0, speed: 0.3, ..DRY };
    assert_eq!(told(dawn, damp), []);
    assert!(!told(dawn, DRY).is_empty());
    let frost = Values { temperature: -2.0, ..DRY };
    assert_eq!(told(|day, hour| if day >= 60 && hour == 12 { 3.0 } else { 0.0 }, frost), []);
    assert_eq!(told(|_, hour| if hour == 12 { 0.2 } else { 0.0 }, DRY), []);
}

#[test]
fn what_is_over_closes_and_local_showers_are_usual() {
    let sprinkler = |until: i64| {
        move |day: i64, hour: i64| {
            if (60..until).contains(&day) && hour == 19 { 3.0 } else { 0.0 }
        }
    };
    let found = told(sprinkler(75), DRY);
    assert_eq!(found.last().map(|f| f.state), Some(State::Closed), "{found:?}");
    // Every sixth day from the first: how the place is.
    assert_eq!(told(|day, hour| if day % 6 == 0 && hour == 15 { 3.0 } else { 0.0 }, DRY), []);
}
