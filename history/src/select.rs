//! Readings by series and event time.

use crate::fault::ReadError;
use crate::look::Look;
use crate::record::decode_readings;
use observation::time::{DAY, HOUR};
use observation::{Quantity, Reading, SeriesIndex, Span, Time};
use std::collections::{BTreeMap, HashMap};

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

/// A part of an answer.
#[derive(Clone, Debug, Default)]
pub struct Part {
    /// The readings.
    pub readings: Vec<Kept>,
    /// Set if the limit cut the answer: ask again with `after` set to it.
    pub next: Option<(Time, SeriesIndex)>,
}

/// Spans of event time that are gathered at once, at first and at most.
const SPAN: i64 = 6 * HOUR;
const LONGEST_SPAN: i64 = 32 * DAY;

impl Look<'_> {
    /// The highest revisions of the selected readings, ordered by time and series, at
    /// most `limit`, behind `after` if given.
    ///
    /// # Errors
    /// When the database cannot be read, or a record cannot be decoded.
    pub fn readings(
        &self,
        selection: &Selection,
        after: Option<(Time, SeriesIndex)>,
        limit: usize,
    ) -> Result<Part, ReadError> {
        let mut part = Part::default();
        let Some((first, last)) = self.extent()? else { return Ok(part) };
        let wanted = selection.wanted(self);
        let mut from = selection.from.max(first).max(after.map_or(Time(i64::MIN), |a| a.0));
        let to = selection.to.min(last + Span(1));
        let mut span = SPAN;
        let mut highest: HashMap<(Time, SeriesIndex), Kept> = HashMap::new();
        while from < to && part.readings.len() <= limit {
            let end = (from + Span(span)).min(to);
            highest.clear();
            self.each_reading(from, end - Span(1), &wanted, &mut |kept| {
                let key = (kept.reading.time, kept.reading.series);
                if after.is_some_and(|a| key <= a) {
                    return Ok(());
                }
                let held = highest.entry(key).or_insert(kept);
                if kept.reading.revision >= held.reading.revision {
                    *held = kept;
                }
                Ok(())
            })?;
            let before = part.readings.len();
            part.readings.extend(highest.values().copied());
            if let Some(new) = part.readings.get_mut(before..) {
                new.sort_unstable_by_key(|k| (k.reading.time, k.reading.series));
            }
            if part.readings.len() - before < limit / 4 {
                span = (span * 2).min(LONGEST_SPAN);
            }
            from = end;
        }
        if part.readings.len() > limit {
            part.readings.truncate(limit);
            part.next = part.readings.last().map(|k| (k.reading.time, k.reading.series)).or(after);
        }
        Ok(part)
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
        let Some((first, last)) = self.extent()? else { return Ok(()) };
        let wanted = selection.wanted(self);
        let from = selection.from.max(first);
        let to = (selection.to - Span(1)).min(last);
        if from <= to { self.each_reading(from, to, &wanted, each) } else { Ok(()) }
    }

    /// Calls `each` for every selected reading: for each instant first those of blocks,
    /// then those of the log behind what is sealed, in its order.
    fn each_reading(
        &self,
        from: Time,
        to: Time,
        wanted: &[bool],
        each: &mut dyn FnMut(Kept) -> Result<(), ReadError>,
    ) -> Result<(), ReadError> {
        let sealed = self.sealed_between(from.utc_day(), to.utc_day())?;
        self.each_in_blocks(from, to, wanted, each)?;
        for stretch in stretches(&sealed, from, to) {
            self.touching_after(stretch.after, stretch.from, stretch.to, &mut |row, body| {
                let mut result = Ok(());
                decode_readings(row, body, self.names, &mut |place, reading| {
                    let asked = wanted.get(reading.series.0 as usize).copied().unwrap_or(false);
                    let within = reading.time >= stretch.from && reading.time <= stretch.to;
                    let in_block = || {
                        sealed
                            .get(&reading.time.utc_day())
                            .is_some_and(|through| row.number <= *through)
                    };
                    if result.is_ok() && asked && within && !in_block() {
                        result = each(Kept { number: row.number, place, reading });
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

/// A part of a span that is read of the log from one number on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stretch {
    from: Time,
    to: Time,
    after: u64,
}

/// Cuts `[from, to]` between days that are sealed and days that are not. Within a
/// sealed stretch the log is read behind the least number.
fn stretches(sealed: &BTreeMap<i64, u64>, from: Time, to: Time) -> Vec<Stretch> {
    let mut parts: Vec<Stretch> = Vec::new();
    let mut add = |part: Stretch| {
        let Some(last) = parts.last_mut() else { return parts.push(part) };
        if (last.after == 0) == (part.after == 0) {
            last.to = part.to;
            last.after = last.after.min(part.after);
        } else {
            parts.push(part);
        }
    };
    let mut at = from;
    for (&day, &through) in sealed {
        let (start, end) = (Time(day * DAY), Time((day + 1) * DAY - 1));
        if start > at {
            add(Stretch { from: at, to: start - Span(1), after: 0 });
        }
        let (first, last) = (start.max(at), end.min(to));
        if first <= last {
            add(Stretch { from: first, to: last, after: through });
            at = last + Span(1);
        }
    }
    if at <= to {
        add(Stretch { from: at, to, after: 0 });
    }
    parts
}
