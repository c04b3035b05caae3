use super::open;
use crate::invented::{START, message, number, reading};
use crate::{Batch, ClockStep, Entry, Held, History, Selection};
use observation::time::{DAY, HOUR};
use observation::{
    ChannelIndex, Measured, Message, Reading, SeriesIndex, Span, Stated, StationIndex, Time,
};
use proptest::prelude::*;

/// A log with late arrivals and clock steps, and all that is in it.
pub(super) fn filled(
    history: &mut History,
    random: &mut fastrand::Rng,
    records: usize,
) -> (Vec<Held>, Vec<(u64, Reading)>) {
    let mut held = Vec::new();
    let mut made = Vec::new();
    let mut received = START;
    let mut count = 0.0;
    for _ in 0..records {
        if random.u8(..20) == 0 {
            let new = received + Span(random.i64(-3 * HOUR..3 * HOUR));
            history
                .append(new, received, &Entry::ClockStep(ClockStep { old: received, new }))
                .unwrap();
            received = new;
        }
        received = received + Span(random.i64(0..10 * 60_000));
        let late = |random: &mut fastrand::Rng| match random.u8(..6) {
            0 => random.i64(0..4 * DAY),
            1 => -random.i64(0..2 * HOUR),
            _ => random.i64(0..60_000),
        };
        let messages: Vec<Message> = (0..random.usize(..4))
            .map(|_| {
                let station = random.u16(..2);
                let mut message = message(station, &[], received, 0.0);
                for _ in 0..random.usize(..4) {
                    count += 1.0;
                    message.samples.push(Measured {
                        channel: ChannelIndex(u32::from(station) * 4 + random.u32(..4)),
                        value: number(count),
                        stated: Stated::At(received - Span(late(random))),
                    });
                }
                message
            })
            .collect();
        let readings: Vec<Reading> = (0..random.usize(..4))
            .map(|_| {
                let time = received - Span(late(random));
                let time = if random.u8(..4) == 0 { time } else { time.minute_start() };
                reading(random.u32(..8), time, random.i64(0..1_000), random.u32(..3))
            })
            .collect();
        let batch = Batch {
            received,
            walked: received,
            messages: &messages,
            readings: &readings,
            set_aside: &[],
        };
        let record = history.commit(&batch).unwrap().number;
        for message in messages {
            for sample in message.samples {
                held.push(Held {
                    number: record,
                    received,
                    time: sample.stated.event_time(received),
                    stated: sample.stated,
                    boot: None,
                    sequence: None,
                    early: false,
                    channel: sample.channel,
                    value: sample.value,
                });
            }
        }
        made.extend(readings.into_iter().map(|r| (record, r)));
    }
    (held, made)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn look_ups_find_what_a_search_of_everything_finds(seed: u64) {
        let mut random = fastrand::Rng::with_seed(seed);
        let mut history = History::temporary().unwrap();
        let property = crate::invented::property(4);
        history.register(START, &property, &crate::invented::series(&property), &crate::invented::sources()).unwrap();
        let (held, made) = filled(&mut history, &mut random, 120);
        let look = history.look();
        for _ in 0..12 {
            let from = START + Span(random.i64(-2 * DAY..DAY));
            let to = from + Span(random.i64(0..6 * HOUR));
            let channel = ChannelIndex(random.u32(..8));
            let of_channel = || held.iter().filter(|h| h.channel == channel);
            let mut expected: Vec<_> =
                of_channel().filter(|h| h.time >= from && h.time <= to).cloned().collect();
            let before = of_channel().filter(|h| h.time < from && h.time >= from - Span(DAY)).max_by_key(|h| h.time);
            let after = of_channel()
                .filter(|h| h.time > to && h.time <= to + Span(DAY))
                .min_by_key(|h| h.time);
            expected.extend(before.cloned());
            expected.extend(after.cloned());
            expected.sort_by_key(|h| (h.time, h.number));
            prop_assert_eq!(look.samples(channel, from, to).unwrap(), expected);

            let (station, day) = (StationIndex(random.u16(..2)), from.utc_day());
            let expected: Vec<_> = held
                .iter()
                .filter(|h| h.channel.0 / 4 == u32::from(station.0) && h.time.utc_day() == day)
                .cloned()
                .collect();
            prop_assert_eq!(look.day(station, day).unwrap(), expected);

            let mut expected: Vec<(Time, SeriesIndex, u64, Reading)> = Vec::new();
            for (number, r) in made.iter().filter(|(_, r)| r.time >= from && r.time < to) {
                match expected.iter_mut().find(|e| (e.0, e.1) == (r.time, r.series)) {
                    Some(e) if r.revision >= e.3.revision => (e.2, e.3) = (*number, *r),
                    Some(_) => {}
                    None => expected.push((r.time, r.series, *number, *r)),
                }
            }
            expected.sort_by_key(|e| (e.0, e.1));
            let selection = Selection::between(from, to);
            let found = super::walked(look, &selection);
            prop_assert_eq!(
                found.iter().map(|k| (k.number, k.reading)).collect::<Vec<_>>(),
                expected.iter().map(|e| (e.2, e.3)).collect::<Vec<_>>()
            );
            // Whether it is known which records hold readings or not, all are found; `MOST`
            // is small here, so that part of it is forgotten.
            let unaware = crate::Look { carriers: None, ..look };
            prop_assert_eq!(super::walked(unaware, &selection), found);
            let mut told = Vec::new();
            let whole = look.by_series(&selection, &mut |series, run| {
                assert!(!run.is_empty() && run.iter().all(|r| r.series == series));
                told.extend_from_slice(run);
                std::ops::ControlFlow::Continue(())
            });
            prop_assert!(whole.unwrap());
            // Series by series; within one in the order of the times without more ado.
            told.sort_by_key(|r| r.series);
            let mut ordered: Vec<Reading> = expected.iter().map(|e| e.3).collect();
            ordered.sort_by_key(|r| r.series);
            prop_assert_eq!(told, ordered);
            if let Some((time, series, _, highest)) = expected.first() {
                prop_assert_eq!(look.reading(*series, *time).unwrap(), Some(*highest));
            }
            let mut revisions = Vec::new();
            look.all_revisions(&selection, &mut |k| { revisions.push((k.number, k.reading)); Ok(()) }).unwrap();
            let expected: Vec<_> = made.iter().filter(|(_, r)| r.time >= from && r.time < to).copied().collect();
            prop_assert_eq!(revisions, expected);

            let number = look.number_at(from).unwrap();
            let records: Vec<_> = look.records(0).map(|r| r.unwrap()).collect();
            let expected = records.iter().rev().find(|r| r.received < from).map_or(1, |r| r.number + 1);
            prop_assert_eq!(number, expected);
        }
    }
}

