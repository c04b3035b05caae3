//! Hours of series, one value each, for strips.

use super::roles::Role;
use crate::page::graphics::Point;
use history::{Look, ReadError, Selection};
use observation::reading::from_steps;
use observation::time::HOUR;
use observation::{Flag, Property, Reading, SeriesIndex, Span, Time};
use std::collections::{BTreeMap, HashMap};
use std::ops::ControlFlow;

/// Most readings that strips may cost.
const ENOUGH: usize = 400_000;

/// The mean of an hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mean {
    pub value: f64,
    /// Whether it is of readings that count; what is suspected is shown where nothing does.
    pub counts: bool,
}

/// Means of hours, by the hour's number since 1970.
pub type Hours = BTreeMap<i64, Mean>;

/// The hour that an instant belongs to, by number since 1970: an end to the hour before.
fn hour_of(time: Time) -> i64 {
    (time.0 - 1).div_euclid(HOUR)
}

/// The hours of some series in `[from, to]`.
///
/// # Errors
/// When the history cannot be read.
pub fn hourly(
    look: &Look<'_>,
    series: &[SeriesIndex],
    from: Time,
    to: Time,
) -> Result<HashMap<SeriesIndex, Hours>, ReadError> {
    let selection =
        Selection { series: series.to_vec(), ..Selection::between(from + Span(1), to + Span(1)) };
    // Of each hour: sum and count of what counts, and of what does not.
    let mut sums: HashMap<(SeriesIndex, i64), [(f64, u32); 2]> = HashMap::new();
    let mut read = 0;
    look.by_series(&selection, &mut |index, run| {
        let Some(quantity) = look.names().series(index).map(|s| s.quantity) else {
            return ControlFlow::Continue(());
        };
        read += run.len();
        // What cannot be is not drawn: it would be all that is seen.
        let drawn = |r: &&Reading| r.value.is_some() && r.flag != Flag::Erroneous;
        for hour in run.chunk_by(|a, b| hour_of(a.time) == hour_of(b.time)) {
            let Some(first) = hour.first() else { continue };
            let sum = sums.entry((index, hour_of(first.time))).or_default();
            for reading in hour.iter().filter(drawn) {
                let of = &mut sum[usize::from(!reading.flag.counts())];
                of.0 += from_steps(reading.value.unwrap_or_default(), quantity.decimals());
                of.1 += 1;
            }
        }
        if read > ENOUGH { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    })?;
    let mut found: HashMap<SeriesIndex, Hours> = HashMap::new();
    for ((series, hour), [good, bad]) in sums {
        let counts = good.1 > 0;
        let (sum, count) = if counts { good } else { bad };
        if count > 0 {
            let mean = Mean { value: sum / f64::from(count), counts };
            found.entry(series).or_default().insert(hour, mean);
        }
    }
    Ok(found)
}

/// The series of a role at each station that has one.
pub fn everywhere(look: &Look<'_>, property: &Property, role: Role) -> Vec<(String, SeriesIndex)> {
    property
        .stations
        .iter()
        .filter_map(|station| {
            let (index, series) = role.choose(look.names(), property, &station.id)?;
            (series.station == station.id).then_some((station.id.clone(), index))
        })
        .collect()
}

/// Lines through the middles of hours in `[from, to]`; a new one begins at each gap.
pub fn lines(values: impl Iterator<Item = (i64, f64)>, from: Time, to: Time) -> Vec<Vec<Point>> {
    let mut lines: Vec<Vec<Point>> = Vec::new();
    let mut last = None;
    for (hour, value) in values {
        if last != Some(hour - 1) {
            lines.push(Vec::new());
        }
        last = Some(hour);
        let middle = Time(hour * HOUR + HOUR / 2);
        let share = (middle - from).0 as f64 / (to - from).0.max(1) as f64;
        if let Some(line) = lines.last_mut() {
            line.push((share.clamp(0.0, 1.0), value));
            if line.len() == 1 {
                line.push(((share + 0.002).clamp(0.0, 1.0), value));
            }
        }
    }
    lines
}
