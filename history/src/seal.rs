//! Sealing finished days into blocks.
//!
//! A day is sealed as a whole: `sealed.through` is the log number up to which all its
//! readings are in blocks. What comes later is read of the log, until the day is sealed
//! again; the new block takes the place of the old one in one transaction. Sealing
//! deletes nothing of the log: raw samples, and what forwarders still owe, stay until
//! the log is trimmed.

use crate::block::{Block, Run};
use crate::fault::{ReadError, WriteError};
use crate::look::Look;
use crate::sealed::{BLOCK_COLUMNS, days_of, is_sound, put, put_days};
use crate::select::{Kept, Selection};
use crate::transaction::transact;
use crate::weeks::{Packed, monday};
use crate::writer::History;
use observation::time::DAY;
use observation::{Span, Time};
use std::collections::BTreeSet;

/// What sealing a day wrote.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sealed {
    /// Blocks made or made anew.
    pub blocks: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Readings in them.
    pub readings: u64,
}

/// The series of a station and day, with the least and greatest log number.
pub(crate) struct OfDay {
    pub(crate) series: Vec<(u32, Run)>,
    pub(crate) lowest: u64,
    pub(crate) highest: u64,
}

impl Look<'_> {
    /// UTC days before `before` that are not sealed, or of which something came since,
    /// in rising order.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn days_to_seal(&self, before: i64) -> Result<Vec<i64>, ReadError> {
        let mut days = BTreeSet::new();
        let list = |sql: &str, days: &mut BTreeSet<i64>| -> Result<(), ReadError> {
            let mut statement = self.connection.prepare_cached(sql)?;
            let mut rows = statement.query([before])?;
            while let Some(row) = rows.next()? {
                days.insert(row.get(0)?);
            }
            Ok(())
        };
        list("SELECT DISTINCT day FROM late WHERE day < ?1", &mut days)?;
        let runs = self.runs()?;
        for run in &runs {
            let heads = self.connection.prepare_cached(
                "SELECT min(received), max(received) FROM
                 (SELECT received FROM log WHERE number = ?1 UNION ALL SELECT received FROM log WHERE number = ?2)",
            )?.query_row([run.start().cast_signed(), run.end().cast_signed()], |r| {
                Ok((r.get::<_, Option<i64>>(0)?, r.get::<_, Option<i64>>(1)?))
            })?;
            if let (Some(first), Some(last)) = heads {
                let first = (Time(first) - Span(crate::record::NEAR)).utc_day();
                let last = (Time(last) + Span(crate::record::NEAR)).utc_day().min(before - 1);
                days.extend(first..=last);
            }
        }
        let mut sealed = BTreeSet::new();
        list("SELECT day FROM sealed WHERE day < ?1", &mut sealed)?;
        let mut again = BTreeSet::new();
        list("SELECT day FROM sealed WHERE day < ?1 AND through = 0", &mut again)?;
        list(
            "SELECT DISTINCT day FROM sealed JOIN late USING (day) WHERE day < ?1 AND late.number > through",
            &mut again,
        )?;
        // After the clock was set back, what is near a sealed day may be new.
        for run in runs.iter().skip(1) {
            let mut statement = self.connection.prepare_cached(
                "SELECT day FROM sealed WHERE through < ?1 AND day >=
                 (SELECT (received - ?2) / ?3 - 1 FROM log WHERE number = ?1) AND day < ?4",
            )?;
            let mut rows =
                statement.query([run.start().cast_signed(), crate::record::NEAR, DAY, before])?;
            while let Some(row) = rows.next()? {
                again.insert(row.get(0)?);
            }
        }
        Ok(days.difference(&sealed).chain(&again).copied().collect())
    }

    /// The first UTC day that was sealed; none where there is none.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn first_sealed(&self) -> Result<Option<i64>, ReadError> {
        Ok(self
            .connection
            .prepare_cached("SELECT min(day) FROM sealed")?
            .query_row([], |r| r.get(0))?)
    }

    /// The readings of one station and day, by the series' stable number, with the
    /// least and greatest log number.
    pub(crate) fn of_day(&self, station: &str, day: i64) -> Result<OfDay, ReadError> {
        let from = Time(day * DAY);
        let selection = Selection {
            station: Some(station.to_owned()),
            ..Selection::between(from, from + Span(DAY))
        };
        let mut all: Vec<(u32, Kept)> = Vec::new();
        let (mut lowest, mut highest) = (u64::MAX, 0);
        self.all_revisions(&selection, &mut |kept| {
            lowest = lowest.min(kept.number);
            highest = highest.max(kept.number);
            if let Some(number) = self.names.series_number(kept.reading.series) {
                all.push((number, kept));
            }
            Ok(())
        })?;
        // Stable: of equal revisions the last of the log counts.
        all.sort_by_key(|(number, kept)| (*number, kept.reading.time, kept.reading.revision));
        let mut series: Vec<(u32, Run)> = Vec::new();
        for (number, kept) in all {
            let reading = kept.reading;
            match series.last_mut() {
                Some((same, run)) if *same == number => match run.last_mut() {
                    Some(last) if last.time == reading.time => *last = reading,
                    _ => run.push(reading),
                },
                _ => series.push((number, vec![reading])),
            }
        }
        Ok(OfDay { series, lowest, highest })
    }
}

