//! The range of extremes: the lowest and highest of all that is kept of a station. What a
//! settled day holds of them is worked out once ([`history::Look::settled`]).

use super::figures::{NONE, sentence};
use super::roles::Role;
use super::source::Source;
use history::{Look, ReadError, Selection};
use maud::{Markup, html};
use observation::time::DAY;
use observation::{Property, Quantity, Reading, Series, SeriesIndex, Span, Time};
use std::collections::HashMap;
use std::ops::ControlFlow;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// What extremes are told of.
const TOLD: [Role; 4] = [Role::Temperature, Role::DewPoint, Role::Pressure, Role::Gust];
/// After this long what was found so far is told.
const LONG: Duration = Duration::from_secs(4);
/// Days of series that are remembered, about a hundred bytes each.
const MOST: usize = 100_000;
/// Settled days that are read at a time.
const AT_A_TIME: i64 = 64;

/// What counts of a span.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Extremes {
    lowest: Option<(i64, Time)>,
    highest: Option<(i64, Time)>,
    first: Option<Time>,
    left_out: u64,
}

impl Extremes {
    fn take(&mut self, reading: &Reading) {
        let Some(steps) = reading.value else { return };
        if !reading.flag.counts() {
            self.left_out += 1;
            return;
        }
        let (time, found) = (reading.time, Some((steps, reading.time)));
        // Of equal ones the first stays.
        if self.lowest.is_none_or(|(least, at)| (steps, time) < (least, at)) {
            self.lowest = found;
        }
        if self.highest.is_none_or(|(most, at)| steps > most || (steps == most && time < at)) {
            self.highest = found;
        }
        self.first = Some(self.first.map_or(time, |f| f.min(time)));
    }

    fn add(&mut self, other: &Self) {
        if let Some((steps, at)) = other.lowest
            && self.lowest.is_none_or(|held| (steps, at) < held)
        {
            self.lowest = other.lowest;
        }
        if let Some((steps, at)) = other.highest
            && self.highest.is_none_or(|(most, then)| steps > most || (steps == most && at < then))
        {
            self.highest = other.highest;
        }
        self.first = [self.first, other.first].into_iter().flatten().min();
        self.left_out += other.left_out;
    }
}

/// Extremes of settled days, by series and UTC day, each with the mark of its day.
#[derive(Default)]
pub struct Records {
    days: Mutex<HashMap<(SeriesIndex, i64), (u64, Extremes)>>,
}

impl Records {
    fn find(&self, series: SeriesIndex, day: i64, mark: u64) -> Option<Extremes> {
        let days = self.days.lock().unwrap_or_else(PoisonError::into_inner);
        days.get(&(series, day)).filter(|held| held.0 == mark).map(|held| held.1)
    }

    fn put(&self, series: SeriesIndex, day: i64, mark: u64, found: Extremes) {
        let mut days = self.days.lock().unwrap_or_else(PoisonError::into_inner);
        if days.len() >= MOST {
            days.clear();
        }
        days.insert((series, day), (mark, found));
    }
}

/// The extremes of a station, and whether all that is kept was read.
#[derive(Default)]
pub struct Found {
    rows: Vec<(Series, Extremes)>,
    /// Whether all that is kept was read.
    pub whole: bool,
}

/// Reads all that is kept of a station.
///
/// # Errors
/// When the history cannot be read.
pub fn read(
    look: &Look<'_>,
    records: &Records,
    property: &Property,
    station: &str,
    now: Time,
) -> Result<Found, ReadError> {
    let chosen: Vec<(SeriesIndex, Series)> = TOLD
        .iter()
        .filter_map(|role| role.choose(look.names(), property, station))
        .filter(|(_, series)| series.station == station)
        .collect();
    let mut reading = Reader { look, records, started: Instant::now(), all: HashMap::new() };
    let series: Vec<SeriesIndex> = chosen.iter().map(|c| c.0).collect();
    let whole = series.is_empty() || reading.everything(&series, station, now)?;
    let rows = chosen.into_iter().filter_map(|(index, series)| {
        Some((series, *reading.all.get(&index).filter(|e| e.lowest.is_some())?))
    });
    Ok(Found { rows: rows.collect(), whole })
}

struct Reader<'a> {
    look: &'a Look<'a>,
    records: &'a Records,
    started: Instant,
    all: HashMap<SeriesIndex, Extremes>,
}

