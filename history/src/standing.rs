//! What stands beside the log, as rows that people may read with any SQLite tool:
//! cursors, dead letters and gaps.

use crate::fault::{ReadError, WriteError};
use crate::look::Look;
use crate::transaction::transact;
use crate::writer::History;
use observation::Time;
use rusqlite::{Connection, OptionalExtension, params};
use std::collections::HashMap;

/// How far a forwarder has come.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Cursor {
    /// All records up to this number are done, but for the gaps.
    pub delivered: u64,
    /// Readings given up because the backlog's limit was reached.
    pub given_up: u64,
    /// Ranges of log numbers below `delivered` that are still to be delivered, both
    /// ends included, in rising order.
    pub gaps: Vec<(u64, u64)>,
}

/// A reading that a receiver refused for good.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeadLetter {
    /// The forwarder.
    pub forwarder: String,
    /// Log number of its record.
    pub number: u64,
    /// Its place among the record's readings.
    pub place: u32,
    /// When it was refused.
    pub time: Time,
    /// The receiver's status.
    pub status: u16,
    /// The receiver's answer, shortened by the caller.
    pub answer: String,
}

impl History {
    /// Runs a change that must be possible on a full device too: it may use the room
    /// of the ballast.
    pub(crate) fn with_ballast(
        &mut self,
        work: &dyn Fn(&Connection) -> rusqlite::Result<()>,
    ) -> Result<(), WriteError> {
        let mut result = transact(&mut self.connection, &mut self.frames, work);
        let (Some(ballast), Err(WriteError::Full)) = (&self.ballast, &result) else {
            return result;
        };
        let whole = ballast.length();
        while result == Err(WriteError::Full) && ballast.release(whole) {
            result = transact(&mut self.connection, &mut self.frames, work);
        }
        ballast.take_back(whole);
        result
    }

    /// A text of 12 letters and digits for a source, made once at random.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn source_suffix(&mut self, source: &str) -> Result<String, WriteError> {
        let kept: Option<String> = self
            .connection
            .query_row("SELECT suffix FROM suffix WHERE source = ?1", [source], |r| r.get(0))
            .optional()?;
        if let Some(kept) = kept {
            return Ok(kept);
        }
        let mut suffix = uuid::Uuid::new_v4().simple().to_string();
        suffix.truncate(12);
        self.with_ballast(&|c| {
            c.execute("INSERT INTO suffix (source, suffix) VALUES (?1, ?2)", [source, &suffix])
                .map(|_| ())
        })?;
        Ok(suffix)
    }

    /// Moves a forwarder's cursor, gaps included.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn set_cursor(&mut self, forwarder: &str, cursor: &Cursor) -> Result<(), WriteError> {
        self.with_ballast(&|c| {
            c.prepare_cached("INSERT OR REPLACE INTO cursor (forwarder, delivered, given_up) VALUES (?1, ?2, ?3)")?
                .execute(params![forwarder, cursor.delivered.cast_signed(), cursor.given_up.cast_signed()])?;
            c.prepare_cached("DELETE FROM gap WHERE forwarder = ?1")?.execute([forwarder])?;
            for (first, last) in &cursor.gaps {
                c.prepare_cached("INSERT INTO gap (forwarder, first, last) VALUES (?1, ?2, ?3)")?
                    .execute(params![forwarder, first.cast_signed(), last.cast_signed()])?;
            }
            Ok(())
        })
    }

    /// Keeps dead letters, each once.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn add_dead_letters(&mut self, letters: &[DeadLetter]) -> Result<(), WriteError> {
        self.with_ballast(&|c| Self::insert_dead_letters(c, letters))
    }

    pub(crate) fn insert_dead_letters(
        connection: &Connection,
        letters: &[DeadLetter],
    ) -> rusqlite::Result<()> {
        let mut highest: HashMap<&str, i64> = HashMap::new();
        for letter in letters {
            let forwarder = letter.forwarder.as_str();
            let before = match highest.get(forwarder) {
                Some(number) => *number,
                None => connection
                    .prepare_cached(
                        "SELECT ifnull(max(number), -1) FROM dead_letter WHERE forwarder = ?1",
                    )?
                    .query_row([forwarder], |r| r.get(0))?,
            };
            let number = letter.number.cast_signed();
            highest.insert(forwarder, before.max(number));
            // After a crash a part is delivered again, and refused again: one letter is
            // kept. Only what is not new needs the question, which reads them all.
            let held = number <= before
                && connection
                    .prepare_cached(
                        "SELECT EXISTS (SELECT 1 FROM dead_letter
                         WHERE forwarder = ?1 AND number = ?2 AND place = ?3)",
                    )?
                    .query_row(params![forwarder, number, letter.place], |r| r.get(0))?;
            if held {
                continue;
            }
            connection
                .prepare_cached(
                    "INSERT INTO dead_letter (forwarder, number, place, time, status, answer)
                     VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                )?
                .execute(params![
                    forwarder,
                    number,
                    letter.place,
                    letter.time.0,
                    letter.status,
                    letter.answer
                ])?;
        }
        Ok(())
    }
}

