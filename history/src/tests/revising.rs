//! Readings made anew, on days sealed and not.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::open;
use crate::invented::{START, reading};
use crate::{Batch, Entry, History, Remade, Revised, Selection};
use observation::time::DAY;
use observation::{Reading, SeriesIndex, Span, StationIndex, Time};

fn commit(history: &mut History, received: Time, readings: &[Reading]) {
    let batch = Batch { received, walked: received, messages: &[], readings, set_aside: &[] };
    history.commit(&batch).unwrap();
}

fn told(history: &History) -> Vec<Reading> {
    let selection = Selection::between(Time(0), Time(i64::MAX / 4));
    super::walked(history.look(), &selection).iter().map(|k| k.reading).collect()
}

const fn minute(n: i64) -> Time {
    Time(START.0 + n * 60_000)
}

fn other_value(old: &Reading, new: &Reading) -> bool {
    old.value != new.value
}

#[test]
fn what_differs_is_replaced_and_told_and_survives_sealing_and_what_comes_later() {
    for sealed_before in [false, true] {
        let directory = tempfile::tempdir().unwrap();
        let (mut history, _) = open(directory.path());
        let day = START.utc_day();
        // Series 0 to 3 are the orchard's, 4 to 7 the ridge's.
        for n in 0..10 {
            commit(
                &mut history,
                minute(n),
                &[
                    reading(0, minute(n), 100 + n, 0),
                    reading(1, minute(n), 500, 0),
                    reading(4, minute(n), 200 + n, 0),
                ],
            );
        }
        commit(&mut history, minute(11), &[reading(0, minute(2), 150, 1)]);
        if sealed_before {
            history.seal(day).unwrap();
        }
        // Behind what is sealed, of both stations.
        commit(&mut history, minute(12), &[reading(4, minute(3), 250, 1)]);
        let made: Vec<Reading> = (0..12)
            .flat_map(|n| {
                let value = if n < 5 { 100 + n } else { 300 + n };
                let value = if n == 2 { 150 } else { value };
                [reading(0, minute(n), value, 0), reading(4, minute(n), 900, 0)]
            })
            .collect();
        let last = history.last().unwrap().number;
        let remade = history.revise(StationIndex(0), day, &made, &other_value).unwrap();
        assert_eq!(remade, Remade { readings: 7, series: 1 });
        let entry = history.look().one(last + 1).unwrap().unwrap().entry;
        let expected = Revised {
            series: SeriesIndex(0),
            from: minute(5),
            to: minute(11) + Span(1),
            revision: 2,
        };
        assert_eq!(entry, Entry::Revised(expected));

        let mut stands: Vec<Reading> = Vec::new();
        for n in 0..12 {
            match n {
                2 => stands.push(reading(0, minute(n), 150, 1)),
                0..5 => stands.push(reading(0, minute(n), 100 + n, 0)),
                _ => stands.push(reading(0, minute(n), 300 + n, 2)),
            }
            if n < 10 {
                stands.push(reading(1, minute(n), 500, 0));
                let (value, revision) = if n == 3 { (250, 1) } else { (200 + n, 0) };
                stands.push(reading(4, minute(n), value, revision));
            }
        }
        assert_eq!(told(&history), stands, "sealed before: {sealed_before}");
        let again = history.revise(StationIndex(0), day, &made, &other_value).unwrap();
        assert_eq!(again, Remade::default());

        // A later revision counts, and so it stays when the day is over.
        commit(&mut history, minute(20), &[reading(0, minute(6), 1, 3)]);
        let changed = stands.iter_mut().find(|r| r.series.0 == 0 && r.time == minute(6)).unwrap();
        *changed = reading(0, minute(6), 1, 3);
        assert_eq!(told(&history), stands);
        let later = START + Span(2 * DAY);
        commit(&mut history, later, &[]);
        for day in history.look().days_to_seal(later.utc_day()).unwrap() {
            history.seal(day).unwrap();
        }
        assert_eq!(told(&history), stands);
        assert!(history.look().verify(&mut |_| ()).unwrap().is_empty());
        drop(history);
        let (history, opened) = open(directory.path());
        assert!(opened.repairs.is_empty(), "{:?}", opened.repairs);
        assert_eq!(told(&history), stands);
    }
}