#[test]
fn an_empty_log_answers_nothing() {
    let history = History::temporary().unwrap();
    let look = history.look();
    assert!(look.samples(ChannelIndex(0), START, START).unwrap().is_empty());
    for (from, to) in [(Time(i64::MIN), Time(i64::MAX)), (START, START + Span(HOUR))] {
        assert!(super::walked(look, &Selection::between(from, to)).is_empty());
    }
    assert_eq!(look.number_at(START).unwrap(), 1);
    assert_eq!((look.first().unwrap(), look.last().unwrap()), (None, None));
}

#[test]
fn a_look_up_among_very_many_records_reads_a_bounded_part() {
    let directory = tempfile::tempdir().unwrap();
    let (mut history, _) = open(directory.path());
    history.connection.execute_batch("PRAGMA synchronous = OFF").unwrap();
    let records: i64 = 100_000;
    for second in 0..records {
        let received = START + Span::seconds(second * 10);
        let messages = [message(0, &[0, 1, 2, 3], received, 17.3)];
        let batch = Batch {
            received,
            walked: received,
            messages: &messages,
            readings: &[],
            set_aside: &[],
        };
        history.commit(&batch).unwrap();
    }
    let look = history.look();
    let time = START + Span::seconds(records * 5);
    let mut bodies = 0;
    look.touching(time, time, &mut |_, _| {
        bodies += 1;
        Ok(())
    })
    .unwrap();
    assert_eq!(bodies, 1, "only the record that holds the instant is opened");
    let started = std::time::Instant::now();
    let found = look.samples(ChannelIndex(2), time, time + Span::seconds(60)).unwrap();
    assert_eq!(found.len(), 9);
    println!("samples of a minute among {records} records: {:?}", started.elapsed());
    // An operation of SQLite's machine is well under a microsecond; a scan of the
    // whole log is some 600,000 of them.
    let mut reader = history.reader().unwrap();
    reader.limit(None).unwrap();
    let count = std::sync::Arc::new(std::sync::atomic::AtomicU64::new(0));
    let counted = std::sync::Arc::clone(&count);
    reader
        .connection
        .progress_handler(
            100,
            Some(move || {
                counted.fetch_add(100, std::sync::atomic::Ordering::Relaxed);
                false
            }),
        )
        .unwrap();
    assert_eq!(reader.look().reading(SeriesIndex(0), time).unwrap(), None);
    let operations = count.load(std::sync::atomic::Ordering::Relaxed);
    assert!(operations < 30_000, "{operations} operations");
}
