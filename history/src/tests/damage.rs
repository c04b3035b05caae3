use super::{open, options};
use crate::invented::{START, any_message, message, property, series, sources};
use crate::open::DATABASE;
use crate::{Batch, Cursor, History, NewToken, Opened, Record, StatePart};
use observation::time::DAY;
use observation::{ChannelIndex, Span, Stated, StationIndex, Time};
use std::collections::BTreeMap;
use std::path::Path;

type Contents = BTreeMap<u64, Record>;

fn contents(history: &History) -> Contents {
    history.look().records(0).filter_map(Result::ok).map(|r| (r.number, r)).collect()
}

/// A directory in memory where there is one: the tests open some thousand histories.
fn directory() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() }.unwrap()
}

fn commit(history: &mut History, received: Time, random: &mut fastrand::Rng, count: usize) {
    let messages: Vec<_> = (0..count).map(|_| any_message(random, 8, received)).collect();
    let batch =
        Batch { received, walked: received, messages: &messages, readings: &[], set_aside: &[] };
    history.commit(&batch).unwrap();
}

/// A history with small and large records, copied while it is open: its newest records
/// are in the write-ahead log alone.
fn original(from: &Path, copy: &Path) -> Contents {
    let (mut history, _) = open(from);
    let mut random = fastrand::Rng::with_seed(11);
    history
        .add_token(&NewToken {
            gateway: false,
            owner: "orchard".into(),
            hash: [9; 32],
            created: START,
        })
        .unwrap();
    let mut late = message(0, &[1], START, 4.0);
    late.samples[0].stated = Stated::At(START - Span(3 * DAY));
    let batch =
        Batch { received: START, walked: START, messages: &[late], readings: &[], set_aside: &[] };
    history.commit(&batch).unwrap();
    for n in 0..16 {
        commit(
            &mut history,
            START + Span::seconds(n),
            &mut random,
            if n % 5 == 4 { 120 } else { 4 },
        );
    }
    history.tend(true).unwrap();
    for n in 20..26 {
        commit(&mut history, START + Span::seconds(n), &mut random, if n == 23 { 120 } else { 4 });
    }
    copy_files(from, copy);
    contents(&history)
}

fn copy_files(from: &Path, to: &Path) {
    for file in std::fs::read_dir(from).unwrap() {
        let file = file.unwrap();
        if !file.file_name().to_string_lossy().ends_with("-shm") {
            std::fs::copy(file.path(), to.join(file.file_name())).unwrap();
        }
    }
}

/// Opens what was damaged: what is there is what was there, what is missing was told,
/// and the history goes on.
fn survives(directory: &Path, original: &Contents, what: &str) -> Opened {
    let (mut history, opened) = open(directory);
    let found = contents(&history);
    for (number, record) in &found {
        if let Some(before) = original.get(number) {
            assert_eq!(record, before, "{what}");
        }
    }
    if original.keys().any(|number| !found.contains_key(number)) {
        assert!(!opened.repairs.is_empty(), "{what}: records are missing and nobody says so");
    }
    assert_eq!(history.look().verify(&mut |_| {}).unwrap(), Vec::<String>::new(), "{what}");
    let next = history.next_number();
    assert!(next > *found.keys().next_back().unwrap_or(&0));
    commit(&mut history, START + Span::minutes(9), &mut fastrand::Rng::with_seed(1), 3);
    assert_eq!(history.last().unwrap().number, next);
    opened
}

fn damaged_everywhere(
    file: &str,
    step: usize,
    change: &dyn Fn(&mut Vec<u8>, usize),
) -> (usize, usize) {
    let (source, sound) = (directory(), directory());
    let original = original(source.path(), sound.path());
    let bytes = std::fs::read(sound.path().join(file)).unwrap();
    let (mut tried, mut told) = (0, 0);
    for at in (0..bytes.len()).step_by(step) {
        let copy = directory();
        copy_files(sound.path(), copy.path());
        let mut changed = bytes.clone();
        change(&mut changed, at);
        std::fs::write(copy.path().join(file), changed).unwrap();
        let opened = survives(copy.path(), &original, &format!("{file} at {at}"));
        if !opened.repairs.is_empty() {
            told += 1;
            // What was set aside is still there.
            let kept = std::fs::read_dir(copy.path()).unwrap().filter(|f| {
                f.as_ref()
                    .unwrap()
                    .file_name()
                    .to_string_lossy()
                    .contains(".damaged-20260301T060000Z")
            });
            let rows = opened.repairs.iter().any(|r| {
                r.contains("table")
                    || r.contains("version")
                    || r.contains("identifier")
                    || r.contains("state")
            });
            assert!(kept.count() > 0 || rows, "{file} at {at}: {:?}", opened.repairs);
        }
        tried += 1;
    }
    (tried, told)
}

