//! A season put away is the season read.
#![allow(clippy::unwrap_used)]

use super::*;
use crate::fixture;
use history::{Batch, History, Options};
use observation::{Flag, Reading, Reasons};
use std::fmt::Write as _;

pub(in crate::page::sheet) const FIRST: i64 = 20_600;

fn commit(history: &mut History, received: Time, readings: &[Reading]) {
    let batch = Batch { received, walked: received, messages: &[], readings, set_aside: &[] };
    history.commit(&batch).unwrap();
}

fn reading(series: u32, time: Time, random: &mut fastrand::Rng) -> Reading {
    let value = (random.u8(..30) > 0).then(|| random.i64(-500..2_500));
    let flag = match (value, random.u8(..20)) {
        (None, _) => Flag::Missing,
        (_, 0) => Flag::Doubtful,
        _ => Flag::Good,
    };
    let series = SeriesIndex(series);
    Reading { series, time, value, flag, reasons: Reasons::NONE, revision: 0, made_by: 1 }
}

/// Sixty invented days with gaps, sealed but for the last, and in part put together to
/// weeks; a late reading on one.
pub(in crate::page::sheet) fn filled(folder: &std::path::Path) -> History {
    let start = Time(FIRST * DAY);
    let mut random = fastrand::Rng::with_seed(3);
    let (mut history, _) = History::open(folder, &Options::at(start)).unwrap();
    let (property, series) = (fixture::property("Orchard"), fixture::series());
    history.register(start, &property, &series, &[]).unwrap();
    for day in FIRST..FIRST + 60 {
        let mut readings = Vec::new();
        for n in 0..288_i64 {
            if random.u8(..12) == 0 {
                continue;
            }
            let time = Time(day * DAY + n * 300_000);
            readings.extend((0..series.len() as u32).map(|s| reading(s, time, &mut random)));
        }
        commit(&mut history, Time((day + 1) * DAY), &readings);
    }
    let late = reading(0, Time((FIRST + 20) * DAY + 60_000), &mut random);
    commit(&mut history, Time((FIRST + 60) * DAY + 1), &[Reading { value: Some(9_000), ..late }]);
    for day in history.look().days_to_seal(FIRST + 59).unwrap() {
        if day != FIRST + 20 {
            history.seal(day).unwrap();
        }
    }
    // Some of the weeks are one block.
    for week in (history::weeks::monday(FIRST)..FIRST + 40).step_by(7) {
        while history.merge(week).unwrap().is_some() {}
    }
    assert!(history.look().block_bytes().unwrap().1 < 59 - 20);
    history
}

/// All that is drawn of it.
fn drawn(gathered: &Gathered) -> String {
    let mut out = format!("{:?}", gathered.rose);
    for (role, trace) in &gathered.traces {
        let columns = &trace.columns;
        let _ = write!(
            out,
            "\n{role:?} {} {} {} {:?}\n{}\n{:?}",
            columns.count,
            columns.left_out,
            columns.gaps,
            columns.reach(),
            columns.data(|s| s.to_string()),
            trace
                .slices
                .all()
                .iter()
                .map(|(n, s)| (n, s.count, s.left_out, s.sum, s.last))
                .collect::<Vec<_>>()
        );
    }
    out
}

#[test]
fn a_season_put_away_is_the_season_read() {
    let folder = tempfile::tempdir().unwrap();
    let history = filled(folder.path());
    let property = fixture::property("Orchard");
    let shelf = Shelf::default();
    let (first, last) = (Time(FIRST * DAY - 3_600_000), Time((FIRST + 60) * DAY));
    for span in [(first, last + Span::days(10)), (first + Span::days(3), last)] {
        let asked = (span.0, span.1, last);
        let look = history.look();
        let mut plain = Gathering::new(&look, &property, "orchard", asked);
        assert!(plain.read(span.0 + Span(1), span.1 + Span(1)).unwrap());
        let plain = drawn(&plain.done(true));
        assert!(plain.contains("9000"), "the late reading is there");
        for _ in 0..2 {
            let shelved = gather(&look, &shelf, &property, "orchard", asked).unwrap();
            assert!(shelved.whole);
            assert_eq!(drawn(&shelved), plain);
        }
    }
}

#[test]
fn what_is_worked_out_ahead_is_all_that_a_season_needs() {
    let folder = tempfile::tempdir().unwrap();
    let history = filled(folder.path());
    let property = fixture::property("Orchard");
    let shelf = Shelf::default();
    let (first, last) = (Time(FIRST * DAY), Time((FIRST + 60) * DAY));
    let span = (first, last + Span::days(10), last);
    let look = history.look();
    put_away(&look, &shelf, &property, "orchard", span, (FIRST, FIRST + 60)).unwrap();
    let gathering = Gathering::new(&look, &property, "orchard", span);
    assert_eq!(gathering.slice, HOURLY, "a long span is told by hours");
    let mut days = 0;
    for (series, marks) in gathering.marks(FIRST, FIRST + 60).unwrap() {
        for (day, mark) in marks {
            days += 1;
            let held = |index: &SeriesIndex| shelf.find((*index, day, HOURLY), mark).is_some();
            assert!(series.iter().all(held), "day {day} of {series:?}");
        }
    }
    assert_eq!(days, 58, "all but the last and the one that is not sealed");
}
