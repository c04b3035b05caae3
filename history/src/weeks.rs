//! Weeks: when all is over and sealed, one block of seven days takes the place of the blocks
//! of a station's days. It is shorter, and a year of it is read sooner.
//!
//! Nothing else knows of weeks: a day in one is sealed or revised as any other, and for
//! that the week is parted into its days first, in the same transaction. Only when nothing
//! waits in the log for any of its days is it made again. Whatever is read looks back to
//! the Monday before.

use crate::block::{Block, Run};
use crate::fault::{ReadError, WriteError};
use crate::look::Look;
use crate::record::bytes::Garbage;
use crate::seal::Sealed;
use crate::sealed::{BLOCK_COLUMNS, block_body, block_of, put, put_days};
use crate::select::order;
use crate::transaction::transact;
use crate::writer::History;
use observation::{Reading, SeriesIndex, Time};
use rusqlite::{Connection, OptionalExtension};
use std::collections::BTreeMap;

/// A block with more readings is not made: all of one are in memory at once.
const MOST: u64 = if cfg!(test) { 12_000 } else { 500_000 };
/// All of a block.
pub(crate) const EVER: (Time, Time) = (Time(i64::MIN), Time(i64::MAX));

/// The Monday of a UTC day's week, both counted from 1970-01-01, a Thursday.
pub const fn monday(day: i64) -> i64 {
    day.saturating_sub((day % 7 + 10) % 7)
}

/// A block and its body.
pub(crate) type Packed = (Block, Vec<u8>);

/// All readings of a block by the series' stable number, which stands for the index too.
fn unpacked(block: &Block, body: &[u8], all: &mut BTreeMap<u32, Run>) -> Result<(), ReadError> {
    block
        .read(body, EVER, &|number| Some(SeriesIndex(number)), &mut |run| {
            if let Some(first) = run.first() {
                all.entry(first.series.0).or_default().extend_from_slice(run);
            }
        })
        .map_err(|e| unpackable(block, &e))
}

fn unpackable(block: &Block, error: &Garbage) -> ReadError {
    ReadError(format!("the block of station number {}, day {}: {error}", block.station, block.day))
}

/// Packs a block and reads it back: what does not come back is not written.
fn packed(block: Block, series: BTreeMap<u32, Run>) -> Result<Packed, WriteError> {
    let series: Vec<(u32, Run)> = series.into_iter().collect();
    let body = block.pack(&series);
    block.proven(&body, &series, &|number| Some(SeriesIndex(number)))?;
    Ok((block, body))
}

fn highest_revision<'a>(runs: impl Iterator<Item = &'a Run>) -> u32 {
    runs.flatten().map(|r| r.revision).max().unwrap_or(0)
}

impl Look<'_> {
    /// The block in which a station's day stands, of the day alone or of its week.
    pub(crate) fn block_with(&self, station: u32, day: i64) -> Result<Option<Packed>, ReadError> {
        let mut statement = self
            .connection
            .prepare_cached(&format!("SELECT {BLOCK_COLUMNS} FROM block WHERE number = ?1"))?;
        let mut under = |day: i64| {
            statement
                .query_row([Block::row(station, day)], |r| {
                    Ok((block_of(r)?, block_body(r)?.to_vec()))
                })
                .optional()
        };
        if let Some(found) = under(day)? {
            return Ok(Some(found));
        }
        Ok(under(monday(day))?.filter(|(block, _)| block.week))
    }

    /// A station's blocks of the days from `first` to `last`.
    fn blocks_between(
        &self,
        station: u32,
        first: i64,
        last: i64,
    ) -> Result<Vec<Packed>, ReadError> {
        let mut statement = self.connection.prepare_cached(&format!(
            "SELECT {BLOCK_COLUMNS} FROM block WHERE number BETWEEN ?1 AND ?2 ORDER BY number"
        ))?;
        let rows = statement
            .query_map([Block::row(station, first), Block::row(station, last)], |row| {
                Ok((block_of(row)?, block_body(row)?.to_vec()))
            })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// How many blocks a station has of a week; none if it is one of the week.
    fn apart(&self, station: u32, first: i64) -> Result<Option<i64>, ReadError> {
        let ends = [Block::row(station, first), Block::row(station, first + 6)];
        let (count, weeks): (i64, i64) = self
            .connection
            .prepare_cached(
                "SELECT count(*), ifnull(sum(week), 0) FROM block WHERE number BETWEEN ?1 AND ?2",
            )?
            .query_row(ends, |r| Ok((r.get(0)?, r.get(1)?)))?;
        Ok(Some(count).filter(|_| weeks == 0))
    }
}

/// A block for each day of which there is anything.
fn in_days(week: &Block, all: BTreeMap<u32, Run>) -> Result<Vec<Packed>, WriteError> {
    let mut days: BTreeMap<i64, BTreeMap<u32, Run>> = BTreeMap::new();
    for (number, run) in all {
        for part in run.chunk_by(|a: &Reading, b| a.time.utc_day() == b.time.utc_day()) {
            let Some(first) = part.first() else { continue };
            let of_day = days.entry(first.time.utc_day()).or_default();
            of_day.insert(number, part.to_vec());
        }
    }
    days.into_iter()
        .map(|(day, series)| {
            let revision = highest_revision(series.values());
            packed(Block { day, week: false, revision, ..*week }, series)
        })
        .collect()
}

