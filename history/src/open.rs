//! Opening.

use crate::aside_bounds::AsideUse;
use crate::ballast::Ballast;
use crate::connect;
use crate::damage::{
    Carried, Files, Mended, Suspicion, check, has_our_head, inspect, is_damage, name, rebuild,
    stamp, standing, take_from_frames,
};
use crate::entry::Head;
use crate::fault::{OpenError, WriteError};
use crate::lock::Lock;
use crate::noticed::{is_looked_through, is_suspect};
use crate::schema::VERSION;
use crate::writer::History;
use observation::Time;
use rusqlite::config::DbConfig;
use rusqlite::wal::CheckpointMode;
use rusqlite::{Connection, DEFAULT_NAME};
use std::path::Path;

/// Name of the database within the history's directory.
pub(crate) const DATABASE: &str = "history.sqlite3";

/// How to open.
#[derive(Clone, Debug)]
pub struct Options {
    /// The present time, for the names of what is set aside.
    pub now: Time,
    /// How many of the newest records are checked one by one at start.
    pub verify_newest: u64,
    /// A history of up to so many bytes is checked whole.
    pub whole_up_to: u64,
    /// Bytes kept on the device to be freed when it is full; 0 for none.
    pub ballast: u64,
    /// Most pages of the database, to try a full device; none for SQLite's own limit.
    pub max_pages: Option<u32>,
    /// Most that is set aside of one station, and of all together.
    pub set_aside: [AsideUse; 2],
}

