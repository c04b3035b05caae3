//! What goes of the oldest samples, and that it is told beforehand.

use super::keeping::{Keeping, Limits};
use super::tests::{Fake, message, stage};
use super::turn::{LastSaved, Turn};
use crate::clock::{Clock, HandClock};
use crate::fixture;
use crate::metrics::tests as metrics;
use history::{Batch, Cursor, History, Options, Selection};
use observation::time::{DAY, HOUR};
use observation::{Flag, Reading, Reasons, SeriesIndex, Span, Time};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// 2026-05-29 00:00 UTC.
const START: Time = Time(20_602 * DAY);
/// Days in the history; samples are kept 33 days at least.
const DAYS: i64 = 40;
const RECORDS: u64 = 24 * DAYS as u64;
const HOURLY: Duration = Duration::from_secs(3_600);

/// A turn over a history of an hourly sample and reading, and all that is due sealed.
fn kept(folder: &std::path::Path, limits: Limits, forwarders: &[&str]) -> Turn<Fake> {
    let property = fixture::property("Orchard");
    let series = fixture::series();
    let options = Options { ballast: 0, ..Options::at(START) };
    let (mut history, _) = History::open(folder, &options).unwrap();
    history.register(START, &property, &series, &["push".to_owned()]).unwrap();
    for forwarder in forwarders {
        let cursor = Cursor { delivered: 100, given_up: 0, gaps: Vec::new() };
        history.set_cursor(forwarder, &cursor).unwrap();
    }
    for hour in 0..24 * DAYS {
        let received = START + Span(hour * HOUR);
        let messages = [observation::Message { received, ..message(1.0) }];
        let reading = Reading {
            series: SeriesIndex(0),
            time: received,
            value: Some(hour),
            flag: Flag::Good,
            reasons: Reasons::NONE,
            revision: 0,
            made_by: 0,
        };
        let batch = Batch {
            received,
            walked: received,
            messages: &messages,
            readings: &[reading],
            set_aside: &[],
        };
        history.commit(&batch).unwrap();
    }
    let clock: Arc<dyn Clock> = Arc::new(HandClock::at(START + Span(DAYS * DAY)));
    let forwarders = forwarders.iter().map(|&f| f.to_owned()).collect();
    let keeping = Keeping::new(&property, limits, forwarders);
    let mut turn =
        stage(&property, series, history, clock, (Duration::ZERO, keeping, LastSaved::default()))
            .turn;
    // One step a call: first the look, then day after day.
    for _ in 0..=DAYS {
        turn.keep(Duration::ZERO).unwrap();
    }
    assert_eq!(turn.core.history.look().block_bytes().unwrap().1, DAYS.unsigned_abs() - 1);
    turn
}

/// Lines of the program's log.
#[derive(Clone, Default)]
struct Lines(Arc<Mutex<Vec<u8>>>);

