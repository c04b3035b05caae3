//! The write-ahead log before SQLite opens it.
//!
//! SQLite takes the frames up to the first whose checksum does not fit and says nothing
//! of the rest (SQLite documentation, "WAL-mode File Format"). At the end of the log
//! that is a commit that was being written; before the end it is lost data. Checksums
//! run on from frame to frame, so a frame behind a bad one is tried with the checksum
//! that stands in the bad one.

use std::fs::File;
use std::io::{BufReader, Read};
use std::path::Path;

const FILE_HEAD: usize = 32;
const FRAME_HEAD: usize = 24;
const MAGIC: u32 = 0x377f_0682;

/// What is wrong with a write-ahead log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Suspicion {
    /// Nothing.
    None,
    /// Its head, so that SQLite takes none of it.
    Head,
    /// A frame with good ones of the same generation, a commit among them, behind it.
    Middle,
    /// The last commit.
    End,
    /// Its database is not there.
    Alone,
}

impl Suspicion {
    pub(crate) const fn says(self) -> &'static str {
        match self {
            Self::None => "is sound",
            Self::Head => "has a damaged head",
            Self::Middle => "has a damaged frame before sound ones",
            Self::End => "ends in a commit that is not whole",
            Self::Alone => "has no database",
        }
    }
}

fn word(bytes: &[u8], at: usize) -> u32 {
    bytes.get(at..at + 4).and_then(|b| b.first_chunk()).map_or(0, |b| u32::from_be_bytes(*b))
}

/// SQLite's running checksum over pairs of 32-bit words.
fn sum(mut before: (u32, u32), bytes: &[u8], big: bool) -> (u32, u32) {
    let (pairs, _) = bytes.as_chunks::<8>();
    for [a, b, c, d, e, f, g, h] in pairs {
        let (x, y) = if big {
            (u32::from_be_bytes([*a, *b, *c, *d]), u32::from_be_bytes([*e, *f, *g, *h]))
        } else {
            (u32::from_le_bytes([*a, *b, *c, *d]), u32::from_le_bytes([*e, *f, *g, *h]))
        };
        before.0 = before.0.wrapping_add(x).wrapping_add(before.1);
        before.1 = before.1.wrapping_add(y).wrapping_add(before.0);
    }
    before
}

/// Reads the head: page size, byte order, salts, checksum.
struct Head {
    page: usize,
    big: bool,
    salts: (u32, u32),
    sum: (u32, u32),
}

fn page_size(bytes: &[u8]) -> Option<usize> {
    let size = word(bytes, 8) as usize;
    (size.is_power_of_two() && (512..=65_536).contains(&size)).then_some(size)
}

fn head(bytes: &[u8; FILE_HEAD]) -> Option<Head> {
    let magic = word(bytes, 0);
    let big = magic & 1 == 1;
    let told = (word(bytes, 24), word(bytes, 28));
    let (first, _) = bytes.split_at(24);
    (magic & !1 == MAGIC && sum((0, 0), first, big) == told).then_some(())?;
    Some(Head {
        page: page_size(bytes)?,
        big,
        salts: (word(bytes, 16), word(bytes, 20)),
        sum: told,
    })
}

/// Fills as much as there is; how much that was.
fn fill(file: &mut impl Read, bytes: &mut [u8]) -> std::io::Result<usize> {
    let mut done = 0;
    while let Some(rest) = bytes.get_mut(done..).filter(|r| !r.is_empty()) {
        match file.read(rest)? {
            0 => break,
            more => done += more,
        }
    }
    Ok(done)
}

/// Looks through a write-ahead log; one that is not there is sound.
pub(crate) fn inspect(path: &Path) -> std::io::Result<Suspicion> {
    let mut file = match File::open(path) {
        Ok(file) => BufReader::with_capacity(1 << 16, file),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Suspicion::None),
        Err(e) => return Err(e),
    };
    let mut first = [0; FILE_HEAD];
    if fill(&mut file, &mut first)? < FILE_HEAD {
        return Ok(Suspicion::None);
    }
    let mut frame = vec![0; FRAME_HEAD];
    let Some(head) = head(&first) else {
        let any = fill(&mut file, &mut frame)? == FRAME_HEAD;
        return Ok(if any { Suspicion::Head } else { Suspicion::None });
    };
    frame.resize(FRAME_HEAD + head.page, 0);
    let mut before = head.sum;
    let mut suspicion = Suspicion::None;
    let mut bad = false;
    while fill(&mut file, &mut frame)? == frame.len() {
        let (prefix, data) = frame.split_at(FRAME_HEAD);
        let salts = (word(prefix, 8), word(prefix, 12));
        let told = (word(prefix, 16), word(prefix, 20));
        let commits = word(prefix, 4) != 0;
        let (counted, _) = prefix.split_at(8);
        let fits =
            salts == head.salts && sum(sum(before, counted, head.big), data, head.big) == told;
        before = told;
        if fits && !bad {
            continue;
        }
        if fits && commits {
            return Ok(Suspicion::Middle);
        }
        // Frames of an older generation have other salts in both places; those of a
        // commit that was taken back have no commit among them.
        if !fits && !bad && (salts.0 == head.salts.0 || salts.1 == head.salts.1) && commits {
            suspicion = Suspicion::End;
        }
        bad = true;
    }
    Ok(suspicion)
}

/// Every frame's page number and page, whatever its checksum says.
pub(crate) fn frames(path: &Path, size: usize) -> std::io::Result<Vec<(u32, Vec<u8>)>> {
    let mut file = match File::open(path) {
        Ok(file) => BufReader::with_capacity(1 << 16, file),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(e),
    };
    let mut first = [0; FILE_HEAD];
    fill(&mut file, &mut first)?;
    let mut found = Vec::new();
    let mut frame = vec![0; FRAME_HEAD + size];
    while fill(&mut file, &mut frame)? == frame.len() {
        found.push((word(&frame, 0), frame.split_off(FRAME_HEAD)));
        frame.resize(FRAME_HEAD + size, 0);
    }
    Ok(found)
}
