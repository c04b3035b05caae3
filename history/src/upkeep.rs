//! Keeping the files in order while the program runs.

use crate::fault::{OpenError, WriteError};
use crate::writer::History;
use observation::Time;
use rusqlite::wal::CheckpointMode;
use std::path::Path;

impl History {
    /// What can wait until nothing is to be committed: moves the write-ahead log into
    /// the database when it has grown, and shortens it when `quiet`; makes the ballast
    /// again.
    ///
    /// # Errors
    /// Only a failed sync; a full device is met at the next commit.
    pub fn tend(&mut self, quiet: bool) -> Result<(), WriteError> {
        if quiet && (self.frames.waiting() || self.frames.bytes() > 0) {
            let moved = self.frames.checkpoint(&self.connection, CheckpointMode::TRUNCATE);
            if let Err(sync @ WriteError::Sync(_)) = moved {
                return Err(sync);
            }
        }
        if let Some(ballast) = &self.ballast {
            ballast.restore();
        }
        Ok(())
    }

    /// Copies everything to a new file, consistently. Another thread may do the same
    /// by [`crate::Reader::backup`] without holding up the writer.
    ///
    /// # Errors
    /// The file is there already, or cannot be written.
    pub fn backup(
        &self,
        target: &Path,
        progress: &mut dyn FnMut(u64, u64),
    ) -> Result<(), OpenError> {
        self.reader()?.backup(target, progress)
    }

    /// Bytes handed to the device since the start: frames of the write-ahead log, and
    /// pages moved into the database. What the file system adds is not in it.
    pub fn written_bytes(&self) -> u64 {
        self.frames.written
    }

    /// Length of the write-ahead log's file.
    pub fn wal_bytes(&self) -> u64 {
        self.frames.bytes()
    }

    /// Length of the database's file.
    pub fn file_bytes(&self) -> u64 {
        self.path.as_ref().and_then(|p| std::fs::metadata(p).ok()).map_or(0, |m| m.len())
    }

    /// Forgets the records received before an instant. Only a temporary history does:
    /// of any other nothing is taken away.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn forget(&mut self, before: Time) -> Result<(), WriteError> {
        if self.path.is_some() {
            return Ok(());
        }
        let number =
            self.look().number_at(before).map_err(|e| WriteError::Failed(e.to_string()))?;
        self.connection
            .execute("DELETE FROM log WHERE kind = 1 AND number < ?1", [number.cast_signed()])?;
        self.connection.execute("DELETE FROM late WHERE number < ?1", [number.cast_signed()])?;
        Ok(())
    }

    /// Moves everything into the database file and lets go of the lock.
    ///
    /// # Errors
    /// A failed sync.
    pub fn close(mut self) -> Result<(), WriteError> {
        self.tend(true)
    }
}
