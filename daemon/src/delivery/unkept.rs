//! How far a forwarder has come and what it refused, as far as the store does not have it
//! yet: raised by its loop, written by the one thread that writes.
//!
//! The rule kept here: it goes along with the next record that is committed anyway, which
//! costs no sync. What a crash repeats is then what was delivered since that commit.

use history::{Cursor, DeadLetter, Progress};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// One forwarder.
#[derive(Debug)]
pub struct Unkept {
    /// The forwarder's name.
    pub name: String,
    held: Mutex<Held>,
}

#[derive(Debug, Default)]
struct Held {
    cursor: Cursor,
    kept: Cursor,
    letters: Vec<DeadLetter>,
    given_up: u64,
    /// Readings delivered since the cursor was kept last.
    readings: u64,
    /// Whether it is to go along even where nothing was delivered.
    asked: bool,
    /// How often it was kept.
    times: u64,
}

/// What is being written.
#[derive(Debug)]
pub struct Writing {
    /// For the store.
    pub progress: Progress,
    readings: u64,
}

impl Held {
    fn moved(&self) -> bool {
        self.cursor.delivered != self.kept.delivered || self.cursor.gaps != self.kept.gaps
    }

    fn changed(&self) -> bool {
        !self.letters.is_empty() || self.given_up > 0 || self.moved()
    }
}

impl Unkept {
    /// Stands as the store has it.
    pub fn new(name: &str, kept: &Cursor) -> Self {
        let held = Held { cursor: kept.clone(), kept: kept.clone(), ..Held::default() };
        Self { name: name.to_owned(), held: Mutex::new(held) }
    }

    fn held(&self) -> MutexGuard<'_, Held> {
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What should go along with a commit; none if that is not worth a page.
    pub fn along(&self) -> Option<Writing> {
        let held = self.held();
        let gaps = held.cursor.gaps != held.kept.gaps;
        let told = !held.letters.is_empty() || held.given_up > 0 || gaps;
        let worth = told || (held.moved() && (held.readings > 0 || held.asked));
        worth.then(|| held.writing())
    }

    /// Everything that is not kept; none if all is.
    pub fn all(&self) -> Option<Writing> {
        let held = self.held();
        held.changed().then(|| held.writing())
    }

    /// It was written.
    pub fn written(&self, writing: &Writing) {
        let mut held = self.held();
        let Progress { cursor, dead_letters } = &writing.progress;
        held.kept = Cursor { given_up: 0, ..cursor.clone() };
        held.letters.drain(..dead_letters.len());
        held.given_up -= cursor.given_up;
        held.readings -= writing.readings;
        held.asked = false;
        held.times += 1;
    }

    pub(super) fn delivered(&self, readings: u64) {
        self.held().readings += readings;
    }

    pub(super) fn given_up(&self, readings: u64) {
        self.held().given_up += readings;
    }

    pub(super) fn letter(&self, letter: DeadLetter) {
        self.held().letters.push(letter);
    }

    pub(super) fn at(&self, cursor: Cursor) {
        self.held().cursor = cursor;
    }

    pub(super) fn ask(&self) {
        self.held().asked = true;
    }

    /// Readings and letters that wait, whether gaps changed, whether anything waits, and
    /// how often it was kept.
    pub(super) fn waiting(&self) -> Waiting {
        let held = self.held();
        Waiting {
            readings: held.readings,
            letters: held.letters.len(),
            gaps: held.cursor.gaps.len() != held.kept.gaps.len(),
            changed: held.changed(),
            times: held.times,
        }
    }
}

/// What waits to be kept.
#[derive(Clone, Copy, Debug)]
pub(super) struct Waiting {
    pub(super) readings: u64,
    pub(super) letters: usize,
    pub(super) gaps: bool,
    pub(super) changed: bool,
    pub(super) times: u64,
}

impl Held {
    fn writing(&self) -> Writing {
        let cursor = Cursor { given_up: self.given_up, ..self.cursor.clone() };
        let progress = Progress { cursor, dead_letters: self.letters.clone() };
        Writing { progress, readings: self.readings }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn what_comes_while_it_is_written_waits_for_the_next_time() {
        let unkept = Unkept::new("archive", &Cursor { delivered: 3, ..Cursor::default() });
        assert!(unkept.along().is_none() && unkept.all().is_none());
        unkept.at(Cursor { delivered: 4, ..Cursor::default() });
        assert!(unkept.along().is_none(), "passing over records is not worth a page");
        assert!(unkept.all().is_some());
        unkept.delivered(10);
        unkept.given_up(2);
        let writing = unkept.along().unwrap();
        assert_eq!((writing.progress.cursor.delivered, writing.progress.cursor.given_up), (4, 2));
        unkept.at(Cursor { delivered: 5, ..Cursor::default() });
        unkept.delivered(7);
        unkept.given_up(1);
        unkept.written(&writing);
        let writing = unkept.along().unwrap();
        assert_eq!((writing.progress.cursor.delivered, writing.progress.cursor.given_up), (5, 1));
        assert_eq!(writing.readings, 7);
        unkept.written(&writing);
        assert!(unkept.along().is_none() && unkept.all().is_none());
        unkept.at(Cursor { delivered: 6, ..Cursor::default() });
        unkept.ask();
        assert!(unkept.along().is_some(), "after a while it goes along all the same");
    }
}
