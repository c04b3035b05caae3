//! Damage to a history whose older days stand in blocks alone.

use super::{open, options};
use crate::invented::{START, reading};
use crate::open::DATABASE;
use crate::{Batch, History, Opened, Options, ReadError, Selection};
use observation::time::{DAY, HOUR, MINUTE};
use observation::{Reading, SeriesIndex, Span, Time};
use std::collections::BTreeMap;
use std::path::Path;

type Told = BTreeMap<(Time, SeriesIndex), Reading>;

/// Readings of one series and day.
const OF_DAY: usize = 1_440;
const DAYS: i64 = 10;
/// So many days are left in the log beside their blocks.
const IN_LOG: i64 = 2;

/// What a history tells; all of it in memory, which is little here.
fn told(history: &History) -> Result<Told, ReadError> {
    let mut all = Told::new();
    let selection = Selection::between(Time(i64::MIN / 4), Time(i64::MAX / 4));
    let look = history.look();
    let mut walk = look.walk(&selection)?;
    while let Some(part) = walk.next_part()? {
        all.extend(part.iter().map(|k| ((k.reading.time, k.reading.series), k.reading)));
    }
    Ok(all)
}

fn directory() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() }.unwrap()
}

/// Two stations with a reading a minute that no packing makes small, all days but the last
/// sealed, all but the last few trimmed from the log. The first is a Sunday: the next seven
/// may be one block.
fn original(directory: &Path) -> Told {
    written(directory, false)
}

fn written(directory: &Path, merged: bool) -> Told {
    let (mut history, _) = open(directory);
    let mut random = fastrand::Rng::with_seed(5);
    let start = Time(START.utc_day() * DAY);
    for hour in 0..DAYS * 24 {
        let from = start + Span(hour * HOUR);
        let readings: Vec<Reading> = (0..60)
            .flat_map(|minute| [0, 4].map(|series| (series, from + Span(minute * MINUTE))))
            .map(|(series, time)| reading(series, time, random.i64(0..1 << 20), 0))
            .collect();
        let received = from + Span(HOUR);
        let batch = Batch {
            received,
            walked: received,
            messages: &[],
            readings: &readings,
            set_aside: &[],
        };
        history.commit(&batch).unwrap();
    }
    let last = start.utc_day() + DAYS - 1;
    for day in history.look().days_to_seal(last).unwrap() {
        history.seal(day).unwrap();
    }
    while merged && history.merge(start.utc_day() + 1).unwrap().is_some() {}
    let keep = start + Span((DAYS - IN_LOG) * DAY);
    assert!(history.trim(0, keep, u64::MAX).unwrap() > 0);
    let before = told(&history).unwrap();
    assert_eq!(before.len(), OF_DAY * 2 * usize::try_from(DAYS).unwrap());
    history.close().unwrap();
    before
}

/// What is told is what was told; what is not was said to be missing. How many are missing.
fn missing(before: &Told, after: &Told, said: bool, what: &str) -> usize {
    for (key, reading) in after {
        assert!(before.get(key) == Some(reading), "{what}: {key:?} was never measured");
    }
    let missing = before.len() - after.len();
    assert!(missing == 0 || said, "{what}: {missing} readings are missing and nobody says so");
    missing
}

