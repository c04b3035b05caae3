//! Reading. A [`Look`] answers questions over one connection: the writer's own, or a
//! [`Reader`]'s. Every question reads a bounded part and holds no read transaction
//! longer than a bounded number of rows, so that no reader can keep the write-ahead
//! log from shrinking.

use crate::carriers::Carriers;
use crate::connect;
use crate::entry::{Head, Record};
use crate::fault::{OpenError, ReadError};
use crate::names::Names;
use crate::noticed::Noticed;
use crate::row::{self, COLUMNS, body_of, row_of};
use observation::{Message, Property, Series, StationIndex};
use rusqlite::{Connection, OptionalExtension};
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// Read access from another thread or another process.
#[derive(Debug)]
pub struct Reader {
    pub(crate) connection: Connection,
    names: Arc<Names>,
    path: PathBuf,
    /// Only of a writer in this process.
    carriers: Option<Arc<Carriers>>,
    noticed: Arc<Noticed>,
}

impl Reader {
    pub(crate) fn new(
        path: &Path,
        names: Arc<Names>,
        carriers: Arc<Carriers>,
        noticed: Arc<Noticed>,
    ) -> Result<Self, ReadError> {
        let connection = connect::reading(path)?;
        Ok(Self { connection, names, path: path.to_owned(), carriers: Some(carriers), noticed })
    }

    /// Notes damage where a writer in this process finds it.
    #[must_use]
    pub fn noting(self, noticed: Arc<Noticed>) -> Self {
        Self { noticed, ..self }
    }

    pub(crate) fn noticed(&self) -> &Noticed {
        &self.noticed
    }

    /// Opens the history of a directory for reading only, beside whoever writes it.
    ///
    /// # Errors
    /// No history there, or one that cannot be read.
    pub fn open(
        directory: &Path,
        property: &Property,
        series: &[Series],
        sources: &[String],
    ) -> Result<Self, ReadError> {
        let path = directory.join(crate::open::DATABASE);
        if !path.is_file() {
            return Err(ReadError::none_in(directory));
        }
        let connection = connect::reading(&path)?;
        let version = connect::version(&connection)?;
        if version != crate::schema::VERSION {
            return Err(ReadError(format!("{} has version {version}", path.display())));
        }
        let (known, _) = row::known(&connection)?;
        let names = Arc::new(Names::new(property, series, sources, &known));
        Ok(Self { connection, names, path, carriers: None, noticed: Arc::default() })
    }

    /// The names behind the indices in all answers.
    pub fn names(&self) -> &Arc<Names> {
        &self.names
    }

    /// Looks through this connection.
    pub fn look(&self) -> Look<'_> {
        let Self { connection, names, carriers, noticed, .. } = self;
        Look { connection, names, carriers: carriers.as_deref(), noticed }
    }

    /// The property's UUID.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn property_id(&self) -> Result<String, ReadError> {
        Ok(self.connection.query_row("SELECT uuid FROM property", [], |r| r.get(0))?)
    }

    /// Copies everything as it is now to a new file, while others write. `progress` is
    /// told the pages done and the pages in all.
    ///
    /// # Errors
    /// The file is there already, or cannot be written; what was written of it is taken
    /// away again.
    pub fn backup(
        &self,
        target: &Path,
        progress: &mut dyn FnMut(u64, u64),
    ) -> Result<(), OpenError> {
        let failed = |e: std::io::Error| {
            OpenError::Failed(match e.kind() {
                std::io::ErrorKind::AlreadyExists => {
                    format!("{} is there already; name another file", target.display())
                }
                _ => format!("{}: {e}", target.display()),
            })
        };
        let file = std::fs::OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(target)
            .map_err(failed)?;
        let copied = self
            .copy(target, progress)
            .map_err(|e| OpenError::Failed(format!("{}: {e}", target.display())))
            .and_then(|()| file.sync_all().map_err(failed));
        if copied.is_err() {
            // Half a copy is none.
            let _ = std::fs::remove_file(target);
        }
        copied
    }

    fn copy(&self, target: &Path, progress: &mut dyn FnMut(u64, u64)) -> rusqlite::Result<()> {
        // One snapshot for all steps: without it every commit would start the copy anew.
        let source = connect::reading(&self.path)?;
        source.execute_batch("BEGIN")?;
        source.query_row("SELECT count(*) FROM property", [], |_| Ok(()))?;
        let mut copy = Connection::open(target)?;
        let backup = rusqlite::backup::Backup::new(&source, &mut copy)?;
        while backup.step(1_024)? != rusqlite::backup::StepResult::Done {
            let at = backup.progress();
            let pages = u64::try_from(at.pagecount).unwrap_or(0);
            progress(pages - u64::try_from(at.remaining).unwrap_or(0).min(pages), pages);
        }
        Ok(())
    }

    /// Ends any question that takes longer than this, counted from now, with an error;
    /// none for no limit.
    ///
    /// # Errors
    /// When the connection refuses to be watched.
    pub fn limit(&mut self, time: Option<Duration>) -> Result<(), ReadError> {
        let until = time.map(|t| std::time::Instant::now() + t);
        let handler = until.map(|until| move || std::time::Instant::now() > until);
        Ok(self.connection.progress_handler(1_000, handler)?)
    }
}

