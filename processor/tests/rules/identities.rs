//! What identifies a sample, and what never does.

use crate::croft::{H, P, T, TIPS, at, bare, message, told, value};
use crate::log::Croft;
use observation::sample::Redelivery;
use observation::{Message, Span, Stated, Value};
use proptest::prelude::*;
use std::sync::Arc;

fn numbered(boot: Option<&str>, sequence: u64, number: f64, seconds: i64) -> Message {
    let mut message = bare(P, number, seconds);
    message.boot = boot.map(Arc::from);
    message.sequence = Some(sequence);
    message
}

/// What became of the messages: kept samples, repeats, conflicts.
fn outcome(croft: &mut Croft) -> (usize, u64, usize) {
    croft.commit();
    let kept = croft
        .log
        .records
        .iter()
        .map(|r| match r {
            crate::log::Record::Batch { messages, .. } => {
                messages.iter().map(|m| m.samples.len()).sum()
            }
            crate::log::Record::Step { .. } => 0,
        })
        .sum();
    (kept, croft.repeats, croft.conflicts)
}

fn taken(list: Vec<Message>, commit: bool) -> (usize, u64, usize) {
    let mut croft = Croft::new();
    for message in list {
        croft.take(message);
        if commit {
            croft.commit();
        }
    }
    outcome(&mut croft)
}

#[test]
fn only_what_the_sender_states_identifies_a_sample() {
    let again = |mut m: Message, seconds: i64| {
        m.received = at(seconds);
        m
    };
    let many = |number: f64| {
        let samples = (0..100)
            .map(|n| {
                value([T, P, TIPS, H][n % 4], number, Stated::At(at(i64::try_from(n / 4).unwrap())))
            })
            .collect();
        message(at(100), samples)
    };
    let twice = |a: f64, b: f64| {
        message(at(0), vec![value(T, a, Stated::At(at(0))), value(T, b, Stated::At(at(0)))])
    };
    for (name, list, expected) in [
        ("own time", vec![told(T, 10.0, 0), again(told(T, 10.0, 0), 20)], (1, 1, 0)),
        ("another value", vec![told(T, 10.0, 0), again(told(T, 11.0, 0), 20)], (1, 0, 1)),
        ("another channel", vec![told(T, 10.0, 0), again(told(P, 990.0, 0), 20)], (2, 0, 0)),
        ("neither", vec![bare(T, 10.0, 0), again(bare(T, 10.0, 0), 0)], (2, 0, 0)),
        (
            "a time before 2000 is none",
            vec![
                message(at(0), vec![value(P, 1.0, Stated::At(observation::Time(5)))]),
                message(at(1), vec![value(P, 1.0, Stated::At(observation::Time(5)))]),
            ],
            (2, 0, 0),
        ),
        (
            "a relative time is none",
            vec![
                message(at(0), vec![value(P, 1.0, Stated::Relative(-5))]),
                message(at(1), vec![value(P, 1.0, Stated::Relative(-5))]),
            ],
            (2, 0, 0),
        ),
        (
            "boot and number",
            vec![numbered(Some("a"), 5, 1.0, 0), numbered(Some("a"), 5, 1.0, 3_600)],
            (1, 1, 0),
        ),
        (
            "boot and number, another value",
            vec![numbered(Some("a"), 5, 1.0, 0), numbered(Some("a"), 5, 2.0, 3_600)],
            (1, 0, 1),
        ),
        (
            "another boot",
            vec![numbered(Some("a"), 5, 1.0, 0), numbered(Some("b"), 5, 1.0, 1)],
            (2, 0, 0),
        ),
        (
            "a number long below, with a boot",
            vec![
                numbered(Some("a"), 100_000, 1.0, 0),
                numbered(Some("a"), 5, 1.0, 1),
                numbered(Some("a"), 5, 1.0, 2),
            ],
            (2, 1, 0),
        ),
        ("twice in a message", vec![twice(10.0, 10.0)], (1, 1, 0)),
        ("twice in a message, another value", vec![twice(10.0, 11.0)], (1, 0, 1)),
        ("many in a message", vec![many(5.0), again(many(5.0), 101)], (100, 100, 0)),
        (
            "thirty days ago",
            vec![
                again(told(T, 10.0, -86_400 * 30), 0),
                again(told(P, 990.0, -86_400 * 30), 0),
                again(told(T, 10.0, -86_400 * 30), 10),
                again(told(P, 991.0, -86_400 * 30), 20),
            ],
            (2, 1, 1),
        ),
    ] {
        assert_eq!(taken(list.clone(), false), expected, "{name}, in one record");
        assert_eq!(taken(list, true), expected, "{name}, each in its record");
    }
}

#[test]
fn numbers_without_a_boot_identifier_open_epochs() {
    for (name, list, expected) in [
        ("a repeat", vec![(10, 1.0, 0), (10, 1.0, 5)], (1, 1, 0)),
        ("late", vec![(10, 1.0, 0), (12, 1.2, 10), (11, 1.1, 20), (11, 1.1, 21)], (3, 1, 0)),
        ("another value is another epoch", vec![(10, 1.0, 0), (10, 2.0, 5)], (2, 0, 0)),
        ("more than 1,000 below", vec![(2_000, 1.0, 0), (999, 1.0, 5), (999, 1.0, 6)], (2, 1, 0)),
        ("1,000 below", vec![(2_000, 1.0, 0), (1_000, 1.0, 5), (1_000, 1.0, 6)], (2, 1, 0)),
        ("the highest is 10 min old", vec![(10, 1.0, 0), (10, 1.0, 600)], (2, 0, 0)),
        (
            "a restart from zero",
            vec![(10, 1.0, 0), (11, 1.1, 10), (1, 1.0, 700), (2, 1.0, 730)],
            (4, 0, 0),
        ),
        ("a gap in the numbers", vec![(10, 1.0, 0), (5_000, 1.0, 10), (5_000, 1.0, 11)], (2, 1, 0)),
    ] {
        let messages: Vec<Message> =
            list.into_iter().map(|(n, v, s)| numbered(None, n, v, s)).collect();
        assert_eq!(taken(messages.clone(), false), expected, "{name}, in one record");
        assert_eq!(taken(messages, true), expected, "{name}, each in its record");
    }
}

