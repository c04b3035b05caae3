//! Time: the sender's, the server's, and none.

use crate::croft::{P, T, TIPS, TURNS, at, bare, message, told, value};
use crate::log::Croft;
use observation::property::InstrumentIndex;
use observation::{Flag, Message, Quantity, Reason, Refusal, Span, Stated, Statistic, Time};

#[test]
fn times_are_placed_by_the_rules() {
    let mut croft = Croft::new();
    let now = at(0);
    for (stated, time, clock, refused) in [
        (Stated::Nothing, Some(now), false, None),
        (Stated::At(Time(0)), Some(now + Span(1)), true, None),
        (Stated::At(Time(946_684_799_999)), Some(now + Span(2)), true, None),
        (Stated::At(now - Span::days(30)), Some(now - Span::days(30)), false, None),
        (Stated::At(now - Span::days(32)), None, false, Some(Refusal::TooOld)),
        (Stated::At(now + Span::seconds(60)), Some(now + Span::seconds(60)), false, None),
        (Stated::At(now + Span::seconds(61)), None, false, Some(Refusal::Future)),
        (Stated::Relative(-5_000), Some(now + Span(7) - Span(5_000)), false, None),
        (Stated::Unplaceable, None, false, Some(Refusal::Time)),
    ] {
        let before = croft.readings().len();
        let aside = croft.out.set_aside.len();
        let nth = [Stated::Nothing, Stated::At(Time(0)), Stated::At(Time(946_684_799_999))]
            .iter()
            .position(|s| *s == stated)
            .map_or(if matches!(stated, Stated::Relative(_)) { 7 } else { 0 }, |n| {
                i64::try_from(n).unwrap()
            });
        croft.take(message(
            now.max(croft.processor.walked()) + Span(nth),
            vec![value(P, 990.0, stated)],
        ));
        match (time, refused) {
            (Some(time), None) => {
                let reading = *croft.readings().last().expect("a reading");
                assert_eq!(croft.readings().len(), before + 1, "{stated:?}");
                assert_eq!(reading.time, time, "{stated:?}");
                assert_eq!(reading.reasons.contains(Reason::Clock), clock, "{stated:?}");
            }
            (_, refused) => {
                assert_eq!(croft.out.set_aside.len(), aside + 1, "{stated:?}");
                assert_eq!(croft.out.set_aside.last().map(|s| s.reason), refused);
                assert_eq!(croft.readings().len(), before, "{stated:?}");
            }
        }
    }
}

#[test]
fn only_the_refused_part_of_a_message_is_set_aside() {
    let mut croft = Croft::new();
    let samples = vec![
        value(T, 10.0, Stated::At(at(0))),
        value(P, 990.0, Stated::At(at(7_200))),
        value(TIPS, 4.0, Stated::At(at(7_200))),
    ];
    croft.take(message(at(0), samples));
    assert_eq!(croft.out.messages.len(), 1);
    assert_eq!(croft.out.messages[0].samples.len(), 1);
    assert_eq!(croft.out.set_aside.len(), 1);
    assert_eq!(croft.out.set_aside[0].message.samples.len(), 2);
    assert_eq!(croft.out.accepted, 1);
}

#[test]
fn the_newest_is_the_greatest_time_not_beyond_arrival() {
    let mut croft = Croft::new();
    let live = |croft: &Croft| *croft.processor.live(InstrumentIndex(0)).expect("heard");
    croft.take(told(T, 10.0, 0));
    let mut late = told(T, 5.0, -3_600);
    late.received = at(1);
    croft.take(late);
    assert_eq!((live(&croft).value, live(&croft).time), (Some(10.0), at(0)));
    // A clock that is ahead: its value is shown when its time has come.
    let mut ahead = told(T, 12.0, 40);
    ahead.received = at(2);
    croft.take(ahead);
    assert_eq!(live(&croft).time, at(0));
    let mut next = told(T, 13.0, 90);
    next.received = at(50);
    croft.take(next);
    assert_eq!((live(&croft).value, live(&croft).time), (Some(12.0), at(40)));
}

