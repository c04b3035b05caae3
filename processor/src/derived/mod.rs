//! What is computed once a minute from the rounded readings of one station: the derived
//! series.
//!
//! [`Processor::derive`] is called for every minute in which the station was heard, after
//! all windows that end there are published, and [`Processor::derive_again`] for minutes
//! that something late touched. They compute from what was published and publish what
//! follows from it: as good as all that it is made of, and nothing outside the validity
//! of its formula. Where a value ends, one reading says so.

mod absences;
mod crop;
mod past;
mod pressure;
mod recipes;
mod rows;

pub(crate) use absences::Absences;
pub use rows::Absent;
pub(crate) use rows::{Rows, all};

use crate::Processor;
use crate::book::Draft;
use crate::gap::missing;
use crate::output::Output;
use crate::plan::TENDENCY;
use crate::recall::Recall;
use absences::Why;
use observation::reading::{from_steps, to_steps};
use observation::time::{HOUR, MINUTE};
use observation::{SeriesIndex, Span, Time};
use past::{Fetched, Past, Trust};
use pressure::{HeldMean, SeaLevel};
use recipes::{Given, Input};
use std::collections::{BTreeMap, BTreeSet};

/// How far back it is looked whether a value has ended.
const ENDED: Span = Span::minutes(10);
/// The longest run of minutes computed from one look into the log.
const RUN: Span = Span::days(1);

/// Which of a station's derived quantities.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Part {
    /// Only what an hour ends with, in a minute in which the station was not heard.
    Hour,
    /// Only the pressure at sea level.
    SeaLevel,
    /// All.
    All,
}

/// What a derivation gave: the draft of this series, or why there is none.
type Made = (SeriesIndex, Result<Draft, Why>);

const NO_TENDENCY: Why =
    Why::Words("needs usable readings of surface_air_pressure now, 1.5 and 3 hours ago");
const NO_SEA_LEVEL: Why = Why::Words(
    "needs usable readings of surface_air_pressure, air_temperature and relative_humidity \
     and, above 50 m, of 8 of the last 12 hours of the column thermometer",
);
const NO_CROP: Why = Why::Words(
    "needs usable readings of 66 % of the hour of radiation, air_temperature, \
     relative_humidity and wind_speed",
);

impl Processor {
    /// Publishes the derived series of a station at a minute.
    pub(crate) fn derive(
        &mut self,
        station: usize,
        minute: Time,
        alive: bool,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let part = if alive { Part::All } else { Part::Hour };
        self.derive_again(station, &BTreeMap::from([(minute, part)]), recall, out);
    }

    /// Publishes the derived series of a station at several minutes, again or for the
    /// first time.
    pub(crate) fn derive_again(
        &mut self,
        station: usize,
        minutes: &BTreeMap<Time, Part>,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        if self.plan.derived.get(station).is_none_or(|rows| rows.made.is_empty()) {
            return;
        }
        let mut fetched: Option<(Time, Fetched)> = None;
        let mut held = HeldMean::default();
        for (&minute, &part) in minutes {
            if self.remembers(station, minute) {
                self.derive_from(station, minute, part, None, &mut held, recall, out);
                continue;
            }
            if fetched.as_ref().is_none_or(|(until, _)| minute > *until) {
                let last = minutes.range(..=minute + RUN).next_back().map_or(minute, |(&m, _)| m);
                let Some(rows) = self.plan.derived.get(station) else { return };
                let depth = rows.needs.iter().map(|n| n.1).max().unwrap_or_default().max(ENDED);
                let series: Vec<SeriesIndex> =
                    rows.needs.iter().map(|n| n.0).chain(rows.made.iter().copied()).collect();
                let new = Fetched::new(&series, minute - depth, last, recall, &out.readings);
                fetched = Some((last, new));
            }
            let from_log = fetched.as_mut().map(|(_, fetched)| fetched);
            self.derive_from(station, minute, part, from_log, &mut held, recall, out);
        }
    }

    /// Whether everything that a minute is computed from is in memory.
    fn remembers(&self, station: usize, minute: Time) -> bool {
        self.plan.derived.get(station).is_none_or(|rows| {
            rows.needs.iter().all(|&(series, depth)| self.book.covers(series, minute - depth))
                && rows.made.iter().all(|&series| self.book.covers(series, minute - ENDED))
        })
    }

