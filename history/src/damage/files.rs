//! Files set aside.

use observation::Time;
use rusqlite::ErrorCode;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

/// The present time as part of a file's name: `20260301T060000Z`.
pub(crate) fn stamp(now: Time) -> String {
    now.to_string().chars().filter(|c| !matches!(c, '-' | ':' | ' ')).collect()
}

/// Whether SQLite says that what it reads is no sound database.
pub(crate) fn is_damage(error: &rusqlite::Error) -> bool {
    match error {
        rusqlite::Error::SqliteFailure(failure, _) => {
            matches!(failure.code, ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase)
        }
        // A column that holds another type than its own.
        rusqlite::Error::InvalidColumnType(..)
        | rusqlite::Error::IntegralValueOutOfRange(..)
        | rusqlite::Error::FromSqlConversionFailure(..) => true,
        _ => false,
    }
}

/// A database file and those beside it.
#[derive(Clone, Debug)]
pub(crate) struct Files {
    pub(crate) database: PathBuf,
}

fn beside(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

impl Files {
    pub(crate) fn wal(&self) -> PathBuf {
        beside(&self.database, "-wal")
    }

    /// A database that is being made in place of this one.
    pub(crate) fn being_made(&self) -> Self {
        Self { database: beside(&self.database, ".made") }
    }

    /// Ends what a start before began: a database that is made stands complete where the
    /// one whose place it takes is set aside already, and is a part where it is not.
    pub(crate) fn finish(&self, stamp: &str) -> io::Result<()> {
        let made = self.being_made();
        if !made.database.exists() {
            return Ok(());
        }
        if self.database.exists() {
            return made.remove();
        }
        if self.wal().exists() {
            // Its records are in the one that is made; it follows its database.
            std::fs::rename(self.wal(), Self::free(&self.wal(), stamp))?;
        }
        made.take_the_place_of(self)
    }

    /// Gives a closed database the name of another, which is not there any more.
    pub(crate) fn take_the_place_of(&self, other: &Self) -> io::Result<()> {
        std::fs::rename(&self.database, &other.database)?;
        match other.database.parent() {
            Some(folder) => std::fs::File::open(folder)?.sync_all(),
            None => Ok(()),
        }
    }

    /// Removes them, where they are.
    pub(crate) fn remove(&self) -> io::Result<()> {
        for path in [self.wal(), beside(&self.database, "-shm"), self.database.clone()] {
            match std::fs::remove_file(path) {
                Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
                _ => {}
            }
        }
        Ok(())
    }

    /// A name that no file has yet, for `path` set aside at `stamp`.
    fn free(path: &Path, stamp: &str) -> PathBuf {
        let first = beside(path, &format!(".damaged-{stamp}"));
        let more = (2..1_000).map(|n| beside(path, &format!(".damaged-{stamp}-{n}")));
        std::iter::once(first.clone()).chain(more).find(|p| !p.exists()).unwrap_or(first)
    }

    /// Copies the write-ahead log to a dated name.
    pub(crate) fn copy_wal(&self, stamp: &str) -> io::Result<PathBuf> {
        let target = Self::free(&self.wal(), stamp);
        std::fs::copy(self.wal(), &target)?;
        std::fs::File::open(&target)?.sync_all()?;
        Ok(target)
    }

    /// Gives the database and its write-ahead log dated names; the shared memory beside
    /// them holds nothing of its own.
    pub(crate) fn set_aside(&self, stamp: &str) -> io::Result<Self> {
        let aside = Self { database: Self::free(&self.database, stamp) };
        std::fs::rename(&self.database, &aside.database)?;
        if self.wal().exists() {
            std::fs::rename(self.wal(), aside.wal())?;
        }
        match std::fs::remove_file(beside(&self.database, "-shm")) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => Err(e),
            _ => Ok(aside),
        }
    }
}

/// A copy of a damaged database in which SQLite may look for what can still be read: its
/// fixed head is mended, and whatever SQLite does to it, the original stays as it is. It
/// is gone when it is dropped.
#[derive(Debug)]
pub(crate) struct Mended {
    pub(crate) files: Files,
}

impl Mended {
    pub(crate) fn of(original: &Files) -> io::Result<Self> {
        let mended = Self { files: Files { database: beside(&original.database, ".mending") } };
        std::fs::copy(&original.database, &mended.files.database)?;
        if original.wal().exists() {
            std::fs::copy(original.wal(), mended.files.wal())?;
        }
        let file = std::fs::OpenOptions::new().write(true).open(&mended.files.database)?;
        file.write_all_at(MAGIC, 0)?;
        file.write_all_at(&SIZE_AND_VERSIONS, 16)?;
        file.write_all_at(&[0, 0, 0, 4], 44)?;
        file.write_all_at(&[0, 0, 0, 1], 56)?;
        Ok(mended)
    }
}

impl Drop for Mended {
    fn drop(&mut self) {
        for path in
            [self.files.database.clone(), self.files.wal(), beside(&self.files.database, "-shm")]
        {
            // Not being there is what is wanted.
            let _ = std::fs::remove_file(path);
        }
    }
}

const MAGIC: &[u8] = b"SQLite format 3\0";
/// Page size 4,096, write-ahead log for writing and reading, nothing reserved, and three
/// fractions that are always these.
const SIZE_AND_VERSIONS: [u8; 8] = [0x10, 0x00, 2, 2, 0, 64, 32, 32];

/// The last part of a path, for people.
pub(crate) fn name(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

/// Whether the first hundred bytes are those of a file that we wrote; what else may
/// stand there makes SQLite read it otherwise, or not write it (SQLite documentation,
/// "Database File Format", 1.3).
pub(crate) fn has_our_head(path: &Path) -> io::Result<bool> {
    use std::io::Read;
    let mut head = [0_u8; 100];
    if std::fs::File::open(path)?.read_exact(&mut head).is_err() {
        return Ok(false);
    }
    let (formats, encoding) = (head.get(44..48), head.get(56..60));
    Ok(head.starts_with(MAGIC)
        && head.get(16..24) == Some(&SIZE_AND_VERSIONS)
        && matches!(formats, Some([0, 0, 0, 0 | 4]))
        && matches!(encoding, Some([0, 0, 0, 0 | 1])))
}