/// Damages copies at many places; the most readings that one of them cost.
fn damaged_everywhere(
    merged: bool,
    step: usize,
    change: &dyn Fn(&mut Vec<u8>, usize),
) -> (usize, usize) {
    let source = directory();
    let before = written(source.path(), merged);
    let bytes = std::fs::read(source.path().join(DATABASE)).unwrap();
    let (mut most, mut told_of) = (0, 0);
    for at in (0..bytes.len()).step_by(step) {
        let copy = directory();
        let mut changed = bytes.clone();
        change(&mut changed, at);
        std::fs::write(copy.path().join(DATABASE), changed).unwrap();
        let what = format!("at {at} of {}", bytes.len());
        let (mut history, Opened { repairs, .. }) = open(copy.path());
        let after = told(&history).unwrap();
        assert!(!history.noticed().any(), "{what}: a small one was looked through at the start");
        let said = !repairs.is_empty();
        most = most.max(missing(&before, &after, said, &what));
        told_of += usize::from(said);
        let look = history.look();
        let all = Selection {
            series: vec![SeriesIndex(0), SeriesIndex(4)],
            ..Selection::between(Time(0), Time((START.utc_day() + DAYS) * DAY))
        };
        let mut once = std::collections::BTreeSet::new();
        look.each_sealed(&all, &mut |series, run| {
            let day = run[0].time.utc_day();
            assert!(once.insert((series, day)), "{what}: day {day} is in two blocks");
        })
        .unwrap();
        // It is sealed again where it must be, and goes on.
        let last = START.utc_day() + DAYS - 1;
        for day in history.look().days_to_seal(last).unwrap() {
            history.seal(day).unwrap();
        }
        let again = told(&history).unwrap();
        assert!(
            again == after,
            "{what}: {} before sealing, {} afterwards; {repairs:?}",
            after.len(),
            again.len()
        );
        let faults = history.look().verify(&mut |_| ()).unwrap();
        assert!(faults.is_empty(), "{what}: {faults:?}; {repairs:?}");
        drop(history);
        assert_eq!(open(copy.path()).1.repairs, Vec::<String>::new(), "{what}: told once");
    }
    println!("{} places, {told_of} told of, at most {most} readings lost", bytes.len() / step + 1);
    (most, told_of)
}

#[test]
fn a_flipped_byte_costs_no_more_than_the_block_it_hits() {
    let (most, told_of) = damaged_everywhere(false, 97 * 29, &|bytes, at| bytes[at] ^= 0x55);
    assert!(told_of > 20, "{told_of}");
    assert!(most <= OF_DAY, "{most}");
}

#[test]
fn zeroed_stretches_cost_only_what_lay_there() {
    let (most, told_of) = damaged_everywhere(false, 97 * 61, &|bytes, at| {
        let end = (at + 5_000).min(bytes.len());
        bytes[at..end].fill(0);
    });
    // Three pages at most, each with the beginnings of some blocks.
    assert!(told_of > 10 && most < OF_DAY * 2 * usize::try_from(DAYS - IN_LOG).unwrap(), "{most}");
}

#[test]
fn a_file_cut_off_anywhere_gives_what_is_left() {
    let (_, told_of) = damaged_everywhere(false, 97 * 61, &|bytes, at| bytes.truncate(at));
    assert!(told_of > 10, "{told_of}");
}

#[test]
fn a_damaged_week_costs_no_other_block_and_days_in_free_pages_are_told_once() {
    let (most, told_of) = damaged_everywhere(true, 97 * 29, &|bytes, at| bytes[at] ^= 0x55);
    assert!(told_of > 20, "{told_of}");
    assert!(most <= OF_DAY * 7, "{most}");
    let (most, told_of) = damaged_everywhere(true, 97 * 61, &|bytes, at| {
        let end = (at + 5_000).min(bytes.len());
        bytes[at..end].fill(0);
    });
    assert!(told_of > 10 && most <= OF_DAY * 14, "{most}");
    damaged_everywhere(true, 97 * 211, &|bytes, at| bytes.truncate(at));
}

/// As a history is opened that is too large to be looked through at each start.
fn open_large(directory: &Path) -> (History, Opened) {
    let options = Options { whole_up_to: 0, verify_newest: 3, ..options() };
    let (mut history, opened) = History::open(directory, &options).unwrap();
    let property = crate::invented::property(4);
    let series = crate::invented::series(&property);
    history.register(START, &property, &series, &crate::invented::sources()).unwrap();
    (history, opened)
}

