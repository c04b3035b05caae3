use crate::invented::{START, any_message, any_reading, property, series, sources};
use crate::names::{Known, Names};
use crate::record::{Packer, Row, Wanted, decode_batch, decode_messages, decode_readings, kind};
use observation::{ChannelIndex, Message, Reading, Span, StationIndex, Time};
use proptest::prelude::*;

fn names() -> Names {
    let property = property(4);
    let (series, sources) = (series(&property), sources());
    let fresh =
        Names::new(&property, &series, &sources, &Known::default()).fresh(&Known::default());
    Names::new(&property, &series, &sources, &fresh)
}

fn content(seed: u64) -> (Vec<Message>, Vec<Reading>) {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut received = START;
    let messages = (0..random.usize(..20))
        .map(|_| {
            received = received + Span(random.i64(0..5_000));
            any_message(&mut random, 8, received)
        })
        .collect();
    let readings = (0..random.usize(..20)).map(|_| any_reading(&mut random, 8)).collect();
    (messages, readings)
}

fn pack(
    packer: &mut Packer,
    names: &Names,
    messages: &[Message],
    readings: &[Reading],
) -> (Row, Vec<u8>) {
    let received = Time(START.0 + 100_000);
    packer.batch(names, received, messages, readings).unwrap();
    let row = Row {
        number: 7,
        kind: kind::BATCH,
        received,
        walked: START,
        first: packer.reach.first,
        last: packer.reach.last,
    };
    let mut body = packer.body.clone();
    row.seal(&mut body);
    (row, body)
}

proptest! {
    #[test]
    fn a_batch_comes_back_whole_and_in_parts(seed: u64) {
        let names = names();
        let mut packer = Packer::default();
        // The second record proves that nothing of the first is left over.
        for seed in [seed, seed ^ 1] {
            let (messages, readings) = content(seed);
            let (row, body) = pack(&mut packer, &names, &messages, &readings);
            let (back, made) = decode_batch(&row, &body, &names).unwrap();
            prop_assert_eq!(&back, &messages);
            prop_assert_eq!(&made, &readings);

            let mut only = Vec::new();
            decode_readings(&row, &body, &names, &mut |_, r| only.push(r)).unwrap();
            prop_assert_eq!(&only, &readings);

            let station = StationIndex(1);
            let of_station = decode_messages(&row, &body, &names, Wanted::Station(station)).unwrap();
            let expected: Vec<_> = messages.iter().filter(|m| m.station == station).cloned().collect();
            prop_assert_eq!(of_station, expected);

            let channel = ChannelIndex(3);
            let of_channel = decode_messages(&row, &body, &names, Wanted::Channel(channel)).unwrap();
            let expected: Vec<_> = messages
                .iter()
                .filter_map(|m| {
                    let mut m = m.clone();
                    m.samples.retain(|s| s.channel == channel);
                    (!m.samples.is_empty()).then_some(m)
                })
                .collect();
            prop_assert_eq!(of_channel, expected);
        }
    }

    #[test]
    fn any_flipped_bit_and_any_cut_is_found(seed: u64, place: prop::sample::Index, bit in 0_u8..8) {
        let names = names();
        let (messages, readings) = content(seed);
        let (row, body) = pack(&mut Packer::default(), &names, &messages, &readings);
        let mut flipped = body.clone();
        flipped[place.index(body.len())] ^= 1 << bit;
        prop_assert!(decode_batch(&row, &flipped, &names).is_err());
        prop_assert!(decode_batch(&row, &body[..place.index(body.len())], &names).is_err());
        for row in [
            Row { number: 8, ..row },
            Row { kind: 2, ..row },
            Row { received: Time(row.received.0 + 1), ..row },
            Row { walked: Time(row.walked.0 + 1), ..row },
            Row { first: row.first.map_or(Some(START), |_| None), ..row },
            Row { last: row.last.map_or(Some(START), |_| None), ..row },
        ] {
            prop_assert!(decode_batch(&row, &body, &names).is_err());
        }
    }

    // With a checksum that fits, whatever is inside must be refused or read without a
    // panic: damage that happened before the record was sealed, or ill will.
    #[test]
    fn garbage_under_a_good_checksum_never_panics(
        seed: u64, place: prop::sample::Index, byte: u8, cut: prop::sample::Index, noise: Vec<u8>,
    ) {
        let names = names();
        let (messages, readings) = content(seed);
        let (row, body) = pack(&mut Packer::default(), &names, &messages, &readings);
        let contents = &body[..body.len() - 4];
        let mut changed = contents.to_vec();
        changed[place.index(contents.len())] = byte;
        let mut noisy = vec![1];
        noisy.extend(noise);
        for mut garbage in [changed, contents[..cut.index(contents.len())].to_vec(), noisy] {
            row.seal(&mut garbage);
            let _ = decode_batch(&row, &garbage, &names);
            let _ = decode_messages(&row, &garbage, &names, Wanted::Channel(ChannelIndex(0)));
            let _ = decode_readings(&row, &garbage, &names, &mut |_, _| {});
            for kind in 2..8 {
                let row = Row { kind, ..row };
                let mut garbage = garbage[..garbage.len() - 4].to_vec();
                row.seal(&mut garbage);
                let _ = crate::record::decode_rare(&row, &garbage, &names);
                let _ = crate::record::decode_names(&row, &garbage, &mut Known::default());
            }
        }
    }
}

#[test]
fn counts_that_lie_take_no_memory() {
    let names = names();
    let row = Row {
        number: 1,
        kind: kind::BATCH,
        received: START,
        walked: START,
        first: None,
        last: None,
    };
    // 2^60 texts, connections, shapes, messages, readings in a record of a few bytes.
    for empty in 0..5 {
        let mut body = vec![1];
        body.extend(std::iter::repeat_n(0, empty));
        body.extend([0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x0f]);
        row.seal(&mut body);
        assert!(decode_batch(&row, &body, &names).is_err());
    }
}

#[test]
fn a_usual_record_is_small() {
    let names = names();
    let mut random = fastrand::Rng::with_seed(1);
    let mut messages = Vec::new();
    for second in 0..60 {
        let received = START + Span::seconds(second);
        let mut message = crate::invented::message(0, &[0, 1, 2, 3], received, 0.0);
        message.sequence = Some(u64::try_from(second).unwrap());
        message.boot = Some("a1b2".into());
        for sample in &mut message.samples {
            sample.value = crate::invented::number(f64::from(random.i32(1_000..2_000)) / 100.0);
        }
        messages.push(message);
    }
    let (_, body) = pack(&mut Packer::default(), &names, &messages, &[]);
    let each = body.len() as f64 / 240.0;
    assert!(each < 5.5, "{each} bytes a sample");
}
