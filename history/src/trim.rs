//! Trimming the log: its oldest samples go once they are sealed and delivered.

use crate::fault::{ReadError, WriteError};
use crate::look::Look;
use crate::transaction::transact;
use crate::writer::History;
use observation::{Span, Time};
use std::collections::{BTreeMap, BTreeSet};

/// Records deleted in one transaction.
const AT_A_TIME: i64 = 1_000;

impl Look<'_> {
    /// The log number up to which records were trimmed; 0 for none.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn trimmed(&self) -> Result<u64, ReadError> {
        let through: i64 = self
            .connection
            .prepare_cached("SELECT ifnull(max(through), 0) FROM trimmed")?
            .query_row([], |r| r.get(0))?;
        Ok(through.cast_unsigned())
    }

    /// When the oldest record with samples was received; none where there is none.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn oldest_samples(&self) -> Result<Option<Time>, ReadError> {
        use rusqlite::OptionalExtension;
        let received = self
            .connection
            .prepare_cached(
                "SELECT received FROM log WHERE number > ?1 AND kind = 1 ORDER BY number LIMIT 1",
            )?
            .query_row([self.trimmed()?.cast_signed()], |r| r.get(0))
            .optional()?;
        Ok(received.map(Time))
    }

    /// Bytes of the database's pages in use.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn used_bytes(&self) -> Result<u64, ReadError> {
        let bytes: i64 = self.connection.query_row(
            "SELECT (page_count - freelist_count) * page_size
             FROM pragma_page_count, pragma_freelist_count, pragma_page_size",
            [],
            |r| r.get(0),
        )?;
        Ok(bytes.cast_unsigned())
    }
}

impl History {
    /// Deletes the oldest batches until the pages in use are at most `limit` bytes, as
    /// far as that may be: only what was received before `keep`, whose number is at most
    /// `up_to`, and whose readings are all in blocks. Records of other kinds stay. The
    /// room is used again by what comes; the file does not shrink. How many went.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn trim(&mut self, limit: u64, keep: Time, up_to: u64) -> Result<u64, WriteError> {
        let mut gone = 0;
        while self.look().used_bytes().map_err(|e| self.unread(e))? > limit {
            let batch = self.trimmable(keep, up_to).map_err(|e| self.unread(e))?;
            let Some(&last) = batch.last() else { break };
            transact(&mut self.connection, &mut self.frames, &|c| {
                for number in &batch {
                    c.prepare_cached("DELETE FROM log WHERE number = ?1")?.execute([*number])?;
                    c.prepare_cached("DELETE FROM late WHERE number = ?1")?.execute([*number])?;
                }
                c.execute("DELETE FROM trimmed", [])?;
                c.execute("INSERT INTO trimmed (through) VALUES (?1)", [last])?;
                Ok(())
            })?;
            gone += batch.len() as u64;
        }
        Ok(gone)
    }

    /// The oldest batches that may go, in order, up to the first that may not.
    fn trimmable(&self, keep: Time, up_to: u64) -> Result<Vec<i64>, ReadError> {
        let look = self.look();
        let mut through: BTreeMap<i64, Option<i64>> = BTreeMap::new();
        let mut sealed = |day: i64| -> Result<Option<i64>, ReadError> {
            use rusqlite::OptionalExtension;
            if let Some(known) = through.get(&day) {
                return Ok(*known);
            }
            let found = self
                .connection
                .prepare_cached("SELECT through FROM sealed WHERE day = ?1")?
                .query_row([day], |r| r.get(0))
                .optional()?;
            through.insert(day, found);
            Ok(found)
        };
        let after = look.trimmed()?;
        let mut statement = self.connection.prepare_cached(
            "SELECT number, received, first, last FROM log WHERE number > ?1 AND kind = 1
             ORDER BY number LIMIT ?2",
        )?;
        let mut late = self.connection.prepare_cached("SELECT day FROM late WHERE number = ?1")?;
        let mut rows = statement.query([after.cast_signed(), AT_A_TIME])?;
        let mut batch = Vec::new();
        while let Some(row) = rows.next()? {
            let (number, received): (i64, i64) = (row.get(0)?, row.get(1)?);
            let ends: [Option<i64>; 2] = [row.get(2)?, row.get(3)?];
            if number.cast_unsigned() > up_to || received >= keep.0 {
                break;
            }
            // Contents far from `received` have their days in `late`; the rest is near.
            let mut days: BTreeSet<i64> =
                ends.iter().flatten().map(|&t| Time(t).utc_day()).collect();
            if !days.is_empty() {
                let near = Span(crate::record::NEAR);
                days.insert((Time(received) - near).utc_day());
                days.insert((Time(received) + near).utc_day());
            }
            let mut more = late.query([number])?;
            while let Some(row) = more.next()? {
                days.insert(row.get(0)?);
            }
            let mut all = true;
            for day in days {
                all &= sealed(day)?.is_some_and(|t| t >= number);
            }
            if !all {
                break;
            }
            batch.push(number);
        }
        Ok(batch)
    }
}
