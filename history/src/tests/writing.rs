use super::{open, options};
use crate::invented::{START, any_message, message, property, reading, series, sources};
use crate::{
    AsideUse, Batch, ClockStep, Cursor, DeadLetter, Entry, Epoch, History, NewToken, Note,
    Observation, OpenError, Options, Reader, Record, Revised, SavedPart, SetAside, StatePart,
    WriteError,
};
use observation::diagnosis::Stage;
use observation::{
    ChannelIndex, Diagnosis, Evidence, Finite, Quantity, Refusal, SeriesIndex, Span, StationIndex,
    Time,
};
use proptest::prelude::*;
use std::ops::ControlFlow;

fn batch<'a>(
    received: Time,
    messages: &'a [observation::Message],
    readings: &'a [observation::Reading],
) -> Batch<'a> {
    Batch { received, walked: received, messages, readings, set_aside: &[] }
}

fn all(history: &History) -> Vec<Record> {
    history.look().records(0).collect::<Result<_, _>>().unwrap()
}

#[test]
fn every_kind_of_record_comes_back_in_order_after_a_drop() {
    let directory = tempfile::tempdir().unwrap();
    let entries = [
        Entry::Epoch(Epoch {
            fingerprint: u64::MAX,
            text: "[property]\nname = \"Alder Croft\"\n".into(),
        }),
        Entry::Batch {
            messages: vec![message(0, &[0, 1], START, 17.3)],
            readings: vec![reading(1, START, -5, 0)],
        },
        Entry::Note(Note {
            station: Some("orchard".into()),
            instrument: None,
            kind: "cleaned".into(),
            from: START,
            to: Some(START + Span::minutes(5)),
            text: "cobweb in the screen".into(),
        }),
        Entry::Observation(Observation {
            station: "orchard".into(),
            time: START,
            quantity: Quantity::SurfaceSnowThickness,
            value: Finite::new(0.04).unwrap(),
            unit: "m".into(),
        }),
        Entry::Revised(Revised {
            series: SeriesIndex(2),
            from: START,
            to: START + Span::days(1),
            revision: 3,
        }),
        Entry::ClockStep(ClockStep { old: START, new: START - Span::hours(2) }),
    ];
    let uuid = {
        let (mut history, opened) = open(directory.path());
        assert!(opened.created && opened.repairs.is_empty());
        for entry in &entries {
            let next = history.next_number();
            assert_eq!(history.append(START, START, entry).unwrap().number, next);
        }
        assert!(history.append(START, START, &Entry::Registered).is_err());
        history.property_id().to_owned()
    };
    let (history, opened) = open(directory.path());
    assert!(!opened.created);
    assert_eq!(opened.repairs, Vec::<String>::new());
    assert_eq!(history.property_id(), uuid);
    let records = all(&history);
    assert_eq!(records.iter().map(|r| r.number).collect::<Vec<_>>(), (1..=7).collect::<Vec<_>>());
    assert_eq!(records[0].entry, Entry::Registered);
    for (record, entry) in records[1..].iter().zip(&entries) {
        assert_eq!(&record.entry, entry);
    }
    assert_eq!(records[6].received, START - Span::hours(2), "a clock step may go back");
    assert_eq!(history.last().unwrap().number, 7);
}

#[test]
fn another_process_or_writer_is_kept_out_and_a_reader_is_not() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    assert!(matches!(
        History::open(directory.path(), &options()),
        Err(OpenError::Locked { holder: Some(process), .. }) if process == std::process::id()
    ));
    let property = property(4);
    let reader = Reader::open(directory.path(), &property, &series(&property), &sources()).unwrap();
    assert_eq!(reader.property_id().unwrap(), history.property_id());
    history.commit(&batch(START, &[message(1, &[4], START, 1.0)], &[])).unwrap();
    assert_eq!(reader.look().last().unwrap().unwrap().number, 2);
    let other = std::thread::spawn(move || reader.look().records(2).count());
    assert_eq!(other.join().unwrap(), 1);
    history.close().unwrap();
    assert!(History::open(directory.path(), &options()).is_ok());
}

