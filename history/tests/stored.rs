//! Files of every version since the first, as the program of their time wrote them, are
//! opened and read whole. A new version adds a file (`cargo run -p history --example
//! store`) and changes none.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "stored/content.rs"]
mod content;

use history::{Entry, History, Options, Record};
use std::path::Path;

fn reads_as_written(history: &History) {
    let records: Vec<Record> = history.look().records(0).collect::<Result<_, _>>().unwrap();
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

#[test]
fn the_program_writes_what_the_stored_file_of_its_version_holds() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, opened) =
        History::open(directory.path(), &Options::at(content::START)).unwrap();
    assert!(opened.created);
    content::write(&mut history);
    reads_as_written(&history);
}
