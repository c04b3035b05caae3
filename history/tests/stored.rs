//! Files of every version since the first, as the program of their time wrote them, are
//! opened and read whole. A new version adds a file (`cargo run -p history --example
//! store`) and changes none.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "stored/content.rs"]
mod content;
#[path = "stored/days.rs"]
mod days;

use history::weeks::monday;
use history::{Entry, History, Options, Record, Selection};
use observation::{Reading, Time};
use std::path::Path;

fn reads_as_written(history: &History) {
    let records: Vec<Record> = history.look().records(0).take(7).collect::<Result<_, _>>().unwrap();
    let numbers: Vec<u64> = records.iter().map(|r| r.number).collect();
    assert_eq!(numbers, (1..=7).collect::<Vec<_>>());
    assert_eq!(records[0].entry, Entry::Registered);
    let batch = Entry::Batch { messages: content::messages(), readings: content::readings() };
    assert_eq!(records[1].entry, batch);
    let rare: Vec<Entry> = records[2..].iter().map(|r| r.entry.clone()).collect();
    assert_eq!(rare, content::rare());
    let look = history.look();
    let day = content::readings()[0].time.utc_day();
    assert_eq!(
        look.day(content::messages()[0].station, day).unwrap().len(),
        1,
        "the late day is known"
    );
    let aside = content::aside_of(history);
    assert_eq!(aside.len(), 1);
    assert_eq!(aside[0].set_aside, content::set_aside());
    let saved = history.load_state().unwrap();
    assert_eq!((&saved[0].part, saved[0].at), (&content::state(), 2));
    assert_eq!(look.cursor("archive").unwrap(), Some(content::cursor()));
    assert_eq!(look.dead_letters("archive", 9).unwrap().0, [content::dead_letter()]);
    assert_eq!(look.tokens().unwrap()[0].token, content::token());
}

#[test]
fn the_file_of_version_1_is_brought_forward_reads_whole_and_goes_on() {
    let stored = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/history-1.sqlite3");
    let directory = tempfile::tempdir().unwrap();
    std::fs::copy(stored, directory.path().join("history.sqlite3")).unwrap();
    let (mut history, opened) =
        History::open(directory.path(), &Options::at(content::START)).unwrap();
    assert_eq!(opened.repairs, Vec::<String>::new());
    assert_eq!(history.property_id(), "d70d2d91-86ca-4638-987b-0b16f5fec771");
    assert_eq!(history.source_suffix("house").unwrap(), "811cb331cfb1");
    history
        .register(content::START, &content::property(), &content::series(), &content::sources())
        .unwrap();
    reads_as_written(&history);
    let note = content::rare().remove(1);
    assert_eq!(history.append(content::START, content::START, &note).unwrap().number, 8);
    // Its days can be sealed, and a second opening finds nothing to bring forward.
    let days = history.look().days_to_seal(content::START.utc_day() + 1).unwrap();
    for day in days {
        history.seal(day).unwrap();
    }
    assert!(history.look().block_bytes().unwrap().1 > 0);
    assert_eq!(history.look().records(0).count(), 8, "sealing takes nothing from the log");
    history.close().unwrap();
    let (_, opened) = History::open(directory.path(), &Options::at(content::START)).unwrap();
    assert_eq!(opened.repairs, Vec::<String>::new());
}

/// Blocks of days and of weeks.
fn blocks(directory: &Path) -> (i64, i64) {
    let connection = rusqlite::Connection::open(directory.join("history.sqlite3")).unwrap();
    connection
        .query_row("SELECT sum(week = 0), sum(week) FROM block", [], |r| Ok((r.get(0)?, r.get(1)?)))
        .unwrap()
}

/// What is told from the second half hour on: before stands what `content` wrote.
fn told(history: &History) -> Vec<Reading> {
    let from = days::readings()[0].time;
    let mut walk = history.look().walk(&Selection::between(from, Time(i64::MAX / 4))).unwrap();
    let mut all = Vec::new();
    while let Some(part) = walk.next_part().unwrap() {
        all.extend(part.iter().map(|kept| kept.reading));
    }
    all
}

#[test]
fn the_file_of_version_2_is_brought_forward_and_its_days_make_weeks() {
    let stored = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/history-2.sqlite3");
    let directory = tempfile::tempdir().unwrap();
    std::fs::copy(stored, directory.path().join("history.sqlite3")).unwrap();
    let open = || {
        let (mut history, opened) =
            History::open(directory.path(), &Options::at(content::START)).unwrap();
        assert_eq!(opened.repairs, Vec::<String>::new());
        history
            .register(content::START, &content::property(), &content::series(), &content::sources())
            .unwrap();
        history
    };
    let mut history = open();
    assert_eq!(blocks(directory.path()).1, 0, "nothing is merged at a start");
    assert!(told(&history) == days::readings(), "one late reading is not sealed yet");
    reads_as_written(&history);
    days::seal(&mut history);
    let (apart, _) = blocks(directory.path());
    let first = monday(history.look().first_sealed().unwrap().unwrap());
    let mut weeks = 0;
    for week in (first..first + 40).step_by(7) {
        while history.merge(week).unwrap().is_some() {
            weeks += 1;
        }
    }
    assert!(weeks >= 6, "three weeks of two stations, not {weeks}");
    let (left, merged) = blocks(directory.path());
    assert!(merged == weeks && left < apart - 5 * weeks, "{apart} {left} {merged}");
    assert!(told(&history) == days::readings());
    history.close().unwrap();
    let history = open();
    assert!(told(&history) == days::readings());
    reads_as_written(&history);
}

#[test]
fn the_program_writes_what_the_stored_file_of_its_version_holds() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, opened) =
        History::open(directory.path(), &Options::at(content::START)).unwrap();
    assert!(opened.created);
    content::write(&mut history);
    reads_as_written(&history);
    days::write(&mut history);
    assert!(told(&history) == days::readings());
}