const LOG: &str = "history.sqlite3-wal";

#[test]
fn flipped_bytes_in_the_database_lose_no_more_than_they_hit() {
    let (tried, told) = damaged_everywhere(DATABASE, 97, &|bytes, at| bytes[at] ^= 0x55);
    assert!(tried > 500 && told > tried / 10, "{told} of {tried}");
}

#[test]
fn flipped_bytes_in_the_write_ahead_log_lose_no_more_than_they_hit() {
    let (tried, told) = damaged_everywhere(LOG, 97, &|bytes, at| bytes[at] ^= 0x55);
    assert!(tried > 300 && told == tried, "{told} of {tried}");
}

#[test]
fn a_database_cut_off_anywhere_gives_what_is_left() {
    let (tried, told) = damaged_everywhere(DATABASE, 97, &|bytes, at| bytes.truncate(at));
    // Its last pages may stand in the write-ahead log too.
    assert!(told > tried * 9 / 10, "{told} of {tried}");
}

#[test]
fn zeroed_stretches_are_survived() {
    let (_, told) = damaged_everywhere(DATABASE, 97 * 8, &|bytes, at| {
        let end = (at + 5_000).min(bytes.len());
        bytes[at..end].fill(0);
    });
    assert!(told > 0);
}

// A log cut off between two commits is a sound shorter one; nobody can know better.
#[test]
fn a_write_ahead_log_cut_off_anywhere_gives_a_beginning_of_the_records() {
    let (source, sound) = (directory(), directory());
    let original = original(source.path(), sound.path());
    let bytes = std::fs::read(sound.path().join(LOG)).unwrap();
    for at in (0..bytes.len()).step_by(97 * 7) {
        let copy = directory();
        copy_files(sound.path(), copy.path());
        std::fs::write(copy.path().join(LOG), &bytes[..at]).unwrap();
        let (history, _) = open(copy.path());
        let found = contents(&history);
        let last = history.last().unwrap().number;
        let expected: Contents = original.range(..=last).map(|(n, r)| (*n, r.clone())).collect();
        assert_eq!(found, expected, "at {at}");
        assert!(last >= 18, "what is in the database stays");
    }
}

#[test]
fn files_that_are_no_database_are_kept_and_a_new_one_is_begun() {
    let (source, sound) = (directory(), directory());
    let original = original(source.path(), sound.path());
    for (what, bytes) in [
        ("zeros", vec![0; 50_000]),
        ("text", b"not a database".repeat(900)),
        ("nothing", Vec::new()),
    ] {
        let copy = directory();
        copy_files(sound.path(), copy.path());
        std::fs::write(copy.path().join(DATABASE), &bytes).unwrap();
        let opened = survives(copy.path(), &original, what);
        assert!(opened.repairs[0].contains("damaged-20260301T060000Z"), "{:?}", opened.repairs);
        let kept = copy.path().join(format!("{DATABASE}.damaged-20260301T060000Z"));
        assert_eq!(std::fs::read(kept).unwrap(), bytes, "{what}");
        // The write-ahead log beside it was sound: its records are there. Their names are
        // lost with the database, and none is guessed.
        let (history, again) = open(copy.path());
        let there = "SELECT EXISTS (SELECT 1 FROM log WHERE number = 23)";
        assert!(history.connection.query_row(there, [], |r| r.get::<_, bool>(0)).unwrap());
        assert!(!contents(&history).contains_key(&23), "{what}");
        assert!(opened.repairs.iter().any(|r| r.contains("all names are lost")), "{what}");
        assert_eq!(again.repairs, Vec::<String>::new(), "what was told is not told again");
    }
}

