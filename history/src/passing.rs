//! The log as forwarders read it: readings only, in log order, a bounded number of
//! records at a time, and how far each forwarder has come.

use crate::entry::Revised;
use crate::fault::{ReadError, WriteError};
use crate::look::Look;
use crate::record::{count_readings, decode_rare, decode_readings, kind};
use crate::row::{COLUMNS, body_of, row_of};
use crate::standing::{Cursor, DeadLetter};
use crate::writer::History;
use observation::{Reading, Span, Time};
use rusqlite::{Connection, params};
use std::ops::ControlFlow;

/// Dead letters kept of each forwarder; the oldest go first. The readings they speak of
/// stay in the log.
pub const DEAD_LETTERS: u32 = 10_000;

/// One record as a forwarder sees it.
#[derive(Debug)]
pub struct Passing<'a> {
    /// Its log number.
    pub number: u64,
    /// The processor's clock at its commit.
    pub received: Time,
    /// Its readings, in their places.
    pub readings: &'a [Reading],
    /// The range that was made anew, if that is what the record tells.
    pub revised: Option<Revised>,
    /// Why it cannot be read, if it cannot.
    pub fault: Option<ReadError>,
}

/// How far a forwarder has come since it told last.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// Where it stands; its `given_up` is added to what is kept.
    pub cursor: Cursor,
    /// What a receiver refused for good.
    pub dead_letters: Vec<DeadLetter>,
}

impl Look<'_> {
    /// Shows the records numbered `from` to `to`, both included, at most `most` of them,
    /// until `each` breaks. Gives the number behind the last one shown; numbers without a
    /// record are passed over. Holds a read transaction while `each` runs.
    ///
    /// # Errors
    /// When the database cannot be read; one record that cannot be decoded is shown with
    /// its fault.
    pub fn pass(
        &self,
        from: u64,
        to: u64,
        most: u32,
        each: &mut dyn FnMut(&Passing<'_>) -> ControlFlow<()>,
    ) -> Result<u64, ReadError> {
        let mut statement = self.connection.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM log WHERE number BETWEEN ?1 AND ?2 ORDER BY number LIMIT ?3"
        ))?;
        let mut rows = statement.query(params![from.cast_signed(), to.cast_signed(), most])?;
        let mut readings = Vec::new();
        let (mut next, mut shown) = (from, 0);
        while let Some(found) = rows.next()? {
            readings.clear();
            let Ok((row, body)) = row_of(found).and_then(|row| Ok((row, body_of(found)?))) else {
                // Set aside by the writer, and told then.
                let number = found.get::<_, i64>(0)?.cast_unsigned();
                self.noticed.record(number);
                (next, shown) = (number + 1, shown + 1);
                continue;
            };
            let mut revised = None;
            let mut fault = None;
            if row.kind == kind::BATCH {
                if let Err(error) = decode_readings(&row, body, self.names, &mut |_, reading| {
                    readings.push(reading);
                }) {
                    readings.clear();
                    fault = Some(ReadError(format!("record {}: {error}", row.number)));
                }
            } else if row.kind == kind::REVISED {
                match decode_rare(&row, body, self.names) {
                    Ok(crate::Entry::Revised(range)) => revised = Some(range),
                    Ok(_) => {}
                    Err(e) => fault = Some(ReadError(format!("record {}: {e}", row.number))),
                }
            }
            if fault.is_some() && row.open(body).is_err() {
                self.noticed.record(row.number);
            }
            let (number, received) = (row.number, row.received);
            let flow = each(&Passing { number, received, readings: &readings, revised, fault });
            next = number + 1;
            shown += 1;
            if flow.is_break() {
                return Ok(next);
            }
        }
        // Fewer than asked for: there is nothing more up to `to`.
        Ok(if shown < most { to.saturating_add(1).max(next) } else { next })
    }

    /// By how much the clock was set at each step behind the record `after`, with the
    /// number of the step's record.
    ///
    /// # Errors
    /// When the database cannot be read; a step that cannot be decoded is passed over.
    pub fn clock_steps(&self, after: u64) -> Result<Vec<(u64, Span)>, ReadError> {
        let mut statement = self.connection.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM log WHERE kind > 1 AND kind = 5 AND number > ?1 ORDER BY number"
        ))?;
        let mut rows = statement.query([after.cast_signed()])?;
        let mut steps = Vec::new();
        while let Some(found) = rows.next()? {
            if let Ok(row) = row_of(found)
                && let Ok(body) = body_of(found)
                && let Ok(crate::Entry::ClockStep(step)) = decode_rare(&row, body, self.names)
            {
                steps.push((row.number, step.new - step.old));
            }
        }
        Ok(steps)
    }

    /// Counts the readings in the records numbered `from` to `to`, both included, at most
    /// `most` records, without decoding them. Gives the count and the number behind the
    /// last record counted. Damaged records count nothing.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn count_passing(&self, from: u64, to: u64, most: u32) -> Result<(u64, u64), ReadError> {
        let mut statement = self.connection.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM log WHERE number BETWEEN ?1 AND ?2 ORDER BY number LIMIT ?3"
        ))?;
        let mut rows = statement.query(params![from.cast_signed(), to.cast_signed(), most])?;
        let (mut next, mut seen, mut count) = (from, 0, 0);
        while let Some(found) = rows.next()? {
            if let Ok(row) = row_of(found)
                && row.kind == kind::BATCH
                && let Ok(body) = body_of(found)
            {
                count += count_readings(&row, body).unwrap_or(0);
            }
            next = found.get::<_, i64>(0)?.cast_unsigned() + 1;
            seen += 1;
        }
        Ok((count, if seen < most { to.saturating_add(1).max(next) } else { next }))
    }
}

