//! What the windows hold.

use crate::croft::{H, P, SWITCHES, T, TIPS, TURNS, at, message, told, value};
use crate::log::Croft;
use observation::{Flag, Quantity, Reading, Reason, Span, Stated, Statistic};

fn minute(croft: &Croft, series: observation::SeriesIndex, seconds: i64) -> Option<Reading> {
    croft.of(series).into_iter().find(|r| r.time == at(seconds))
}

#[test]
fn a_direct_channel_is_a_point_or_the_mean_of_a_step_by_its_settings() {
    let mut croft = Croft::new();
    for (seconds, t) in [(1, 10.0), (30, 10.5), (60, 11.0), (61, 30.0)] {
        croft.take(told(T, t, seconds));
    }
    croft.take(told(H, 80.0, 62));
    croft.take(told(P, 990.004, 63));
    croft.walk(at(125));
    let mean = croft.series("screen", Statistic::Mean, Some(Span::minutes(1)));
    // (m - 1 min, m]: the sample at 60 s belongs to the minute that ends there.
    assert_eq!(minute(&croft, mean, 60).and_then(|r| r.value), Some(1_050));
    // A step of 19 K in a second is no weather.
    let second = minute(&croft, mean, 120).expect("one sample");
    assert_eq!((second.value, second.flag), (Some(3_000), Flag::Doubtful));
    assert!(second.reasons.contains(Reason::Step) && second.reasons.contains(Reason::Incomplete));
    let humidity = croft.of(croft.series("hygrometer", Statistic::Point, None));
    assert_eq!((humidity[0].time, humidity[0].value), (at(62), Some(8_000)));
    let pressure = croft.of(croft.series("barometer", Statistic::Point, None));
    assert_eq!((pressure[0].time, pressure[0].value), (at(63), Some(99_000)));
}

#[test]
fn wind_is_reported_as_meteorologists_do() {
    let mut croft = Croft::new();
    // 5 pulses a second, then 20 for half a minute; north-east.
    let mut turns = 0.0;
    for n in 0..=40 {
        if n > 0 {
            turns += 30.0 * if n == 30 { 20.0 } else { 5.0 };
        }
        croft.take(told(TURNS, turns, 30 * n));
        croft.take(told(SWITCHES, 3.0, 30 * n + 1));
    }
    croft.walk(at(1_300));
    let speed = |period| croft.series("cup", Statistic::Mean, Some(Span::minutes(period)));
    // 0.66 m/s/Hz at 5 Hz and 0.3 m/s; at 900 s the fast half minute is in the window.
    let at_600 = minute(&croft, speed(10), 600).expect("ten minutes");
    assert_eq!((at_600.value, at_600.flag, at_600.made_by), (Some(360), Flag::Good, 1));
    assert!(!at_600.reasons.contains(Reason::Incomplete));
    assert_eq!(minute(&croft, speed(10), 900).and_then(|r| r.value), Some(410));
    assert_eq!(minute(&croft, speed(2), 900).and_then(|r| r.value), Some(608));
    assert_eq!(minute(&croft, speed(2), 1_080).and_then(|r| r.value), Some(360));
    let early = minute(&croft, speed(10), 120).expect("two minutes of ten");
    assert!(early.reasons.contains(Reason::Incomplete));
    let gust = croft.only(Quantity::WindSpeedOfGust);
    let series = &croft.processor.series()[gust.0 as usize];
    assert_eq!(series.statistic, Statistic::Maximum);
    assert_eq!((series.over, series.period), (Some(Span::seconds(30)), Some(Span::minutes(10))));
    assert_eq!(minute(&croft, gust, 900).and_then(|r| r.value), Some(1_350));
    let direction = croft.series("vane", Statistic::Mean, Some(Span::minutes(10)));
    assert_eq!(minute(&croft, direction, 600).and_then(|r| r.value), Some(450));
    let spread = croft.series("vane", Statistic::StandardDeviation, Some(Span::minutes(10)));
    assert_eq!(minute(&croft, spread, 600).and_then(|r| r.value), Some(0));
}

#[test]
fn there_is_no_direction_in_a_calm_nor_where_vectors_cancel() {
    let mut croft = Croft::new();
    for n in 0..=40 {
        croft.take(told(TURNS, 7.0, 30 * n));
        croft.take(told(SWITCHES, 1.0, 30 * n + 1));
    }
    croft.walk(at(1_300));
    let direction = croft.series("vane", Statistic::Mean, Some(Span::minutes(10)));
    assert!(croft.of(direction).iter().all(|r| r.value.is_none()));
    let calm = minute(&croft, croft.series("cup", Statistic::Mean, Some(Span::minutes(10))), 900);
    assert_eq!(calm.and_then(|r| r.value), Some(0), "never the offset");
    // North and south in turn.
    let mut croft = Croft::new();
    for n in 0..=40 {
        croft.take(told(SWITCHES, if n % 2 == 0 { 1.0 } else { 4.0 }, 30 * n + 1));
    }
    croft.walk(at(1_300));
    assert!(minute(&croft, direction, 900).is_none_or(|r| r.value.is_none()));
    let spread = croft.series("vane", Statistic::StandardDeviation, Some(Span::minutes(10)));
    assert_eq!(minute(&croft, spread, 900).and_then(|r| r.value), Some(1_039));
}

