//! The one writer.

use crate::entry::{Batch, Committed, Entry, Head, SavedPart, StatePart};
use crate::fault::{OpenError, ReadError, WriteError};
use crate::look::{Look, Reader};
use crate::names::{Known, Names};
use crate::standing::{Cursor, DeadLetter, NewToken};
use observation::{Property, Series, Time};
use rusqlite::Connection;
use std::path::Path;
use std::sync::Arc;

/// How to open.
#[derive(Clone, Debug)]
pub struct Options {
    /// The present time, for the names of what is set aside.
    pub now: Time,
    /// How many of the newest records are checked one by one at start; a small
    /// history is always checked whole.
    pub verify_newest: u64,
    /// Bytes kept on the device to be freed when it is full; 0 for none.
    pub ballast: u64,
    /// Most pages of the database, to try a full device; none for SQLite's own limit.
    pub max_pages: Option<u32>,
}

impl Options {
    /// The usual ones.
    pub const fn at(now: Time) -> Self {
        Self { now, verify_newest: 1_000, ballast: 1 << 20, max_pages: None }
    }
}

/// What was found at start.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Opened {
    /// Whether it was made anew.
    pub created: bool,
    /// What was damaged, and what was done about it: one line each.
    pub repairs: Vec<String>,
    /// The last record.
    pub last: Option<Head>,
}

/// The writer: the one read-write connection, used from one thread.
#[derive(Debug)]
pub struct History {
    connection: Connection,
    names: Arc<Names>,
    uuid: String,
}

impl History {
    /// Opens the history of a directory, making both if they are not there, and takes
    /// its lock for as long as the value lives.
    ///
    /// # Errors
    /// Another process holds it, a later version wrote it, or the directory cannot be
    /// written.
    pub fn open(directory: &Path, options: &Options) -> Result<(Self, Opened), OpenError> {
        let _ = (directory, options);
        Err(OpenError::Failed("not built yet".into()))
    }

    /// A history that nobody else sees and that is gone when it is dropped or the
    /// process ends; nothing in it is synced.
    ///
    /// # Errors
    /// When SQLite cannot make it.
    pub fn temporary() -> Result<Self, OpenError> {
        let connection = Connection::open("").map_err(|e| OpenError::Failed(e.to_string()))?;
        let names = Arc::new(Names::new(&Property::default(), &[], &[], &Known::default()));
        Ok(Self { connection, names, uuid: String::new() })
    }

    /// The property's UUID, made once.
    pub fn property_id(&self) -> &str {
        &self.uuid
    }

    /// Gives this run's stations, channels, series and sources their stable numbers.
    /// Call it before anything else, and again after the settings changed; indices in
    /// later calls are those of the last one. New names take one log number.
    ///
    /// # Errors
    /// When new names cannot be written.
    pub fn register(
        &mut self,
        received: Time,
        property: &Property,
        series: &[Series],
        sources: &[String],
    ) -> Result<Arc<Names>, WriteError> {
        let _ = (received, property, series, sources);
        Ok(Arc::clone(&self.names))
    }

    /// The names behind the indices.
    pub fn names(&self) -> &Arc<Names> {
        &self.names
    }

    /// The number that the next record gets.
    pub fn next_number(&self) -> u64 {
        1
    }

    /// The last record.
    pub fn last(&self) -> Option<Head> {
        None
    }

    /// Writes one record in one transaction and syncs it. After an error nothing of it
    /// is there, and the same batch may be committed again.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn commit(&mut self, batch: &Batch<'_>) -> Result<Committed, WriteError> {
        let _ = batch;
        Err(WriteError::Failed("not built yet".into()))
    }

    /// Writes a record of another kind than samples. A clock step's `received` is its
    /// new clock.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn append(&mut self, received: Time, walked: Time, entry: &Entry) -> Result<Committed, WriteError> {
        let _ = (received, walked, entry);
        Err(WriteError::Failed("not built yet".into()))
    }

    /// Keeps state parts that stand at the last record, in a transaction of their own.
    /// Parts not given stay as they are.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn save_state(&mut self, parts: &[StatePart]) -> Result<(), WriteError> {
        let _ = parts;
        Ok(())
    }

    /// The state parts with the log numbers they stand at. Parts whose checksum does
    /// not fit are left out: they are rebuilt.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn load_state(&self) -> Result<Vec<SavedPart>, ReadError> {
        Ok(Vec::new())
    }

    /// A text of 12 letters and digits for a source, made once at random.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn source_suffix(&mut self, source: &str) -> Result<String, WriteError> {
        let _ = source;
        Ok(String::new())
    }

    /// Keeps a token; its number.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn add_token(&mut self, token: &NewToken) -> Result<i64, WriteError> {
        let _ = token;
        Ok(0)
    }

    /// Revokes a token; whether there was one to revoke.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn revoke_token(&mut self, id: i64, now: Time) -> Result<bool, WriteError> {
        let _ = (id, now);
        Ok(false)
    }

    /// Moves a forwarder's cursor, gaps included.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn set_cursor(&mut self, forwarder: &str, cursor: &Cursor) -> Result<(), WriteError> {
        let _ = (forwarder, cursor);
        Ok(())
    }

    /// Keeps dead letters.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn add_dead_letters(&mut self, letters: &[DeadLetter]) -> Result<(), WriteError> {
        let _ = letters;
        Ok(())
    }

    /// Marks something set aside as brought in by the last record.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn take_set_aside(&mut self, ids: &[i64]) -> Result<(), WriteError> {
        let _ = ids;
        Ok(())
    }

    /// Looks through the writer's own connection, so also at a temporary history.
    pub fn look(&self) -> Look<'_> {
        Look { connection: &self.connection, names: &self.names }
    }

    /// A connection for reading from another thread.
    ///
    /// # Errors
    /// When it cannot be opened; a temporary history has none.
    pub fn reader(&self) -> Result<Reader, ReadError> {
        Err(ReadError("not built yet".into()))
    }

    /// What can wait until nothing is to be committed: moves the write-ahead log into
    /// the database and, when `quiet`, shortens it; makes the ballast again.
    ///
    /// # Errors
    /// Only a failed sync; a full device is met at the next commit.
    pub fn tend(&mut self, quiet: bool) -> Result<(), WriteError> {
        let _ = quiet;
        Ok(())
    }

    /// Copies everything to a new file, consistently.
    ///
    /// # Errors
    /// When the copy cannot be written.
    pub fn backup(&self, target: &Path, progress: &mut dyn FnMut(u64, u64)) -> Result<(), ReadError> {
        let _ = (target, progress);
        Ok(())
    }

    /// Bytes handed to the device since the start: frames of the write-ahead log and
    /// pages moved into the database.
    pub fn written_bytes(&self) -> u64 {
        0
    }

    /// Length of the write-ahead log's file.
    pub fn wal_bytes(&self) -> u64 {
        0
    }

    /// Length of the database's file.
    pub fn file_bytes(&self) -> u64 {
        0
    }

    /// Moves everything into the database file and lets go of the lock.
    ///
    /// # Errors
    /// A failed sync.
    pub fn close(self) -> Result<(), WriteError> {
        Ok(())
    }
}