#[test]
fn records_in_the_middle_of_a_damaged_write_ahead_log_are_taken_from_it() {
    let (source, sound) = (directory(), directory());
    let original = original(source.path(), sound.path());
    let mut bytes = std::fs::read(sound.path().join(LOG)).unwrap();
    // The second frame's page: SQLite takes the first commit at most.
    bytes[32 + 4_120 + 24 + 50] ^= 1;
    std::fs::write(sound.path().join(LOG), bytes).unwrap();
    let (history, opened) = open(sound.path());
    assert!(
        opened.repairs.iter().any(|r| r.contains("write-ahead log") && r.contains("taken")),
        "{opened:?}"
    );
    let found = contents(&history);
    assert!(found.len() + 1 >= original.len(), "{} of {}", found.len(), original.len());
    assert_eq!(found.keys().next_back(), original.keys().next_back());
}

#[test]
fn a_record_that_was_changed_is_moved_away_and_told_once() {
    let directory = directory();
    {
        let (mut history, _) = open(directory.path());
        for n in 0..5 {
            commit(&mut history, START + Span::seconds(n), &mut fastrand::Rng::with_seed(4), 2);
        }
        history
            .connection
            .execute("UPDATE log SET walked = walked + 1 WHERE number = 3", [])
            .unwrap();
        let faults = history.look().verify(&mut |_| {}).unwrap();
        assert_eq!(faults, ["records whose checksum does not fit: 3"]);
    }
    {
        let (history, opened) = open(directory.path());
        assert_eq!(opened.repairs.len(), 1, "{opened:?}");
        assert!(opened.repairs[0].contains("damaged: 3"), "{opened:?}");
        assert_eq!(contents(&history).keys().copied().collect::<Vec<_>>(), [1, 2, 4, 5, 6]);
        let kept: i64 =
            history.connection.query_row("SELECT number FROM damaged", [], |r| r.get(0)).unwrap();
        assert_eq!(kept, 3);
    }
    assert_eq!(open(directory.path()).1.repairs, Vec::<String>::new());
}

#[test]
fn holes_and_what_stands_ahead_of_the_log_are_told_and_no_number_is_used_twice() {
    let directory = directory();
    let part = StatePart { name: "a".into(), version: 1, fingerprint: 1, body: vec![1] };
    {
        let (mut history, _) = open(directory.path());
        for n in 0..7 {
            commit(&mut history, START + Span::seconds(n), &mut fastrand::Rng::with_seed(4), 2);
        }
        history.set_cursor("archive", &Cursor { delivered: 8, ..Cursor::default() }).unwrap();
        history.save_state(&[part]).unwrap();
        history.connection.execute("DELETE FROM log WHERE number IN (3, 4, 7, 8)", []).unwrap();
    }
    let (mut history, opened) = open(directory.path());
    let told = opened.repairs.join("\n");
    assert!(told.contains("3 to 4 and 1 more") && told.contains("archive stands at 8"), "{told}");
    assert!(told.contains("state"), "{told}");
    assert!(history.load_state().unwrap().is_empty());
    assert_eq!(history.next_number(), 9);
    commit(&mut history, START + Span::minutes(1), &mut fastrand::Rng::with_seed(4), 2);
    drop(history);
    assert_eq!(open(directory.path()).1.repairs, Vec::<String>::new());
}