impl History {
    /// Seals a UTC day whole: one block for each station that has readings in it, in one
    /// transaction with the blocks they replace; a week that holds the day is parted. Each
    /// is read back and compared before.
    ///
    /// # Errors
    /// See [`WriteError`]; what cannot be read is `Failed`.
    pub fn seal(&mut self, day: i64) -> Result<Sealed, WriteError> {
        if self.damage_of_day(day)? {
            // What is damaged is not written over.
            self.told = self.set_noticed_aside()?;
        }
        let through = self.last.map_or(0, |l| l.number);
        let mut made: Vec<Packed> = Vec::new();
        let mut parted: Vec<Vec<Packed>> = Vec::new();
        let mut sealed = Sealed::default();
        let look = self.look();
        for (number, id) in self.names.all_stations() {
            let OfDay { series, lowest, highest } =
                look.of_day(id, day).map_err(|e| self.unread(e))?;
            let count: usize = series.iter().map(|(_, run)| run.len()).sum();
            if count == 0 {
                continue;
            }
            let old = look.block_with(number, day).map_err(|e| self.unread(e))?;
            let old = old.map(|(block, _)| block);
            let block = Block {
                station: number,
                day,
                week: false,
                revision: series.iter().flat_map(|(_, r)| r).map(|r| r.revision).max().unwrap_or(0),
                lowest: old.map_or(lowest, |o| o.lowest.min(lowest)),
                highest,
            };
            if old.is_some_and(|o| o.highest == highest) {
                // Nothing came since.
                continue;
            }
            parted.push(self.parted(number, day)?);
            let body = block.pack(&series);
            block.proven(&body, &series, &|n| self.names.series_at(n))?;
            sealed.blocks += 1;
            sealed.bytes += body.len() as u64;
            sealed.readings += count as u64;
            made.push((block, body));
        }
        transact(&mut self.connection, &mut self.frames, &|c| {
            parted.iter().try_for_each(|days| put_days(c, days))?;
            made.iter().try_for_each(|(block, body)| put(c, block, body))?;
            c.prepare_cached("INSERT OR REPLACE INTO sealed (day, through) VALUES (?1, ?2)")?
                .execute([day, through.cast_signed()])?;
            Ok(())
        })?;
        Ok(sealed)
    }

    /// Whether a block of a day, or of its week, is damaged; it is noted then.
    pub(crate) fn damage_of_day(&self, day: i64) -> Result<bool, WriteError> {
        let mut damaged = false;
        let mut statement = self.connection.prepare_cached(&format!(
            "SELECT {BLOCK_COLUMNS}, number FROM block WHERE number IN (?1, ?2)"
        ))?;
        for (station, _) in self.names.all_stations() {
            let numbers = [day, monday(day)].map(|day| Block::row(station, day));
            let mut rows = statement.query(numbers)?;
            while let Some(row) = rows.next()? {
                let days = days_of(row)?;
                if days.contains(&day) && !is_sound(row) {
                    self.noticed.block(row.get(7)?, *days.end());
                    damaged = true;
                }
            }
        }
        Ok(damaged)
    }
}