/// What was found in free pages may tell a day twice, by itself and in a week: such weeks
/// are parted, and of each reading the highest revision stays.
pub(crate) fn untangle(connection: &Connection) -> Result<(), WriteError> {
    let weeks: Vec<(u32, i64)> = connection
        .prepare("SELECT station, day FROM block WHERE week")?
        .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?
        .collect::<Result<_, _>>()?;
    for (station, first) in weeks {
        let ends = [Block::row(station, first), Block::row(station, first + 6)];
        let blocks: Vec<Packed> = connection
            .prepare_cached(&format!(
                "SELECT {BLOCK_COLUMNS} FROM block WHERE number BETWEEN ?1 AND ?2 ORDER BY number"
            ))?
            .query_map(ends, |row| Ok((block_of(row)?, block_body(row)?.to_vec())))?
            .collect::<Result<_, _>>()?;
        let Some((week, _)) = blocks.first().filter(|_| blocks.len() > 1) else { continue };
        let mut all = BTreeMap::new();
        for (block, body) in &blocks {
            // What cannot be unpacked is for the check to find.
            if unpacked(block, body, &mut all).is_err() {
                all.clear();
                break;
            }
        }
        if all.is_empty() {
            continue;
        }
        all.values_mut().for_each(order);
        let highest = blocks.iter().map(|(b, _)| b.highest).max().unwrap_or(week.highest);
        let lowest = blocks.iter().map(|(b, _)| b.lowest).min().unwrap_or(week.lowest);
        let days = in_days(&Block { lowest, highest, ..*week }, all)?;
        connection
            .prepare_cached("DELETE FROM block WHERE number BETWEEN ?1 AND ?2")?
            .execute(ends)?;
        put_days(connection, &days)?;
    }
    Ok(())
}

impl History {
    /// The days of the week block in which a station's day stands, each with a block of its
    /// own; none if it stands in no such block.
    pub(crate) fn parted(&self, station: u32, day: i64) -> Result<Vec<Packed>, WriteError> {
        let found = self.look().block_with(station, day).map_err(|e| self.unread(e))?;
        let Some((week, body)) = found.filter(|(block, _)| block.week) else {
            return Ok(Vec::new());
        };
        let mut all = BTreeMap::new();
        unpacked(&week, &body, &mut all).map_err(|e| self.unread(e))?;
        in_days(&week, all)
    }

    /// Puts one block in the place of a station's days of the UTC week from `monday` on: of
    /// the first station whose days are still apart. None if there is no such station, if
    /// anything of that week waits to be sealed, or if there is too much of it for a block.
    ///
    /// # Errors
    /// See [`WriteError`]; what cannot be read is `Failed`.
    pub fn merge(&mut self, monday: i64) -> Result<Option<Sealed>, WriteError> {
        let look = self.look();
        let mut stations = Vec::new();
        for (station, _) in self.names.all_stations() {
            if look.apart(station, monday).map_err(|e| self.unread(e))?.is_some_and(|days| days > 1)
            {
                stations.push(station);
            }
        }
        // The question that costs more comes second.
        let waits = |days: Vec<i64>| days.into_iter().any(|day| day >= monday);
        if stations.is_empty() || waits(look.days_to_seal(monday + 7).map_err(|e| self.unread(e))?)
        {
            return Ok(None);
        }
        for day in monday..monday + 7 {
            if self.damage_of_day(day)? {
                // What is damaged is set aside first, and its days are sealed again.
                self.told = self.set_noticed_aside()?;
                return Ok(None);
            }
        }
        let look = self.look();
        for station in stations {
            let days =
                look.blocks_between(station, monday, monday + 6).map_err(|e| self.unread(e))?;
            let count = |(block, body): &Packed| {
                block.count(body).map_err(|e| self.unread(unpackable(block, &e)))
            };
            let readings = days.iter().map(count).sum::<Result<u64, _>>()?;
            if readings > MOST {
                continue;
            }
            let mut series = BTreeMap::new();
            for (block, body) in &days {
                unpacked(block, body, &mut series).map_err(|e| self.unread(e))?;
            }
            let blocks = || days.iter().map(|(block, _)| block);
            let week = Block {
                station,
                day: monday,
                week: true,
                revision: highest_revision(series.values()),
                lowest: blocks().map(|b| b.lowest).min().unwrap_or(0),
                highest: blocks().map(|b| b.highest).max().unwrap_or(0),
            };
            let (week, body) = packed(week, series)?;
            transact(&mut self.connection, &mut self.frames, &|c| {
                c.prepare_cached("DELETE FROM block WHERE number BETWEEN ?1 AND ?2")?
                    .execute([Block::row(station, monday), Block::row(station, monday + 6)])?;
                put(c, &week, &body)
            })?;
            return Ok(Some(Sealed { blocks: 1, bytes: body.len() as u64, readings }));
        }
        Ok(None)
    }
}

#[cfg(test)]
mod tests {
    use super::monday;

    #[test]
    fn weeks_begin_on_mondays() {
        // 1970-01-05 and 2026-11-23 were Mondays, 1969-12-29 too.
        for start in [4, 20_780, -3, -10] {
            for day in start..start + 7 {
                assert_eq!(monday(day), start, "day {day}");
            }
        }
        assert!(monday(i64::MIN) <= i64::MIN + 6 && monday(i64::MAX) >= i64::MAX - 6);
    }
}
