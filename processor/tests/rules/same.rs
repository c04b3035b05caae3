//! What must make no difference: grouping, commits, timers, restarts, repeats.

use crate::croft::{H, P, SWITCHES, T, TIPS, TURNS, at, message, value};
use crate::log::Croft;
use observation::{ChannelIndex, Message, Reading, Span, Stated, Time};
use proptest::prelude::*;

/// One thing that a station sends.
#[derive(Clone, Debug)]
pub(crate) struct Event {
    wait: i64,
    lag: i64,
    channels: u8,
    stated: u8,
    early: bool,
    odd: bool,
}

pub(crate) fn events(most: usize) -> impl Strategy<Value = Vec<Event>> {
    let wait = prop_oneof![
        8 => Just(30_000_i64),
        4 => 0_i64..40_000,
        2 => 0_i64..100,
        1 => 0_i64..2_000_000,
    ];
    let lag = prop_oneof![
        12 => 0_i64..2_000,
        1 => 0_i64..900_000,
        1 => 0_i64..20_000_000,
        1 => -50_000_i64..0,
    ];
    let event =
        (wait, lag, 1_u8..64, 0_u8..10, prop::bool::weighted(0.1), prop::bool::weighted(0.05))
            .prop_map(|(wait, lag, channels, stated, early, odd)| Event {
                wait,
                lag,
                channels,
                stated,
                early,
                odd,
            });
    prop::collection::vec(event, 1..most)
}

/// What the instruments read at an instant: totals only rise with time.
pub(crate) fn reads(channel: ChannelIndex, time: Time, odd: bool) -> f64 {
    let seconds = (time - at(-100_000)).0 / 1_000;
    let wave = (seconds as f64 / 700.0).sin();
    match channel {
        T => {
            if odd {
                85.0
            } else {
                10.0 + 3.0 * wave
            }
        }
        P => 990.0 + 0.001 * seconds as f64,
        TURNS => (seconds * 5) as f64,
        SWITCHES => {
            [1.0, 3.0, 2.0, 6.0, 4.0, 12.0, 8.0, 9.0][usize::try_from(seconds / 100 % 8).unwrap()]
        }
        TIPS => (seconds / 97 % 65_536) as f64,
        H => {
            if odd {
                103.0
            } else {
                80.0 + 10.0 * wave
            }
        }
        _ => 0.0,
    }
}

pub(crate) fn messages(events: &[Event]) -> Vec<Message> {
    let mut now = at(0).0;
    let mut sequence = 0;
    events
        .iter()
        .map(|event| {
            now += event.wait;
            let received = Time(now);
            let stated = match event.stated {
                0..=6 => Stated::At(Time(now - event.lag)),
                7 => Stated::At(Time(1_000)),
                8 => Stated::Relative(-event.lag.max(0)),
                _ => Stated::Nothing,
            };
            let time = stated.event_time(received);
            let samples = (0..6_u8)
                .filter(|bit| event.channels >> bit & 1 == 1)
                .map(|bit| ChannelIndex(u32::from(bit)))
                .map(|channel| value(channel, reads(channel, time, event.odd), stated))
                .collect();
            sequence += 1;
            let mut message = message(received, samples);
            message.early = event.early;
            if event.stated == 9 {
                message.sequence = Some(sequence);
            }
            message
        })
        .collect()
}

fn whole(list: &[Message]) -> Croft {
    let mut croft = Croft::new();
    for message in list {
        croft.take(message.clone());
    }
    croft.close();
    croft
}

fn readings(mut croft: Croft) -> Vec<Reading> {
    croft.close();
    croft.finals();
    croft.readings()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    #[test]
    fn samples_one_by_one_give_the_readings_of_the_message(list in events(120)) {
        let list = messages(&list);
        let mut croft = Croft::new();
        for message in &list {
            for sample in &message.samples {
                croft.take(Message { samples: vec![sample.clone()], ..message.clone() });
            }
        }
        prop_assert_eq!(readings(whole(&list)), readings(croft));
    }

    #[test]
    fn commits_make_no_difference(list in events(120), every in 1_usize..20) {
        let list = messages(&list);
        let mut croft = Croft::new();
        for (nth, message) in list.iter().enumerate() {
            croft.take(message.clone());
            if nth % every == 0 {
                croft.commit();
            }
        }
        prop_assert_eq!(readings(whole(&list)), readings(croft));
    }

    #[test]
    fn walking_early_makes_no_difference(list in events(120), ticks in prop::collection::vec(0_i64..1_000, 120)) {
        let list = messages(&list);
        let mut croft = Croft::new();
        let mut before: Option<Time> = None;
        for (message, tick) in list.iter().zip(ticks) {
            if let Some(before) = before {
                let span = message.received - before;
                croft.walk(before + Span(span.0 * tick / 1_000));
            }
            croft.take(message.clone());
            before = Some(message.received);
        }
        prop_assert_eq!(readings(whole(&list)), readings(croft));
    }

    #[test]
    fn a_restart_makes_no_difference(
        list in events(160),
        save in 0_usize..160,
        stop in 0_usize..160,
        every in 1_usize..20,
    ) {
        let list = messages(&list);
        let (save, stop) = (save.min(stop), save.max(stop));
        let mut croft = Croft::new();
        let mut saved = None;
        for (nth, message) in list.iter().enumerate() {
            croft.take(message.clone());
            if nth % every == 0 {
                croft.commit();
            }
            if nth == save {
                saved = Some(croft.save());
            }
            if nth == stop {
                croft.restart(saved.as_ref());
            }
        }
        prop_assert_eq!(readings(whole(&list)), readings(croft));
    }

    #[test]
    fn repeats_change_nothing(list in events(120), every in 1_usize..20) {
        let list = messages(&list);
        // Two that state one time by chance are in conflict without any repeat.
        prop_assume!(whole(&list).conflicts == 0);
        let mut croft = Croft::new();
        let mut repeated = 0;
        for (nth, message) in list.iter().enumerate() {
            croft.take(message.clone());
            if nth % every == 0 {
                croft.commit();
            }
            let identified = message.sequence.is_some()
                || matches!(message.samples[0].stated, Stated::At(t) if t > at(-86_400 * 40));
            if identified {
                repeated += message.samples.len() as u64;
                croft.take(message.clone());
            }
        }
        croft.close();
        croft.commit();
        prop_assert!(croft.repeats >= repeated);
        prop_assert_eq!(croft.conflicts, 0);
        prop_assert_eq!(readings(whole(&list)), readings(croft));
    }
}