#[test]
fn numbers_keep_their_meaning_when_the_settings_change() {
    let directory = tempfile::tempdir().unwrap();
    let old = message(1, &[4, 7], START, 3.5);
    {
        let (mut history, _) = open(directory.path());
        history
            .commit(&batch(START, std::slice::from_ref(&old), &[reading(7, START, 350, 0)]))
            .unwrap();
    }
    // Two channels fewer a station: every index has moved.
    let fewer = property(2);
    let (mut history, _) = History::open(directory.path(), &options()).unwrap();
    let names = history.register(START, &fewer, &series(&fewer), &["yard".into()]).unwrap();
    assert_eq!(history.last().unwrap().number, 2, "nothing new had to be named");
    let Entry::Batch { messages, readings } = &all(&history)[1].entry else { panic!() };
    let channels: Vec<_> =
        messages[0].samples.iter().map(|s| names.channel(s.channel).unwrap()).collect();
    assert_eq!((channels[0].station.as_str(), channels[0].name.as_str()), ("ridge", "t0"));
    assert_eq!((channels[1].station.as_str(), channels[1].name.as_str()), ("ridge", "t3"));
    assert!(names.is_current(messages[0].samples[0].channel));
    assert!(!names.is_current(messages[0].samples[1].channel));
    assert_eq!(names.source(messages[0].source), Some("push"));
    assert_eq!(names.series(readings[0].series).unwrap().instrument, "thermometer_3");
    assert!(!names.is_current_series(readings[0].series));
    assert_eq!(names.station_of(messages[0].samples[1].channel), Some(StationIndex(1)));

    // Another unit is another channel.
    let mut kelvins = property(2);
    kelvins.channels[2].unit = observation::Unit::parse("K").unwrap();
    let names = history.register(START, &kelvins, &series(&kelvins), &sources()).unwrap();
    let Entry::Batch { messages, .. } = &all(&history)[1].entry else { panic!() };
    assert_eq!(names.channel(messages[0].samples[0].channel).unwrap().unit, "Cel");
    assert!(!names.is_current(messages[0].samples[0].channel));
    assert!(names.is_current(ChannelIndex(2)));
}

#[test]
fn an_index_that_was_never_registered_is_refused_and_nothing_is_written() {
    let mut history = History::temporary().unwrap();
    let written = history.commit(&batch(START, &[message(0, &[0], START, 1.0)], &[]));
    assert!(matches!(written, Err(WriteError::Failed(_))));
    assert_eq!(history.next_number(), 1);
    assert!(all(&history).is_empty());
}

#[test]
fn state_tokens_cursors_and_suffixes_outlive_the_process() {
    let directory = tempfile::tempdir().unwrap();
    let part = |name: &str, body: &[u8]| StatePart {
        name: name.into(),
        version: 2,
        fingerprint: u64::MAX - 1,
        body: body.into(),
    };
    let cursor = Cursor { delivered: 2, given_up: 4, gaps: vec![(1, 1), (2, 2)] };
    let letter = DeadLetter {
        forwarder: "archive".into(),
        number: 2,
        place: 1,
        time: START,
        status: 422,
        answer: "no such thing".into(),
    };
    let token = NewToken { gateway: false, owner: "orchard".into(), hash: [7; 32], created: START };
    let suffix = {
        let (mut history, _) = open(directory.path());
        history.commit(&batch(START, &[], &[])).unwrap();
        history.save_state(&[part("a", b"old"), part("b", b"stays")]).unwrap();
        history.save_state(&[part("a", b"new")]).unwrap();
        history.set_cursor("archive", &cursor).unwrap();
        history.add_dead_letters(std::slice::from_ref(&letter)).unwrap();
        let id = history.add_token(&token).unwrap();
        assert!(history.revoke_token(id, START).unwrap());
        assert!(!history.revoke_token(id, START).unwrap());
        history.source_suffix("house").unwrap()
    };
    let (mut history, opened) = open(directory.path());
    assert_eq!(opened.repairs, Vec::<String>::new());
    assert_eq!(
        history.load_state().unwrap(),
        [
            SavedPart { part: part("a", b"new"), at: 2 },
            SavedPart { part: part("b", b"stays"), at: 2 }
        ]
    );
    assert_eq!(suffix.len(), 12);
    assert_eq!(history.source_suffix("house").unwrap(), suffix);
    assert_ne!(history.source_suffix("yard").unwrap(), suffix);
    let look = history.look();
    assert_eq!(look.cursor("archive").unwrap(), Some(cursor));
    assert_eq!(look.cursor("other").unwrap(), None);
    assert_eq!(look.dead_letters("archive", 10).unwrap(), (vec![letter], 1));
    let tokens = look.tokens().unwrap();
    assert_eq!((&tokens[0].token, tokens[0].revoked), (&token, Some(START)));
}

