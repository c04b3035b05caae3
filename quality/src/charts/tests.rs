//! What is told of invented days.

use super::*;
use observation::time::HOUR;

const PLACE: (f64, f64) = (54.0, 0.0);

/// 100 days of three invented stations from April 2026 on; `alter` changes the first.
fn told(stations: usize, alter: impl Fn(i64, f64, &mut Values)) -> Vec<Charted> {
    let near: Vec<Vec<usize>> =
        (0..stations).map(|own| (0..stations).filter(|o| *o != own).collect()).collect();
    let mut charts = Charts::default();
    let mut random = 1_u64;
    let mut noise = || {
        random =
            random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (random >> 40) as f64 / f64::from(1 << 24) - 0.5
    };
    let first = 493_000;
    let limits = crate::neighbours::Limits::default().charts;
    let mut all = Vec::new();
    for hour in first..first + 2400 {
        let day = (hour - first) / 24;
        let sun = elevation(hour, PLACE);
        let wind = 4.0 + 3.0 * (hour as f64 / 9.3).sin();
        let direction = (hour as f64 * 3.7).rem_euclid(360.0);
        let mut values: Vec<Values> = (0..stations)
            .map(|_| Values {
                temperature: 10.0 + 0.2 * noise(),
                humidity: if hour.rem_euclid(24) < 6 { 99.0 } else { 65.0 } + noise(),
                speed: wind * (1.0 + 0.1 * noise()),
                pressure: 1010.0 + 0.05 * noise(),
                direction,
                rain: if hour.rem_euclid(50) < 6 { 1.2 + 0.2 * noise() } else { 0.0 },
                ..Values::MISSING
            })
            .collect();
        alter(day, sun, &mut values[0]);
        all.extend(charts.take(hour, &values, &near, PLACE, (&limits, |_, _| None)));
    }
    all
}

#[test]
fn what_is_off_in_the_sun_alone_is_told_with_its_date_and_nothing_else_is() {
    assert_eq!(told(3, |_, _, _| {}), []);
    let found = told(3, |day, sun, own| {
        if day >= 70 && sun > 25.0 {
            own.temperature += 1.0;
        }
    });
    assert_eq!((found[0].cause, found[0].station), (Cause::SunlitScreen, 0));
    assert_eq!(found[0].state, State::Opened);
    assert!(found[0].size > 0.4 && found[0].confidence >= 0.5, "{found:?}");
    assert!(found.iter().all(|f| f.cause == Cause::SunlitScreen && f.station == 0));
    let since = found[0].since.0 / HOUR - 493_000;
    assert!((70 * 24 - 30..75 * 24).contains(&since), "{since}");
    // A thermometer that is warm day and night is for the windows to tell.
    assert_eq!(told(3, |day, _, own| own.temperature += if day >= 70 { 1.0 } else { 0.0 }), []);
}

#[test]
fn of_two_stations_nothing_is_told_and_what_is_over_closes() {
    let sunlit = |until: i64| {
        move |day: i64, sun: f64, own: &mut Values| {
            if (60..until).contains(&day) && sun > 25.0 {
                own.temperature += 1.0;
            }
        }
    };
    assert_eq!(told(2, sunlit(200)), []);
    let found = told(3, sunlit(75));
    assert_eq!(found.last().map(|f| f.state), Some(State::Closed), "{found:?}");
}

#[test]
fn a_gauge_that_counts_twice_and_one_that_leaks_are_told() {
    for (factor, cause) in [(2.0, Cause::GaugeCountsTooMuch), (0.5, Cause::GaugeCatchesTooLittle)] {
        let found = told(3, |day, _, own| own.rain *= if day >= 70 { factor } else { 1.0 });
        assert_eq!((found[0].cause, found[0].station), (cause, 0), "{found:?}");
        assert!((found[0].size - factor).abs() < 0.2 * factor, "{found:?}");
        assert!(found.iter().all(|f| f.station == 0 && f.cause == cause), "{found:?}");
    }
}

#[test]
fn trees_from_one_side_are_told_with_their_sector() {
    let found = told(3, |day, _, own| {
        if day >= 70 && (100.0..170.0).contains(&own.direction) {
            own.speed *= 0.6;
        }
    });
    assert!(!found.is_empty());
    assert!(found.iter().all(|f| f.cause == Cause::MastSheltered && f.station == 0), "{found:?}");
    assert_eq!(found[0].sector, Some(135.0));
}

#[test]
fn a_box_that_is_pumped_and_one_that_is_warm_are_told_apart_and_a_plain_offset_is_neither() {
    let by = |from: i64, alter: fn(f64, &mut Values)| {
        told(3, move |day, sun, own| {
            if day >= from {
                alter(sun, own);
            }
        })
    };
    let pumped = by(70, |_, own| own.pressure -= 0.01 * own.speed * own.speed);
    assert!(!pumped.is_empty());
    let ours = |f: &Charted, cause| (f.cause, f.station) == (cause, 0);
    assert!(pumped.iter().all(|f| ours(f, Cause::BarometerPumped)), "{pumped:?}");
    assert!(pumped[0].size < -0.1, "{pumped:?}");
    let warm = by(70, |sun, own| own.pressure += if sun > 0.0 { 0.3 } else { 0.0 });
    assert!(!warm.is_empty());
    assert!(warm.iter().all(|f| ours(f, Cause::BarometerWarmed)), "{warm:?}");
    assert_eq!(by(70, |_, own| own.pressure += 1.0), []);
    // What was so from the first day is usual.
    assert_eq!(by(0, |_, own| own.pressure -= 0.01 * own.speed * own.speed), []);
}

#[test]
fn charts_that_were_saved_with_fewer_conditions_go_on() {
    let mut station = Station::beginning();
    station.charts.truncate(14);
    let limits = crate::neighbours::Limits::default().charts;
    let nothing = Values::MISSING;
    station.hour(9, &limits, |quantity, wet| {
        around((216, 0.0), 0, quantity, &[1, 2], |_| nothing, wet)
    });
    assert_eq!(station.charts.len(), CONDITIONS.len());
    assert!(!station.charts[15].is_warm(9 + WARM - 1, WARM), "it learns first");
    assert!(station.charts[3].is_warm(9, WARM));
}