/// Half an hour kept by a broker while the link was down, without times.
fn burst(from: i64) -> Vec<Message> {
    (0..60)
        .map(|n| {
            let samples = vec![
                value(T, if n == 59 { 11.0 } else { 10.0 }, Stated::Nothing),
                value(TURNS, 1_000.0 + 100.0 * n as f64, Stated::Nothing),
                value(TIPS, 5.0 + (n / 10) as f64, Stated::Nothing),
            ];
            let mut message = message(at(from) + Span(20 * n), samples);
            message.early = true;
            message
        })
        .collect()
}

#[test]
fn a_burst_is_kept_and_stays_out_of_what_it_would_spoil() {
    let mut croft = Croft::new();
    for n in 0..10 {
        croft.take(bare(T, 9.0, 30 * n));
        croft.take(bare(TURNS, 10.0 * n as f64, 30 * n));
        croft.take(bare(TIPS, 5.0, 30 * n));
    }
    for message in burst(2_000) {
        croft.take(message);
    }
    croft.walk(at(2_100));
    let live = croft.processor.live(InstrumentIndex(0)).expect("heard");
    assert_eq!(live.value, Some(11.0), "the last of the burst is the live value");
    assert!(live.reasons.contains(Reason::Clock));
    let minute = at(2_040);
    let mean = croft.series("screen", Statistic::Mean, Some(Span::minutes(1)));
    assert!(croft.of(mean).iter().all(|r| r.time != minute || r.value.is_none()));
    for period in [2, 10] {
        let wind = croft.series("cup", Statistic::Mean, Some(Span::minutes(period)));
        assert!(croft.of(wind).iter().all(|r| r.time != minute || r.value.is_none()));
    }
    let sum = croft.of(croft.only(Quantity::PrecipitationDepth));
    let all: i64 = sum.iter().filter_map(|r| r.value).sum();
    assert_eq!(all, 5 * 250, "the running total gives its whole increment once");
}

#[test]
fn the_first_of_a_burst_becomes_doubtful_when_the_second_comes() {
    let mut croft = Croft::new();
    let hygrometer = croft.series("hygrometer", Statistic::Point, None);
    let early = |milliseconds: i64, number: f64| {
        let mut message = message(
            at(0) + Span(milliseconds),
            vec![value(crate::croft::H, number, Stated::Nothing)],
        );
        message.early = true;
        message
    };
    croft.take(early(0, 70.0));
    assert_eq!(croft.of(hygrometer)[0].flag, Flag::Good);
    croft.take(early(500, 71.0));
    let all = croft.of(hygrometer);
    assert_eq!(all.len(), 2);
    for reading in all {
        assert_eq!(reading.flag, Flag::Doubtful);
        assert!(reading.reasons.contains(Reason::Clock));
    }
    // Without an early session it is no burst.
    let mut croft = Croft::new();
    for n in 0..3 {
        let mut message = early(500 * n, 70.0);
        message.early = false;
        croft.take(message);
    }
    assert!(croft.of(hygrometer).iter().all(|r| r.flag == Flag::Good));
}

#[test]
fn a_station_without_a_clock_keeps_its_rain() {
    let mut croft = Croft::new();
    for n in 0..10_i64 {
        let samples = vec![
            value(TIPS, n as f64, Stated::At(Time(n * 30_000))),
            value(TURNS, 100.0 * n as f64, Stated::At(Time(n * 30_000))),
        ];
        croft.take(message(at(30 * n), samples));
    }
    croft.walk(at(400));
    let sum: i64 =
        croft.of(croft.only(Quantity::PrecipitationDepth)).iter().filter_map(|r| r.value).sum();
    assert_eq!(sum, 9 * 250);
    let wind = croft.series("cup", Statistic::Mean, Some(Span::minutes(10)));
    assert!(croft.of(wind).iter().all(|r| r.value.is_none()), "windows leave `clock` out");
}

