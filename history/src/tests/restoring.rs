//! Backups, and putting them back.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::lookup::filled;
use super::open;
use crate::open::DATABASE;
use crate::{Record, restore};

fn records(history: &crate::History) -> Vec<Record> {
    history.look().records(0).collect::<Result<_, _>>().unwrap()
}

#[test]
fn a_backup_made_while_writing_is_restored_whole() {
    let (from, to, aside) =
        (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (mut history, _) = open(from.path());
    let mut random = fastrand::Rng::with_seed(3);
    filled(&mut history, &mut random, 200);
    let days = history.look().days_to_seal(history.last().unwrap().received.utc_day()).unwrap();
    for day in days {
        history.seal(day).unwrap();
    }
    let before = records(&history);
    let target = aside.path().join("copy");
    let reader = history.reader().unwrap();
    let mut more = false;
    reader
        .backup(&target, &mut |_, _| {
            if !more {
                filled(&mut history, &mut random, 20);
                more = true;
            }
        })
        .unwrap();
    assert!(reader.backup(&target, &mut |_, _| ()).is_err(), "an old backup is not written over");
    restore(&target, to.path(), &mut |_| ()).unwrap();
    let (restored, opened) = open(to.path());
    assert!(!opened.created && opened.repairs.is_empty(), "{opened:?}");
    assert_eq!(restored.property_id(), history.property_id());
    assert_eq!(records(&restored), before);
    assert_eq!(restored.look().block_bytes().unwrap(), history.look().block_bytes().unwrap());
    drop(restored);
    let refused = restore(&target, to.path(), &mut |_| ()).unwrap_err();
    assert!(refused.to_string().contains("already"), "{refused}");
}

#[test]
fn a_damaged_backup_is_refused_and_leaves_nothing() {
    let (from, aside) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (mut history, _) = open(from.path());
    filled(&mut history, &mut fastrand::Rng::with_seed(4), 300);
    let target = aside.path().join("copy");
    history.backup(&target, &mut |_, _| ()).unwrap();
    let sound = std::fs::read(&target).unwrap();
    let places = [0, 24, 100, sound.len() / 2, sound.len() - 3];
    for place in places {
        let mut bytes = sound.clone();
        for byte in bytes.iter_mut().skip(place).take(64) {
            *byte = !*byte;
        }
        std::fs::write(&target, &bytes).unwrap();
        let to = tempfile::tempdir().unwrap();
        let refused = restore(&target, to.path(), &mut |_| ());
        assert!(refused.is_err(), "damage at {place}");
        assert!(!to.path().join(DATABASE).exists());
        let left = std::fs::read_dir(to.path()).unwrap().count();
        assert_eq!(left, 1, "the lock alone");
    }
    std::fs::write(&target, &sound[..sound.len() - 4_096]).unwrap();
    assert!(restore(&target, from.path(), &mut |_| ()).is_err(), "in use");
    let to = tempfile::tempdir().unwrap();
    assert!(restore(&target, to.path(), &mut |_| ()).is_err(), "cut");
}
