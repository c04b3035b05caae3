use super::open;
use crate::invented::{START, message, reading};
use crate::{Batch, Cursor, DeadLetter, Entry, History, Progress, Revised};
use observation::{SeriesIndex, Span, Time};
use std::ops::ControlFlow;

/// Records 1 (names), then `count` batches of two readings each.
fn filled(history: &mut History, count: i64) {
    for i in 0..count {
        let at = START + Span::minutes(i);
        history
            .commit(&Batch {
                received: at,
                walked: at,
                messages: &[message(0, &[0, 1], at, 17.3)],
                readings: &[reading(0, at, i, 0), reading(1, at, -i, 0)],
                set_aside: &[],
            })
            .unwrap();
    }
}

fn pass(history: &History, from: u64, to: u64, most: u32) -> (Vec<(u64, Time, usize)>, u64) {
    let mut seen = Vec::new();
    let next = history
        .look()
        .pass(from, to, most, &mut |passing| {
            assert_eq!(passing.fault.as_ref().map(ToString::to_string), None);
            seen.push((passing.number, passing.received, passing.readings.len()));
            ControlFlow::Continue(())
        })
        .unwrap();
    (seen, next)
}

#[test]
fn the_log_passes_in_slices_and_counts_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let (mut history, _) = open(folder.path());
    let first = history.next_number();
    filled(&mut history, 10);
    let revised =
        Revised { series: SeriesIndex(1), from: START, to: START + Span::days(1), revision: 2 };
    history.append(START + Span::hours(1), START, &Entry::Revised(revised)).unwrap();
    let last = history.next_number() - 1;

    let (mut from, mut numbers) = (0, Vec::new());
    while from <= last {
        let (seen, next) = pass(&history, from, last, 3);
        assert!(seen.len() <= 3 && next > from);
        numbers.extend(seen.iter().filter(|s| s.2 > 0).map(|s| s.0));
        from = next;
    }
    assert_eq!(numbers, (first..first + 10).collect::<Vec<_>>());
    assert_eq!(from, last + 1);

    let (mut from, mut sum) = (0, 0);
    while from <= last {
        let (count, next) = history.look().count_passing(from, last, 4).unwrap();
        sum += count;
        from = next;
    }
    assert_eq!(sum, 20);

    let mut told = None;
    let next = history.look().pass(last, last, 9, &mut |p| {
        told = p.revised;
        ControlFlow::Break(())
    });
    assert_eq!((told, next.unwrap()), (Some(revised), last + 1));
}

#[test]
fn progress_is_kept_and_what_was_given_up_adds_up() {
    let folder = tempfile::tempdir().unwrap();
    let letter = |number| DeadLetter {
        forwarder: "archive".into(),
        number,
        place: 1,
        time: START,
        status: 422,
        answer: "no such thing".into(),
    };
    {
        let (mut history, _) = open(folder.path());
        let cursor = Cursor { delivered: 7, given_up: 2, gaps: vec![(3, 4)] };
        let progress = Progress { cursor, dead_letters: vec![letter(5)] };
        history.keep_progress("archive", &progress).unwrap();
        let cursor = Cursor { delivered: 9, given_up: 1, gaps: Vec::new() };
        // The same came again after a crash.
        history.keep_progress("archive", &progress).unwrap();
        assert_eq!(history.look().dead_letters("archive", 9).unwrap().1, 1);
        let letters = (10..10 + u64::from(crate::passing::DEAD_LETTERS)).map(letter).collect();
        history.keep_progress("archive", &Progress { cursor, dead_letters: letters }).unwrap();
        // The last step comes with a record.
        let cursor = Cursor { delivered: 11, given_up: 1, gaps: Vec::new() };
        let progress = Progress { cursor, dead_letters: Vec::new() };
        let batch =
            Batch { received: START, walked: START, messages: &[], readings: &[], set_aside: &[] };
        history.commit_with(&batch, &[], &[("archive", &progress)]).unwrap();
    }
    let (history, _) = open(folder.path());
    let look = history.look();
    let kept = look.cursor("archive").unwrap();
    assert_eq!(kept, Some(Cursor { delivered: 11, given_up: 6, gaps: Vec::new() }));
    let (newest, count) = look.dead_letters("archive", 1).unwrap();
    assert_eq!(count, u64::from(crate::passing::DEAD_LETTERS), "the oldest went");
    assert_eq!(newest[0].number, 9 + u64::from(crate::passing::DEAD_LETTERS));
}
