//! What was said of instruments, read back in the order in which it was said.

use crate::entry::Entry;
use crate::fault::ReadError;
use crate::look::Look;
use crate::row::{self, COLUMNS, body_of, row_of};
use observation::Diagnosis;
use std::ops::ControlFlow;

impl Look<'_> {
    /// Shows every diagnosis of the log to `each`, in the order of the log. Records that
    /// cannot be decoded are passed over; the check at start tells of them.
    ///
    /// # Errors
    /// When the database cannot be read, or what `each` returns.
    pub fn each_diagnosis<E: From<ReadError>>(
        &self,
        each: &mut dyn FnMut(&Diagnosis) -> Result<(), E>,
    ) -> Result<(), E> {
        let unread = |error: rusqlite::Error| E::from(ReadError::from(error));
        let mut statement = self
            .connection
            .prepare_cached(&format!(
                "SELECT {COLUMNS} FROM log WHERE kind > 1 AND kind = 8 ORDER BY number"
            ))
            .map_err(unread)?;
        let mut rows = statement.query([]).map_err(unread)?;
        while let Some(found) = rows.next().map_err(unread)? {
            let record = row_of(found)
                .and_then(|row| Ok((row, body_of(found)?)))
                .map_err(unread)
                .map(|(row, body)| row::decode(&row, body, self.names))?;
            if let Ok(record) = record
                && let Entry::Diagnoses(diagnoses) = &record.entry
            {
                diagnoses.iter().try_for_each(&mut *each)?;
            }
        }
        Ok(())
    }

    /// Shows the diagnoses of the log to `each`, newest first, until it breaks. Records that
    /// cannot be decoded are passed over.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn newest_diagnoses(
        &self,
        each: &mut dyn FnMut(&Diagnosis) -> ControlFlow<()>,
    ) -> Result<(), ReadError> {
        let mut statement = self.connection.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM log WHERE kind > 1 AND kind = 8 ORDER BY number DESC"
        ))?;
        let mut rows = statement.query([])?;
        while let Some(found) = rows.next()? {
            let record = row::decode(&row_of(found)?, body_of(found)?, self.names);
            if let Ok(record) = record
                && let Entry::Diagnoses(diagnoses) = &record.entry
                && diagnoses.iter().rev().try_for_each(&mut *each).is_break()
            {
                break;
            }
        }
        Ok(())
    }
}