#[test]
fn what_is_set_aside_is_kept_counted_and_brought_in_once() {
    let directory = tempfile::tempdir().unwrap();
    let mut random = fastrand::Rng::with_seed(3);
    let aside: Vec<_> = [Refusal::Future, Refusal::Future, Refusal::TooOld]
        .into_iter()
        .map(|reason| SetAside { message: any_message(&mut random, 8, START), reason })
        .collect();
    {
        let (mut history, _) = open(directory.path());
        history.commit(&Batch { set_aside: &aside, ..batch(START, &[], &[]) }).unwrap();
    }
    let (mut history, _) = open(directory.path());
    let found = history.look().set_aside(None, 0, 10).unwrap();
    assert_eq!(
        found.iter().map(|f| &f.set_aside).collect::<Vec<_>>(),
        aside.iter().collect::<Vec<_>>()
    );
    let total = |history: &History| {
        history.look().set_aside_counts().unwrap().iter().map(|c| c.2).sum::<u64>()
    };
    assert_eq!(total(&history), 3);
    history.take_set_aside(&[found[0].id]).unwrap();
    assert_eq!(total(&history), 2);
    assert_eq!(history.look().set_aside(None, 0, 1).unwrap()[0].id, found[1].id);
}

#[test]
fn what_is_set_aside_is_bounded_and_the_oldest_is_given_up_what_was_brought_in_first() {
    const FEW: AsideUse = AsideUse { messages: 100, bytes: 1 << 20 };
    let all = AsideUse { messages: 150, ..FEW };
    let directory = tempfile::tempdir().unwrap();
    let options = Options { set_aside: [FEW, all], ..options() };
    let open = || {
        let (mut history, _) = History::open(directory.path(), &options).unwrap();
        let property = property(4);
        history.register(START, &property, &series(&property), &sources()).unwrap();
        history
    };
    let set_aside = |history: &mut History, station: u16, count: usize| -> u64 {
        (0..count)
            .map(|_| {
                let channel = u32::from(station) * 2;
                let message = message(station, &[channel], START, 17.3);
                let aside = [SetAside { message, reason: Refusal::Future }];
                let batch = Batch { set_aside: &aside, ..batch(START, &[], &[]) };
                history.commit(&batch).unwrap().given_up
            })
            .sum()
    };
    let ids = |history: &History| -> Vec<i64> {
        history.look().set_aside(None, 0, 1_000).unwrap().iter().map(|a| a.id).collect()
    };
    let mut history = open();
    assert_eq!(history.aside_nearly_full(), None);
    assert_eq!(set_aside(&mut history, 0, 90), 0);
    assert_eq!(history.aside_nearly_full(), None);
    assert_eq!(set_aside(&mut history, 0, 1), 0);
    let (station, held) = history.aside_nearly_full().unwrap();
    assert_eq!((station, held.messages), ("orchard", 91));

    // What was brought in goes first and is not given up.
    history.take_set_aside(&[5, 6, 7]).unwrap();
    assert_eq!(set_aside(&mut history, 0, 10), 0, "three of them make room");
    assert_eq!(ids(&history).len(), 98);
    drop(history);
    // A restart forgets nothing.
    let mut history = open();
    let given_up = set_aside(&mut history, 0, 50);
    let kept = ids(&history);
    assert_eq!(given_up as usize + kept.len(), 148);
    assert!((90..=100).contains(&kept.len()), "{}", kept.len());
    assert_eq!(kept.last(), Some(&151));
    assert!(kept.windows(2).all(|pair| pair[1] == pair[0] + 1), "the oldest went: {kept:?}");

    // Another station has its own share, up to what all may have.
    let given_up = set_aside(&mut history, 1, 60);
    assert!(given_up > 0);
    let held = ids(&history);
    assert!((140..=150).contains(&held.len()), "{}", held.len());
    assert!((152..=211).all(|id| held.contains(&id)), "the fuller one gives up: {held:?}");
}

