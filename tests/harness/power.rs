//! What a disk may hold after the power went: built from the notes of [`crate::disk`].
//!
//! A sync makes what a file held then durable. Of what came after it each sector of 512
//! bytes holds, apart from all others, what it held at the sync or at any write since, or
//! the beginning of one and the end of another of these; and the file is as long as at
//! the sync or at any moment since. Names are taken as written at once and in order, as a
//! file system with a journal of its metadata keeps them.

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};

const HEAD: usize = 32;
const SECTOR: usize = 512;

/// One thing that was asked of the disk.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Note {
    Open { inode: u64, path: PathBuf },
    Write { inode: u64, offset: u64, data: Vec<u8> },
    Truncate { inode: u64, size: u64 },
    Sync { inode: u64 },
    Unlink { path: PathBuf },
    Rename { from: PathBuf, to: PathBuf },
}

/// Notes with the place in the log where each ends.
pub struct Notes {
    notes: Vec<(u64, Note)>,
}

impl Notes {
    /// Reads a log.
    ///
    /// # Panics
    /// When a note cannot be read, or speaks of what cannot be followed.
    pub fn read(log: &Path) -> Self {
        let bytes = std::fs::read(log).expect("the notes");
        let number = |at: usize| {
            u64::from_ne_bytes(*bytes[at..].first_chunk().expect("the head of a note is whole"))
        };
        let (mut at, mut notes, mut from) = (0, Vec::new(), None);
        while at < bytes.len() {
            let length = u32::from_ne_bytes(*bytes[at + 4..].first_chunk().expect("a length"));
            let (inode, offset, size) = (number(at + 8), number(at + 16), number(at + 24));
            let behind = &bytes[at + HEAD..at + HEAD + length as usize];
            let path = || PathBuf::from(String::from_utf8(behind.to_vec()).expect("a plain path"));
            let note = match bytes[at] {
                b'O' => Some(Note::Open { inode, path: path() }),
                b'W' => Some(Note::Write { inode, offset, data: behind.to_vec() }),
                b'T' => Some(Note::Truncate { inode, size }),
                b'S' => Some(Note::Sync { inode }),
                b'U' => Some(Note::Unlink { path: path() }),
                b'R' => {
                    from = Some(path());
                    None
                }
                b'N' => Some(Note::Rename { from: from.take().expect("R before N"), to: path() }),
                other => panic!("a note that cannot be followed: {}", char::from(other)),
            };
            at += HEAD + behind.len();
            notes.extend(note.map(|n| (at as u64, n)));
        }
        Self { notes }
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.notes.len()
    }

    /// How many syncs are among them.
    pub fn syncs(&self) -> usize {
        self.notes.iter().filter(|(_, n)| matches!(n, Note::Sync { .. })).count()
    }

    /// A place in the log between two notes, at random.
    pub fn any_place(&self, random: &mut fastrand::Rng) -> u64 {
        self.notes[random.usize(..self.notes.len())].0
    }

    /// Shows the disk at each of `places`, which must rise: all notes that end at or
    /// before the place were carried out.
    pub fn at_places(&self, places: &[u64], mut show: impl FnMut(usize, &Platter)) {
        let mut platter = Platter::default();
        let mut notes = self.notes.iter().peekable();
        for (index, &place) in places.iter().enumerate() {
            while let Some((_, note)) = notes.next_if(|(end, _)| *end <= place) {
                platter.carry_out(note);
            }
            show(index, &platter);
        }
    }
}

/// A file, with what it may hold if the power goes now.
#[derive(Clone, Default)]
struct File {
    /// As every reader sees it.
    seen: Vec<u8>,
    /// As at the last sync.
    durable: Vec<u8>,
    /// What the last sync changed, as it was before: sectors and the length.
    undo: (Vec<(usize, [u8; SECTOR])>, usize),
    /// What each sector held after each write since the last sync.
    since: BTreeMap<usize, Vec<[u8; SECTOR]>>,
    /// Lengths since the last sync.
    lengths: Vec<usize>,
}

