//! A sealed block: the readings of one station and one UTC day, the highest revision of
//! each, column by column.
//!
//! | part | contents |
//! |---|---|
//! | version | one byte, 1 |
//! | axes | count; each: count of times; unit; count of runs; each run: difference in units, how often |
//! | series | count; each: number, difference to the one before; axis (place); length of its columns |
//! | columns | of each series in turn, see below |
//! | checksum | CRC-32 over station, day, revision, lowest, highest (eight bytes each, lowest first) and the body before it |
//!
//! The times of an axis are milliseconds since the day's start; series with the same
//! times share one. The columns of a series are
//!
//! 1. kinds: count; each: flag, reasons, revision, calibration; with more than one, runs
//!    over the times: count; each: kind (place), length;
//! 2. values: a byte, 1 if some readings have none; if so runs over the times, beginning
//!    with those that have a value: count; each: length; then the column of those that
//!    are there (see `numbers`).

mod axis;
mod kinds;
mod numbers;
#[cfg(test)]
mod tests;

use crate::record::bytes::{Garbage, Input, put};
use kinds::Kind;
use observation::time::DAY;
use observation::{Reading, SeriesIndex, Time};

const VERSION: u8 = 1;

/// The columns beside a body, all of them under its checksum.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Block {
    /// The station's stable number.
    pub(crate) station: u32,
    /// The UTC day, counted from 1970-01-01.
    pub(crate) day: i64,
    /// The highest revision of the readings in it.
    pub(crate) revision: u32,
    /// The log numbers between which its readings were made.
    pub(crate) lowest: u64,
    pub(crate) highest: u64,
}

/// The readings of one series, in the order of their times.
pub(crate) type Run = Vec<Reading>;

impl Block {
    /// The row number: blocks of a station lie one behind the other.
    pub(crate) fn row(station: u32, day: i64) -> i64 {
        (i64::from(station) << 32) | (day.saturating_add(1 << 31)).clamp(0, (1 << 32) - 1)
    }

    fn checksum(&self, body: &[u8]) -> [u8; 4] {
        let mut hasher = crc32fast::Hasher::new();
        hasher.update(&u64::from(self.station).to_le_bytes());
        hasher.update(&self.day.to_le_bytes());
        hasher.update(&u64::from(self.revision).to_le_bytes());
        hasher.update(&self.lowest.to_le_bytes());
        hasher.update(&self.highest.to_le_bytes());
        hasher.update(body);
        hasher.finalize().to_le_bytes()
    }

    /// Packs the series, each with its stable number, in rising order of the numbers.
    pub(crate) fn pack(&self, series: &[(u32, Run)]) -> Vec<u8> {
        let start = self.day.saturating_mul(DAY);
        let mut axes: Vec<Vec<i64>> = Vec::new();
        let mut columns = Vec::new();
        let mut list = Vec::new();
        let mut before = 0;
        for (number, run) in series {
            let times: Vec<i64> = run.iter().map(|r| r.time.0 - start).collect();
            let place = axes.iter().position(|a| *a == times).unwrap_or_else(|| {
                axes.push(times);
                axes.len() - 1
            });
            let begin = columns.len();
            kinds::put_kinds(&mut columns, run);
            kinds::put_values(&mut columns, run);
            put(&mut list, u64::from(number - before));
            put(&mut list, place as u64);
            put(&mut list, (columns.len() - begin) as u64);
            before = *number;
        }
        let mut body = vec![VERSION];
        put(&mut body, axes.len() as u64);
        for times in &axes {
            axis::put_axis(&mut body, times);
        }
        put(&mut body, series.len() as u64);
        body.extend_from_slice(&list);
        body.extend_from_slice(&columns);
        let checksum = self.checksum(&body);
        body.extend_from_slice(&checksum);
        body
    }

    /// Whether the checksum fits.
    pub(crate) fn fits(&self, body: &[u8]) -> bool {
        body.split_last_chunk::<4>().is_some_and(|(b, sum)| self.checksum(b) == *sum)
    }

    /// Reads the series that `wanted` gives an index, one after the other, each as a
    /// whole and in the order of its times.
    pub(crate) fn read(
        &self,
        body: &[u8],
        wanted: &dyn Fn(u32) -> Option<SeriesIndex>,
        each: &mut dyn FnMut(&[Reading]),
    ) -> Result<(), Garbage> {
        let (contents, checksum) = body.split_last_chunk::<4>().ok_or(Garbage("cut short"))?;
        if self.checksum(contents) != *checksum {
            return Err(Garbage("its checksum does not fit"));
        }
        let mut input = Input::new(contents);
        if input.byte()? != VERSION {
            return Err(Garbage("its layout is of a later version"));
        }
        let count = input.count()?;
        let packed: Vec<axis::Axis> =
            (0..count).map(|_| axis::Axis::read(&mut input)).collect::<Result<_, _>>()?;
        let mut times: Vec<Option<Vec<i64>>> = vec![None; packed.len()];
        let count = input.count()?;
        let mut list = Vec::with_capacity(count);
        let mut number = 0_u32;
        for _ in 0..count {
            number = number.checked_add(input.small()?).ok_or(Garbage("series out of range"))?;
            let place = usize::try_from(input.number()?).map_err(|_| Garbage("no such axis"))?;
            let length = usize::try_from(input.number()?).map_err(|_| Garbage("cut short"))?;
            list.push((number, place, length));
        }
        let start = self.day.saturating_mul(DAY);
        let mut run = Run::new();
        for (number, place, length) in list {
            let mut columns = Input::new(input.take(length)?);
            let Some(series) = wanted(number) else { continue };
            let axis = packed.get(place).ok_or(Garbage("no such axis"))?;
            let slot = times.get_mut(place).ok_or(Garbage("no such axis"))?;
            let times = match slot {
                Some(times) => times,
                None => slot.insert(axis.times()?),
            };
            let kinds = kinds::read_kinds(&mut columns, times.len())?;
            let values = kinds::read_values(&mut columns, times.len())?;
            columns.done()?;
            run.clear();
            run.reserve(times.len());
            let mut pairs = times.iter().zip(values);
            for (Kind { flag, reasons, revision, made_by }, length) in kinds.runs() {
                run.extend(pairs.by_ref().take(length).map(|(&time, value)| {
                    let time = Time(start.saturating_add(time));
                    Reading { series, time, value, flag, reasons, revision, made_by }
                }));
            }
            if run.len() != times.len() {
                return Err(Garbage("kinds do not reach"));
            }
            if !run.is_empty() {
                each(&run);
            }
        }
        input.done()
    }
}