#[test]
fn any_page_of_a_large_history_may_be_lost_and_it_starts_and_is_mended() {
    let source = directory();
    let before = original(source.path());
    let bytes = std::fs::read(source.path().join(DATABASE)).unwrap();
    let (mut at_once, mut later, mut most) = (0, 0, 0);
    for page in 0..bytes.len() / 4_096 {
        let copy = directory();
        let mut changed = bytes.clone();
        changed[page * 4_096..(page + 1) * 4_096].fill(0);
        std::fs::write(copy.path().join(DATABASE), changed).unwrap();
        let (mut history, opened) = open_large(copy.path());
        let mut said = !opened.repairs.is_empty();
        at_once += usize::from(said);
        let answer = told(&history);
        said |= !history.set_noticed_aside().unwrap().is_empty();
        let after = match answer {
            Ok(after) => after,
            Err(error) => {
                assert!(error.is_damage(), "page {page}: {error}");
                assert!(error.to_string().contains("check --history"), "{error}");
                // What a writer or `check --history` asks of the next start.
                history.suspect();
                drop(history);
                let (again, opened) = open_large(copy.path());
                assert!(!opened.repairs.is_empty(), "page {page}");
                (history, said) = (again, true);
                later += 1;
                told(&history).unwrap()
            }
        };
        most = most.max(missing(&before, &after, said, &format!("page {page}")));
        drop(history);
        assert!(!copy.path().join("history.suspect").exists());
    }
    println!("{at_once} pages told of at the start, {later} after they were met; {most} lost");
    assert!(at_once > 3 && later > 0, "{at_once} {later}");
    assert!(most <= OF_DAY * 4, "{most}");
}

#[test]
fn a_block_found_damaged_while_it_runs_is_left_out_and_set_aside_and_read_of_the_log() {
    let source = directory();
    let before = original(source.path());
    let (mut history, opened) = open_large(source.path());
    assert_eq!(opened.repairs, Vec::<String>::new());
    let first = START.utc_day();
    let damage = |day: i64| {
        let other = rusqlite::Connection::open(source.path().join(DATABASE)).unwrap();
        let sql = "UPDATE block SET body = x'00' || substr(body, 2) WHERE day = ?1 AND station = 1";
        assert_eq!(other.execute(sql, [day]).unwrap(), 1);
    };
    // One that the log still holds, and one that it does not.
    damage(first + DAYS - 2);
    assert!(told(&history).unwrap() == before, "read of the log");
    damage(first + 1);
    let reader = history.reader().unwrap();
    let after = told(&history).unwrap();
    assert_eq!(missing(&before, &after, history.noticed().any(), "both"), OF_DAY);
    let met = reader.damage_met();
    assert_eq!(met.len(), 2, "{met:?}");
    let told_then = history.set_noticed_aside().unwrap();
    assert_eq!(told_then.len(), 1, "{told_then:?}");
    assert!(told_then[0].starts_with("2 damaged blocks"), "{told_then:?}");
    let count = |table: &str| -> i64 {
        let sql = format!("SELECT count(*) FROM {table}");
        history.connection.query_row(&sql, [], |r| r.get(0)).unwrap()
    };
    assert_eq!(count("damaged_block"), 2);
    assert!(told(&history).unwrap() == after);
    assert!(!history.noticed().any(), "told once");
    // What the log holds is sealed again.
    let blocks = count("block");
    assert_eq!(history.seal(first + DAYS - 2).unwrap().blocks, 1);
    assert!(told(&history).unwrap() == after);
    let sealed: i64 =
        history.connection.query_row("SELECT count(*) FROM block", [], |r| r.get(0)).unwrap();
    assert_eq!(sealed, blocks + 1);

    // Sealing never writes over a damaged one: a late reading comes of such a day.
    damage(first + 2);
    let late = reading(0, Time((first + 2) * DAY + 30_000), 7, 0);
    let received = history.last().unwrap().received;
    let batch =
        Batch { received, walked: received, messages: &[], readings: &[late], set_aside: &[] };
    history.commit(&batch).unwrap();
    history.seal(first + 2).unwrap();
    let kept: i64 = history
        .connection
        .query_row("SELECT count(*) FROM damaged_block", [], |r| r.get(0))
        .unwrap();
    assert_eq!(kept, 3);
    assert_eq!(history.set_noticed_aside().unwrap().len(), 1, "and it is told");
}

