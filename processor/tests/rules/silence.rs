//! What is said where nothing was said.

use crate::croft::{P, T, TIPS, at, message, told, value};
use crate::log::Croft;
use observation::{Flag, Quantity, Reading, Span, Stated, Statistic};

fn missing(croft: &Croft, series: observation::SeriesIndex) -> Vec<Reading> {
    croft.of(series).into_iter().filter(|r| r.flag == Flag::Missing).collect()
}

#[test]
fn a_gap_has_a_missing_reading_at_its_start_and_at_its_end() {
    let mut croft = Croft::new();
    for n in 0..20 {
        croft.take(told(T, 10.0, 30 * n));
    }
    croft.take(told(T, 10.0, 86_400));
    croft.take(told(T, 10.0, 86_430));
    croft.walk(at(86_400 + 600));
    let mean = croft.series("screen", Statistic::Mean, Some(Span::minutes(1)));
    let gaps = missing(&croft, mean);
    assert!(gaps.len() >= 2, "{gaps:?}");
    assert!(gaps[0].time > at(570) && gaps[0].time <= at(570 + 240), "{}", gaps[0].time);
    assert!(gaps[1].time > at(86_400 - 120) && gaps[1].time <= at(86_400), "{}", gaps[1].time);
    assert_eq!(gaps.iter().filter(|g| g.time < at(86_400)).count(), 2);
}

#[test]
fn no_tips_are_zero_while_the_station_lives_and_nothing_when_it_does_not() {
    let mut croft = Croft::new();
    croft.take(told(TIPS, 7.0, 0));
    for n in 1..20 {
        croft.take(told(T, 10.0, 30 * n));
    }
    croft.take(told(T, 10.0, 7_200));
    croft.walk(at(7_300));
    let sums = croft.of(croft.only(Quantity::PrecipitationDepth));
    let zeros: Vec<_> = sums.iter().filter(|r| r.value == Some(0)).map(|r| r.time).collect();
    let mut expected: Vec<_> = (0..=10).map(|m| at(60 * m)).collect();
    expected.push(at(7_200));
    assert_eq!(zeros, expected);
    assert!(sums.iter().all(|r| r.value.is_none_or(|v| v == 0)));
}

#[test]
fn a_year_of_silence_costs_its_heartbeats_only() {
    let mut croft = Croft::new();
    croft.take(told(T, 10.0, 0));
    croft.take(told(T, 10.0, 30));
    croft.commit();
    let asked = croft.log.asked;
    croft.walk(at(86_400 * 365));
    croft.take(told(T, 10.0, 86_400 * 365));
    croft.walk(at(86_400 * 365 + 70));
    assert!(croft.readings().len() < 20, "{}", croft.readings().len());
    assert!(croft.log.asked - asked < 20);
}

#[test]
fn what_speaks_on_change_is_judged_by_the_heartbeat() {
    let mut croft = Croft::new();
    croft.take(told(P, 990.0, 0));
    for n in 1..100 {
        croft.take(told(T, 10.0, 30 * n));
    }
    croft.walk(at(2_980));
    let point = croft.series("barometer", Statistic::Point, None);
    assert!(missing(&croft, point).is_empty(), "silent, but nothing changed");
    croft.walk(at(2_970 + 3_600));
    assert_eq!(missing(&croft, point).len(), 1);
}

#[test]
fn repeats_and_what_is_set_aside_are_no_heartbeat() {
    let mut croft = Croft::new();
    croft.take(told(TIPS, 7.0, 0));
    croft.take(told(T, 10.0, 30));
    for n in 1..10 {
        let mut repeat = told(T, 10.0, 30);
        repeat.received = at(60 * n);
        croft.take(repeat);
        croft.take(message(at(60 * n), vec![value(T, 1.0, Stated::At(at(60 * n + 3_600)))]));
    }
    croft.walk(at(700));
    let sums = croft.of(croft.only(Quantity::PrecipitationDepth));
    let last = sums.iter().rfind(|r| r.value.is_some()).expect("the first minute");
    assert_eq!(last.time, at(60));
    croft.commit();
    assert_eq!((croft.repeats, croft.set_aside.len()), (9, 9));
}