fn sector(bytes: &[u8], number: usize) -> [u8; SECTOR] {
    let mut sector = [0; SECTOR];
    let part = bytes.get(number * SECTOR..).unwrap_or_default();
    let length = part.len().min(SECTOR);
    sector[..length].copy_from_slice(&part[..length]);
    sector
}

/// Puts a sector in its place as far as the file reaches.
fn put(bytes: &mut [u8], number: usize, sector: &[u8; SECTOR]) {
    if let Some(place) = bytes.get_mut(number * SECTOR..) {
        let length = place.len().min(SECTOR);
        place[..length].copy_from_slice(&sector[..length]);
    }
}

impl File {
    fn touched(&mut self, from: usize, to: usize) {
        for number in from / SECTOR..to.div_ceil(SECTOR) {
            let now = sector(&self.seen, number);
            self.since.entry(number).or_default().push(now);
        }
        self.lengths.push(self.seen.len());
    }

    fn write(&mut self, offset: usize, data: &[u8]) {
        let end = offset + data.len();
        if self.seen.len() < end {
            self.seen.resize(end, 0);
        }
        self.seen[offset..end].copy_from_slice(data);
        self.touched(offset, end);
    }

    fn truncate(&mut self, size: usize) {
        let end = self.seen.len().max(size);
        let from = self.seen.len().min(size);
        self.seen.resize(size, 0);
        self.touched(from, end);
    }

    fn sync(&mut self) {
        if self.lengths.is_empty() {
            return;
        }
        let before = self.since.keys().map(|&n| (n, sector(&self.durable, n))).collect();
        self.undo = (before, self.durable.len());
        self.durable.resize(self.seen.len(), 0);
        for &number in self.since.keys() {
            put(&mut self.durable, number, &sector(&self.seen, number));
        }
        self.since.clear();
        self.lengths.clear();
    }

    /// As before the last sync.
    fn before(&self) -> Vec<u8> {
        let (sectors, length) = &self.undo;
        let mut before = self.durable.clone();
        before.resize(*length, 0);
        for (number, bytes) in sectors {
            put(&mut before, *number, bytes);
        }
        before
    }

    /// What is there afterwards.
    fn left(&self, loss: Loss, random: &mut fastrand::Rng) -> Vec<u8> {
        match loss {
            // A disk that says synced when it is not.
            Loss::LastSyncToo => return self.before(),
            Loss::Some { kept, .. } if kept >= 1.0 => return self.seen.clone(),
            Loss::Some { .. } => {}
        }
        let Loss::Some { kept, torn } = loss else { return Vec::new() };
        let mut left = self.durable.clone();
        if !self.lengths.is_empty() && random.f64() < kept.max(0.5) {
            left.resize(self.lengths[random.usize(..self.lengths.len())], 0);
        }
        for (&number, versions) in &self.since {
            if random.f64() >= kept {
                continue;
            }
            let mut bytes = versions[random.usize(..versions.len())];
            if random.f64() < torn {
                let other = random.usize(..=versions.len());
                let other = versions.get(other).copied().unwrap_or(sector(&self.durable, number));
                let cut = random.usize(..SECTOR);
                bytes[cut..].copy_from_slice(&other[cut..]);
            }
            put(&mut left, number, &bytes);
        }
        left
    }
}

/// What is lost of what was not synced.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Loss {
    /// A sector is kept with the one probability, and torn with the other.
    Some {
        /// Probability that a sector holds something newer than at the sync.
        kept: f64,
        /// Probability that such a sector is torn.
        torn: f64,
    },
    /// All of it, and what the last sync of each file should have kept: no test passes
    /// this way, which shows that the tests can fail.
    LastSyncToo,
}