impl Options {
    /// The usual ones.
    pub const fn at(now: Time) -> Self {
        Self {
            now,
            verify_newest: 1_000,
            whole_up_to: 16 << 20,
            ballast: 1 << 20,
            max_pages: None,
            set_aside: [AsideUse::OF_A_STATION, AsideUse::OF_ALL],
        }
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

/// What goes wrong while opening: something for the caller to read, or damage that a
/// new database mends.
enum Stop {
    Failed(OpenError),
    Damaged(String),
}

impl From<rusqlite::Error> for Stop {
    fn from(error: rusqlite::Error) -> Self {
        if is_damage(&error) {
            Self::Damaged(format!("cannot be read ({error})"))
        } else {
            Self::Failed(OpenError::of(DATABASE, &error))
        }
    }
}

impl History {
    /// Whether a directory holds a history, or what a damaged one left: to open it begins
    /// none where there was none.
    pub fn is_there(directory: &Path) -> bool {
        let entries = std::fs::read_dir(directory).into_iter().flatten().flatten();
        let mut names = entries.map(|entry| entry.file_name());
        names.any(|name| name.as_encoded_bytes().starts_with(DATABASE.as_bytes()))
    }

    /// Opens the history of a directory, making both if they are not there, and takes
    /// its lock for as long as the value lives. Damage is set aside and told in
    /// [`Opened::repairs`].
    ///
    /// # Errors
    /// Another process holds it, a later version wrote it, or the directory cannot be
    /// written.
    pub fn open(directory: &Path, options: &Options) -> Result<(Self, Opened), OpenError> {
        std::fs::create_dir_all(directory).map_err(|e| OpenError::of_system(directory, &e))?;
        let lock = Lock::take(directory)?;
        let ballast = Ballast::new(directory.join("ballast"), options.ballast);
        let whole = ballast.length();
        loop {
            match Self::try_open(directory, options) {
                // To start is worth the room that is kept for such a moment.
                Err(OpenError::Full) if ballast.release(whole) => {}
                Err(error) => return Err(error),
                Ok((mut history, opened)) => {
                    ballast.restore();
                    history.hold(ballast, lock);
                    return Ok((history, opened));
                }
            }
        }
    }

    /// Opens under the lock.
    fn try_open(directory: &Path, options: &Options) -> Result<(Self, Opened), OpenError> {
        let failed = |e: std::io::Error| OpenError::of_system(directory, &e);
        let files = Files { database: directory.join(DATABASE) };
        let stamp = stamp(options.now);
        files.finish(&stamp).map_err(failed)?;
        let mut opened = Opened { created: !files.database.exists(), ..Opened::default() };
        let suspect = is_suspect(directory);
        let length = |path: &Path| std::fs::metadata(path).map_or(0, |m| m.len());
        let whole =
            suspect || length(&files.database) + length(&files.wal()) <= options.whole_up_to;

        let suspicion = if opened.created && files.wal().exists() {
            // SQLite would throw it away.
            Suspicion::Alone
        } else {
            inspect(&files.wal()).map_err(failed)?
        };
        let mut kept_wal = match suspicion {
            Suspicion::None => None,
            _ => Some(files.copy_wal(&stamp).map_err(failed)?),
        };
        let new = opened.created;
        let (mut connection, mut anew_already) =
            match sound(&files, new, whole, &mut opened.repairs) {
                Ok(connection) => (connection, false),
                Err(Stop::Failed(error)) => return Err(error),
                Err(Stop::Damaged(reason)) => {
                    (anew(&files, &stamp, &reason, &mut opened.repairs)?, true)
                }
            };
        let mut history = loop {
            if let Some(kept) = kept_wal.take() {
                let taken = take_from_frames(&mut connection, &files.database, &kept)?;
                opened.repairs.push(format!(
                    "the write-ahead log {}; it is kept as {}, and {taken} records were taken from it",
                    suspicion.says(),
                    name(&kept)
                ));
            }
            // Of a large one what is damaged may only be met now.
            // One that was made anew is looked through whole.
            let whole = whole || anew_already;
            match standing_up(connection, &files, options, whole, &mut opened.repairs) {
                Ok(history) => break history,
                Err(Stop::Damaged(reason)) if !anew_already => {
                    anew_already = true;
                    connection = anew(&files, &stamp, &reason, &mut opened.repairs)?;
                }
                Err(Stop::Damaged(reason)) => {
                    return Err(OpenError::Failed(format!("{DATABASE} {reason}")));
                }
                Err(Stop::Failed(error)) => return Err(error),
            }
        };
        // SQLite syncs what is in the file, but not that the file is there.
        std::fs::File::open(directory).and_then(|d| d.sync_all()).map_err(failed)?;
        if let Some(pages) = options.max_pages {
            history
                .connection
                .pragma_update_and_check(None, "max_page_count", pages, |_| Ok(()))
                .map_err(|e| OpenError::of(DATABASE, &e))?;
        }
        if suspect {
            is_looked_through(directory);
        }
        history.aside_limits = options.set_aside;
        opened.last = history.last();
        Ok((history, opened))
    }
}

/// Checks what is in a database, and reads what a writer must know of it.
fn standing_up(
    mut connection: Connection,
    files: &Files,
    options: &Options,
    whole: bool,
    repairs: &mut Vec<String>,
) -> Result<History, Stop> {
    let told = standing(&mut connection, options.verify_newest, whole, options.now)?;
    repairs.extend(told);
    Ok(History::new(connection, Some(files.database.clone()))?)
}

/// Opens a database that is sound as far as is looked at start.
fn sound(
    files: &Files,
    new: bool,
    whole: bool,
    repairs: &mut Vec<String>,
) -> Result<Connection, Stop> {
    let unreadable =
        |e: std::io::Error| Stop::Failed(OpenError::Failed(format!("{DATABASE}: {e}")));
    if !new && !has_our_head(&files.database).map_err(unreadable)? {
        return Err(Stop::Damaged("has no sound head".into()));
    }
    let mut connection = connect::writing(&files.database)?;
    // Until it is known to be sound, closing it may not change the files.
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
    inside(&mut connection, files, whole, repairs)?;
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, false)?;
    Ok(connection)
}

fn inside(
    connection: &mut Connection,
    files: &Files,
    whole: bool,
    repairs: &mut Vec<String>,
) -> Result<(), Stop> {
    let version = connect::version(connection)?;
    if version == 0 && connect::is_empty(connection)? {
        connect::create(connection, &uuid::Uuid::new_v4().to_string())?;
        return moved(connection);
    }
    if (1..VERSION).contains(&version)
        && connect::version_in_table(connection).unwrap_or(None) == Some(version)
    {
        connect::migrate(connection, version)?;
    } else if version != VERSION {
        match connect::version_in_table(connection).unwrap_or(None) {
            Some(VERSION) => {}
            Some(repeated) if repeated == version => {
                return Err(Stop::Failed(OpenError::TooNew { version }));
            }
            _ => return Err(Stop::Damaged("has a damaged version".into())),
        }
        connection.pragma_update(None, "user_version", VERSION)?;
        repairs.push(format!(
            "the version {version} in the head of {DATABASE} was damaged; it is {VERSION}"
        ));
    }
    // What SQLite recovers goes into the file, so that its length can be judged.
    moved(connection)?;
    let length = std::fs::metadata(&files.database).map_or(0, |m| m.len())
        + std::fs::metadata(files.wal()).map_or(0, |m| m.len());
    match check(connection, length, whole)? {
        Some(fault) => Err(Stop::Damaged(fault)),
        None => Ok(()),
    }
}

/// Moves the write-ahead log into the database; only a failed sync must stop the start.
fn moved(connection: &Connection) -> Result<(), Stop> {
    match connection
        .wal_checkpoint_v2(DEFAULT_NAME, CheckpointMode::TRUNCATE)
        .map_err(WriteError::from)
    {
        Err(sync @ WriteError::Sync(_)) => Err(Stop::Failed(sync.into())),
        _ => Ok(()),
    }
}

/// Begins a new database with what is readable of a damaged one, and sets that aside. The
/// new one is made whole under another name first: when there is no room for it, or the
/// power goes meanwhile, the damaged one is still in its place and the next start does the
/// same again.
fn anew(
    files: &Files,
    stamp: &str,
    reason: &str,
    repairs: &mut Vec<String>,
) -> Result<Connection, OpenError> {
    let system = |e: std::io::Error| OpenError::of_system(&files.database, &e);
    let failed = |e: rusqlite::Error| OpenError::of(DATABASE, &e);
    let made = files.being_made();
    made.remove().map_err(system)?;
    let line = match made_of(files, &made) {
        Ok(line) => line,
        Err(error) => {
            // Its room is wanted. What stays of it is removed at the next start.
            let _ = made.remove();
            return Err(error);
        }
    };
    let aside = files.set_aside(stamp).map_err(system)?;
    made.take_the_place_of(files).map_err(system)?;
    repairs.push(format!("{DATABASE} {reason}; {line}; it is kept as {}", name(&aside.database)));
    connect::writing(&files.database).map_err(failed)
}

/// The new database, closed and synced; the line to tell.
fn made_of(files: &Files, made: &Files) -> Result<String, OpenError> {
    let failed = |e: rusqlite::Error| OpenError::of(DATABASE, &e);
    let mended = match Mended::of(files) {
        Ok(mended) => Some(mended),
        // What stands beside the log is not given up for want of room.
        Err(e) if e.kind() == std::io::ErrorKind::StorageFull => return Err(OpenError::Full),
        Err(_) => None,
    };
    let old = mended.as_ref().and_then(|m| connect::mending(&m.files.database).ok());
    let carried = old.as_ref().map_or_else(Carried::nothing, Carried::read);
    let mut connection = connect::writing(&made.database).map_err(failed)?;
    let line = rebuild(&mut connection, files, carried, old.as_ref())?;
    drop(old);
    drop(mended);
    // All of it: a part that stays in the write-ahead log would be left behind.
    connection.wal_checkpoint_v2(DEFAULT_NAME, CheckpointMode::TRUNCATE).map_err(failed)?;
    connection.close().map_err(|(_, e)| failed(e))?;
    if std::fs::metadata(made.wal()).is_ok_and(|m| m.len() > 0) {
        return Err(OpenError::Failed(format!("{} is not whole", made.database.display())));
    }
    Ok(line)
}