#[test]
fn after_a_step_back_what_was_dated_by_arrival_between_is_uncertain() {
    let mut croft = Croft::new();
    let hour = 3_600;
    for n in 0..20 {
        croft.take(bare(P, 990.0 + n as f64 / 100.0, hour + 30 * n));
        croft.take(bare(TIPS, n as f64, hour + 30 * n));
    }
    // The clock was an hour ahead.
    croft.step_clock(at(hour + 600), at(600));
    for n in 20..60 {
        croft.take(bare(P, 990.0 + n as f64 / 100.0, 30 * n));
        croft.take(bare(TIPS, n as f64, 30 * n));
    }
    croft.walk(at(1_900));
    croft.commit();
    let point = croft.series("barometer", Statistic::Point, None);
    let all = croft.of(point);
    assert_eq!(all.len(), 60);
    for reading in &all {
        assert_eq!(
            reading.reasons.contains(Reason::Clock),
            reading.time >= at(hour),
            "{reading:?}"
        );
    }
    assert!(all.iter().any(|r| r.time == at(600)), "the hour after is not dated an hour ahead");
    let sum: i64 =
        croft.of(croft.only(Quantity::PrecipitationDepth)).iter().filter_map(|r| r.value).sum();
    assert_eq!(sum, 59 * 250, "counters pair samples in the order of the log");
}

#[test]
fn a_restart_after_a_step_makes_no_difference() {
    let make = |restart: bool| {
        let mut croft = Croft::new();
        for n in 0..40 {
            croft.take(bare(TIPS, n as f64, 3_600 + 30 * n));
            croft.take(told(TURNS, 50.0 * n as f64, 3_600 + 30 * n));
        }
        croft.step_clock(at(3_600 + 1_200), at(1_200));
        let saved = croft.save();
        for n in 40..80 {
            croft.take(bare(TIPS, n as f64, 30 * n));
        }
        if restart {
            croft.restart(Some(&saved));
        }
        for n in 80..300 {
            croft.take(bare(TIPS, n as f64, 30 * n));
        }
        croft.walk(at(30 * 300));
        croft.readings()
    };
    assert_eq!(make(true), make(false));
}

#[test]
fn a_clock_that_was_wrong_for_long_loses_no_rain_either() {
    let run = |restart: bool| {
        let mut croft = Croft::new();
        for n in 0..200 {
            croft.take(bare(TIPS, n as f64, 36_000 + 30 * n));
        }
        croft.step_clock(at(36_000 + 6_000), at(6_000));
        let saved = croft.save();
        if restart {
            croft.restart(Some(&saved));
        }
        for n in 200..1_600 {
            croft.take(bare(TIPS, n as f64, 30 * n));
        }
        croft.close();
        croft
    };
    let croft = run(false);
    let rain = croft.of(croft.only(Quantity::PrecipitationDepth));
    let sum: i64 = rain.iter().filter_map(|r| r.value).sum();
    // What was counted in the reach of memory before the step stands at the step; what lies
    // further back is missing at the times that are walked again.
    assert!(sum >= 250 * 1_400, "{sum}");
    assert_eq!(run(true).readings(), croft.readings());
    assert!(rain.iter().filter(|r| r.time > at(6_060)).all(|r| r.value.is_none_or(|v| v <= 500)));
}

#[test]
fn ten_times_ahead_in_a_row_tell_a_wrong_clock_and_one_believed_ends_it() {
    let mut croft = Croft::new();
    let mut says = |minute: i64, ahead: i64| {
        let stated = Stated::At(at(60 * (minute + ahead)));
        croft.take(message(at(60 * minute), vec![value(T, 10.0, stated)]));
        croft.processor.clocks_ahead()
    };
    assert!((0..9).all(|minute| says(minute, 60 + minute % 2).is_empty()));
    // A right one in between: the row begins anew.
    assert!(says(9, 0).is_empty());
    assert!((10..19).all(|minute| says(minute, 60).is_empty()));
    let told = says(19, 90);
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(told[0].cause, "station_clock_wrong");
    assert_eq!(told[0].station.as_deref(), Some("orchard"));
    assert_eq!((told[0].since, told[0].time), (at(600), at(1_140)));
    // The median of nine that are one hour ahead and one that is an hour and a half.
    assert_eq!(told[0].size, Some(1.0));
    assert!(says(20, 0).is_empty());
    assert!(croft.processor.diagnoses().is_empty(), "it is no part of what is logged");
}
