//! Weeks against days: the same history twice, one of them merged now and then.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::{open, walked};
use crate::invented::{START, property, reading, series, sources};
use crate::noticed::date;
use crate::open::DATABASE;
use crate::weeks::monday;
use crate::{Batch, History, Selection};
use observation::time::{DAY, HOUR, MINUTE};
use observation::{Reading, SeriesIndex, Span, StationIndex, Time};
use proptest::prelude::*;
use std::collections::HashMap;
use std::ops::ControlFlow;
use std::path::Path;

fn commit(history: &mut History, received: Time, readings: &[Reading]) {
    let batch = Batch { received, walked: received, messages: &[], readings, set_aside: &[] };
    history.commit(&batch).unwrap();
}

fn told(history: &History, from: Time, to: Time) -> Vec<Reading> {
    let look = history.look();
    let selection = Selection::between(from, to);
    let all: Vec<Reading> = walked(look, &selection).iter().map(|k| k.reading).collect();
    let mut by_series = Vec::new();
    look.by_series(&selection, &mut |_, run| {
        by_series.extend_from_slice(run);
        ControlFlow::Continue(())
    })
    .unwrap();
    by_series.sort_by_key(|r| (r.time, r.series));
    assert_eq!(by_series, all);
    all
}

fn everything(history: &History) -> Vec<Reading> {
    told(history, Time(i64::MIN / 4), Time(i64::MAX / 4))
}

fn seal_all(history: &mut History) {
    let before = history.last().unwrap().received.utc_day();
    for day in history.look().days_to_seal(before).unwrap() {
        history.seal(day).unwrap();
    }
}

/// Merges all that can be; how many blocks that made.
fn merge_all(history: &mut History) -> usize {
    let last = history.last().unwrap().received.utc_day();
    let mut made = 0;
    let mut week = monday(START.utc_day()) - 35;
    while week + 6 < last {
        match history.merge(week).unwrap() {
            Some(_) => made += 1,
            None => week += 7,
        }
    }
    made
}

fn blocks(directory: &Path) -> (i64, i64) {
    let connection = rusqlite::Connection::open(directory.join(DATABASE)).unwrap();
    connection
        .query_row("SELECT ifnull(sum(week = 0), 0), ifnull(sum(week), 0) FROM block", [], |r| {
            Ok((r.get(0)?, r.get(1)?))
        })
        .unwrap()
}

/// Days on both stations, a reading each half hour, all sealed but the last.
fn filled(history: &mut History, days: i64) {
    for n in 0..days * 24 {
        let at = START + Span(n * HOUR);
        let half = at + Span(HOUR / 2);
        commit(
            history,
            half,
            &[reading(0, at, n, 0), reading(0, half, -n, 0), reading(5, half, n % 9, 0)],
        );
    }
    seal_all(history);
}

#[test]
fn a_week_takes_the_place_of_its_days_and_answers_as_they_did() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    filled(&mut history, 30);
    let expected = everything(&history);
    let (days, weeks) = blocks(directory.path());
    assert_eq!(weeks, 0);
    // 2026-03-01 was a Sunday: it stays a day by itself, as the begun week at the end.
    assert_eq!(merge_all(&mut history), 8);
    assert_eq!(blocks(directory.path()), (days - 2 * 28, 8));
    assert_eq!(everything(&history), expected);
    assert_eq!(merge_all(&mut history), 0, "nothing is left to do");
    for from in 0..28 {
        let from = START + Span(from * DAY + 11 * HOUR);
        for length in [MINUTE, 5 * HOUR, DAY, 3 * DAY, 9 * DAY] {
            let to = from + Span(length);
            let within = |r: &&Reading| r.time >= from && r.time < to;
            let part: Vec<Reading> = expected.iter().filter(within).copied().collect();
            assert_eq!(told(&history, from, to), part);
        }
    }
    let one = expected[expected.len() / 2];
    assert_eq!(history.look().reading(one.series, one.time).unwrap(), Some(one));
    assert!(history.look().verify(&mut |_| ()).unwrap().is_empty());
    history.close().unwrap();
    let (history, opened) = open(directory.path());
    assert_eq!(opened.repairs, Vec::<String>::new());
    assert_eq!(everything(&history), expected);
}

#[test]
fn a_late_reading_parts_the_week_which_is_made_again_once_it_is_sealed() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    filled(&mut history, 17);
    merge_all(&mut history);
    let (days, weeks) = blocks(directory.path());
    let at = START + Span(4 * DAY + MINUTE);
    let now = history.last().unwrap().received;
    commit(&mut history, now, &[reading(0, at, 7_777, 0)]);
    let expected = everything(&history);
    assert!(expected.contains(&reading(0, at, 7_777, 0)));
    let week = monday(at.utc_day());
    assert_eq!(history.merge(week).unwrap(), None, "it waits in the log");
    assert_eq!(history.seal(at.utc_day()).unwrap().blocks, 1);
    assert_eq!(blocks(directory.path()), (days + 7, weeks - 1), "the other station's stays");
    assert_eq!(everything(&history), expected);
    assert_eq!(history.merge(week).unwrap().unwrap().blocks, 1);
    assert_eq!(blocks(directory.path()), (days, weeks));
    assert_eq!(everything(&history), expected);
}

