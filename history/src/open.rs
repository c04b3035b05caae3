//! Opening.

use crate::ballast::Ballast;
use crate::connect;
use crate::entry::Head;
use crate::fault::OpenError;
use crate::lock::Lock;
use crate::schema::VERSION;
use crate::writer::History;
use observation::Time;
use std::path::Path;

/// Name of the database within the history's directory.
pub(crate) const DATABASE: &str = "history.sqlite3";

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

impl History {
    /// Opens the history of a directory, making both if they are not there, and takes
    /// its lock for as long as the value lives.
    ///
    /// # Errors
    /// Another process holds it, a later version wrote it, or the directory cannot be
    /// written.
    pub fn open(directory: &Path, options: &Options) -> Result<(Self, Opened), OpenError> {
        let failed = |e: std::io::Error| OpenError::Failed(format!("{}: {e}", directory.display()));
        std::fs::create_dir_all(directory).map_err(failed)?;
        let lock = Lock::take(directory)?;
        let path = directory.join(DATABASE);
        let sqlite = |e: rusqlite::Error| OpenError::Failed(format!("{}: {e}", path.display()));
        let mut opened = Opened { created: !path.exists(), ..Opened::default() };
        let mut connection = connect::writing(&path).map_err(sqlite)?;
        match connect::version(&connection).map_err(sqlite)? {
            0 => {
                connect::create(&mut connection, &uuid::Uuid::new_v4().to_string()).map_err(sqlite)?;
                // SQLite syncs what is in the file, but not that the file is there.
                std::fs::File::open(directory).and_then(|d| d.sync_all()).map_err(failed)?;
            }
            VERSION => {}
            version => return Err(OpenError::TooNew { version }),
        }
        if let Some(pages) = options.max_pages {
            connection
                .pragma_update_and_check(None, "max_page_count", pages, |_| Ok(()))
                .map_err(sqlite)?;
        }
        let ballast = Ballast::new(directory.join("ballast"), options.ballast);
        ballast.restore();
        let history = Self::new(connection, Some((path, ballast, lock)))?;
        opened.last = history.last();
        Ok((history, opened))
    }
}