/// Questions to the history.
#[derive(Clone, Copy, Debug)]
pub struct Look<'a> {
    pub(crate) connection: &'a Connection,
    pub(crate) names: &'a Names,
    pub(crate) carriers: Option<&'a Carriers>,
    pub(crate) noticed: &'a Noticed,
}

/// Records in the order of the log, a bounded number held at a time.
#[derive(Debug)]
pub struct Records<'a> {
    look: Look<'a>,
    next: u64,
    held: VecDeque<Result<Record, ReadError>>,
    ended: bool,
}

/// Most records, and about how many packed bytes, are held.
const HELD: i64 = 64;
const HELD_BYTES: usize = 1 << 20;

impl Records<'_> {
    fn fetch(&mut self) -> Result<(), ReadError> {
        let mut statement = self.look.connection.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM log WHERE number >= ?1 ORDER BY number LIMIT ?2"
        ))?;
        let mut rows = statement.query([self.next.cast_signed(), HELD])?;
        let mut bytes = 0;
        while bytes < HELD_BYTES
            && let Some(found) = rows.next()?
        {
            let number = found.get::<_, i64>(0)?.cast_unsigned();
            self.next = number + 1;
            let record = match row_of(found).and_then(|row| Ok((row, body_of(found)?))) {
                Ok((row, body)) => {
                    bytes += body.len();
                    let record = row::decode(&row, body, self.look.names);
                    if record.is_err() && row.open(body).is_err() {
                        self.look.noticed.record(number);
                    }
                    record
                }
                Err(error) => {
                    self.look.noticed.record(number);
                    Err(ReadError(format!("record {number}: {error}")))
                }
            };
            self.held.push_back(record);
        }
        Ok(())
    }
}

impl Iterator for Records<'_> {
    type Item = Result<Record, ReadError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.held.is_empty() && !self.ended {
            if let Err(error) = self.fetch() {
                self.ended = true;
                return Some(Err(error));
            }
            self.ended = self.held.is_empty();
        }
        self.held.pop_front()
    }
}

impl<'a> Look<'a> {
    /// The names behind the indices in all answers.
    pub fn names(&self) -> &'a Names {
        self.names
    }

    /// The head of the first record.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn first(&self) -> Result<Option<Head>, ReadError> {
        Ok(row::first(self.connection)?)
    }

    /// The head of the last record.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn last(&self) -> Result<Option<Head>, ReadError> {
        Ok(row::last(self.connection)?)
    }

    /// The records from a number on, to the end of the log as it stands when it is
    /// reached. A record that cannot be decoded is an error in its place, and the next
    /// call goes on behind it; after an error of the database there is no more.
    pub fn records(&self, from: u64) -> Records<'a> {
        Records { look: *self, next: from, held: VecDeque::new(), ended: false }
    }

    /// Checks the whole database and every record, and changes nothing: each fault in
    /// a line. `progress` is told the number that was checked last.
    ///
    /// # Errors
    /// When the database cannot be read at all.
    pub fn verify(&self, progress: &mut dyn FnMut(u64)) -> Result<Vec<String>, ReadError> {
        crate::damage::verify(self.connection, progress)
    }

    /// One record.
    ///
    /// # Errors
    /// When the database cannot be read, or the record cannot be decoded.
    pub fn one(&self, number: u64) -> Result<Option<Record>, ReadError> {
        self.with_row(number, |row, body| row::decode(row, body, self.names))
    }

    /// The messages of one station in one record.
    ///
    /// # Errors
    /// When the database cannot be read, or the record cannot be decoded.
    pub fn messages(&self, number: u64, station: StationIndex) -> Result<Vec<Message>, ReadError> {
        use crate::record::{Wanted, decode_messages, kind};
        let found = self.with_row(number, |row, body| {
            if row.kind != kind::BATCH {
                return Ok(Vec::new());
            }
            decode_messages(row, body, self.names, Wanted::Station(station))
                .map_err(|e| ReadError(format!("record {number}: {e}")))
        })?;
        Ok(found.unwrap_or_default())
    }

    fn with_row<T>(
        &self,
        number: u64,
        read: impl Fn(&crate::record::Row, &[u8]) -> Result<T, ReadError>,
    ) -> Result<Option<T>, ReadError> {
        let mut statement = self
            .connection
            .prepare_cached(&format!("SELECT {COLUMNS} FROM log WHERE number = ?1"))?;
        let found = statement
            .query_row([number.cast_signed()], |found| Ok(read(&row_of(found)?, body_of(found)?)))
            .optional()?;
        found.transpose()
    }
}
