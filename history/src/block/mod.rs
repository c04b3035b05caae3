//! A sealed block: the readings of one station and one UTC day, or one week of them from
//! Monday on, the highest revision of each, column by column.
//!
//! | part | contents |
//! |---|---|
//! | version | one byte: 1 a day, 2 a week |
//! | axes | count; each: count of times; unit; count of runs; each run: difference in units, how often |
//! | series | count; each: number, difference to the one before; axis (place); length of its columns |
//! | columns | of each series in turn, see below |
//! | checksum | CRC-32 over station, day, revision, lowest, highest (eight bytes each, lowest first) and the body before it |
//!
//! The times of an axis are milliseconds since the start of the block's first day; series with the same
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

use crate::fault::WriteError;
use crate::record::bytes::{Garbage, Input, put};
use crate::weeks::EVER;
use kinds::Kind;
use observation::time::DAY;
use observation::{Reading, SeriesIndex, Time};

const OF_A_DAY: u8 = 1;
const OF_A_WEEK: u8 = 2;

/// The columns beside a body, all of them under its checksum.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Block {
    /// The station's stable number.
    pub(crate) station: u32,
    /// The UTC day, or the first of the week, counted from 1970-01-01.
    pub(crate) day: i64,
    /// Whether it holds seven days. The body's version says the same under the checksum.
    pub(crate) week: bool,
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

    /// How long it is.
    fn length(&self) -> i64 {
        if self.week { 7 * DAY } else { DAY }
    }

    fn version(&self) -> u8 {
        if self.week { OF_A_WEEK } else { OF_A_DAY }
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
        let mut body = vec![self.version()];
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

    /// Whether the checksum fits, and the body is as long as the row says.
    pub(crate) fn fits(&self, body: &[u8]) -> bool {
        body.first() == Some(&self.version())
            && body.split_last_chunk::<4>().is_some_and(|(b, sum)| self.checksum(b) == *sum)
    }

    /// That a body reads back as it was meant; only then it is written.
    pub(crate) fn proven(
        &self,
        body: &[u8],
        series: &[(u32, Run)],
        index: &dyn Fn(u32) -> Option<SeriesIndex>,
    ) -> Result<(), WriteError> {
        let mut expected = series.iter().flat_map(|(_, run)| run);
        let mut same = true;
        let read = self.read(body, EVER, index, &mut |run: &[Reading]| {
            same &= run.iter().all(|reading| expected.next() == Some(reading));
        });
        if read.is_ok() && same && expected.next().is_none() {
            Ok(())
        } else {
            Err(WriteError::Failed(format!(
                "the block of station number {}, day {} does not read back as written",
                self.station, self.day
            )))
        }
    }

    /// Whether a body, whatever its checksum, says that it is of a day.
    pub(crate) fn is_of_a_day(body: &[u8]) -> bool {
        body.first() == Some(&OF_A_DAY)
    }

    /// The contents, once their checksum fits.
    fn opened<'a>(&self, body: &'a [u8]) -> Result<Input<'a>, Garbage> {
        let (contents, checksum) = body.split_last_chunk::<4>().ok_or(Garbage("cut short"))?;
        if self.checksum(contents) != *checksum {
            return Err(Garbage("its checksum does not fit"));
        }
        let mut input = Input::new(contents);
        match input.byte()? {
            version if version == self.version() => Ok(input),
            OF_A_DAY | OF_A_WEEK => Err(Garbage("its length is another than its row's")),
            _ => Err(Garbage("its layout is of a later version")),
        }
    }

    /// How many readings are in it, without unpacking them.
    pub(crate) fn count(&self, body: &[u8]) -> Result<u64, Garbage> {
        let mut input = self.opened(body)?;
        let count = input.count()?;
        let axes: Vec<u64> = (0..count)
            .map(|_| axis::Axis::read(&mut input).map(|axis| axis.count()))
            .collect::<Result<_, _>>()?;
        let count = input.count()?;
        let mut readings = 0_u64;
        for _ in 0..count {
            input.small()?;
            let place = usize::try_from(input.number()?).map_err(|_| Garbage("no such axis"))?;
            input.number()?;
            readings = readings.saturating_add(*axes.get(place).ok_or(Garbage("no such axis"))?);
        }
        Ok(readings)
    }

    /// Reads the series that `wanted` gives an index, one after the other, of each what
    /// lies in `[from, to]` in the order of its times.
    pub(crate) fn read(
        &self,
        body: &[u8],
        (from, to): (Time, Time),
        wanted: &dyn Fn(u32) -> Option<SeriesIndex>,
        each: &mut dyn FnMut(&[Reading]),
    ) -> Result<(), Garbage> {
        let mut input = self.opened(body)?;
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
                None => slot.insert(axis.times(self.length())?),
            };
            let kinds = kinds::read_kinds(&mut columns, times.len())?;
            let values = kinds::read_values(&mut columns, times.len())?;
            columns.done()?;
            let at = |&time: &i64| Time(start.saturating_add(time));
            let first = times.partition_point(|time| at(time) < from);
            let end = times.partition_point(|time| at(time) <= to);
            let asked = |place: usize, end: usize| {
                Some(times.get(place..end)?.iter().zip(values.get(place..end)?))
            };
            run.clear();
            run.reserve(end.saturating_sub(first));
            let mut place = 0;
            for (Kind { flag, reasons, revision, made_by }, length) in kinds.runs() {
                let (begin, until) = (place.max(first), (place + length).min(end));
                place += length;
                let Some(pairs) = asked(begin, until) else { continue };
                run.extend(pairs.map(|(time, &value)| {
                    let time = at(time);
                    Reading { series, time, value, flag, reasons, revision, made_by }
                }));
            }
            if place != times.len() {
                return Err(Garbage("kinds do not reach"));
            }
            if !run.is_empty() {
                each(&run);
            }
        }
        input.done()
    }
}
