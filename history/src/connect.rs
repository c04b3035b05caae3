//! Connections to the database file, and what every one of them is told.

use crate::schema::{APPLICATION, STEPS, TABLES, VERSION};
use rusqlite::config::DbConfig;
use rusqlite::{Connection, ErrorCode, OpenFlags, OptionalExtension};
use std::ffi::OsString;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The connection that writes. What is acknowledged must outlive a power cut, so each
/// commit is synced; the write-ahead log is moved into the database by the writer
/// itself, when it suits.
pub(crate) fn writing(path: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
        | OpenFlags::SQLITE_OPEN_CREATE
        | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags)?;
    connection.busy_timeout(Duration::from_secs(5))?;
    prepared(&connection)?;
    connection.execute_batch(
        "PRAGMA page_size = 4096; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA wal_autocheckpoint = 0;
         PRAGMA journal_size_limit = 16777216; PRAGMA trusted_schema = OFF; PRAGMA foreign_keys = OFF;
         PRAGMA cell_size_check = ON;",
    )?;
    Ok(connection)
}

/// Statements are prepared once. Without the second line SQLite parses one anew for each
/// set of values where a partial index might serve some values and not others: that took
/// most of the time of looking back.
fn prepared(connection: &Connection) -> rusqlite::Result<()> {
    connection.set_prepared_statement_cache_capacity(64);
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
    Ok(())
}

/// A connection that only reads, beside whoever writes. On a device that takes no writes
/// nobody does: there a database without a write-ahead log, for which SQLite would make
/// files of its own, is read as it lies.
pub(crate) fn reading(path: &Path) -> rusqlite::Result<Connection> {
    let connection = read_only(path)?;
    match version(&connection) {
        Err(rusqlite::Error::SqliteFailure(failure, _))
            if matches!(failure.code, ErrorCode::CannotOpen | ErrorCode::ReadOnly)
                && is_alone(path) =>
        {
            read_only(&as_it_lies(path))
        }
        Err(error) => Err(error),
        Ok(_) => Ok(connection),
    }
}

fn read_only(path: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
        | OpenFlags::SQLITE_OPEN_NO_MUTEX
        | OpenFlags::SQLITE_OPEN_URI;
    let connection = Connection::open_with_flags(path, flags)?;
    connection.busy_timeout(Duration::from_secs(2))?;
    prepared(&connection)?;
    connection.execute_batch("PRAGMA query_only = ON; PRAGMA trusted_schema = OFF;")?;
    Ok(connection)
}

/// Whether no write-ahead log lies beside it.
fn is_alone(path: &Path) -> bool {
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    std::fs::metadata(log).map_or(true, |m| m.len() == 0)
}

/// The path as SQLite's URI of a file that does not change.
fn as_it_lies(path: &Path) -> PathBuf {
    let mut uri = b"file:".to_vec();
    for &byte in path.as_os_str().as_bytes() {
        match byte {
            b'/' | b'.' | b'-' | b'_' => uri.push(byte),
            byte if byte.is_ascii_alphanumeric() => uri.push(byte),
            byte => uri.extend_from_slice(format!("%{byte:02X}").as_bytes()),
        }
    }
    uri.extend_from_slice(b"?immutable=1");
    PathBuf::from(OsString::from_vec(uri))
}

/// A connection to a copy of a damaged database: tables whose own text in the layout is
/// damaged do not keep the others from being read.
pub(crate) fn mending(path: &Path) -> rusqlite::Result<Connection> {
    let connection = Connection::open(path)?;
    connection.execute_batch(
        "PRAGMA writable_schema = ON; PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON;",
    )?;
    Ok(connection)
}

/// A private file of SQLite's own that is gone with the connection.
pub(crate) fn temporary() -> rusqlite::Result<Connection> {
    let connection = Connection::open("")?;
    prepared(&connection)?;
    connection.execute_batch("PRAGMA journal_mode = MEMORY; PRAGMA synchronous = OFF;")?;
    Ok(connection)
}

/// The layout's version; 0 for an empty file.
pub(crate) fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("PRAGMA user_version", [], |r| r.get(0))
}

/// The version as the tables repeat it, so that a damaged one is not taken for that of
/// a later program; none where there are no tables.
pub(crate) fn version_in_table(connection: &Connection) -> rusqlite::Result<Option<i64>> {
    let there: bool = connection.query_row(
        "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE name = 'property')",
        [],
        |r| r.get(0),
    )?;
    if !there {
        return Ok(None);
    }
    connection.query_row("SELECT version FROM property", [], |r| r.get(0)).optional()
}

/// Whether there is nothing in the database at all.
pub(crate) fn is_empty(connection: &Connection) -> rusqlite::Result<bool> {
    connection.query_row("SELECT NOT EXISTS (SELECT 1 FROM sqlite_schema)", [], |r| r.get(0))
}

/// Makes the tables, and the property's UUID.
pub(crate) fn create(connection: &mut Connection, uuid: &str) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    transaction.execute_batch(TABLES)?;
    transaction.execute("INSERT INTO property (uuid, version) VALUES (?1, ?2)", (uuid, VERSION))?;
    transaction.pragma_update(None, "application_id", APPLICATION)?;
    transaction.pragma_update(None, "user_version", VERSION)?;
    transaction.commit()
}

/// Brings a database of an earlier version to this one, in one transaction.
pub(crate) fn migrate(connection: &mut Connection, from: i64) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    for (version, step) in (1..).zip(STEPS) {
        if version >= from {
            transaction.execute_batch(step)?;
        }
    }
    transaction.execute("UPDATE property SET version = ?1", [VERSION])?;
    transaction.pragma_update(None, "user_version", VERSION)?;
    transaction.commit()
}