impl History {
    /// Keeps how far a forwarder has come, gaps and new dead letters with it, in one
    /// transaction. `given_up` of the cursor is added to what is kept already.
    ///
    /// # Errors
    /// See [`WriteError`]; the call may be repeated.
    pub fn keep_progress(
        &mut self,
        forwarder: &str,
        progress: &Progress,
    ) -> Result<(), WriteError> {
        self.with_ballast(&|c| write(c, forwarder, progress))
    }
}

/// Writes it within a transaction under way.
pub(crate) fn write(
    connection: &Connection,
    forwarder: &str,
    progress: &Progress,
) -> rusqlite::Result<()> {
    let Progress { cursor, dead_letters } = progress;
    connection
        .prepare_cached(
            "INSERT INTO cursor (forwarder, delivered, given_up) VALUES (?1, ?2, ?3)
                 ON CONFLICT (forwarder) DO UPDATE
                 SET delivered = excluded.delivered, given_up = given_up + excluded.given_up",
        )?
        .execute(params![
            forwarder,
            cursor.delivered.cast_signed(),
            cursor.given_up.cast_signed()
        ])?;
    connection.prepare_cached("DELETE FROM gap WHERE forwarder = ?1")?.execute([forwarder])?;
    for (first, last) in &cursor.gaps {
        connection
            .prepare_cached("INSERT INTO gap (forwarder, first, last) VALUES (?1, ?2, ?3)")?
            .execute(params![forwarder, first.cast_signed(), last.cast_signed()])?;
    }
    if dead_letters.is_empty() {
        return Ok(());
    }
    History::insert_dead_letters(connection, dead_letters)?;
    connection
        .prepare_cached(
            "DELETE FROM dead_letter WHERE forwarder = ?1 AND id <= (
                     SELECT id FROM dead_letter WHERE forwarder = ?1
                     ORDER BY id DESC LIMIT 1 OFFSET ?2)",
        )?
        .execute(params![forwarder, DEAD_LETTERS])?;
    Ok(())
}
