//! One pass over what is kept of a span, for everything that the panes show.

use super::roles::Role;
use super::shelf::{Put, Shelf, Working};
use super::slices::{HOURLY, SLICE, Slices};
use super::winds::{WINDOW, Winds};
use crate::page::graphics::columns::Columns;
use history::weeks::monday;
use history::{Look, ReadError, Selection};
use meteorology::wind::Rose;
use observation::time::DAY;
use observation::{Property, Reading, Series, SeriesIndex, Span, Time};
use processor::summaries::Measure;
use std::collections::{BTreeMap, HashMap, HashSet};
use std::ops::ControlFlow;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// After this long a span is shown as far as it was read.
const LONG: Duration = Duration::from_secs(5);

/// Spans longer than this are drawn of settled days put away: a column is then longer than
/// a slice.
const PUT_AWAY: Span = Span::days(8);
/// Spans longer than this are told by hours: no table of days stands beside them.
const BY_HOURS: Span = Span::days(32);

/// One series of the panes.
pub struct Trace {
    pub series: Series,
    pub columns: Columns,
    pub slices: Slices,
    /// Usual time between two readings.
    pub spacing: Span,
}

impl Trace {
    fn take(&mut self, run: &[Reading]) {
        for reading in run {
            self.columns.take(reading.time, reading.value, reading.flag);
            let slice = self.slices.at(reading.time);
            match reading.value {
                None => {}
                Some(_) if !reading.flag.counts() => slice.left_out += 1,
                Some(steps) => slice.take(reading.time, steps),
            }
        }
    }
}

/// Everything.
pub struct Gathered {
    pub from: Time,
    pub to: Time,
    /// Up to when there can be readings.
    pub until: Time,
    traces: BTreeMap<Role, Trace>,
    pub rose: Option<Rose>,
    /// Whether it was read to its end.
    pub whole: bool,
}

impl Gathered {
    /// Nothing at all.
    pub fn empty(from: Time, to: Time, until: Time) -> Self {
        Self { from, to, until, traces: BTreeMap::new(), rose: None, whole: true }
    }

    /// Whether anything with a value is there.
    pub fn is_known(&self) -> bool {
        self.traces.values().any(|t| t.columns.count + t.columns.left_out > 0)
    }

    /// The series in a place.
    pub fn trace(&self, role: Role) -> Option<&Trace> {
        self.traces.get(&role)
    }
}

/// Reads `[from, to]`; `until` is up to when there can be readings.
///
/// # Errors
/// When the history cannot be read.
pub fn gather(
    look: &Look<'_>,
    shelf: &Shelf,
    property: &Property,
    station: &str,
    (from, to, until): (Time, Time, Time),
) -> Result<Gathered, ReadError> {
    let mut gathering = Gathering::new(look, property, station, (from, to, until));
    let whole = if gathering.roles.is_empty() {
        true
    } else if to - from > PUT_AWAY {
        gathering.by_days(shelf)?
    } else {
        gathering.read(from + Span(1), to + Span(1))?
    };
    Ok(gathering.done(whole))
}

/// Works out settled days from `first` to `last` of a longer span ahead, and puts them away.
///
/// # Errors
/// When the history cannot be read.
pub fn put_away(
    look: &Look<'_>,
    shelf: &Shelf,
    property: &Property,
    station: &str,
    span: (Time, Time, Time),
    (first, last): (i64, i64),
) -> Result<(), ReadError> {
    let gathering = Gathering::new(look, property, station, span);
    for (series, days) in gathering.marks(first, last)? {
        let days: Vec<(i64, u64)> = days.into_iter().collect();
        for week in days.chunk_by(|a, b| monday(a.0) == monday(b.0)) {
            gathering.days(shelf, &series, week)?;
        }
    }
    Ok(())
}