#[test]
fn a_vane_that_shows_what_it_cannot_is_a_fault() {
    let mut croft = Croft::new();
    for n in 0..=40 {
        croft.take(told(SWITCHES, 5.0, 30 * n + 1));
    }
    croft.walk(at(1_300));
    let direction = croft.series("vane", Statistic::Mean, Some(Span::minutes(10)));
    let reading = minute(&croft, direction, 900).expect("said aloud");
    assert_eq!((reading.value, reading.flag), (None, Flag::Missing));
    assert!(reading.reasons.contains(Reason::Fault));
}

#[test]
fn tips_become_depth_and_rate() {
    let mut croft = Croft::new();
    for (seconds, total) in [(0, 65_530.0), (90, 65_531.0), (120, 65_532.0), (130, 2.0), (400, 2.0)]
    {
        croft.take(told(TIPS, total, seconds));
    }
    for n in 0..30 {
        croft.take(told(T, 10.0, 30 * n + 5));
    }
    croft.walk(at(905));
    let sum = croft.only(Quantity::PrecipitationDepth);
    for (seconds, steps) in [(60, 0), (120, 500), (180, 1_500), (240, 0), (420, 0), (840, 0)] {
        let reading = minute(&croft, sum, seconds).unwrap_or_else(|| panic!("{seconds} s"));
        assert_eq!((reading.value, reading.flag), (Some(steps), Flag::Good), "{seconds} s");
    }
    let rate = croft.only(Quantity::RainfallRate);
    assert_eq!(minute(&croft, rate, 60).and_then(|r| r.value), Some(0));
    // 0.25 mm in 30 s; then six tips in 10 s, decaying as one tip over the time since.
    assert_eq!(minute(&croft, rate, 120).and_then(|r| r.value), Some(3_000));
    assert_eq!(minute(&croft, rate, 180).and_then(|r| r.value), Some(1_800));
    assert_eq!(minute(&croft, rate, 840).and_then(|r| r.value), Some(127));
}

#[test]
fn the_tendency_is_the_change_of_three_hours_at_the_barometer() {
    let mut croft = Croft::new();
    for n in 0..=500 {
        croft.take(told(P, 990.0 - 0.01 * n as f64, 30 * n));
    }
    croft.walk(at(15_100));
    let tendency = croft.only(Quantity::TendencyOfSurfaceAirPressure);
    let all = croft.of(tendency);
    assert!(all.iter().all(|r| r.time >= at(10_800)));
    assert_eq!(minute(&croft, tendency, 10_800).and_then(|r| r.value), Some(-360));
    assert_eq!(minute(&croft, tendency, 15_000).and_then(|r| r.value), Some(-360));
}

#[test]
fn humidity_beyond_saturation_is_saturated_and_good() {
    let mut croft = Croft::new();
    croft.take(told(H, 103.0, 0));
    let reading = croft.of(croft.series("hygrometer", Statistic::Point, None))[0];
    assert_eq!((reading.value, reading.flag), (Some(10_000), Flag::Good));
    assert!(reading.reasons.contains(Reason::Saturated));
}

#[test]
fn a_spike_is_doubtful_and_what_follows_is_not() {
    use Flag::{Doubtful, Good};
    let mut croft = Croft::new();
    let levels = [990.0, 990.1, 610.0, 990.1, 990.2, 940.0, 940.0, 940.1];
    for (n, level) in (0..).zip(levels) {
        croft.take(told(P, level, 30 * n));
    }
    let flags: Vec<Flag> = croft
        .of(croft.series("barometer", Statistic::Point, None))
        .iter()
        .map(|r| r.flag)
        .collect();
    assert_eq!(flags, [Good, Good, Doubtful, Good, Good, Doubtful, Good, Good]);
}

#[test]
fn a_minute_is_evaluated_after_its_grace() {
    let mut croft = Croft::new();
    for n in 0..4 {
        croft.take(message(at(20 * n + 1), vec![value(T, 10.0, Stated::Nothing)]));
    }
    croft.walk(at(64));
    assert!(croft.readings().is_empty());
    croft.walk(at(65));
    assert!(!croft.readings().is_empty() && croft.readings().iter().all(|r| r.time == at(60)));
    assert_eq!(croft.processor.walked(), at(65));
}
