//! Tests of the room as a whole.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod damage;
mod lookup;
mod packing;
mod passing;
mod restoring;
mod revising;
mod sealing;
mod writing;

use crate::invented::{START, property, series, sources};
use crate::{History, Opened, Options};
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