/// How long the slices of a span are: all its days and hours must be made of whole ones.
fn slice_for(property: &Property, from: Time, to: Time) -> Span {
    let whole = |time: Time| property.days.zone.offset(time).0 % HOURLY.0 == 0;
    let months = (0..).map(|n| from + Span::days(28 * n)).take_while(|t| *t < to);
    if to - from > BY_HOURS && months.chain([to]).all(whole) { HOURLY } else { SLICE }
}

/// Lists of series, each with the marks of settled days.
type Marks = Vec<(Vec<SeriesIndex>, BTreeMap<i64, u64>)>;

/// What was put away of a day.
type PutAway = Vec<(SeriesIndex, Arc<Put>)>;

/// What is gathered at present.
struct Gathering<'a> {
    look: &'a Look<'a>,
    roles: HashMap<SeriesIndex, Role>,
    out: Gathered,
    slice: Span,
    winds: Winds,
    started: Instant,
}

impl<'a> Gathering<'a> {
    fn new(
        look: &'a Look<'a>,
        property: &Property,
        station: &str,
        (from, to, until): (Time, Time, Time),
    ) -> Self {
        let mut out = Gathered::empty(from, to, until);
        let slice = slice_for(property, from, to);
        let mut roles: HashMap<SeriesIndex, Role> = HashMap::new();
        for role in Role::ALL {
            let Some((index, series)) = role.choose(look.names(), property, station) else {
                continue;
            };
            let spacing = Measure::of(property, &series)
                .spacing
                .unwrap_or(Span::minutes(1))
                .max(property.point_step);
            let grid = if to - from > PUT_AWAY { slice } else { Span(1) };
            let columns = Columns::new(from, to, spacing).on(grid);
            roles.insert(index, role);
            out.traces.insert(role, Trace { series, columns, slices: Slices::of(slice), spacing });
        }
        let winds = Winds::new(&out);
        Self { look, roles, out, slice, winds, started: Instant::now() }
    }

    fn done(self, whole: bool) -> Gathered {
        let Self { mut out, winds, .. } = self;
        out.whole = whole;
        out.rose = winds.finish(out.from, out.to.min(out.until));
        out
    }

