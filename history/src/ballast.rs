//! A file of no use but its room: freed when the device is full, so that deletes and
//! cursors can still be written, and made again when there is room.

use std::fs::File;
use std::io::Write;
use std::path::PathBuf;

#[derive(Debug)]
pub(crate) struct Ballast {
    path: PathBuf,
    bytes: u64,
}

impl Ballast {
    pub(crate) fn new(path: PathBuf, bytes: u64) -> Self {
        Self { path, bytes }
    }

    /// Gives the room back to the device; whether there was any.
    pub(crate) fn release(&self) -> bool {
        self.bytes > 0 && std::fs::remove_file(&self.path).is_ok()
    }

    /// Takes the room if it is not taken. What does not fit is left for later.
    pub(crate) fn restore(&self) {
        if self.bytes == 0 || std::fs::metadata(&self.path).is_ok_and(|m| m.len() == self.bytes) {
            return;
        }
        if self.fill().is_err() {
            let _ = std::fs::remove_file(&self.path);
        }
    }

    fn fill(&self) -> std::io::Result<()> {
        let mut file = File::create(&self.path)?;
        // Written and unlike, so that neither holes nor compression make it lighter.
        let mut word = 0x9e37_79b9_7f4a_7c15_u64;
        let mut block = Vec::with_capacity(65_536);
        let mut left = self.bytes;
        while left > 0 {
            block.clear();
            while block.len() < 65_536 && (block.len() as u64) < left {
                word ^= word << 13;
                word ^= word >> 7;
                word ^= word << 17;
                block.extend_from_slice(&word.to_le_bytes());
            }
            let length = block.len().min(usize::try_from(left).unwrap_or(usize::MAX));
            file.write_all(block.get(..length).unwrap_or(&block))?;
            left -= length as u64;
        }
        file.sync_all()
    }
}