    #[allow(clippy::too_many_arguments, reason = "two of them are held from minute to minute")]
    fn derive_from(
        &mut self,
        station: usize,
        minute: Time,
        part: Part,
        mut fetched: Option<&mut Fetched>,
        held: &mut HeldMean,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let Some(rows) = self.plan.derived.get(station) else { return };
        let elevation = self.property.stations.get(station).map_or(0.0, |s| s.elevation);
        let past = Past { book: &self.book, fetched: fetched.as_deref() };
        let mut made: Vec<Made> = Vec::with_capacity(rows.made.len());
        if part == Part::All {
            air(rows, elevation, minute, past, &mut made);
            let [change, shape] = pressure::tendency(rows, minute, past);
            made.extend(rows.tendency.map(|series| (series, change.ok_or(NO_TENDENCY))));
            made.extend(rows.characteristic.map(|series| (series, shape.ok_or(NO_TENDENCY))));
        }
        if part != Part::SeaLevel
            && let Some(crop) = rows.crop.as_ref().filter(|_| is_hour(minute))
        {
            made.push((crop.series, crop.draft(rows, minute, past).ok_or(NO_CROP)));
        }
        if part != Part::Hour
            && let Some(sea) = &rows.sea_level
        {
            made.push((sea.series, sea.draft(rows, minute, past, held).ok_or(NO_SEA_LEVEL)));
        }
        for (series, draft) in made {
            self.absences.tell(series, minute, draft.as_ref().err().copied());
            let past = Past { book: &self.book, fetched: fetched.as_deref() };
            let draft = match draft {
                Ok(draft) => draft,
                // A value stood here, or just before, where there is none now.
                Err(_)
                    if past
                        .line(series, minute, ENDED)
                        .is_some_and(|line| line.value.is_some() || line.time == minute) =>
                {
                    missing(series, minute)
                }
                Err(_) => continue,
            };
            match &mut fetched {
                None => self.book.publish(draft, false, recall, &mut out.readings),
                Some(fetched) => {
                    let known = fetched.at(series, minute);
                    let made = self.book.publish_over(draft, known, &mut out.readings);
                    fetched.put(made);
                }
            }
        }
    }

    /// What is computed again because minutes of a station changed.
    pub(crate) fn derive_touched(
        &mut self,
        station: usize,
        touched: &BTreeSet<Time>,
        walked: Time,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let followers =
            self.plan.derived.get(station).map(|r| r.followers.clone()).unwrap_or_default();
        for station in std::iter::once(station).chain(followers) {
            let Some(rows) = self.plan.derived.get(station) else { continue };
            // A reading stands for the present one until its reach ends.
            let reach = rows.longest_reach().0 / MINUTE;
            let touched: BTreeSet<Time> = touched
                .iter()
                .flat_map(|&minute| (0..=reach).map(move |n| minute + Span(n * MINUTE)))
                .filter(|&minute| minute <= walked)
                .collect();
            let mut minutes: BTreeMap<Time, Part> = BTreeMap::new();
            if let Some(reach) =
                rows.sea_level.as_ref().and_then(|s| s.column.as_ref()).map(|c| c.reach)
            {
                let later = touched.iter().flat_map(|&t| SeaLevel::touched_by(t, reach));
                minutes.extend(later.map(|minute| (minute, Part::SeaLevel)));
            }
            if rows.tendency.is_some() || rows.characteristic.is_some() {
                for &minute in &touched {
                    minutes.insert(minute + Span(TENDENCY.0 / 2), Part::All);
                    minutes.insert(minute + TENDENCY, Part::All);
                }
            }
            if rows.crop.is_some() {
                let hours = touched.iter().map(|&minute| minute.step_end(Span(HOUR)));
                minutes.extend(hours.map(|hour| (hour, Part::All)));
            }
            minutes.extend(touched.iter().map(|&minute| (minute, Part::All)));
            minutes.retain(|&minute, part| {
                let heard = self.is_beat(station, minute) == Some(true);
                if !heard {
                    *part = Part::Hour;
                }
                minute <= walked && (heard || self.is_crop_hour(station, minute))
            });
            self.derive_again(station, &minutes, recall, out);
        }
    }

    /// Whether a minute ends an hour whose evapotranspiration is told.
    pub(crate) fn is_crop_hour(&self, station: usize, minute: Time) -> bool {
        is_hour(minute) && self.plan.derived.get(station).is_some_and(|r| r.crop.is_some())
    }

    /// Forgets derived readings that no later evaluation asks for.
    pub(crate) fn trim_derived(&mut self, station: usize, minute: Time) {
        let Some(rows) = self.plan.derived.get(station) else { return };
        for &series in &rows.made {
            let memory = self.plan.memory.get(series.0 as usize).copied().unwrap_or_default();
            self.book.trim(series, minute - memory);
        }
    }
}

fn is_hour(minute: Time) -> bool {
    minute.0.rem_euclid(HOUR) == 0
}

/// Quantities of the air at this minute alone.
fn air(rows: &Rows, elevation: f64, minute: Time, past: Past<'_>, made: &mut Vec<Made>) {
    let known = rows.sources.map(|source| {
        let source = source?;
        let known = past.newest(source.series, minute, source.reach)?;
        Some((known, from_steps(known.steps, source.quantity.decimals())))
    });
    let value = |input: Input| {
        known.get(input as usize).copied().flatten().map_or(f64::NAN, |(_, value)| value)
    };
    let given = Given {
        temperature: value(Input::Temperature),
        humidity: value(Input::Humidity),
        pressure: value(Input::Pressure),
        wind: value(Input::Wind),
        height: rows.height,
        elevation,
    };
    for row in &rows.rows {
        let trust = row.recipe.needs.iter().try_fold(Trust::GOOD, |trust, &input| {
            let known = known.get(input as usize).and_then(Option::as_ref);
            known.map(|(known, _)| trust.and(known)).ok_or(Why::NoReading(input))
        });
        let draft = trust.and_then(|trust| {
            let value = (row.recipe.compute)(&given).map_err(Why::Formula)?;
            let steps = to_steps(value, row.recipe.quantity.decimals());
            Ok(Draft {
                series: row.series,
                time: minute,
                value: Some(steps.ok_or(Why::Words("its value is too large to be kept"))?),
                flag: trust.flag,
                reasons: trust.reasons,
                made_by: 0,
            })
        });
        made.push((row.series, draft));
    }
}
