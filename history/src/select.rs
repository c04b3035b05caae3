//! Readings by series and event time.

use crate::fault::ReadError;
use crate::look::Look;
use crate::record::decode_readings;
use crate::walk::Walk;
use crate::weeks::monday;
use observation::time::{DAY, MINUTE};
use observation::{Quantity, Reading, SeriesIndex, Span, Time};
use std::collections::BTreeMap;
use std::ops::ControlFlow;

/// Which readings are asked for.
#[derive(Clone, Debug)]
pub struct Selection {
    /// Only this station's.
    pub station: Option<String>,
    /// Only this instrument's.
    pub instrument: Option<String>,
    /// Only this quantity's.
    pub quantity: Option<Quantity>,
    /// Only these series; empty for all.
    pub series: Vec<SeriesIndex>,
    /// From when, included.
    pub from: Time,
    /// Until when, excluded.
    pub to: Time,
}

impl Selection {
    /// All readings in `[from, to)`.
    pub fn between(from: Time, to: Time) -> Self {
        Self { station: None, instrument: None, quantity: None, series: Vec::new(), from, to }
    }

    /// For each series whether it is asked for.
    fn wanted(&self, look: &Look<'_>) -> Vec<bool> {
        look.names
            .all_series()
            .map(|(index, series)| {
                self.station.as_ref().is_none_or(|s| *s == series.station)
                    && self.instrument.as_ref().is_none_or(|i| *i == series.instrument)
                    && self.quantity.is_none_or(|q| q == series.quantity)
                    && (self.series.is_empty() || self.series.contains(&index))
            })
            .collect()
    }
}

/// A reading and the record it stands in. Of a sealed one only the last record of its
/// block is known, and the place is 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Kept {
    /// Log number of the record.
    pub number: u64,
    /// Place among the record's readings.
    pub place: u32,
    /// The reading.
    pub reading: Reading,
}

/// What is called for parts of one series each: with the number of the record and the
/// place in it; of a block with its last record and 0.
pub(crate) type EachPart<'a> = dyn FnMut(u64, u32, &[Reading]) -> Result<(), ReadError> + 'a;

/// Event time that is gathered at once, at most.
const LONGEST_SPAN: i64 = 32 * DAY;
/// About as many readings are held at once where whole series are told.
const HELD: i64 = 605_000;