impl Reader<'_> {
    fn everything(
        &mut self,
        series: &[SeriesIndex],
        station: &str,
        now: Time,
    ) -> Result<bool, ReadError> {
        let (first, last) = (Time(0).utc_day(), now.utc_day());
        let settled = self.look.settled(station, first, last)?;
        let mut at = Time(0);
        let mut missing: Vec<(i64, u64)> = Vec::new();
        for (&day, &mark) in &settled {
            let start = Time(day * DAY);
            if start > at && !self.plainly(series, at, start)? {
                return Ok(false);
            }
            at = start + Span(DAY);
            let held: Vec<_> =
                series.iter().map(|s| Some((*s, self.records.find(*s, day, mark)?))).collect();
            if held.iter().all(Option::is_some) {
                for (index, found) in held.into_iter().flatten() {
                    self.all.entry(index).or_default().add(&found);
                }
            } else {
                missing.push((day, mark));
            }
        }
        for part in missing.chunk_by(|a, b| a.0 / AT_A_TIME == b.0 / AT_A_TIME) {
            self.settled(series, part)?;
            if self.started.elapsed() > LONG {
                return Ok(false);
            }
        }
        self.plainly(series, at, now + Span::days(1))
    }

    /// What is not settled, reading by reading.
    fn plainly(&mut self, series: &[SeriesIndex], from: Time, to: Time) -> Result<bool, ReadError> {
        let Self { look, started, all, .. } = self;
        let asked = Selection { series: series.to_vec(), ..Selection::between(from, to) };
        look.by_series(&asked, &mut |index, run| {
            let found = all.entry(index).or_default();
            for reading in run {
                found.take(reading);
            }
            if started.elapsed() > LONG {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        })
    }

    /// Settled days that were not worked out before, and those between them.
    fn settled(&mut self, series: &[SeriesIndex], days: &[(i64, u64)]) -> Result<(), ReadError> {
        let (Some((first, _)), Some((last, _))) = (days.first(), days.last()) else {
            return Ok(());
        };
        let asked = Selection {
            series: series.to_vec(),
            ..Selection::between(Time(first * DAY), Time((last + 1) * DAY))
        };
        let mut found: HashMap<(SeriesIndex, i64), Extremes> = HashMap::new();
        self.look.each_sealed(&asked, &mut |index, run| {
            let Some(day) = run.first().map(|r| r.time.utc_day()) else { return };
            let extremes = found.entry((index, day)).or_default();
            for reading in run {
                extremes.take(reading);
            }
        })?;
        for (day, mark) in days {
            for index in series {
                let extremes = found.get(&(*index, *day)).copied().unwrap_or_default();
                self.records.put(*index, *day, *mark, extremes);
                self.all.entry(*index).or_default().add(&extremes);
            }
        }
        Ok(())
    }
}

/// The table.
pub fn table(source: &Source<'_>, found: &Found) -> Markup {
    let texts = source.texts;
    let value = |series: &Series, extreme: Option<(i64, Time)>| {
        html! {
            @match extreme {
                Some((steps, at)) => {
                    (source.shown.with_unit(series.quantity, steps)) " "
                    span.when { (source.local.dated(at)) }
                },
                None => (NONE),
            }
        }
    };
    let left_out: u64 = found.rows.iter().map(|(_, e)| e.left_out).sum();
    html! {
        @if found.rows.is_empty() { p { (sentence(texts.nothing_kept)) } } @else {
            div.wide tabindex="0" role="region" aria-labelledby="panes-h" { table {
                caption { (texts.doubtful_out) " " (left_out) " " (texts.left_out) "." }
                thead { tr {
                    @for heading in [texts.quantity, texts.lowest, texts.highest, texts.since] { th scope="col" { (heading) } }
                } }
                tbody { @for (series, extremes) in &found.rows { tr {
                    th scope="row" {
                        (texts.quantity(series.quantity))
                        // Gusts of different averaging times share no extreme.
                        @if let Some(over) = series.over { " " (texts.over) " " (super::local::long(over)) }
                    }
                    td {
                        @if series.quantity == Quantity::WindSpeedOfGust { (NONE) } @else { (value(series, extremes.lowest)) }
                    }
                    td { (value(series, extremes.highest)) }
                    td { @if let Some(first) = extremes.first { (source.local.dated(first)) } }
                } } }
            } }
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::gather::tests::{FIRST, filled};
    use super::*;
    use crate::fixture;

    /// The extremes of the air as the readings tell them, one by one.
    fn told(look: &Look<'_>, index: SeriesIndex) -> Extremes {
        let ever = Selection {
            series: vec![index],
            ..Selection::between(Time(0), Time((FIRST + 100) * DAY))
        };
        let (mut readings, mut walk) = (Vec::new(), look.walk(&ever).unwrap());
        while let Some(part) = walk.next_part().unwrap() {
            readings.extend(part.iter().map(|k| k.reading));
        }
        assert!(readings.len() > 10_000);
        let good = || {
            let all = readings.iter().filter(|r| r.flag.counts());
            all.filter_map(|r| Some((r.value?, r.time)))
        };
        let doubted = readings.iter().filter(|r| r.value.is_some() && !r.flag.counts()).count();
        let highest = good().map(|g| g.0).max().unwrap();
        Extremes {
            lowest: good().min(),
            highest: good().filter(|g| g.0 == highest).min_by_key(|g| g.1),
            first: good().map(|g| g.1).min(),
            left_out: doubted as u64,
        }
    }

    #[test]
    fn extremes_are_those_of_all_readings_before_and_after_days_are_settled() {
        let folder = tempfile::tempdir().unwrap();
        let mut history = filled(folder.path());
        let (property, records) = (fixture::property("Orchard"), Records::default());
        let now = Time((FIRST + 60) * DAY);
        for _ in 0..2 {
            for _ in 0..2 {
                let look = history.look();
                let found = read(&look, &records, &property, "orchard", now).unwrap();
                assert!(found.whole);
                let (series, extremes) = &found.rows[0];
                assert_eq!(series.quantity, Quantity::AirTemperature);
                assert_eq!(*extremes, told(&look, SeriesIndex(0)));
                assert_eq!(extremes.highest.map(|h| h.0), Some(9_000), "the late one");
            }
            // The day of the late reading is sealed anew.
            history.seal(FIRST + 20).unwrap();
        }
        assert!(records.days.lock().unwrap().len() > 50);
    }
}