#[test]
fn a_week_with_too_many_readings_stays_in_days() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    for n in 0..9 * 24 {
        let at = START + Span(n * HOUR);
        let many: Vec<Reading> = (0..80).map(|k| reading(0, at + Span(k * 40_000), k, 0)).collect();
        commit(&mut history, at + Span(HOUR), &many);
    }
    seal_all(&mut history);
    assert_eq!(merge_all(&mut history), 0);
    assert_eq!(blocks(directory.path()).1, 0);
}

#[test]
fn a_damaged_week_is_set_aside_and_all_its_days_are_made_again_of_the_log() {
    for (place, value) in [
        ("body", "x'02' || x'ff' || substr(body, 3)"),
        ("body", "x'01' || substr(body, 2)"),
        ("highest", "highest + 1"),
        ("day", "day - 1"),
        ("week", "0"),
    ] {
        let directory = tempfile::tempdir().unwrap();
        let (mut history, _) = open(directory.path());
        filled(&mut history, 17);
        let expected = everything(&history);
        merge_all(&mut history);
        let before = blocks(directory.path());
        history.close().unwrap();
        let connection = rusqlite::Connection::open(directory.path().join(DATABASE)).unwrap();
        let week = monday(START.utc_day() + 4);
        let sql = format!("UPDATE block SET {place} = {value} WHERE day = {week} AND station = 1");
        assert_eq!(connection.execute(&sql, []).unwrap(), 1);
        drop(connection);
        let (mut history, opened) = open(directory.path());
        assert_eq!(opened.repairs.len(), 1, "{place}: {:?}", opened.repairs);
        for day in week..week + 7 {
            assert!(opened.repairs[0].contains(&date(day)), "{}", opened.repairs[0]);
        }
        assert_eq!(everything(&history), expected, "{place}");
        assert_eq!(history.merge(week).unwrap(), None, "its days wait to be sealed");
        let seven: Vec<i64> = (week..week + 7).collect();
        assert_eq!(history.look().days_to_seal(week + 7).unwrap(), seven);
        seal_all(&mut history);
        assert_eq!(everything(&history), expected, "{place}");
        merge_all(&mut history);
        assert_eq!((blocks(directory.path()), everything(&history)), (before, expected));
        history.close().unwrap();
        let (_, opened) = open(directory.path());
        assert_eq!(opened.repairs, Vec::<String>::new());
    }
}

#[test]
fn a_damaged_week_of_which_the_log_is_gone_takes_no_other_along() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    filled(&mut history, 24);
    merge_all(&mut history);
    let all = everything(&history);
    history.trim(0, START + Span(20 * DAY), u64::MAX).unwrap();
    assert_eq!(everything(&history), all);
    history.close().unwrap();
    let week = monday(START.utc_day() + 4);
    let connection = rusqlite::Connection::open(directory.path().join(DATABASE)).unwrap();
    let sql = format!("UPDATE block SET revision = 9 WHERE day = {week} AND station = 1");
    assert_eq!(connection.execute(&sql, []).unwrap(), 1);
    drop(connection);
    let (mut history, opened) = open(directory.path());
    assert_eq!(opened.repairs.len(), 1, "{:?}", opened.repairs);
    let lost = |r: &&Reading| r.series.0 == 0 && monday(r.time.utc_day()) == week;
    let rest: Vec<Reading> = all.iter().filter(|r| !lost(r)).copied().collect();
    assert!(rest.len() < all.len());
    assert_eq!(everything(&history), rest);
    seal_all(&mut history);
    merge_all(&mut history);
    assert_eq!(everything(&history), rest);
}

/// What is done to both histories.
#[derive(Clone, Debug)]
enum Step {
    /// Half a day goes on, a reading of every second series each three hours.
    On,
    /// A reading so many minutes ago.
    Late {
        series: u32,
        ago: i64,
        value: i64,
        revision: u32,
    },
    Seal,
    /// Of the week so many days ago.
    Merge(i64),
    /// The readings of a day so many days ago get other values, each that `nth` tells.
    Revise {
        station: u16,
        ago: i64,
        nth: usize,
    },
    /// All samples so many days ago and before go.
    Trim(i64),
}

fn any_step() -> impl Strategy<Value = Step> {
    prop_oneof![
        12 => Just(Step::On),
        4 => (0_u32..8, 0_i64..40 * 1_440, -99_i64..99, 0_u32..3)
            .prop_map(|(series, ago, value, revision)| Step::Late { series, ago, value, revision }),
        4 => Just(Step::Seal),
        6 => (7_i64..50).prop_map(Step::Merge),
        2 => (0_u16..2, 1_i64..40, 1_usize..5)
            .prop_map(|(station, ago, nth)| Step::Revise { station, ago, nth }),
        1 => (20_i64..40).prop_map(Step::Trim),
    ]
}