impl<'a> Look<'a> {
    /// The highest revisions of the selected readings, ordered by time and series, part
    /// by part. Where the order across series does not matter [`Look::by_series`] is
    /// faster.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn walk(&self, selection: &Selection) -> Result<Walk<'a>, ReadError> {
        let (from, to) = self.bounded(selection)?;
        Ok(Walk::new(*self, selection.wanted(self), from, to))
    }

    /// Tells the highest revisions of the selected readings series by series, each part in
    /// the order of its times; one series may come in several parts, in order too, between
    /// which come those of others. Holds days to a month of them at a time. Ends early
    /// where `each` breaks, and says whether all was told.
    ///
    /// # Errors
    /// When the database cannot be read, or a record cannot be decoded.
    pub fn by_series(
        &self,
        selection: &Selection,
        each: &mut dyn FnMut(SeriesIndex, &[Reading]) -> ControlFlow<()>,
    ) -> Result<bool, ReadError> {
        let (mut from, to) = self.bounded(selection)?;
        let wanted = selection.wanted(self);
        let series = i64::try_from(wanted.iter().filter(|w| **w).count()).unwrap_or(i64::MAX);
        let days = (HELD * MINUTE / DAY / series.max(1)).clamp(1, LONGEST_SPAN / DAY);
        let mut runs: Vec<Vec<Reading>> = vec![Vec::new(); wanted.len()];
        while from < to {
            // Whole days or weeks: a block is unpacked once.
            let end = from.utc_day() + days;
            let end = if days < 7 { end } else { monday(end) };
            let end = Time(end.saturating_mul(DAY)).min(to);
            self.each_part(from, end - Span(1), &wanted, &mut |_, _, part| {
                if let Some(run) = part.first().and_then(|r| runs.get_mut(r.series.0 as usize)) {
                    run.extend_from_slice(part);
                }
                Ok(())
            })?;
            for run in &mut runs {
                order(run);
                if let Some(head) = run.first()
                    && each(head.series, run).is_break()
                {
                    return Ok(false);
                }
                run.clear();
            }
            from = end;
        }
        Ok(true)
    }

    /// Every revision of the selected readings in the order of the log.
    ///
    /// # Errors
    /// When the database cannot be read, or what `each` returns.
    pub fn all_revisions(
        &self,
        selection: &Selection,
        each: &mut dyn FnMut(Kept) -> Result<(), ReadError>,
    ) -> Result<(), ReadError> {
        let (from, to) = self.bounded(selection)?;
        let wanted = selection.wanted(self);
        if from < to { self.each_reading(from, to - Span(1), &wanted, each) } else { Ok(()) }
    }

    /// The span of a selection, as far as there may be anything in it. A short one is left
    /// as it is: to find nothing in it costs no more than to ask where the history ends.
    fn bounded(&self, selection: &Selection) -> Result<(Time, Time), ReadError> {
        let Selection { from, to, .. } = *selection;
        if to.0.saturating_sub(from.0) <= LONGEST_SPAN {
            return Ok((from, to));
        }
        let (first, last) = self.extent()?.unwrap_or((Time(0), Time(-1)));
        Ok((from.max(first), to.min(last + Span(1))))
    }

    /// Calls `each` for every selected reading: for each instant first those of blocks,
    /// then those of the log behind what is sealed, in its order.
    pub(crate) fn each_reading(
        &self,
        from: Time,
        to: Time,
        wanted: &[bool],
        each: &mut dyn FnMut(Kept) -> Result<(), ReadError>,
    ) -> Result<(), ReadError> {
        self.each_part(from, to, wanted, &mut |number, place, part| {
            part.iter().try_for_each(|&reading| each(Kept { number, place, reading }))
        })
    }

    /// The same in parts.
    pub(crate) fn each_part(
        &self,
        from: Time,
        to: Time,
        wanted: &[bool],
        each: &mut EachPart<'_>,
    ) -> Result<(), ReadError> {
        let sealed = self.sealed_between(from.utc_day(), to.utc_day())?;
        let damaged = self.each_in_blocks(from, to, wanted, each)?;
        // The log may hold the day of a damaged block still.
        let mut read_of_log = sealed.clone();
        for (_, day) in &damaged {
            read_of_log.remove(day);
        }
        let is_damaged = |series: SeriesIndex, day: i64| {
            let station = self.names.series(series);
            let station = station.and_then(|s| self.names.station_number_of(&s.station));
            station.is_some_and(|station| damaged.contains(&(station, day)))
        };
        for stretch in stretches(&read_of_log, from, to) {
            let ranges = if stretch.sealed {
                self.ranges_behind(&read_of_log, stretch.from, stretch.to)?
            } else {
                self.ranges(stretch.from, stretch.to)?
            };
            self.with_readings(ranges, stretch.from, stretch.to, &mut |row, body| {
                let mut result = Ok(());
                decode_readings(row, body, self.names, &mut |place, reading| {
                    let asked = wanted.get(reading.series.0 as usize).copied().unwrap_or(false);
                    let within = reading.time >= stretch.from && reading.time <= stretch.to;
                    let in_block = || {
                        let day = reading.time.utc_day();
                        sealed.get(&day).is_some_and(|through| row.number <= *through)
                            && (damaged.is_empty() || !is_damaged(reading.series, day))
                    };
                    if result.is_ok() && asked && within && !in_block() {
                        result = each(row.number, place, std::slice::from_ref(&reading));
                    }
                })
                .map_err(|e| ReadError(format!("record {}: {e}", row.number)))?;
                result
            })?;
        }
        Ok(())
    }

    /// The highest revision of one reading.
    ///
    /// # Errors
    /// When the database cannot be read, or a record cannot be decoded.
    pub fn reading(&self, series: SeriesIndex, time: Time) -> Result<Option<Reading>, ReadError> {
        let mut highest: Option<Reading> = None;
        let mut wanted = vec![false; series.0 as usize + 1];
        if let Some(last) = wanted.last_mut() {
            *last = true;
        }
        self.each_reading(time, time, &wanted, &mut |kept| {
            if highest.is_none_or(|h| kept.reading.revision >= h.revision) {
                highest = Some(kept.reading);
            }
            Ok(())
        })?;
        Ok(highest)
    }
}

/// Brings readings of one series into the order of their times, the highest revision of
/// each; of equal ones the last.
pub(crate) fn order(run: &mut Vec<Reading>) {
    if run.is_sorted_by(|a, b| a.time < b.time) {
        return;
    }
    run.sort_by_key(|r| (r.time, r.revision));
    run.dedup_by(|later, earlier| {
        let same = later.time == earlier.time;
        if same {
            *earlier = *later;
        }
        same
    });
}

/// A part of a span whose days are all sealed, or none of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stretch {
    from: Time,
    to: Time,
    sealed: bool,
}

/// Cuts `[from, to]` between days that are sealed and days that are not.
fn stretches(sealed: &BTreeMap<i64, u64>, from: Time, to: Time) -> Vec<Stretch> {
    let mut parts: Vec<Stretch> = Vec::new();
    let mut add = |part: Stretch| match parts.last_mut() {
        Some(last) if last.sealed == part.sealed => last.to = part.to,
        _ => parts.push(part),
    };
    let mut at = from;
    for &day in sealed.keys() {
        let (start, end) = (Time(day * DAY), Time((day + 1) * DAY - 1));
        if start > at {
            add(Stretch { from: at, to: start - Span(1), sealed: false });
        }
        let (first, last) = (start.max(at), end.min(to));
        if first <= last {
            add(Stretch { from: first, to: last, sealed: true });
            at = last + Span(1);
        }
    }
    if at <= to {
        add(Stretch { from: at, to, sealed: false });
    }
    parts
}
