//! One pass over what is kept of a span, for everything that the panes show.

use super::roles::Role;
use crate::page::graphics::columns::Columns;
use history::{Look, ReadError, Selection};
use meteorology::wind::Rose;
use observation::reading::from_steps;
use observation::{Property, Quantity, Reading, Series, SeriesIndex, Span, Time};
use processor::summaries::Measure;
use std::collections::{BTreeMap, HashMap};
use std::ops::ControlFlow;
use std::time::{Duration, Instant};

/// After this long a span is shown as far as it was read.
const LONG: Duration = Duration::from_secs(5);
/// Lower limits of the classes of speed in a wind rose, m/s: feathers of a barb.
pub const CLASSES: [f64; 4] = [2.5, 5.0, 10.0, 15.0];
/// Wind roses count one window in this time, so that none is counted twice.
const WINDOW: Span = Span::minutes(10);

/// Length of a slice: every offset of a zone in use is a multiple of it.
pub const SLICE: Span = Span::minutes(15);

/// What counts within one slice of time, or several.
#[derive(Clone, Copy, Debug)]
pub struct Slice {
    pub sum: f64,
    pub count: u32,
    pub least: i64,
    pub least_at: Time,
    pub most: i64,
    pub most_at: Time,
    /// The last reading.
    pub last: Option<(Time, i64)>,
    pub left_out: u32,
}

impl Default for Slice {
    fn default() -> Self {
        Self {
            sum: 0.0,
            count: 0,
            least: 0,
            least_at: Time(0),
            most: 0,
            most_at: Time(0),
            last: None,
            left_out: 0,
        }
    }
}

impl Slice {
    /// Takes the next reading, in the order of their times.
    fn take(&mut self, reading: &Reading) {
        let Some(steps) = reading.value else { return };
        if !reading.flag.counts() {
            self.left_out += 1;
            return;
        }
        if self.count == 0 || steps < self.least {
            (self.least, self.least_at) = (steps, reading.time);
        }
        if self.count == 0 || steps > self.most {
            (self.most, self.most_at) = (steps, reading.time);
        }
        self.sum += steps as f64;
        self.count += 1;
        self.last = Some((reading.time, steps));
    }

    /// The mean in steps; none where nothing counts.
    pub fn mean(&self) -> Option<i64> {
        (self.count > 0).then(|| (self.sum / f64::from(self.count)).round() as i64)
    }
}

/// One series of the panes.
pub struct Trace {
    pub series: Series,
    pub columns: Columns,
    /// By number since 1970.
    pub slices: BTreeMap<i64, Slice>,
    /// Usual time between two readings.
    pub spacing: Span,
}

impl Trace {
    /// Takes readings in the order of their times.
    fn take(&mut self, run: &[Reading]) {
        for part in run.chunk_by(|a, b| slice_of(a.time) == slice_of(b.time)) {
            let Some(first) = part.first() else { continue };
            let slice = self.slices.entry(slice_of(first.time)).or_default();
            for reading in part {
                self.columns.take(reading.time, reading.value, reading.flag);
                slice.take(reading);
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

    /// The series in a place.
    pub fn trace(&self, role: Role) -> Option<&Trace> {
        self.traces.get(&role)
    }
}

/// The slice that an instant belongs to: an instant between two ends the one before.
pub fn slice_of(time: Time) -> i64 {
    (time.0 - 1).div_euclid(SLICE.0)
}

/// Reads `[from, to]`; `until` is up to when there can be readings.
///
/// # Errors
/// When the history cannot be read.
pub fn gather(
    look: &Look<'_>,
    property: &Property,
    station: &str,
    (from, to, until): (Time, Time, Time),
) -> Result<Gathered, ReadError> {
    let names = look.names();
    let mut out = Gathered::empty(from, to, until);
    let mut roles: HashMap<SeriesIndex, Role> = HashMap::new();
    for role in Role::ALL {
        let Some((index, series)) = role.choose(names, property, station) else { continue };
        let spacing = Measure::of(property, &series)
            .spacing
            .unwrap_or(Span::minutes(1))
            .max(property.point_step);
        let columns = Columns::new(from, to, spacing);
        roles.insert(index, role);
        out.traces.insert(role, Trace { series, columns, slices: BTreeMap::new(), spacing });
    }
    if roles.is_empty() {
        return Ok(out);
    }
    let mut winds = Winds::new(&out);
    let selection = Selection {
        series: roles.keys().copied().collect(),
        ..Selection::between(from + Span(1), to + Span(1))
    };
    let started = Instant::now();
    out.whole = look.by_series(&selection, &mut |index, run| {
        let traced = roles.get(&index).and_then(|r| Some((*r, out.traces.get_mut(r)?)));
        if let Some((role, trace)) = traced {
            trace.take(run);
            winds.take(role, run);
        }
        if started.elapsed() > LONG { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    })?;
    out.rose = winds.finish(from, to.min(until));
    Ok(out)
}

/// Pairs of speed and direction at the same time.
struct Winds {
    rose: Option<Rose>,
    /// By end of the window: speed, direction.
    pairs: BTreeMap<Time, (Option<f64>, Option<f64>)>,
}

impl Winds {
    fn new(gathered: &Gathered) -> Self {
        let both =
            gathered.trace(Role::Speed).is_some() && gathered.trace(Role::Direction).is_some();
        let rose = both.then(|| Rose::new(&CLASSES)).flatten();
        Self { rose, pairs: BTreeMap::new() }
    }

    fn take(&mut self, role: Role, run: &[Reading]) {
        let quantity = match role {
            Role::Speed => Quantity::WindSpeed,
            Role::Direction => Quantity::WindFromDirection,
            _ => return,
        };
        for reading in run.iter().filter(|r| r.flag.counts() && r.time.0.rem_euclid(WINDOW.0) == 0)
        {
            let Some(steps) = reading.value else { continue };
            let value = Some(from_steps(steps, quantity.decimals()));
            let pair = self.pairs.entry(reading.time).or_default();
            *(if role == Role::Speed { &mut pair.0 } else { &mut pair.1 }) = value;
        }
    }

    /// The rose with every window that is not there counted as missing.
    fn finish(self, from: Time, to: Time) -> Option<Rose> {
        let mut rose = self.rose?;
        for (speed, direction) in self.pairs.into_values() {
            if let Some(speed) = speed {
                rose.add(Some(speed), direction, crate::page::graphics::barb::CALM);
            }
        }
        let windows = (to.0.div_euclid(WINDOW.0) - from.0.div_euclid(WINDOW.0)).max(0) as u64;
        rose.missing = windows.saturating_sub(rose.total());
        Some(rose)
    }
}
