//! What comes late ends where it would have ended in time.

use crate::croft::{ORCHARD, P, RIDGE, SWITCHES, T, TIPS, TURNS, at, message, value};
use crate::log::Croft;
use crate::same::reads;
use observation::{ChannelIndex, Message, Quantity, Reading, Span, Stated, Statistic, Time};
use proptest::prelude::*;
use std::collections::BTreeMap;

/// A message of these channels, measured at an instant, that arrives later.
pub(crate) fn told(channels: &[ChannelIndex], seconds: i64, lag: i64) -> Message {
    let time = at(seconds);
    let samples =
        channels.iter().map(|&c| value(c, reads(c, time, false), Stated::At(time))).collect();
    message(at(seconds + lag), samples)
}

/// A heartbeat of the other station, which makes the time pass.
fn pass(seconds: i64) -> Message {
    let mut message = message(at(seconds), Vec::new());
    message.station = RIDGE;
    message
}

pub(crate) fn run(mut list: Vec<Message>, end: i64, commit: bool) -> Croft {
    list.sort_by_key(|m| m.received);
    let mut croft = Croft::new();
    croft.walk(at(-3_600));
    for message in list {
        croft.take(message);
        if commit {
            croft.commit();
        }
    }
    croft.take(pass(end));
    croft
}

/// What stands in the end, without revisions and without readings that there are none.
fn stands(croft: &Croft) -> BTreeMap<(u32, Time), Reading> {
    croft
        .finals()
        .into_values()
        .filter(|r| r.value.is_some())
        .map(|r| ((r.series.0, r.time), Reading { revision: 0, ..r }))
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    /// Windows, means of steps, sums of rain, tendencies: whatever the order of arrival
    /// within the reach of memory.
    #[test]
    fn late_samples_end_in_the_readings_of_samples_in_time(
        lags in prop::collection::vec(prop_oneof![3 => 0_i64..3, 1 => 0_i64..540], 20..80),
        commit in any::<bool>(),
    ) {
        let all = [T, P, TURNS, SWITCHES, TIPS];
        let seconds = |n: usize| 30 * i64::try_from(n).unwrap();
        let late = lags.iter().enumerate().map(|(n, &lag)| told(&all, seconds(n), lag)).collect();
        let timely = (0..lags.len()).map(|n| told(&all, seconds(n), 0)).collect();
        let end = seconds(lags.len()) + 1_200;
        let (timely, late) = (stands(&run(timely, end, commit)), stands(&run(late, end, commit)));
        for (key, reading) in &timely {
            prop_assert_eq!(Some(reading), late.get(key));
        }
        prop_assert_eq!(timely.len(), late.len());
    }
}

#[test]
fn an_hour_that_comes_after_the_present_counts_its_rain_once() {
    let late: Vec<Message> = (0..120).map(|n| told(&[T, TURNS, TIPS], 30 * n, 0)).collect();
    // The first minute in time, then nothing; the last sample in time, then what lies
    // between them.
    let mut list: Vec<Message> = late[..3].to_vec();
    list.push(late[119].clone());
    let backlog = late[3..119].iter().enumerate().map(|(n, m)| Message {
        received: at(30 * 119 + 70) + Span(i64::try_from(n).unwrap()),
        ..m.clone()
    });
    list.extend(backlog);
    let croft = run(list, 30 * 119 + 1_200, true);
    let in_time = run(late, 30 * 119 + 1_200, true);
    let sum = |croft: &Croft| -> i64 {
        let series = croft.only(Quantity::PrecipitationDepth);
        croft.of(series).iter().filter_map(|r| r.value).sum()
    };
    assert!(sum(&in_time) > 0);
    assert_eq!(sum(&croft), sum(&in_time));
    let series = croft.series("screen", Statistic::Mean, Some(Span::minutes(1)));
    let values = |c: &Croft| -> Vec<(Time, i64)> {
        c.of(series).iter().filter_map(|r| Some((r.time, r.value?))).collect()
    };
    assert_eq!(values(&croft), values(&in_time));
}

#[test]
fn a_late_minute_is_a_heartbeat_for_all_of_its_station() {
    let mut list = vec![told(&[T, TIPS], 60, 0), told(&[T], 120, 0)];
    // Only the thermometer spoke, late, in the minute that ends at 300 s.
    list.push(told(&[T], 290, 400));
    let croft = run(list, 1_800, true);
    let rain = croft.of(croft.only(Quantity::PrecipitationDepth));
    let minute = rain.iter().find(|r| r.time == at(300)).expect("zero where the station lives");
    assert_eq!(minute.value, Some(0));
}

#[test]
fn late_windows_are_evaluated_once_at_the_next_boundary() {
    let mut croft = Croft::new();
    for n in 0..40 {
        croft.take(told(&[TURNS], 30 * n, 0));
    }
    let before = croft.readings().len();
    for n in 0..10 {
        let time = at(600 + 30 * n + 10);
        let mut late =
            message(at(30 * 39), vec![value(TURNS, reads(TURNS, time, false), Stated::At(time))]);
        late.station = ORCHARD;
        croft.take(late);
    }
    assert_eq!(croft.readings().len(), before, "nothing is evaluated sample by sample");
    croft.walk(at(30 * 39 + 65));
    for (key, count) in croft.readings()[before..].iter().fold(BTreeMap::new(), |mut all, r| {
        *all.entry((r.series, r.time)).or_insert(0) += 1;
        all
    }) {
        assert_eq!(count, 1, "{key:?} is evaluated once");
    }
}
