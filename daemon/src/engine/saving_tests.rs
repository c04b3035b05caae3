//! When the processor's state is saved: a start reads every record behind it again, so it
//! must not lie far back, however often the process is killed.

use super::keeping::{Keeping, Limits};
use super::tests::{message, stage};
use super::turn::{LastSaved, Turn};
use super::writing::{RECORDS, SAVING};
use crate::clock::{Clock, HandClock};
use crate::fixture;
use history::{History, Options};
use observation::Time;
use observation::time::DAY;
use std::sync::Arc;
use std::time::Duration;

/// 2026-05-29 00:00 UTC.
const START: Time = Time(20_602 * DAY);

/// A turn of a process that begins now.
fn begun(
    folder: &std::path::Path,
    clock: &Arc<HandClock>,
    last_saved: LastSaved,
) -> Turn<super::tests::Fake> {
    let property = fixture::property("Orchard");
    let options = Options { ballast: 0, ..Options::at(START) };
    let (mut history, _) = History::open(folder, &options).unwrap();
    history.register(START, &property, &[], &["push".to_owned()]).unwrap();
    let keeping = Keeping::new(&property, Limits { bytes: u64::MAX, age: None }, Vec::new());
    let clock: Arc<dyn Clock> = Arc::<HandClock>::clone(clock);
    let set = (Duration::ZERO, keeping, last_saved);
    stage(&property, Arc::from([]), history, clock, set).turn
}

/// Takes and commits a message; the number of the record behind which the state stands.
fn saved_after(turn: &mut Turn<super::tests::Fake>, clock: &HandClock) -> Option<u64> {
    turn.take_message(message(1.0), clock.now(), clock.monotonic()).unwrap();
    turn.settle().unwrap();
    turn.core.history.load_state().unwrap().first().map(|part| part.at)
}

#[test]
fn the_time_before_this_process_began_counts() {
    let folder = tempfile::tempdir().unwrap();
    let clock = Arc::new(HandClock::at(START));
    let half = 30_000;
    let last_saved = LastSaved { ago: Duration::from_secs(540), number: 0 };
    let mut turn = begun(folder.path(), &clock, last_saved);
    clock.pass(half);
    assert_eq!(saved_after(&mut turn, &clock), None);
    clock.pass(half);
    let at = saved_after(&mut turn, &clock);
    assert_eq!(at, turn.core.history.last().map(|l| l.number));
    clock.pass(500_000);
    assert_eq!(saved_after(&mut turn, &clock), at, "too early again");
}

#[test]
fn a_state_that_is_long_due_is_saved_with_the_first_commit() {
    let folder = tempfile::tempdir().unwrap();
    let clock = Arc::new(HandClock::at(START));
    let mut turn = begun(folder.path(), &clock, LastSaved { ago: SAVING * 9, number: 0 });
    let at = saved_after(&mut turn, &clock);
    assert_eq!(at, turn.core.history.last().map(|l| l.number));
}

#[test]
fn no_more_records_than_stated_lie_behind_it() {
    let folder = tempfile::tempdir().unwrap();
    let clock = Arc::new(HandClock::at(START));
    let first = 7;
    let mut turn = begun(folder.path(), &clock, LastSaved { ago: Duration::ZERO, number: first });
    let saved = loop {
        match saved_after(&mut turn, &clock) {
            Some(at) => break at,
            None => assert!(turn.core.history.next_number() <= first + RECORDS),
        }
    };
    assert_eq!(saved, first + RECORDS);
}
