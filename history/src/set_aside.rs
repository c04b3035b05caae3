//! What was set aside, to be looked at and brought in.

use crate::entry::SetAside;
use crate::fault::{ReadError, WriteError};
use crate::look::Look;
use crate::record::{Row, Wanted, decode_messages, kind};
use crate::writer::History;
use observation::{Refusal, Time};
use rusqlite::params;

/// Something set aside, as kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Aside {
    /// Its number among what was set aside.
    pub id: i64,
    /// Log number of the commit it came with.
    pub number: u64,
    /// What and why.
    pub set_aside: SetAside,
}

impl History {
    /// Marks things set aside as brought in by the last record.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn take_set_aside(&mut self, ids: &[i64]) -> Result<(), WriteError> {
        let number = self.last.map_or(0, |l| l.number).cast_signed();
        self.with_ballast(&|c| {
            for id in ids {
                c.prepare_cached("UPDATE set_aside SET taken = ?2 WHERE id = ?1")?
                    .execute([*id, number])?;
            }
            Ok(())
        })
    }
}

impl Look<'_> {
    /// How many messages are set aside and not brought in since, by station and reason.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn set_aside_counts(&self) -> Result<Vec<(String, Refusal, u64)>, ReadError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT station, reason, count(*) FROM set_aside WHERE taken IS NULL GROUP BY station, reason ORDER BY 1, 2",
        )?;
        let mut rows = statement.query([])?;
        let mut counts = Vec::new();
        while let Some(row) = rows.next()? {
            let word: String = row.get(1)?;
            if let Some(reason) = Refusal::ALL.into_iter().find(|r| r.word() == word) {
                counts.push((row.get(0)?, reason, row.get::<_, i64>(2)?.cast_unsigned()));
            }
        }
        Ok(counts)
    }

    /// What is set aside of a station (of all stations if none) and not brought in
    /// since, in order, behind the id `after`, at most `limit`.
    ///
    /// # Errors
    /// When the database cannot be read, or a row is damaged.
    pub fn set_aside(
        &self,
        station: Option<&str>,
        after: i64,
        limit: usize,
    ) -> Result<Vec<Aside>, ReadError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT id, number, reason, received, body FROM set_aside
             WHERE taken IS NULL AND id > ?1 AND (?2 IS NULL OR station = ?2) ORDER BY id LIMIT ?3",
        )?;
        let mut rows =
            statement.query(params![after, station, i64::try_from(limit).unwrap_or(i64::MAX)])?;
        let mut found = Vec::new();
        while let Some(row) = rows.next()? {
            let (id, word): (i64, String) = (row.get(0)?, row.get(2)?);
            let number = row.get::<_, i64>(1)?.cast_unsigned();
            let received = Time(row.get(3)?);
            let head = Row {
                number,
                kind: kind::ASIDE,
                received,
                walked: Time(0),
                first: None,
                last: None,
            };
            let body: &[u8] = row.get_ref(4)?.as_blob().map_err(|e| ReadError(e.to_string()))?;
            let damaged = |reason: &str| ReadError(format!("set aside {id}: {reason}"));
            let mut messages =
                decode_messages(&head, body, self.names, Wanted::All).map_err(|e| damaged(e.0))?;
            let reason = Refusal::ALL.into_iter().find(|r| r.word() == word);
            let (Some(message), Some(reason)) = (messages.pop(), reason) else {
                return Err(damaged("it is empty"));
            };
            found.push(Aside { id, number, set_aside: SetAside { message, reason } });
        }
        Ok(found)
    }
}
