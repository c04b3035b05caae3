//! A backup put in the place of a history that is not there.

use crate::connect;
use crate::fault::OpenError;
use crate::lock::Lock;
use crate::open::DATABASE;
use rusqlite::config::DbConfig;
use std::path::Path;

/// Name of the copy while it is checked.
const COPY: &str = "history.sqlite3.restoring";

/// Copies a backup into a directory that has no history, after checking every page,
/// record and block of the copy. `progress` is told the log number checked last.
///
/// # Errors
/// The directory has a history or is in use, the backup is damaged or is none, or it
/// cannot be copied. Then nothing has changed.
pub fn restore(
    backup: &Path,
    directory: &Path,
    progress: &mut dyn FnMut(u64),
) -> Result<(), OpenError> {
    let failed =
        |path: &Path, e: std::io::Error| OpenError::Failed(format!("{}: {e}", path.display()));
    std::fs::create_dir_all(directory).map_err(|e| failed(directory, e))?;
    let _lock = Lock::take(directory)?;
    for name in [DATABASE, "history.sqlite3-wal"] {
        let path = directory.join(name);
        if path.exists() {
            return Err(OpenError::Failed(format!(
                "{} is there already; move it away first",
                path.display()
            )));
        }
    }
    let copy = directory.join(COPY);
    let result = std::fs::copy(backup, &copy)
        .map_err(|e| failed(backup, e))
        .and_then(|_| checked(&copy, backup, progress))
        .and_then(|()| {
            let file = std::fs::File::open(&copy).map_err(|e| failed(&copy, e))?;
            file.sync_all().map_err(|e| failed(&copy, e))?;
            std::fs::rename(&copy, directory.join(DATABASE)).map_err(|e| failed(&copy, e))?;
            std::fs::File::open(directory)
                .and_then(|d| d.sync_all())
                .map_err(|e| failed(directory, e))
        });
    for end in ["", "-wal", "-shm"] {
        // After success none of them is there.
        let _ = std::fs::remove_file(directory.join(format!("{COPY}{end}")));
    }
    result
}

fn checked(copy: &Path, backup: &Path, progress: &mut dyn FnMut(u64)) -> Result<(), OpenError> {
    let bad = |reason: String| OpenError::Failed(format!("{}: {reason}", backup.display()));
    let mut connection = connect::writing(copy).map_err(|e| bad(e.to_string()))?;
    connection
        .set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, false)
        .map_err(|e| bad(e.to_string()))?;
    let version = connect::version(&connection).map_err(|e| bad(e.to_string()))?;
    if version > crate::schema::VERSION {
        return Err(OpenError::TooNew { version });
    }
    let repeated = connect::version_in_table(&connection).map_err(|e| bad(e.to_string()))?;
    if version < 1 || repeated != Some(version) {
        return Err(bad("is no history".into()));
    }
    if version < crate::schema::VERSION {
        connect::migrate(&mut connection, version).map_err(|e| bad(e.to_string()))?;
    }
    let faults = crate::damage::verify(&connection, progress).map_err(|e| bad(e.to_string()))?;
    match faults.first() {
        // A fault of the whole file says so itself.
        Some(fault) if fault.starts_with("is damaged") => Err(bad(fault.clone())),
        Some(fault) => Err(bad(format!("is damaged: {fault}"))),
        None => Ok(()),
    }
}
