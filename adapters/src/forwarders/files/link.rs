//! Appending to files.
//!
//! The rules kept here: a piece is there whole or not at all; what a crash left of a line
//! is taken away before more is written, because its readings come again.

use crate::forwarders::port::{Link, Piece, Verdict, Verdicts};
use futures_util::future::BoxFuture;
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Longest line that is looked for at the end of a file, in bytes.
const LONGEST_LINE: u64 = 64 << 10;

/// A directory of daily files.
pub(super) struct Folder {
    directory: PathBuf,
    heading: String,
}

impl Folder {
    pub(super) const fn new(directory: PathBuf, heading: String) -> Self {
        Self { directory, heading }
    }
}

impl Link for Folder {
    fn attempt<'a>(&'a mut self, pieces: &'a [Piece], verdicts: &'a Verdicts) -> BoxFuture<'a, ()> {
        let (directory, heading) = (self.directory.clone(), self.heading.clone());
        let pieces: Vec<(String, bytes::Bytes)> =
            pieces.iter().map(|p| (p.place.clone(), p.body.clone())).collect();
        Box::pin(async move {
            let work = move || append_all(&directory, &heading, &pieces);
            for verdict in tokio::task::spawn_blocking(work).await.unwrap_or_default() {
                verdicts.give(verdict);
            }
        })
    }
}

fn append_all(directory: &Path, heading: &str, pieces: &[(String, bytes::Bytes)]) -> Vec<Verdict> {
    let mut verdicts = Vec::with_capacity(pieces.len());
    for (name, body) in pieces {
        let path = directory.join(name);
        match append(directory, &path, heading, body) {
            Ok(()) => verdicts.push(Verdict::Delivered),
            Err(error) => {
                let reason = format!("{}: {error}", path.display());
                verdicts.push(match error.kind() {
                    ErrorKind::PermissionDenied
                    | ErrorKind::NotADirectory
                    | ErrorKind::IsADirectory
                    | ErrorKind::ReadOnlyFilesystem => Verdict::paused(reason),
                    _ => Verdict::later(reason),
                });
                break;
            }
        }
    }
    verdicts
}

fn append(directory: &Path, path: &Path, heading: &str, body: &[u8]) -> std::io::Result<()> {
    std::fs::create_dir_all(directory)?;
    let new = !path.exists();
    let mut file =
        OpenOptions::new().read(true).write(true).create(true).truncate(false).open(path)?;
    let length = whole_lines(&mut file)?;
    file.set_len(length)?;
    file.seek(SeekFrom::Start(length))?;
    let written = (|| {
        if length == 0 {
            file.write_all(heading.as_bytes())?;
        }
        file.write_all(body)?;
        file.sync_data()
    })();
    if written.is_err() {
        // As it was; what cannot be taken away now is taken away by the next attempt,
        // unless it ends with a line, which then stands there twice.
        file.set_len(length).ok();
        return written;
    }
    if new {
        File::open(directory)?.sync_all()?;
    }
    Ok(())
}

/// The length of a file up to the end of its last whole line.
fn whole_lines(file: &mut File) -> std::io::Result<u64> {
    let length = file.metadata()?.len();
    let from = length.saturating_sub(LONGEST_LINE);
    file.seek(SeekFrom::Start(from))?;
    let mut end = Vec::new();
    file.take(LONGEST_LINE).read_to_end(&mut end)?;
    Ok(end.iter().rposition(|&b| b == b'\n').map_or(from, |at| from + at as u64 + 1))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_torn_line_is_taken_away_and_the_heading_stands_once() {
        let folder = tempfile::tempdir().unwrap();
        let directory = folder.path().join("archive");
        let path = directory.join("2026-03-01.csv");
        append(&directory, &path, "a,b\n", b"1,2\n3,4\n").unwrap();
        let mut file = OpenOptions::new().append(true).open(&path).unwrap();
        file.write_all(b"5,").unwrap();
        append(&directory, &path, "a,b\n", b"5,6\n").unwrap();
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "a,b\n1,2\n3,4\n5,6\n");
    }
}
