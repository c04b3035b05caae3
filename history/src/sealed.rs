//! Reading blocks.

use crate::block::Block;
use crate::fault::ReadError;
use crate::look::Look;
use crate::noticed::{day_of, in_its_place};
use crate::select::EachPart;
use crate::weeks::{Packed, monday};
use observation::{SeriesIndex, Time};
use rusqlite::types::ValueRef;
use rusqlite::{Connection, Row, params};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::RangeInclusive;

/// Stations, by their stable numbers, and UTC days whose blocks are damaged.
pub(crate) type Damaged = BTreeSet<(u32, i64)>;

/// The columns of a block, in the order in which [`block_of`] takes them; the body is
/// the sixth.
pub(crate) const BLOCK_COLUMNS: &str = "station, day, revision, lowest, highest, body, week";

pub(crate) fn block_of(row: &Row<'_>) -> rusqlite::Result<Block> {
    Ok(Block {
        station: row.get(0)?,
        day: row.get(1)?,
        week: row.get(6)?,
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
    let number = row.get::<_, i64>(7);
    block_of(row).is_ok_and(|block| {
        number.is_ok_and(|number| in_its_place(number, &block))
            && block_body(row).is_ok_and(|body| block.fits(body))
    })
}

/// The days of which such a row may tell, whatever is damaged in it, by its number: only
/// where nothing speaks of a week it is a day alone. One too many that is read of the log
/// and sealed again costs nothing.
pub(crate) fn days_of(row: &Row<'_>) -> rusqlite::Result<RangeInclusive<i64>> {
    let day = day_of(row.get(7)?);
    let alone = monday(day) != day
        || row.get_ref(6)? == ValueRef::Integer(0) && block_body(row).is_ok_and(Block::is_of_a_day);
    Ok(day..=if alone { day } else { day + 6 })
}

/// Writes a block in the place of one of the same station and day.
pub(crate) fn put(connection: &Connection, block: &Block, body: &[u8]) -> rusqlite::Result<()> {
    let Block { station, day, week, revision, lowest, highest } = *block;
    connection
        .prepare_cached(
            "INSERT OR REPLACE INTO block (number, station, day, week, revision, lowest, highest, body)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
        )?
        .execute(params![
            Block::row(station, day),
            station,
            day,
            week,
            revision,
            lowest.cast_signed(),
            highest.cast_signed(),
            body
        ])
        .map(|_| ())
}

/// Writes the days of a week in its place.
pub(crate) fn put_days(connection: &Connection, days: &[Packed]) -> rusqlite::Result<()> {
    if let Some((block, _)) = days.first() {
        connection
            .prepare_cached("DELETE FROM block WHERE number = ?1")?
            .execute([Block::row(block.station, monday(block.day))])?;
    }
    days.iter().try_for_each(|(block, body)| put(connection, block, body))
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

    /// Calls `each` for the selected readings in blocks, block after block, and
    /// within one series by series. A damaged block is left out, noted, and named in the answer.
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
            // A week stands under its Monday.
            let first = from.utc_day();
            let ends = [monday(first), to.utc_day()].map(|day| Block::row(station, day));
            let mut rows = statement.query(ends)?;
            while let Some(row) = rows.next()? {
                let number: i64 = row.get(7)?;
                let place = day_of(number);
                // Of the days before the first that is asked only a week matters, and what
                // may be one.
                if place < first && (monday(place) != place || *days_of(row)?.end() < first) {
                    continue;
                }
                let mut leave_out = |days: RangeInclusive<i64>| {
                    self.noticed.block(number, *days.end());
                    damaged.extend(days.map(|day| (station, day)));
                };
                let found = block_of(row).ok().filter(|b| in_its_place(number, b));
                let Some((block, body)) = found.zip(block_body(row).ok()) else {
                    leave_out(days_of(row)?);
                    continue;
                };
                let mut result = Ok(());
                let read = block.read(body, (from, to), &index, &mut |run| {
                    if result.is_ok() {
                        result = each(block.highest, 0, run);
                    }
                });
                match read {
                    Ok(()) => {}
                    Err(_) if !block.fits(body) => leave_out(days_of(row)?),
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