#[test]
fn by_size_what_is_set_aside_is_bounded_too() {
    let directory = tempfile::tempdir().unwrap();
    let most = AsideUse { messages: 1_000_000, bytes: 2_000 };
    let options = Options { set_aside: [most; 2], ..options() };
    let (mut history, _) = History::open(directory.path(), &options).unwrap();
    let property = property(4);
    history.register(START, &property, &series(&property), &sources()).unwrap();
    let mut random = fastrand::Rng::with_seed(3);
    for _ in 0..100 {
        let message = any_message(&mut random, 8, START);
        let aside = [SetAside { message, reason: Refusal::TooOld }];
        history.commit(&Batch { set_aside: &aside, ..batch(START, &[], &[]) }).unwrap();
        let bytes: i64 = history
            .connection
            .query_row("SELECT sum(length(body)) FROM set_aside", [], |r| r.get(0))
            .unwrap();
        assert!((1..=2_000).contains(&bytes), "{bytes}");
    }
    let kept = history.look().set_aside(None, 0, 1_000).unwrap().len();
    assert!((2..100).contains(&kept), "{kept}");
}

#[test]
fn a_full_device_refuses_whole_and_the_same_batch_goes_in_later() {
    let directory = tempfile::tempdir().unwrap();
    let (history, _) = open(directory.path());
    history.close().unwrap();
    let pages = crate::Options { max_pages: Some(60), ..options() };
    let (mut history, _) = History::open(directory.path(), &pages).unwrap();
    let property = property(4);
    history.register(START, &property, &series(&property), &sources()).unwrap();
    let mut random = fastrand::Rng::with_seed(5);
    let (mut number, mut refused) = (history.next_number(), None);
    for _ in 0..500 {
        let messages: Vec<_> = (0..30).map(|_| any_message(&mut random, 8, START)).collect();
        match history.commit(&batch(START, &messages, &[])) {
            Ok(committed) => {
                assert_eq!(committed.number, number);
                number += 1;
            }
            Err(error) => {
                assert_eq!(error, WriteError::Full);
                refused = Some(messages);
                break;
            }
        }
    }
    let messages = refused.expect("sixty pages hold no five hundred records");
    assert_eq!(history.next_number(), number);
    assert_eq!(history.commit(&batch(START, &messages, &[])), Err(WriteError::Full));
    assert_eq!(all(&history).len() as u64, number - 1, "reading goes on");
    history.connection.pragma_update_and_check(None, "max_page_count", 10_000, |_| Ok(())).unwrap();
    assert_eq!(history.commit(&batch(START, &messages, &[])).unwrap().number, number);
    drop(history);
    let (history, opened) = open(directory.path());
    assert_eq!(opened.repairs, Vec::<String>::new());
    let Entry::Batch { messages: kept, .. } = all(&history).pop().unwrap().entry else { panic!() };
    assert_eq!(kept, messages);
}

#[test]
fn a_backup_is_whole_and_a_copy_that_exists_is_not_touched() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    history.commit(&batch(START, &[message(0, &[0], START, 1.0)], &[])).unwrap();
    let copies = tempfile::tempdir().unwrap();
    let target = copies.path().join(crate::open::DATABASE);
    history.backup(&target, &mut |done, of| assert!(done <= of)).unwrap();
    assert!(history.backup(&target, &mut |_, _| {}).is_err());
    let (copy, opened) = open(copies.path());
    assert_eq!(opened.repairs, Vec::<String>::new());
    assert_eq!(all(&copy), all(&history));
}

#[test]
fn what_is_written_is_counted_and_the_log_file_stays_small() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    let before = history.written_bytes();
    let mut random = fastrand::Rng::with_seed(9);
    for second in 0..600 {
        let received = START + Span::seconds(second);
        let messages: Vec<_> = (0..40).map(|_| any_message(&mut random, 8, received)).collect();
        history.commit(&batch(received, &messages, &[])).unwrap();
    }
    let written = history.written_bytes() - before;
    assert!(written > history.file_bytes(), "{written}");
    assert!(history.wal_bytes() < 10 << 20, "{}", history.wal_bytes());
    history.tend(true).unwrap();
    assert_eq!(history.wal_bytes(), 0);
    assert!(history.written_bytes() - before > written);
    let now = history.written_bytes();
    history.commit(&batch(START, &[], &[])).unwrap();
    let one = history.written_bytes() - now;
    assert!((4_096..30_000).contains(&one), "{one}");
}

#[test]
fn a_reader_that_dawdles_does_not_keep_the_log_file_growing() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    let mut random = fastrand::Rng::with_seed(2);
    let reader = history.reader().unwrap();
    let mut write = |history: &mut History, from: i64| {
        for second in from..from + 1_500 {
            let received = START + Span::seconds(second);
            let messages: Vec<_> = (0..10).map(|_| any_message(&mut random, 8, received)).collect();
            history.commit(&batch(received, &messages, &[])).unwrap();
        }
    };
    write(&mut history, 0);
    // It has read a little and is still at it.
    let mut records = reader.look().records(0);
    assert!(records.next().unwrap().is_ok());
    write(&mut history, 1_500);
    assert!(history.wal_bytes() < 10 << 20, "{}", history.wal_bytes());
    assert_eq!(records.count(), 3_000);
}