impl Loss {
    /// One of several kinds, from nothing kept to nearly all.
    pub fn any(random: &mut fastrand::Rng) -> Self {
        let kept = [0.0, 0.1, 0.5, 0.9, 0.99, 1.0][random.usize(..6)];
        Self::Some { kept, torn: [0.0, 0.1, 0.5][random.usize(..3)] }
    }
}

/// All files at one moment.
#[derive(Default)]
pub struct Platter {
    names: BTreeMap<PathBuf, usize>,
    inodes: HashMap<u64, usize>,
    files: Vec<File>,
}

impl Platter {
    fn file(&mut self, inode: u64) -> &mut File {
        let place = self.inodes.get(&inode).copied().expect("a file is opened before it is used");
        &mut self.files[place]
    }

    fn carry_out(&mut self, note: &Note) {
        let place = |number: u64| usize::try_from(number).expect("a place in a file");
        match note {
            Note::Open { inode, path } => {
                let known = self.names.get(path).copied();
                let place = known.unwrap_or_else(|| {
                    self.files.push(File::default());
                    self.files.len() - 1
                });
                self.names.insert(path.clone(), place);
                self.inodes.insert(*inode, place);
            }
            Note::Write { inode, offset, data } => self.file(*inode).write(place(*offset), data),
            Note::Truncate { inode, size } => self.file(*inode).truncate(place(*size)),
            Note::Sync { inode } => self.file(*inode).sync(),
            Note::Unlink { path } => {
                self.names.remove(path);
            }
            Note::Rename { from, to } => {
                if let Some(file) = self.names.remove(from) {
                    self.names.insert(to.clone(), file);
                }
            }
        }
    }

    /// Writes into `target` what may be left of the files in `folder`; how many sectors
    /// were not synced.
    pub fn leave(
        &self,
        folder: &Path,
        target: &Path,
        loss: Loss,
        random: &mut fastrand::Rng,
    ) -> usize {
        let mut open = 0;
        for (path, &file) in &self.names {
            let Ok(name) = path.strip_prefix(folder) else { continue };
            let file = &self.files[file];
            open += file.since.len();
            let target = target.join(name);
            std::fs::create_dir_all(target.parent().expect("a folder")).expect("a folder");
            std::fs::write(target, file.left(loss, random)).expect("a folder to write to");
        }
        open
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn left(file: &File, kept: f64) -> Vec<u8> {
        file.left(Loss::Some { kept, torn: 0.0 }, &mut fastrand::Rng::with_seed(3))
    }

    #[test]
    fn what_was_synced_stays_and_the_rest_may_go() {
        let mut file = File::default();
        file.write(0, &[1; 1_024]);
        assert_eq!(left(&file, 1.0), [1; 1_024]);
        file.sync();
        file.write(512, &[2; 512]);
        file.write(512, &[3; 512]);
        assert_eq!(left(&file, 0.0)[..1_024], [1; 1_024]);
        let mut random = fastrand::Rng::with_seed(1);
        let mut kinds = std::collections::BTreeSet::new();
        for _ in 0..200 {
            let bytes = file.left(Loss::Some { kept: 0.5, torn: 0.5 }, &mut random);
            assert_eq!(bytes[..512], [1; 512], "synced");
            kinds.insert(bytes[1_023]);
        }
        assert_eq!(kinds.into_iter().collect::<Vec<_>>(), [1, 2, 3]);
        assert!(file.left(Loss::LastSyncToo, &mut random).is_empty());
    }

    #[test]
    fn a_length_that_was_not_synced_may_be_the_old_or_the_new_one() {
        let mut file = File::default();
        file.write(0, &[1; 700]);
        file.sync();
        file.truncate(0);
        file.write(0, &[2; 100]);
        let mut random = fastrand::Rng::with_seed(1);
        let lengths: std::collections::BTreeSet<usize> = (0..100)
            .map(|_| file.left(Loss::Some { kept: 0.5, torn: 0.0 }, &mut random).len())
            .collect();
        assert_eq!(lengths.into_iter().collect::<Vec<_>>(), [0, 100, 700]);
    }
}