impl std::io::Write for Lines {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().write(bytes)
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// A look at what is to be kept; what it said.
fn look(turn: &mut Turn<Fake>, hours: u32) -> String {
    let lines = Lines::default();
    let writer = lines.clone();
    let subscriber =
        tracing_subscriber::fmt().with_ansi(false).with_writer(move || writer.clone()).finish();
    tracing::subscriber::with_default(subscriber, || turn.keep(HOURLY * hours)).unwrap();
    let said = lines.0.lock().unwrap();
    String::from_utf8(said.clone()).unwrap()
}

fn readings(turn: &Turn<Fake>) -> Vec<Reading> {
    let look = turn.core.history.look();
    let mut walk = look.walk(&Selection::between(Time(0), START + Span(100 * DAY))).unwrap();
    let mut all = Vec::new();
    while let Some(part) = walk.next_part().unwrap() {
        all.extend(part.iter().map(|k| k.reading));
    }
    all
}

/// Records with samples that are still there.
fn records(turn: &Turn<Fake>) -> u64 {
    let batches = turn.core.history.look().records(0);
    batches.filter(|r| matches!(r.as_ref().unwrap().entry, history::Entry::Batch { .. })).count()
        as u64
}

fn metric(turn: &Turn<Fake>, name: &str) -> f64 {
    let mut snapshot = fixture::silent("Orchard");
    snapshot.history = turn.standing.history.clone();
    metrics::value(&metrics::at(&snapshot, START), name).expect("the metric")
}

#[test]
fn the_oldest_samples_go_by_size_after_a_warning_and_are_counted() {
    let folder = tempfile::tempdir().unwrap();
    let mut turn = kept(folder.path(), Limits { bytes: 4_096, age: None }, &[]);
    let before = readings(&turn);
    assert_eq!(before.len() as u64, RECORDS);

    let said = look(&mut turn, 1);
    assert!(said.contains("WARN") && said.contains("`keep_samples` allows"), "{said}");
    assert_eq!(records(&turn), RECORDS, "a warning comes first");
    assert!(metric(&turn, "isobarn_history_used_bytes") > 4_096.0);
    assert!((metric(&turn, "isobarn_history_allowed_bytes") - 4_096.0).abs() < 0.5);
    assert!(metric(&turn, "isobarn_history_deleted_records_total").abs() < 0.5);
    assert_eq!(look(&mut turn, 1), "", "the next look is an hour later");

    let said = look(&mut turn, 2);
    // 33 days stay, whatever their size: seven of forty may go.
    let gone = 7 * 24;
    assert!(
        said.contains(&format!("the samples of the {gone} oldest records were deleted")),
        "{said}"
    );
    assert_eq!(records(&turn), RECORDS - gone);
    assert!((metric(&turn, "isobarn_history_deleted_records_total") - gone as f64).abs() < 0.5);
    assert_eq!(readings(&turn), before, "readings stay");
    assert_eq!(look(&mut turn, 3), "", "nothing more may go, and it was told today");
    assert!(look(&mut turn, 26).contains("`keep_samples` allows"), "told again after a day");
}

#[test]
fn the_oldest_samples_go_by_age_after_a_warning() {
    let folder = tempfile::tempdir().unwrap();
    let age = |days| Limits { bytes: u64::MAX, age: Some(Span::days(days)) };
    let mut turn = kept(folder.path(), age(38), &[]);
    let said = look(&mut turn, 1);
    assert!(said.contains("40 days old") && said.contains("after the 38"), "{said}");
    assert_eq!(records(&turn), RECORDS, "a warning comes first");
    let said = look(&mut turn, 2);
    assert!(said.contains("48 oldest records were deleted: they were older"), "{said}");
    assert_eq!((records(&turn), readings(&turn).len() as u64), (RECORDS - 48, RECORDS));

    let folder = tempfile::tempdir().unwrap();
    let mut turn = kept(folder.path(), age(60), &[]);
    assert_eq!(look(&mut turn, 1) + &look(&mut turn, 2), "", "young enough");
    assert_eq!(records(&turn), RECORDS);
}

#[test]
fn what_a_forwarder_still_owes_stays() {
    let folder = tempfile::tempdir().unwrap();
    let mut turn =
        kept(folder.path(), Limits { bytes: 4_096, age: Some(Span::days(33)) }, &["barn"]);
    look(&mut turn, 1);
    look(&mut turn, 2);
    let first = turn.core.history.look().records(101).next().unwrap().unwrap().number;
    assert_eq!(first, 101, "nothing behind the cursor went");
    assert!(records(&turn) < RECORDS, "what it had did");
}

#[test]
fn weeks_over_long_enough_are_merged_a_block_at_a_time_and_again_after_one_was_parted() {
    let folder = tempfile::tempdir().unwrap();
    let mut turn = kept(folder.path(), Limits { bytes: u64::MAX, age: None }, &[]);
    let before = readings(&turn);
    let blocks = |turn: &Turn<Fake>| turn.core.history.look().block_bytes().unwrap().1;
    // 40 days from a Friday on: of the four whole weeks three ended 14 days ago.
    let whole = DAYS.unsigned_abs() - 1;
    let mut at = Duration::ZERO;
    let mut counts = Vec::new();
    for _ in 0..60 {
        at += Duration::from_secs(2);
        turn.keep(at).unwrap();
        if counts.last() != Some(&blocks(&turn)) {
            counts.push(blocks(&turn));
        }
    }
    // Of the first week only the three days from Friday on are there.
    assert_eq!(counts, [whole, whole - 2, whole - 8, whole - 14, whole - 20]);
    assert_eq!(readings(&turn), before, "they answer as before");
    assert_eq!(turn.weeks.done, Some(START.utc_day() - 4 + 21));

    // Something comes of a day in the second week.
    let at = START + Span(5 * DAY + 60_000);
    let late = Reading { time: at, ..before[0] };
    let received = turn.core.history.last().unwrap().received;
    let batch =
        Batch { received, walked: received, messages: &[], readings: &[late], set_aside: &[] };
    turn.core.history.commit(&batch).unwrap();
    let with = readings(&turn);
    assert_eq!(with.len(), before.len() + 1);
    turn.keep(HOURLY * 2).unwrap();
    turn.keep(HOURLY * 2).unwrap();
    assert_eq!(blocks(&turn), whole - 20 + 6, "it is parted for its day");
    for second in 0..60 {
        turn.keep(HOURLY * 2 + Duration::from_secs(second)).unwrap();
    }
    assert_eq!(blocks(&turn), whole - 20 + 6, "and waits for the next Monday or start");
    turn.weeks = super::weeks::Weeks::default();
    for second in 60..120 {
        turn.keep(HOURLY * 2 + Duration::from_secs(second)).unwrap();
    }
    assert_eq!((blocks(&turn), readings(&turn)), (whole - 20, with));
}