#[test]
fn a_question_ends_at_its_time_limit() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    for second in 0..2_000 {
        let received = START + Span::seconds(second);
        history.commit(&batch(received, &[message(0, &[0], received, 1.0)], &[])).unwrap();
    }
    let mut reader = history.reader().unwrap();
    reader.limit(Some(std::time::Duration::ZERO)).unwrap();
    assert!(reader.look().samples(ChannelIndex(1), START, START + Span::hours(1)).is_err());
    reader.limit(None).unwrap();
    assert!(reader.look().samples(ChannelIndex(0), START, START + Span::hours(1)).is_ok());
}

#[test]
fn the_ballast_is_made_freed_and_made_again() {
    let directory = tempfile::tempdir().unwrap();
    let (history, opened) =
        History::open(directory.path(), &crate::Options { ballast: 100_000, ..options() }).unwrap();
    assert!(opened.created);
    let ballast = directory.path().join("ballast");
    assert_eq!(std::fs::metadata(&ballast).unwrap().len(), 100_000);
    // The device is not full here, so only what the ballast itself does is seen.
    let kept = history.ballast.as_ref().unwrap();
    assert!(kept.release(100_000));
    assert_eq!(std::fs::metadata(&ballast).unwrap().len(), 100_000 - 65_536);
    assert!(kept.release(100_000) && !kept.release(100_000));
    kept.restore();
    assert_eq!(std::fs::metadata(&ballast).unwrap().len(), 100_000);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn whatever_is_committed_is_there_after_each_reopening(seed: u64) {
        let directory = tempfile::tempdir().unwrap();
        let mut random = fastrand::Rng::with_seed(seed);
        let mut expected = Vec::new();
        let mut received = START;
        for _ in 0..3 {
            let (mut history, opened) = open(directory.path());
            prop_assert_eq!(opened.repairs, Vec::<String>::new());
            for _ in 0..random.usize(..8) {
                received = received + Span(random.i64(0..100_000));
                let messages: Vec<_> =
                    (0..random.usize(..12)).map(|_| any_message(&mut random, 8, received)).collect();
                history.commit(&batch(received, &messages, &[])).unwrap();
                expected.push(messages);
            }
            let kept: Vec<_> = all(&history)
                .into_iter()
                .filter_map(|r| match r.entry {
                    Entry::Batch { messages, .. } => Some(messages),
                    _ => None,
                })
                .collect();
            prop_assert_eq!(&kept, &expected);
        }
    }
}

#[test]
fn what_was_said_stands_behind_its_batch_in_one_transaction() {
    let directory = tempfile::tempdir().unwrap();
    let said = |cause: &str| Diagnosis {
        time: START,
        station: Some("orchard".into()),
        instrument: Some("vane".into()),
        cause: cause.into(),
        stage: Stage::Opened,
        since: START,
        size: Some(30.0),
        confidence: 0.9,
        evidence: Evidence { words: String::new(), numbers: vec![], from: START, to: START },
    };
    {
        let (mut history, _) = open(directory.path());
        let readings = [reading(1, START, -5, 0)];
        let committed = history
            .commit_with(&batch(START, &[], &readings), &[said("a"), said("b")], &[])
            .unwrap();
        assert_eq!(committed.number + 1, history.next_number());
        history.commit_with(&batch(START, &[], &[]), &[said("c")], &[]).unwrap();
    }
    let (history, opened) = open(directory.path());
    assert_eq!(opened.repairs, Vec::<String>::new());
    let mut causes = Vec::new();
    history
        .look()
        .each_diagnosis(&mut |d| {
            causes.push(d.cause.clone());
            Ok::<(), crate::ReadError>(())
        })
        .unwrap();
    assert_eq!(causes, ["a", "b", "c"]);
    let mut newest = Vec::new();
    history
        .look()
        .newest_diagnoses(&mut |d| {
            newest.push(d.cause.clone());
            if newest.len() == 2 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        })
        .unwrap();
    assert_eq!(newest, ["c", "b"]);
    let records = all(&history);
    assert!(matches!(&records[2].entry, Entry::Diagnoses(list) if list.len() == 2));
}