#[test]
fn a_record_found_damaged_while_it_runs_is_left_out_and_set_aside() {
    let source = directory();
    let before = original(source.path());
    let (mut history, _) = open_large(source.path());
    let last = history.last().unwrap().number;
    let other = rusqlite::Connection::open(source.path().join(DATABASE)).unwrap();
    // One byte of it, and its type.
    for (number, body) in [(last - 2, "x'00'"), (last - 3, "'text'")] {
        let sql =
            format!("UPDATE log SET body = CAST({body} AS BLOB) || body WHERE number = {number}");
        let sql = sql.replace("CAST('text' AS BLOB) || body", "'text'");
        assert_eq!(other.execute(&sql, []).unwrap(), 1);
    }
    drop(other);
    let after = told(&history).unwrap();
    assert_eq!(missing(&before, &after, history.noticed().any(), "two"), 240, "of two hours");
    let said = history.set_noticed_aside().unwrap();
    assert!(said.len() == 1 && said[0].starts_with("2 damaged records"), "{said:?}");
    assert!(told(&history).unwrap() == after);
    assert!(!history.noticed().any());
}

/// Values by the station and instrument of their series: what a keeper understands.
fn by_name(history: &History) -> BTreeMap<(String, String, Time), Option<i64>> {
    let names = history.names();
    told(history)
        .unwrap()
        .into_values()
        .filter_map(|r| {
            let series = names.series(r.series)?;
            Some(((series.station.clone(), series.instrument.clone(), r.time), r.value))
        })
        .collect()
}

#[test]
fn names_that_the_log_lost_are_taken_from_the_tables_and_never_given_to_others() {
    let source = directory();
    original(source.path());
    let property = crate::invented::property(4);
    // The settings name the series in another order by now: numbered anew, each would be
    // read as another.
    let mut series = crate::invented::series(&property);
    series.reverse();
    let reopen = |directory: &Path| {
        let (mut history, opened) = History::open(directory, &options()).unwrap();
        history.register(START, &property, &series, &crate::invented::sources()).unwrap();
        (history, opened)
    };
    let (history, _) = reopen(source.path());
    let before = by_name(&history);
    assert_eq!(before.len(), OF_DAY * 2 * usize::try_from(DAYS).unwrap());
    drop(history);
    let lose = |more: &str| {
        let connection = rusqlite::Connection::open(source.path().join(DATABASE)).unwrap();
        let sql = "UPDATE log SET body = CAST(x'07' || substr(body, 2) AS BLOB) WHERE kind = 7";
        assert!(connection.execute(sql, []).unwrap() > 0);
        connection.execute_batch(more).unwrap();
    };
    lose("");
    let (history, opened) = reopen(source.path());
    assert!(opened.repairs.iter().any(|r| r.contains("tables of names")), "{opened:?}");
    assert!(by_name(&history) == before, "under their own names");
    drop(history);
    assert_eq!(reopen(source.path()).1.repairs, Vec::<String>::new());
    // Where both are lost nobody can know: nothing is told under a wrong name.
    lose("DELETE FROM station; DELETE FROM channel; DELETE FROM series; DELETE FROM source;");
    let (mut history, _) = reopen(source.path());
    assert!(by_name(&history).is_empty());
    let received = history.last().unwrap().received + Span(DAY);
    let new = reading(0, received, 7, 0);
    let batch =
        Batch { received, walked: received, messages: &[], readings: &[new], set_aside: &[] };
    history.commit(&batch).unwrap();
    assert_eq!(by_name(&history).into_values().collect::<Vec<_>>(), [Some(7)]);
}