#[test]
fn names_and_late_days_are_made_anew_from_the_log() {
    let (source, sound) = (directory(), directory());
    let original = original(source.path(), sound.path());
    // A damaged head loses no token either.
    let head = directory();
    copy_files(sound.path(), head.path());
    let path = head.path().join(DATABASE);
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[5] ^= 4;
    std::fs::write(&path, bytes).unwrap();
    let (history, opened) = open(head.path());
    assert_eq!(opened.repairs.len(), 1, "{opened:?}");
    assert_eq!((contents(&history), history.look().tokens().unwrap().len()), (original.clone(), 1));

    let uuid = {
        let (history, _) = open(sound.path());
        history
            .connection
            .execute_batch("UPDATE station SET id = 'barn' WHERE number = 1; UPDATE property SET uuid = 'x'; DELETE FROM series;")
            .unwrap();
        history.property_id().to_owned()
    };
    let (history, opened) = open(sound.path());
    assert_eq!(opened.repairs.len(), 2, "{opened:?}");
    assert_eq!(history.property_id(), uuid);
    assert_eq!(contents(&history), original);
    drop(history);
    // The schema's own text.
    let path = sound.path().join(DATABASE);
    let mut bytes = std::fs::read(&path).unwrap();
    // Where the tree of the layout was split, bytes no longer in use say the same.
    let text = b"CREATE TABLE log";
    let places: Vec<usize> =
        (0..bytes.len() - text.len()).filter(|&at| bytes[at..].starts_with(text)).collect();
    assert!(!places.is_empty());
    for at in places {
        bytes[at + 14] ^= 1;
    }
    std::fs::write(&path, bytes).unwrap();
    let (history, opened) = open(sound.path());
    assert_eq!(opened.repairs.len(), 1, "{opened:?}");
    assert_eq!(history.property_id(), uuid);
    assert_eq!(contents(&history), original);
    assert_eq!(history.look().tokens().unwrap().len(), 1, "tokens are carried over");
    let day = (START - Span(3 * DAY)).utc_day();
    assert_eq!(history.look().day(StationIndex(0), day).unwrap()[0].channel, ChannelIndex(1));
}

#[test]
fn a_later_version_is_not_touched() {
    let later = crate::schema::VERSION + 1;
    let directory = directory();
    drop(open(directory.path()));
    let path = directory.path().join(DATABASE);
    {
        let connection = rusqlite::Connection::open(&path).unwrap();
        connection
            .execute_batch(&format!(
                "UPDATE property SET version = {later}; PRAGMA user_version = {later};"
            ))
            .unwrap();
        connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    }
    let before = std::fs::read(&path).unwrap();
    let refused = History::open(directory.path(), &options());
    assert!(matches!(refused, Err(crate::OpenError::TooNew { version }) if version == later));
    assert_eq!(std::fs::read(&path).unwrap(), before);
    let property = property(4);
    assert!(
        crate::Reader::open(directory.path(), &property, &series(&property), &sources()).is_err()
    );
}

#[test]
fn a_start_that_was_cut_off_while_it_saved_a_damaged_database_is_gone_on_with() {
    let (folder, copy) = (directory(), directory());
    let whole = original(folder.path(), copy.path());
    let database = copy.path().join(DATABASE);
    let beside = |suffix: &str| copy.path().join(format!("{DATABASE}{suffix}"));
    let complete = {
        // What stands under the other name at the moment before it takes its place.
        let other = directory();
        std::fs::copy(&database, other.path().join(DATABASE)).unwrap();
        let wal = format!("{DATABASE}-wal");
        std::fs::copy(beside("-wal"), other.path().join(&wal)).unwrap();
        let file = std::fs::OpenOptions::new().write(true).open(other.path().join(DATABASE));
        std::os::unix::fs::FileExt::write_all_at(&file.unwrap(), &[0; 16], 0).unwrap();
        let (history, opened) = open(other.path());
        assert!(opened.repairs[0].contains("a new one was begun"), "{:?}", opened.repairs);
        assert_eq!(contents(&history), whole);
        history.close().unwrap();
        std::fs::read(other.path().join(DATABASE)).unwrap()
    };
    // Before its place is free it is only a part, whatever is in it.
    std::fs::write(beside(".made"), &complete[..complete.len() / 2]).unwrap();
    std::fs::write(beside(".made-wal"), b"part").unwrap();
    let (history, opened) = open(copy.path());
    assert_eq!((contents(&history), opened.repairs.len()), (whole.clone(), 0));
    drop(history);
    assert!(!beside(".made").exists() && !beside(".made-wal").exists());
    // Afterwards it is all there is.
    std::fs::rename(&database, beside(".damaged-20260301T060000Z")).unwrap();
    std::fs::write(beside("-wal"), b"of the damaged one").unwrap();
    std::fs::write(beside(".made"), &complete).unwrap();
    let (history, _) = open(copy.path());
    assert_eq!(contents(&history), whole);
    assert!(!beside(".made").exists());
}
