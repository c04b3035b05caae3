//! A file of no use but its room: freed bit by bit when the device is full, so that
//! cursors can still be written and a start still succeeds, and made again when there is
//! room.

use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::PathBuf;

/// Room given at first; each further time as much again as was given before.
const LEAST: u64 = 64 << 10;
const BLOCK: usize = 64 << 10;

#[derive(Debug)]
pub(crate) struct Ballast {
    path: PathBuf,
    bytes: u64,
}

impl Ballast {
    pub(crate) fn new(path: PathBuf, bytes: u64) -> Self {
        Self { path, bytes }
    }

    pub(crate) fn length(&self) -> u64 {
        std::fs::metadata(&self.path).map_or(0, |m| m.len())
    }

    /// Gives some room back to the device; whether there was any. `whole` is the length
    /// before the first of several calls.
    pub(crate) fn release(&self, whole: u64) -> bool {
        let length = self.length();
        if self.bytes == 0 || length == 0 {
            return false;
        }
        let left = length.saturating_sub(LEAST.max(whole - length.min(whole)));
        OpenOptions::new().write(true).open(&self.path).and_then(|f| f.set_len(left)).is_ok()
    }

    /// Takes what is left of the room that was given, up to a length.
    pub(crate) fn take_back(&self, length: u64) {
        // What does not fit has been used: that is what it was for.
        let _ = self.fill(length.min(self.bytes));
    }

    /// Takes all the room if it is not taken. If not all of it fits, what there is now is
    /// left to the log.
    pub(crate) fn restore(&self) {
        let length = self.length();
        if self.bytes == 0 || length >= self.bytes {
            return;
        }
        if self.fill(self.bytes).is_err() {
            let _ = OpenOptions::new().write(true).open(&self.path).and_then(|f| f.set_len(length));
        }
    }

    /// Makes it as long as this, as far as there is room.
    fn fill(&self, length: u64) -> std::io::Result<()> {
        let mut file = OpenOptions::new().create(true).append(true).open(&self.path)?;
        let mut at = file.metadata()?.len();
        // Written and unlike, so that neither holes nor compression make it lighter.
        let mut word = 0x9e37_79b9_7f4a_7c15_u64 ^ at;
        let mut block = Vec::with_capacity(BLOCK);
        while at < length {
            block.clear();
            while block.len() < BLOCK {
                word ^= word << 13;
                word ^= word >> 7;
                word ^= word << 17;
                block.extend_from_slice(&word.to_le_bytes());
            }
            let part = block.len().min(usize::try_from(length - at).unwrap_or(usize::MAX));
            file.write_all(block.get(..part).unwrap_or(&block))?;
            at += part as u64;
        }
        File::sync_all(&file)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn it_is_given_in_growing_parts_and_taken_back() {
        let folder = tempfile::tempdir().unwrap();
        let ballast = Ballast::new(folder.path().join("ballast"), 1 << 20);
        assert!(!ballast.release(0), "none yet");
        ballast.restore();
        let mut lengths = Vec::new();
        while ballast.release(1 << 20) {
            lengths.push(ballast.length() >> 10);
        }
        assert_eq!(lengths, [960, 896, 768, 512, 0]);
        ballast.take_back(700 << 10);
        assert_eq!(ballast.length(), 700 << 10);
        ballast.restore();
        assert_eq!(ballast.length(), 1 << 20);
        ballast.take_back(2 << 20);
        assert_eq!(ballast.length(), 1 << 20, "never more than it is to be");
    }
}
