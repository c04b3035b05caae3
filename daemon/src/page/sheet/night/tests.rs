//! An invented night of an invented property.
#![allow(clippy::unwrap_used)]

use super::*;
use crate::fixture;
use history::{Batch, History, Options};
use observation::time::{DAY, HOUR, MINUTE};
use observation::{Flag, Reasons};

const EVENING: i64 = 20_600 * DAY + 18 * HOUR;

fn reading(series: u32, time: Time, value: i64, flag: Flag) -> Reading {
    let (series, reasons) = (SeriesIndex(series), Reasons::NONE);
    Reading { series, time, value: Some(value), flag, reasons, revision: 0, made_by: 1 }
}

/// A night in UTC from six to nine: it cools by a step a minute from 9.00 to 0.00 Cel
/// and on to -0.60, with an hour without any air temperature, and a doubted one; a tip
/// each ten minutes from three to four and one before the evening.
fn filled(folder: &std::path::Path) -> History {
    let (mut history, _) = History::open(folder, &Options::at(Time(EVENING))).unwrap();
    let (property, series) = (fixture::property("Orchard"), fixture::series());
    history.register(Time(EVENING), &property, &series, &[]).unwrap();
    let mut readings = Vec::new();
    for minute in -9 * 60..15 * 60_i64 {
        let time = Time(EVENING + (minute + 1) * MINUTE);
        if !(300..360).contains(&minute) {
            let flag = if minute == 899 { Flag::Doubtful } else { Flag::Good };
            readings.push(reading(0, time, 840 - minute - 1, flag));
        }
        let wet = minute == -400 || (540..600).contains(&minute) && minute % 10 == 0;
        readings.push(reading(2, time, if wet { 200 } else { 0 }, Flag::Good));
        if minute % 10 == 9 {
            let gust = if minute == 99 { 910 } else { 300 };
            readings.push(reading(5, time, gust, Flag::Unchecked));
        }
    }
    readings.sort_by_key(|r| r.time);
    let received = Time(EVENING + 15 * HOUR);
    let batch =
        Batch { received, walked: received, messages: &[], readings: &readings, set_aside: &[] };
    history.commit(&batch).unwrap();
    history
}

#[test]
fn a_night_is_told_of_every_station_with_what_it_lacks() {
    let folder = tempfile::tempdir().unwrap();
    let history = filled(folder.path());
    let mut property = (*fixture::property("Orchard")).clone();
    let mut ridge = property.stations[0].clone();
    ridge.id = "ridge".to_owned();
    property.stations.push(ridge);
    let property = property.indexed();
    // Two hours after the night: it is still the one that is told.
    let now = Time(EVENING + 17 * HOUR);
    let night = read(&history.look(), &property, now).unwrap();
    assert_eq!((night.from, night.to), (Time(EVENING), Time(EVENING + 15 * HOUR)));
    let [orchard, ridge] = &night.stations[..] else { panic!("two stations") };
    let minute = |n: i64| Time(EVENING + n * MINUTE);
    assert_eq!(orchard.lowest(), Some((-59, minute(899))), "the doubted one is left out");
    assert_eq!(orchard.left_out, 1);
    // Below zero from the minute after the 840th: the last four quarters.
    assert_eq!(orchard.below_zero(), Some(4));
    assert_eq!(orchard.lacking(night.from, night.to), Some(4));
    assert_eq!(orchard.wet(night.from, night.to), Some((1, 0)));
    let (gust, over) = orchard.gust.unwrap();
    assert_eq!((gust.most, gust.most_at, over), (910, minute(100), Some(Span::seconds(3))));
    assert!(ridge.lowest().is_none() && ridge.wet(night.from, night.to).is_none());
    // The civil day is the rain day here: it began at midnight, with six tips.
    assert_eq!(night.rain_day, (Time(20_601 * DAY), Time(20_602 * DAY).min(now)));
    assert_eq!(orchard.depth, Some((1_200.0, true)), "nothing is known after nine");

    let early = read(&history.look(), &property, Time(EVENING + 30 * MINUTE)).unwrap();
    assert_eq!(early.to, Time(EVENING - 9 * HOUR), "a night of half an hour is none yet");
}
