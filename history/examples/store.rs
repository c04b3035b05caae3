//! Writes the stored file of the present version for the migration tests:
//! `cargo run -p history --example store -- history/tests/fixtures/history-3.sqlite3`.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "../tests/stored/content.rs"]
#[allow(dead_code)]
mod content;
#[path = "../tests/stored/days.rs"]
#[allow(dead_code)]
mod days;

use history::{History, Options};

fn main() {
    let target = std::env::args_os().nth(1).expect("the file to write");
    let directory = tempfile::tempdir().unwrap();
    let options = Options { ballast: 0, ..Options::at(content::START) };
    let (mut history, _) = History::open(directory.path(), &options).unwrap();
    content::write(&mut history);
    days::write(&mut history);
    history.close().unwrap();
    std::fs::copy(directory.path().join("history.sqlite3"), target).unwrap();
}
