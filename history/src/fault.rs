//! What can fail, told apart by what the caller must do about it.

use crate::damage::is_damage;
use rusqlite::{Error as Sqlite, ErrorCode, ffi};
use std::fmt;
use std::path::{Path, PathBuf};

/// Why the history could not be opened.
#[derive(Debug)]
pub enum OpenError {
    /// Another process holds it.
    Locked {
        /// The lock file.
        lock: PathBuf,
        /// The process that wrote its number there, if it did.
        holder: Option<u32>,
    },
    /// It was written by a later version of the program.
    TooNew {
        /// The version found.
        version: i64,
    },
    /// No space is left, and the ballast's did not do.
    Full,
    /// It cannot be read or written; the reason names the file.
    Failed(String),
}

impl fmt::Display for OpenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Locked { lock, holder: Some(process) } => {
                write!(f, "{} is held by process {process}", lock.display())
            }
            Self::Locked { lock, holder: None } => {
                write!(f, "{} is held by another process", lock.display())
            }
            Self::TooNew { version } => write!(
                f,
                "the history has version {version}, written by a later isobarn; this one knows versions up to {}",
                crate::schema::VERSION
            ),
            Self::Full => f.write_str("no space is left on its device"),
            Self::Failed(reason) => f.write_str(reason),
        }
    }
}

impl std::error::Error for OpenError {}

/// Whether there was no room: for a page, or for the index of the write-ahead log.
pub(crate) fn is_full(error: &Sqlite) -> bool {
    matches!(error, Sqlite::SqliteFailure(failure, _) if failure.code == ErrorCode::DiskFull
        || failure.extended_code == ffi::SQLITE_IOERR_SHMSIZE)
}

impl OpenError {
    /// What SQLite says of `file`.
    pub(crate) fn of(file: &str, error: &Sqlite) -> Self {
        if is_full(error) { Self::Full } else { Self::Failed(format!("{file}: {error}")) }
    }

    /// What the system says of a path.
    pub(crate) fn of_system(path: &Path, error: &std::io::Error) -> Self {
        if error.kind() == std::io::ErrorKind::StorageFull {
            Self::Full
        } else {
            Self::Failed(format!("{}: {error}", path.display()))
        }
    }
}

/// Why something was not written. Nothing of it is there then.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WriteError {
    /// No space is left. Keep what was to be written and try again.
    Full,
    /// The write failed. Keep what was to be written and try again.
    Failed(String),
    /// What is there is damaged. End the process; the next start looks through all of it
    /// and mends it.
    Damaged(String),
    /// The sync failed: nobody knows what the device holds, and a later sync that
    /// succeeds would prove nothing. End the process; the next start reads what is there.
    Sync(String),
}

impl fmt::Display for WriteError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Full => f.write_str("no space is left for the history"),
            Self::Failed(reason) => write!(f, "the history cannot be written: {reason}"),
            Self::Damaged(reason) => write!(f, "the history is damaged: {reason}"),
            Self::Sync(reason) => write!(f, "the history cannot be synced: {reason}"),
        }
    }
}

impl WriteError {
    /// Whether trying again in this process would be wrong.
    pub const fn is_final(&self) -> bool {
        matches!(self, Self::Sync(_) | Self::Damaged(_))
    }
}

impl std::error::Error for WriteError {}

impl From<Sqlite> for WriteError {
    fn from(error: Sqlite) -> Self {
        match &error {
            Sqlite::SqliteFailure(failure, _) => match failure.extended_code {
                ffi::SQLITE_IOERR_FSYNC | ffi::SQLITE_IOERR_DIR_FSYNC => {
                    Self::Sync(error.to_string())
                }
                _ if is_full(&error) => Self::Full,
                _ if is_damage(&error) => Self::Damaged(error.to_string()),
                _ => Self::Failed(error.to_string()),
            },
            _ => Self::Failed(error.to_string()),
        }
    }
}

/// Why something could not be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReadError(pub String);

impl ReadError {
    /// There is no history in a directory.
    pub fn none_in(directory: &std::path::Path) -> Self {
        Self(format!(
            "there is none in {}; `isobarn run` begins one, and `[history] directory` says where",
            directory.display()
        ))
    }
}

impl fmt::Display for ReadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "the history cannot be read: {}", self.0)
    }
}

impl std::error::Error for ReadError {}

impl From<Sqlite> for ReadError {
    fn from(error: Sqlite) -> Self {
        if is_damage(&error) {
            return Self(format!("{error}; {DAMAGE}"));
        }
        Self(error.to_string())
    }
}

/// What to do about a database that SQLite finds damaged.
const DAMAGE: &str =
    "`isobarn check --history` looks through all of it, and the next start after that mends it";

impl ReadError {
    /// Whether the database itself is damaged, so that the next start should look through
    /// all of it.
    pub fn is_damage(&self) -> bool {
        self.0.ends_with(DAMAGE)
    }
}

impl From<ReadError> for OpenError {
    fn from(error: ReadError) -> Self {
        Self::Failed(error.to_string())
    }
}

impl From<WriteError> for OpenError {
    fn from(error: WriteError) -> Self {
        match error {
            WriteError::Full => Self::Full,
            _ => Self::Failed(error.to_string()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_device_a_failed_write_and_a_failed_sync_are_told_apart() {
        let error =
            |code: i32| WriteError::from(Sqlite::SqliteFailure(ffi::Error::new(code), None));
        assert_eq!(error(ffi::SQLITE_FULL), WriteError::Full);
        assert!(matches!(error(ffi::SQLITE_IOERR_WRITE), WriteError::Failed(_)));
        assert!(matches!(error(ffi::SQLITE_BUSY), WriteError::Failed(_)));
        assert!(matches!(error(ffi::SQLITE_IOERR_FSYNC), WriteError::Sync(_)));
        assert!(matches!(error(ffi::SQLITE_IOERR_DIR_FSYNC), WriteError::Sync(_)));
    }
}
