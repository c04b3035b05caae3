//! Sealed days against the same log unsealed.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::lookup::filled;
use super::open;
use crate::invented::{START, reading};
use crate::open::DATABASE;
use crate::{Batch, History, Selection};
use observation::time::{DAY, HOUR};
use observation::{Reading, Span, Time};

/// All readings as questions tell them, in the order of time and series by series.
fn told(history: &History, from: Time, to: Time) -> Vec<Reading> {
    let look = history.look();
    let selection = Selection::between(from, to);
    let all: Vec<Reading> = super::walked(look, &selection).iter().map(|k| k.reading).collect();
    let mut by_series = Vec::new();
    look.by_series(&selection, &mut |_, run| {
        by_series.extend_from_slice(run);
        std::ops::ControlFlow::Continue(())
    })
    .unwrap();
    by_series.sort_by_key(|r| (r.time, r.series));
    assert_eq!(by_series, all);
    all
}

const EVER: (Time, Time) = (Time(i64::MIN / 4), Time(i64::MAX / 4));

fn seal_all(history: &mut History, before: i64) {
    for day in history.look().days_to_seal(before).unwrap() {
        history.seal(day).unwrap();
    }
}

fn commit(history: &mut History, received: Time, readings: &[Reading]) {
    let batch = Batch { received, walked: received, messages: &[], readings, set_aside: &[] };
    history.commit(&batch).unwrap();
}

#[test]
fn sealed_days_answer_as_the_log_does() {
    for seed in 0..4 {
        let directory = tempfile::tempdir().unwrap();
        let (mut history, _) = open(directory.path());
        let mut random = fastrand::Rng::with_seed(seed);
        filled(&mut history, &mut random, 400);
        let before = told(&history, EVER.0, EVER.1);
        assert!(before.len() > 300);
        let last = history.last().unwrap().received.utc_day();
        seal_all(&mut history, last);
        assert!(history.look().block_bytes().unwrap().1 > 0);
        assert_eq!(told(&history, EVER.0, EVER.1), before, "seed {seed}");
        for _ in 0..50 {
            let from = START + Span(random.i64(-4 * DAY..4 * DAY));
            let to = from + Span(random.i64(0..2 * DAY));
            let expected: Vec<Reading> =
                before.iter().copied().filter(|r| r.time >= from && r.time < to).collect();
            assert_eq!(told(&history, from, to), expected);
        }
        for one in before.iter().step_by(7) {
            assert_eq!(history.look().reading(one.series, one.time).unwrap(), Some(*one));
        }
        // More of the same, late arrivals and clock steps included, then sealed again.
        filled(&mut history, &mut random, 100);
        let after = told(&history, EVER.0, EVER.1);
        let last = history.last().unwrap().received.utc_day();
        seal_all(&mut history, last + 1);
        assert_eq!(told(&history, EVER.0, EVER.1), after, "seed {seed}, sealed again");
        assert!(history.look().verify(&mut |_| ()).unwrap().is_empty());
    }
}

#[test]
fn a_late_reading_makes_a_new_block_in_the_place_of_the_old() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    let day = START.utc_day();
    commit(&mut history, START, &[reading(0, START, 20, 0), reading(4, START, 30, 0)]);
    let later = START + Span(3 * DAY);
    commit(&mut history, later, &[reading(0, later, 21, 0)]);
    assert_eq!(history.look().days_to_seal(day + 1).unwrap(), [day]);
    assert_eq!(history.seal(day).unwrap().blocks, 2);
    assert!(history.look().days_to_seal(day + 1).unwrap().is_empty());
    commit(
        &mut history,
        later,
        &[reading(0, START, 25, 1), reading(0, START + Span(60_000), 7, 0)],
    );
    assert_eq!(history.look().days_to_seal(day + 1).unwrap(), [day]);
    let expected = told(&history, EVER.0, EVER.1);
    assert_eq!(history.seal(day).unwrap().blocks, 1, "the other station's stays");
    assert_eq!(told(&history, EVER.0, EVER.1), expected);
    assert_eq!(expected[0].value, Some(25));
    assert_eq!(history.look().block_bytes().unwrap().1, 2);
}

