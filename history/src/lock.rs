//! One process at a time writes a history.

use crate::fault::OpenError;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Write};
use std::path::Path;

/// The lock, held until it is dropped or the process ends. The kernel lets go of it;
/// the file stays.
#[derive(Debug)]
pub(crate) struct Lock {
    _file: File,
}

impl Lock {
    pub(crate) fn take(directory: &Path) -> Result<Self, OpenError> {
        let path = directory.join("history.lock");
        let failed = |e: std::io::Error| OpenError::Failed(format!("{}: {e}", path.display()));
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(failed)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut text = String::new();
                let _ = file.take(20).read_to_string(&mut text);
                return Err(OpenError::Locked { holder: text.trim().parse().ok(), lock: path });
            }
            Err(TryLockError::Error(e)) => return Err(failed(e)),
        }
        // Only a courtesy to whoever finds the lock taken.
        let _ = file.set_len(0);
        let _ = writeln!(file, "{}", std::process::id());
        Ok(Self { _file: file })
    }
}