fn differs(old: &Reading, new: &Reading) -> bool {
    old.value != new.value
}

struct Twin {
    history: History,
    merges: bool,
    /// The content of each settled station and day by its mark.
    marked: HashMap<(u16, i64, u64), Vec<Reading>>,
}

impl Twin {
    fn new(merges: bool) -> Self {
        // Nothing is synced: many are tried.
        let mut history = History::temporary().unwrap();
        let property = property(4);
        history.register(START, &property, &series(&property), &sources()).unwrap();
        Self { history, merges, marked: HashMap::new() }
    }

    fn step(&mut self, step: &Step, now: Time) {
        let merges = self.merges;
        let history = &mut self.history;
        let today = now.utc_day();
        match *step {
            Step::On => {
                for n in 0..4 {
                    let at = now - Span(n * 3 * HOUR);
                    let series = (0..8).step_by(2);
                    let of: Vec<Reading> = series.map(|s| reading(s, at, n, 0)).collect();
                    commit(history, now, &of);
                }
            }
            Step::Late { series, ago, value, revision } => {
                commit(history, now, &[reading(series, now - Span(ago * MINUTE), value, revision)]);
            }
            Step::Seal => {
                for day in history.look().days_to_seal(today).unwrap() {
                    history.seal(day).unwrap();
                }
            }
            Step::Merge(ago) => {
                let week = monday(today - ago);
                while merges && history.merge(week).unwrap().is_some() {}
            }
            Step::Revise { station, ago, nth } => {
                let day = today - ago;
                let (from, to) = (Time(day * DAY), Time((day + 1) * DAY));
                let made: Vec<Reading> = told(history, from, to)
                    .into_iter()
                    .filter(|r| u32::from(station) == r.series.0 / 4)
                    .step_by(nth)
                    .map(|r| Reading { value: Some(r.value.unwrap_or(0) + 1), ..r })
                    .collect();
                history.revise(StationIndex(station), day, &made, &differs).unwrap();
            }
            Step::Trim(ago) => {
                history.trim(0, now - Span(ago * DAY), u64::MAX).unwrap();
            }
        }
    }

    /// Of each settled day all is in blocks, and one mark stands for one content.
    fn settled(&mut self, all: &[Reading], now: Time) {
        let history = &self.history;
        let (first, last) = (now.utc_day() - 60, now.utc_day());
        for (station, id) in [(0, "orchard"), (1, "ridge")] {
            let marks = history.look().settled(id, first, last).unwrap();
            let series = (0..4).map(|n| SeriesIndex(u32::from(station) * 4 + n)).collect();
            let between = Selection::between(Time(first * DAY), Time((last + 1) * DAY));
            let mut days: HashMap<i64, Vec<Reading>> = HashMap::new();
            let selection = Selection { series, ..between };
            history
                .look()
                .each_sealed(&selection, &mut |series, run| {
                    let day = run[0].time.utc_day();
                    assert!(run.iter().all(|r| r.time.utc_day() == day && r.series == series));
                    days.entry(day).or_default().extend_from_slice(run);
                })
                .unwrap();
            for (day, mark) in marks {
                let mut content = days.remove(&day).unwrap_or_default();
                content.sort_by_key(|r| (r.time, r.series));
                let of =
                    |r: &&Reading| r.time.utc_day() == day && r.series.0 / 4 == u32::from(station);
                let stands: Vec<Reading> = all.iter().filter(of).copied().collect();
                assert_eq!(content, stands, "day {day}");
                let held = self.marked.entry((station, day, mark)).or_insert(stands);
                assert_eq!(*held, content, "one mark for two contents of day {day}");
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]
    #[test]
    fn days_and_weeks_answer_alike_whatever_comes(
        steps in prop::collection::vec(any_step(), 30..140),
        asked in prop::collection::vec((0_i64..80 * 24, 1_i64..20 * 24), 6),
    ) {
        let (mut days, mut weeks) = (Twin::new(false), Twin::new(true));
        let mut now = START;
        for step in &steps {
            if matches!(step, Step::On) {
                now = now + Span(DAY / 2);
            }
            days.step(step, now);
            weeks.step(step, now);
            let all = everything(&days.history);
            prop_assert!(everything(&weeks.history) == all, "after {step:?}");
            weeks.settled(&all, now);
            let (own, other) = (days.history.last(), weeks.history.last());
            prop_assert_eq!(own, other);
        }
        for (from, hours) in asked {
            let from = START + Span((from - 30 * 24) * HOUR);
            let to = from + Span(hours * HOUR);
            prop_assert!(told(&weeks.history, from, to) == told(&days.history, from, to));
        }
        prop_assert!(weeks.history.look().verify(&mut |_| ()).unwrap().is_empty());
    }
}