#[test]
fn what_is_trimmed_is_sealed_old_and_no_longer_owed() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    for hour in 0..240 {
        let at = START + Span(hour * HOUR);
        commit(&mut history, at, &[reading(0, at, hour, 0)]);
    }
    let expected = told(&history, EVER.0, EVER.1);
    let last = history.last().unwrap();
    assert_eq!(history.trim(0, last.received, u64::MAX).unwrap(), 0, "nothing is sealed");
    seal_all(&mut history, last.received.utc_day());
    assert_eq!(history.trim(u64::MAX, last.received, u64::MAX).unwrap(), 0, "there is room");
    assert_eq!(history.trim(0, last.received, 51).unwrap(), 50, "a cursor stands there");
    let keep = START + Span(5 * DAY);
    assert_eq!(history.trim(0, keep, u64::MAX).unwrap(), 70);
    assert_eq!(told(&history, EVER.0, EVER.1), expected);
    assert_eq!(history.look().trimmed().unwrap(), 121);
    assert!(history.look().verify(&mut |_| ()).unwrap().is_empty());
    history.close().unwrap();
    let (history, opened) = open(directory.path());
    assert_eq!(opened.repairs, Vec::<String>::new());
    assert_eq!(told(&history, EVER.0, EVER.1), expected);
}

#[test]
fn a_damaged_block_is_set_aside_and_made_again_of_the_log() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    for hour in 0..72 {
        let at = START + Span(hour * HOUR);
        commit(&mut history, at, &[reading(0, at, hour, 0), reading(4, at, -hour, 0)]);
    }
    let expected = told(&history, EVER.0, EVER.1);
    let day = START.utc_day() + 1;
    seal_all(&mut history, day + 1);
    let blocks = history.look().block_bytes().unwrap().1;
    history.close().unwrap();
    for (place, value) in
        [("body", "x'00' || substr(body, 2)"), ("highest", "highest + 1"), ("day", "day - 1")]
    {
        let connection = rusqlite::Connection::open(directory.path().join(DATABASE)).unwrap();
        let sql = format!("UPDATE block SET {place} = {value} WHERE day = {day} AND station = 1");
        assert_eq!(connection.execute(&sql, []).unwrap(), 1);
        drop(connection);
        let (mut history, opened) = open(directory.path());
        assert_eq!(opened.repairs.len(), 1, "{place}: {:?}", opened.repairs);
        assert!(opened.repairs[0].contains("damaged_block"), "{}", opened.repairs[0]);
        assert_eq!(told(&history, EVER.0, EVER.1), expected, "{place}");
        assert_eq!(history.look().days_to_seal(day + 1).unwrap(), [day]);
        seal_all(&mut history, day + 1);
        assert_eq!(history.look().block_bytes().unwrap().1, blocks);
        assert_eq!(told(&history, EVER.0, EVER.1), expected, "{place}");
        history.close().unwrap();
    }
    let (_, opened) = open(directory.path());
    assert_eq!(opened.repairs, Vec::<String>::new());
}

#[test]
fn a_day_is_settled_until_something_comes_of_it_and_marked_anew_when_sealed_again() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    let day = START.utc_day();
    let settled = |history: &History| history.look().settled("orchard", day, day + 9).unwrap();
    commit(&mut history, START, &[reading(0, START, 20, 0), reading(1, START, 30, 0)]);
    let later = START + Span(3 * DAY);
    commit(&mut history, later, &[reading(0, later, 21, 0)]);
    assert!(settled(&history).is_empty(), "nothing is sealed");
    seal_all(&mut history, day + 1);
    let first = settled(&history);
    assert_eq!(first.keys().copied().collect::<Vec<_>>(), [day]);
    let mut told = Vec::new();
    let asked = Selection {
        series: vec![observation::SeriesIndex(0)],
        ..Selection::between(Time(day * DAY), Time((day + 1) * DAY))
    };
    history.look().each_sealed(&asked, &mut |_, run| told.extend_from_slice(run)).unwrap();
    assert_eq!(told, [reading(0, START, 20, 0)]);

    commit(&mut history, later + Span(HOUR), &[reading(0, START + Span(60_000), 22, 0)]);
    assert!(settled(&history).is_empty(), "a late reading waits in the log");
    seal_all(&mut history, day + 1);
    let second = settled(&history);
    assert_eq!(second.keys().collect::<Vec<_>>(), first.keys().collect::<Vec<_>>());
    assert_ne!(second[&day], first[&day], "the mark tells that the day changed");
}
