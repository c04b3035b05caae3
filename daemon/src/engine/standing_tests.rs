//! What stands after a restart is what stood before it.

use super::standing::Standing;
use crate::fixture::{self, NOON};
use history::{Batch, History, Options};
use observation::{Flag, Reading, Reasons, SeriesIndex, Span, Time};
use std::sync::Arc;

fn standing() -> Standing {
    let (property, series) = (fixture::property("Orchard"), fixture::series());
    Standing::new(property, series, Arc::from(""), NOON, 0, Span::hours(6))
}

fn reading(series: u32, time: Time, value: i64, revision: u32) -> Reading {
    Reading {
        series: SeriesIndex(series),
        time,
        value: Some(value),
        flag: Flag::Good,
        reasons: Reasons::NONE,
        revision,
        made_by: 1,
    }
}

/// An hour of rain and gusts on each of several days, long ago too, one of it corrected
/// later: summed up as it comes, and again from the history.
#[test]
fn totals_survive_a_restart() {
    let minute = Time(NOON.0 - NOON.0.rem_euclid(60_000));
    let mut batches: Vec<Vec<Reading>> = [130, 40, 2, 1, 0]
        .into_iter()
        .map(|days| {
            let end = minute - Span::days(days);
            (0..60)
                .flat_map(|n| {
                    let time = end - Span::minutes(n);
                    [reading(2, time, 10 * (n % 3), 0), reading(5, time, 900 + n, 0)]
                })
                .collect()
        })
        .collect();
    batches.push(vec![reading(2, minute - Span::days(40) - Span::minutes(4), 500, 1)]);

    let folder = tempfile::tempdir().unwrap();
    let options = Options { ballast: 0, ..Options::at(NOON - Span::days(131)) };
    let (mut history, _) = History::open(folder.path(), &options).unwrap();
    let (property, series) = (fixture::property("Orchard"), fixture::series());
    history.register(NOON - Span::days(131), &property, &series, &[]).unwrap();
    let mut before = standing();
    for readings in &batches {
        let newest = readings.iter().map(|r| r.time).max().unwrap();
        let batch =
            Batch { received: newest, walked: newest, messages: &[], readings, set_aside: &[] };
        history.commit(&batch).unwrap();
        before.written(&[], readings, NOON);
    }
    let mut after = standing();
    after.restore(history.look()).unwrap();
    let (before, after) = (before.without_processor(NOON), after.without_processor(NOON));
    assert_eq!(before.rain, after.rain);
    assert_eq!(before.gusts, after.gusts);
    // Twenty falls of each size an hour: 0.6 mm; the corrected one had 0.01 mm.
    let told: Vec<i64> = after.rain[0].totals.fallen.iter().map(|f| f.steps).collect();
    assert_eq!((told[0], told[1]), (600, 600));
    assert_eq!(told[4], 5 * 600 - 10 + 500);
    assert_eq!(after.gusts[0].hour.map(|e| e.steps), Some(950), "its window fits into the hour");
}
