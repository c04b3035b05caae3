// Sealed days behind what `content` writes, as the files from version 2 on hold them. Never
// change it, as `content`.

use crate::content::START;
use history::{Batch, History};
use observation::time::{HOUR, MINUTE};
use observation::{Flag, Reading, Reason, Reasons, SeriesIndex, Span, Time};

/// So many days are begun, and all but the last are sealed.
const DAYS: i64 = 23;

fn reading(series: u32, half_hour: i64) -> Reading {
    let missing = half_hour % 97 == 5;
    let doubtful = half_hour % 31 == 7;
    Reading {
        series: SeriesIndex(series),
        time: START + Span(half_hour * 30 * MINUTE),
        value: (!missing).then_some((half_hour * half_hour) % 700 - 150 + i64::from(series)),
        flag: match (missing, doubtful) {
            (true, _) => Flag::Missing,
            (_, true) => Flag::Doubtful,
            _ => Flag::Good,
        },
        reasons: if doubtful { Reasons::NONE.with(Reason::Step) } else { Reasons::NONE },
        revision: 0,
        made_by: 1 + u32::from(half_hour > 400),
    }
}

/// What was written when all was over: the first is sealed in its day again, the second
/// still waits in the log.
fn late() -> [Reading; 2] {
    [240, 480].map(|at| Reading { value: Some(9_000 + at), revision: 1, ..reading(0, at) })
}

/// The readings that stand, in the order of time and series.
pub(crate) fn readings() -> Vec<Reading> {
    let late = late();
    // At `START` stands what `content` wrote.
    let all = (1..=DAYS * 48).flat_map(|at| [reading(0, at), reading(1, at)]);
    all.map(|r| late.into_iter().find(|l| (l.series, l.time) == (r.series, r.time)).unwrap_or(r))
        .collect()
}

fn commit(history: &mut History, received: Time, readings: &[Reading]) {
    let batch = Batch { received, walked: received, messages: &[], readings, set_aside: &[] };
    history.commit(&batch).unwrap();
}

pub(crate) fn seal(history: &mut History) {
    let before = (START + Span(DAYS * 24 * HOUR)).utc_day();
    for day in history.look().days_to_seal(before).unwrap() {
        history.seal(day).unwrap();
    }
}

pub(crate) fn write(history: &mut History) {
    for hour in 0..DAYS * 24 {
        let of: Vec<Reading> =
            (hour * 2 + 1..=hour * 2 + 2).flat_map(|at| [reading(0, at), reading(1, at)]).collect();
        commit(history, START + Span((hour + 1) * HOUR), &of);
    }
    seal(history);
    let end = START + Span(DAYS * 24 * HOUR + MINUTE);
    commit(history, end, &late()[..1]);
    seal(history);
    commit(history, end, &late()[1..]);
}
