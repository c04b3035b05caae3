//! The write-ahead log as its writer sees it: how many frames it has, what was handed
//! to the device, and when it is moved into the database.
//!
//! Frames are counted by SQLite's own hook after each commit. A checkpoint writes each
//! page that the log holds once; which ones is read from the heads of its frames.

use crate::fault::WriteError;
use rusqlite::wal::CheckpointMode;
use rusqlite::{Connection, DEFAULT_NAME};
use std::collections::HashSet;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// The log is moved into the database when it has this many frames.
const ENOUGH: u64 = 1_000;
const FRAME_HEAD: u64 = 24;
const FILE_HEAD: u64 = 32;

#[derive(Debug)]
pub(crate) struct Frames {
    /// As the hook saw it after the last commit.
    seen: Arc<AtomicU64>,
    counted: u64,
    /// Frames already moved.
    moved: u64,
    pub(crate) written: u64,
    page: u64,
    path: Option<PathBuf>,
}

impl Frames {
    pub(crate) fn watch(
        connection: &mut Connection,
        database: Option<&Path>,
    ) -> rusqlite::Result<Self> {
        let seen = Arc::new(AtomicU64::new(0));
        let hooked = Arc::clone(&seen);
        connection.wal_hook(Some(move |_: &mut rusqlite::hooks::Wal, frames| {
            hooked.store(u64::try_from(frames).unwrap_or(0), Ordering::Relaxed);
            Ok(())
        }))?;
        let page: i64 = connection.query_row("PRAGMA page_size", [], |r| r.get(0))?;
        let path = database.map(|d| {
            let mut name = d.as_os_str().to_owned();
            name.push("-wal");
            PathBuf::from(name)
        });
        let page = u64::try_from(page).unwrap_or(4_096);
        let mut frames = Self { seen, counted: 0, moved: 0, written: 0, page, path };
        if frames.path.is_some() {
            let (seen, moved) =
                connection.wal_checkpoint_v2(DEFAULT_NAME, CheckpointMode::PASSIVE)?;
            frames.counted = u64::try_from(seen).unwrap_or(0);
            frames.moved = u64::try_from(moved).unwrap_or(0);
            frames.seen.store(frames.counted, Ordering::Relaxed);
        }
        Ok(frames)
    }

    /// Counts what a commit wrote; whether the log has grown enough to be moved.
    pub(crate) fn after_commit(&mut self) -> bool {
        let seen = self.seen.load(Ordering::Relaxed);
        if seen < self.counted {
            // The log began anew from its start.
            (self.counted, self.moved) = (0, 0);
        }
        if seen > self.counted {
            let head = if self.counted == 0 { FILE_HEAD } else { 0 };
            self.written += (seen - self.counted) * (self.page + FRAME_HEAD) + head;
        }
        self.counted = seen;
        seen >= ENOUGH && seen > self.moved
    }

    /// Moves the log into the database as far as readers let it.
    pub(crate) fn checkpoint(
        &mut self,
        connection: &Connection,
        mode: CheckpointMode,
    ) -> Result<(), WriteError> {
        if self.path.is_none() {
            return Ok(());
        }
        let pages = self.pages(self.moved);
        let (_, moved) = connection.wal_checkpoint_v2(DEFAULT_NAME, mode)?;
        // A log that was cut to nothing was moved whole, but is told as nothing.
        let emptied = matches!(mode, CheckpointMode::TRUNCATE) && self.bytes() == 0;
        let moved = if emptied { self.counted } else { u64::try_from(moved).unwrap_or(0) };
        if moved > self.moved {
            self.written += pages * self.page;
            self.moved = moved;
        }
        if emptied {
            self.seen.store(0, Ordering::Relaxed);
            (self.counted, self.moved) = (0, 0);
        }
        Ok(())
    }

    /// How many different pages the frames from `from` on hold.
    fn pages(&self, from: u64) -> u64 {
        let Some(file) = self.path.as_ref().and_then(|p| File::open(p).ok()) else { return 0 };
        let mut pages = HashSet::new();
        for frame in from..self.counted {
            let mut number = [0_u8; 4];
            if file
                .read_exact_at(&mut number, FILE_HEAD + frame * (self.page + FRAME_HEAD))
                .is_err()
            {
                break;
            }
            pages.insert(number);
        }
        pages.len() as u64
    }

    /// Whether there is anything to move.
    pub(crate) fn waiting(&self) -> bool {
        self.counted > self.moved
    }

    /// Asks the next start to look through everything.
    pub(crate) fn suspect(&self) {
        if let Some(directory) = self.path.as_deref().and_then(Path::parent) {
            // Where it cannot be noted the next start checks what it always does.
            let _ = crate::noticed::suspect(directory);
        }
    }

    /// Length of the log's file.
    pub(crate) fn bytes(&self) -> u64 {
        self.path.as_ref().and_then(|p| std::fs::metadata(p).ok()).map_or(0, |m| m.len())
    }
}