    /// Reading by reading in `[from, to)`; false if there was no more time.
    fn read(&mut self, from: Time, to: Time) -> Result<bool, ReadError> {
        let Self { look, roles, out, winds, started, .. } = self;
        let selection =
            Selection { series: roles.keys().copied().collect(), ..Selection::between(from, to) };
        look.by_series(&selection, &mut |index, run| {
            let traced = roles.get(&index).and_then(|r| Some((*r, out.traces.get_mut(r)?)));
            if let Some((role, trace)) = traced {
                trace.take(run);
                winds.take(role, run);
            }
            if started.elapsed() > LONG {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        })
    }

    /// Day by day: settled ones as they were put away, the others reading by reading.
    fn by_days(&mut self, shelf: &Shelf) -> Result<bool, ReadError> {
        let (from, to) = (self.out.from, self.out.to);
        let end = to.min(self.out.until);
        // The midnight at which a day begins ends the slice before it: it is read with the
        // day all the same, for it lies in it.
        let (first, last) = ((from + Span(DAY)).utc_day(), end.utc_day() - 1);
        let marks = self.marks(first, last)?;
        let settled = |day: i64| marks.iter().all(|(_, days)| days.contains_key(&day));
        let mut at = from + Span(1);
        let mut week: Vec<BTreeMap<i64, PutAway>> = Vec::new();
        for day in first..=last {
            if day == first || day == monday(day) {
                let days = day..=last.min(monday(day) + 6);
                let days: Vec<i64> = days.filter(|&day| settled(day)).collect();
                week = self.week(shelf, &marks, &days)?;
            }
            if !settled(day) {
                continue;
            }
            let (start, next) = (Time(day * DAY), Time((day + 1) * DAY));
            if start > at && !self.read(at, start)? {
                return Ok(false);
            }
            at = next;
            let mut blown = [None, None];
            for days in &mut week {
                for (index, put) in days.remove(&day).unwrap_or_default() {
                    let Some(role) = self.roles.get(&index) else { continue };
                    let Some(trace) = self.out.traces.get_mut(role) else { continue };
                    put.strokes().for_each(|stroke| trace.columns.take_stroke(&stroke));
                    trace.slices.extend(put.slices());
                    match role {
                        Role::Speed => blown[0] = Some(put),
                        Role::Direction => blown[1] = Some(put),
                        _ => {}
                    }
                }
            }
            let [speeds, directions] = &blown;
            self.winds.day(
                speeds.as_deref().map_or(&[], Put::windows),
                directions.as_deref().map_or(&[], Put::windows),
            );
            if self.started.elapsed() > LONG {
                return Ok(false);
            }
        }
        self.read(at, to + Span(1))
    }

    /// The series by station, each list with the marks of its settled days.
    fn marks(&self, first: i64, last: i64) -> Result<Marks, ReadError> {
        let mut stations: BTreeMap<String, Vec<SeriesIndex>> = BTreeMap::new();
        for (index, role) in &self.roles {
            let Some(trace) = self.out.trace(*role) else { continue };
            stations.entry(trace.series.station.clone()).or_default().push(*index);
        }
        let mut marks = Vec::new();
        for (station, series) in stations {
            marks.push((series, self.look.settled(&station, first, last)?));
        }
        Ok(marks)
    }

    /// These settled days, of each list of series by itself.
    fn week(
        &self,
        shelf: &Shelf,
        marks: &Marks,
        days: &[i64],
    ) -> Result<Vec<BTreeMap<i64, PutAway>>, ReadError> {
        let of = |(series, marks): &(Vec<SeriesIndex>, BTreeMap<i64, u64>)| {
            let days: Vec<(i64, u64)> =
                days.iter().filter_map(|&day| Some((day, *marks.get(&day)?))).collect();
            self.days(shelf, series, &days)
        };
        marks.iter().map(of).collect()
    }

    /// Settled days of one week, with their marks, of some series of one station, from the
    /// shelf or put there: a block may hold all of them.
    fn days(
        &self,
        shelf: &Shelf,
        series: &[SeriesIndex],
        days: &[(i64, u64)],
    ) -> Result<BTreeMap<i64, PutAway>, ReadError> {
        let mut found: BTreeMap<i64, PutAway> = BTreeMap::new();
        let mut working: HashMap<(SeriesIndex, i64), (u64, Working)> = HashMap::new();
        for &(day, mark) in days {
            for index in series {
                if let Some(put) = shelf.find((*index, day, self.slice), mark) {
                    found.entry(day).or_default().push((*index, put));
                    continue;
                }
                let Some(role) = self.roles.get(index) else { continue };
                let Some(trace) = self.out.trace(*role) else { continue };
                let windowed = matches!(role, Role::Speed | Role::Direction).then_some(WINDOW);
                let new = Working::new(self.slice, trace.columns.apart(), windowed);
                working.insert((*index, day), (mark, new));
            }
        }
        let missing = || working.keys().map(|(_, day)| *day);
        let (Some(first), Some(last)) = (missing().min(), missing().max()) else {
            return Ok(found);
        };
        let asked: HashSet<SeriesIndex> = working.keys().map(|(index, _)| *index).collect();
        let selection = Selection {
            series: asked.into_iter().collect(),
            ..Selection::between(Time(first * DAY), Time((last + 1) * DAY))
        };
        self.look.each_sealed(&selection, &mut |index, run| {
            let day = run.first().map(|reading| reading.time.utc_day());
            if let Some((_, working)) = day.and_then(|day| working.get_mut(&(index, day))) {
                for reading in run {
                    working.take(reading.time, reading.value, reading.flag);
                }
            }
        })?;
        for ((index, day), (mark, working)) in working {
            let put = Arc::new(working.done());
            shelf.put((index, day, self.slice), mark, &put);
            found.entry(day).or_default().push((index, put));
        }
        Ok(found)
    }
}

#[cfg(test)]
pub(super) mod tests;
