//! Tests of the room as a whole.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod damage;
mod damaged_blocks;
mod lookup;
mod packing;
mod passing;
mod restoring;
mod revising;
mod sealing;
mod weeks;
mod writing;

use crate::invented::{START, property, series, sources};
use crate::{History, Kept, Look, Opened, Options, Selection};
use std::path::Path;

pub(crate) fn options() -> Options {
    Options { ballast: 0, ..Options::at(START) }
}

pub(crate) fn open(directory: &Path) -> (History, Opened) {
    let (mut history, opened) = History::open(directory, &options()).unwrap();
    let property = property(4);
    history.register(START, &property, &series(&property), &sources()).unwrap();
    (history, opened)
}

/// What a walk tells, all parts together.
pub(crate) fn walked(look: Look<'_>, selection: &Selection) -> Vec<Kept> {
    let mut all: Vec<Kept> = Vec::new();
    let mut walk = look.walk(selection).unwrap();
    while let Some(part) = walk.next_part().unwrap() {
        let (last, first) = (all.last(), part.first());
        assert!(
            last.zip(first).is_none_or(|(l, f)| l.reading.time < f.reading.time),
            "a part begins with a new time"
        );
        all.extend_from_slice(part);
    }
    assert!(walk.is_done());
    all
}