impl Look<'_> {
    /// How far a forwarder has come; none if it has never begun.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn cursor(&self, forwarder: &str) -> Result<Option<Cursor>, ReadError> {
        let kept = self
            .connection
            .prepare_cached("SELECT delivered, given_up FROM cursor WHERE forwarder = ?1")?
            .query_row([forwarder], |r| Ok((r.get::<_, i64>(0)?, r.get::<_, i64>(1)?)))
            .optional()?;
        let Some((delivered, given_up)) = kept else { return Ok(None) };
        let mut statement = self
            .connection
            .prepare_cached("SELECT first, last FROM gap WHERE forwarder = ?1 ORDER BY first")?;
        let gaps = statement
            .query_map([forwarder], |r| {
                Ok((r.get::<_, i64>(0)?.cast_unsigned(), r.get::<_, i64>(1)?.cast_unsigned()))
            })?
            .collect::<Result<_, _>>()?;
        let (delivered, given_up) = (delivered.cast_unsigned(), given_up.cast_unsigned());
        Ok(Some(Cursor { delivered, given_up, gaps }))
    }

    /// The log number up to which all these forwarders have what they want; the greatest
    /// if none of them has begun.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn slowest(&self, forwarders: &[String]) -> Result<u64, ReadError> {
        let mut slowest = u64::MAX;
        for forwarder in forwarders {
            if let Some(cursor) = self.cursor(forwarder)? {
                let gap = cursor.gaps.iter().map(|(first, _)| first.saturating_sub(1)).min();
                slowest = slowest.min(cursor.delivered).min(gap.unwrap_or(u64::MAX));
            }
        }
        Ok(slowest)
    }

    /// The newest dead letters of a forwarder, at most `limit`, and how many there are.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn dead_letters(
        &self,
        forwarder: &str,
        limit: usize,
    ) -> Result<(Vec<DeadLetter>, u64), ReadError> {
        let count: i64 = self
            .connection
            .prepare_cached("SELECT count(*) FROM dead_letter WHERE forwarder = ?1")?
            .query_row([forwarder], |r| r.get(0))?;
        let mut statement = self.connection.prepare_cached(
            "SELECT number, place, time, status, answer FROM dead_letter WHERE forwarder = ?1
             ORDER BY id DESC LIMIT ?2",
        )?;
        let letters = statement
            .query_map(params![forwarder, i64::try_from(limit).unwrap_or(i64::MAX)], |row| {
                Ok(DeadLetter {
                    forwarder: forwarder.to_owned(),
                    number: row.get::<_, i64>(0)?.cast_unsigned(),
                    place: row.get(1)?,
                    time: Time(row.get(2)?),
                    status: row.get(3)?,
                    answer: row.get(4)?,
                })
            })?
            .collect::<Result<_, _>>()?;
        Ok((letters, count.cast_unsigned()))
    }
}
