//! Reading blocks.

use crate::block::Block;
use crate::fault::ReadError;
use crate::look::Look;
use crate::noticed::{day_of, in_its_place};
use crate::select::EachPart;
use observation::{SeriesIndex, Time};
use rusqlite::Row;
use std::collections::{BTreeMap, BTreeSet};

/// Stations, by their stable numbers, and UTC days whose blocks are damaged.
pub(crate) type Damaged = BTreeSet<(u32, i64)>;

/// The columns of a block, in the order in which [`block_of`] takes them; the body is
/// the sixth.
pub(crate) const BLOCK_COLUMNS: &str = "station, day, revision, lowest, highest, body";

pub(crate) fn block_of(row: &Row<'_>) -> rusqlite::Result<Block> {
    Ok(Block {
        station: row.get(0)?,
        day: row.get(1)?,
        revision: row.get(2)?,
        lowest: row.get::<_, i64>(3)?.cast_unsigned(),
        highest: row.get::<_, i64>(4)?.cast_unsigned(),
    })
}

pub(crate) fn block_body<'a>(row: &'a Row<'_>) -> rusqlite::Result<&'a [u8]> {
    Ok(row.get_ref(5)?.as_blob()?)
}

/// Whether a row of [`BLOCK_COLUMNS`] and its number is the block that was written.
pub(crate) fn is_sound(row: &Row<'_>) -> bool {
    let number = row.get::<_, i64>(6);
    block_of(row).is_ok_and(|block| {
        number.is_ok_and(|number| in_its_place(number, &block))
            && block_body(row).is_ok_and(|body| block.fits(body))
    })
}

impl Look<'_> {
    /// The sealed days of a range, each with the log number up to which its readings
    /// are in blocks.
    pub(crate) fn sealed_between(
        &self,
        first: i64,
        last: i64,
    ) -> Result<BTreeMap<i64, u64>, ReadError> {
        let mut statement = self
            .connection
            .prepare_cached("SELECT day, through FROM sealed WHERE day BETWEEN ?1 AND ?2")?;
        let mut rows = statement.query([first, last])?;
        let mut days = BTreeMap::new();
        while let Some(row) = rows.next()? {
            days.insert(row.get(0)?, row.get::<_, i64>(1)?.cast_unsigned());
        }
        Ok(days)
    }

    /// Calls `each` for the selected readings in blocks, in the order of their times. A
    /// damaged block is left out, noted, and named in the answer.
    pub(crate) fn each_in_blocks(
        &self,
        from: Time,
        to: Time,
        wanted: &[bool],
        each: &mut EachPart<'_>,
    ) -> Result<Damaged, ReadError> {
        let asked = |series: SeriesIndex| wanted.get(series.0 as usize).copied().unwrap_or(false);
        let stations: BTreeSet<u32> = self
            .names
            .all_series()
            .filter(|(index, _)| asked(*index))
            .filter_map(|(_, series)| self.names.station_number_of(&series.station))
            .collect();
        let index = |number: u32| self.names.series_at(number).filter(|&s| asked(s));
        let mut statement = self.connection.prepare_cached(&format!(
            "SELECT {BLOCK_COLUMNS}, number FROM block WHERE number BETWEEN ?1 AND ?2 ORDER BY number"
        ))?;
        let mut damaged = Damaged::new();
        for station in stations {
            let ends = [from, to].map(|time| Block::row(station, time.utc_day()));
            let mut rows = statement.query(ends)?;
            while let Some(row) = rows.next()? {
                let number: i64 = row.get(6)?;
                let mut leave_out = || {
                    self.noticed.block(number);
                    damaged.insert((station, day_of(number)));
                };
                let found = block_of(row).ok().filter(|b| in_its_place(number, b));
                let Some((block, body)) = found.zip(block_body(row).ok()) else {
                    leave_out();
                    continue;
                };
                let mut result = Ok(());
                let read = block.read(body, &index, &mut |run| {
                    let first = run.partition_point(|r| r.time < from);
                    let end = run.partition_point(|r| r.time <= to);
                    if let Some(part) = run.get(first..end).filter(|p| !p.is_empty())
                        && result.is_ok()
                    {
                        result = each(block.highest, 0, part);
                    }
                });
                match read {
                    Ok(()) => {}
                    Err(_) if !block.fits(body) => leave_out(),
                    Err(e) => {
                        let station = self.names.station_at(station);
                        let id = station.and_then(|s| self.names.station(s)).unwrap_or("?");
                        return Err(ReadError(format!(
                            "the block of {id}, day {}: {e}",
                            block.day
                        )));
                    }
                }
                result?;
            }
        }
        Ok(damaged)
    }

    /// The last record that holds something of these UTC days and was received more than
    /// an hour away from it; 0 for none.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn last_late(&self, first: i64, last: i64) -> Result<u64, ReadError> {
        let number: i64 = self
            .connection
            .prepare_cached("SELECT ifnull(max(number), 0) FROM late WHERE day BETWEEN ?1 AND ?2")?
            .query_row([first, last], |r| r.get(0))?;
        Ok(number.cast_unsigned())
    }

    /// Whether any reading was made anew, as told by a record from this number on.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn revised_since(&self, number: u64) -> Result<bool, ReadError> {
        Ok(self
            .connection
            .prepare_cached(
                "SELECT EXISTS (SELECT 1 FROM log WHERE kind > 1 AND kind = 6 AND number >= ?1)",
            )?
            .query_row([number.cast_signed()], |r| r.get(0))?)
    }

    /// Bytes that blocks take, and how many there are.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn block_bytes(&self) -> Result<(u64, u64), ReadError> {
        let (bytes, count): (i64, i64) = self.connection.query_row(
            "SELECT ifnull(sum(length(body)), 0), count(*) FROM block",
            [],
            |r| Ok((r.get(0)?, r.get(1)?)),
        )?;
        Ok((bytes.cast_unsigned(), count.cast_unsigned()))
    }
}