fn delivered(connection: u64, packet: u16, again: bool, number: f64, seconds: i64) -> Message {
    let mut message = bare(P, number, seconds);
    message.redelivery = Some(Redelivery {
        client: Arc::from("orchard"),
        connection,
        topic: Arc::from("orchard/p"),
        packet,
        again,
    });
    message
}

#[test]
fn a_redelivery_is_recognised_by_everything_together() {
    let topic = |mut m: Message| {
        if let Some(r) = &mut m.redelivery {
            r.topic = Arc::from("orchard/q");
        }
        m
    };
    let client = |mut m: Message| {
        if let Some(r) = &mut m.redelivery {
            r.client = Arc::from("ridge");
        }
        m
    };
    let first = delivered(1, 7, false, 5.0, 0);
    for (name, list, kept) in [
        ("all equal", vec![first.clone(), delivered(2, 7, true, 5.0, 9)], 1),
        ("no redelivery bit", vec![first.clone(), delivered(2, 7, false, 5.0, 9)], 2),
        ("another value", vec![first.clone(), delivered(2, 7, true, 6.0, 9)], 2),
        ("another packet", vec![first.clone(), delivered(2, 8, true, 5.0, 9)], 2),
        ("another topic", vec![first.clone(), topic(delivered(2, 7, true, 5.0, 9))], 2),
        ("another client", vec![first.clone(), client(delivered(2, 7, true, 5.0, 9))], 2),
        ("the same connection", vec![first.clone(), delivered(1, 7, true, 5.0, 9)], 2),
        (
            "not the newest use",
            vec![first.clone(), delivered(1, 7, false, 6.0, 1), delivered(2, 7, true, 5.0, 9)],
            3,
        ),
        (
            "twice redelivered",
            vec![first.clone(), delivered(2, 7, true, 5.0, 9), delivered(3, 7, true, 5.0, 20)],
            1,
        ),
    ] {
        let (got, _, conflicts) = taken(list, true);
        assert_eq!((got, conflicts), (kept, 0), "{name}");
    }
}

#[test]
fn a_redelivery_is_recognised_after_a_restart() {
    let mut croft = Croft::new();
    croft.take(delivered(1, 7, false, 5.0, 0));
    croft.take(delivered(1, 8, false, 5.0, 1));
    let saved = croft.save();
    croft.restart(Some(&saved));
    croft.take(delivered(2, 7, true, 5.0, 60));
    croft.restart(Some(&saved));
    croft.take(delivered(3, 7, true, 5.0, 90));
    croft.take(delivered(3, 8, true, 5.0, 91));
    assert_eq!(outcome(&mut croft).0, 2);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    /// Whatever was kept is known again after a restart.
    #[test]
    fn what_was_kept_is_known_after_a_restart(
        waits in prop::collection::vec((0_i64..7_200, 0_i64..50_000, 0_u8..3), 1..60),
    ) {
        let mut croft = Croft::new();
        let mut now = 0;
        let mut sent = Vec::new();
        for (n, (wait, lag, kind)) in (0..).zip(waits) {
            now += wait;
            let number = 990.0 + f64::from(n) / 100.0;
            let mut m = match kind {
                0 => told(P, number, now - lag),
                1 => numbered(Some("a"), u64::try_from(n).unwrap(), number, now),
                _ => numbered(None, u64::try_from(n).unwrap(), number, now),
            };
            m.received = at(now);
            if kind == 0 && sent.iter().any(|s: &Message| s.samples[0].stated == m.samples[0].stated) {
                continue;
            }
            croft.take(m.clone());
            sent.push(m);
        }
        let saved = croft.save();
        croft.restart(Some(&saved));
        let kept = outcome(&mut croft).0;
        prop_assert_eq!(kept, sent.len());
        let last = sent.iter().filter(|m| m.boot.is_none()).filter_map(|m| m.sequence).max();
        let mut repeated = 0;
        for mut m in sent {
            // Without a boot identifier a number is known for ten minutes.
            if m.sequence.is_some() && m.boot.is_none() && m.sequence != last {
                continue;
            }
            if m.sequence.is_some() && m.boot.is_none() && at(now) - m.received >= Span::minutes(10) {
                continue;
            }
            m.received = at(now);
            croft.take(m);
            repeated += 1;
        }
        prop_assert_eq!(outcome(&mut croft), (kept, repeated, 0));
    }
}

#[test]
fn a_word_is_compared_like_a_number() {
    let word = |text: &str, seconds: i64| {
        let mut m = told(crate::croft::SWITCHES, 1.0, 0);
        m.samples[0].value = Value::Text(text.into());
        m.received = at(seconds);
        m
    };
    assert_eq!(taken(vec![word("N", 0), word("N", 1), word("E", 2)], true), (1, 1, 1));
}
