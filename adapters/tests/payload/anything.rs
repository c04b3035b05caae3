//! Whatever bytes come, a decoder answers: it takes the whole or refuses the whole, and
//! never holds a number that is not finite.

use crate::croft::{ORCHARD, RIDGE, property};
use crate::reader;
use adapters::credentials::Grant;
use adapters::payload::csv::Columns;
use adapters::payload::map::Place;
use adapters::payload::nmea::{Chosen, Sentences};
use adapters::payload::senml::Notation;
use adapters::payload::{Checksum, Decoded, Map, Refused};
use observation::{ChannelIndex, Stated, Value};
use proptest::collection::vec;
use proptest::prelude::*;

fn sound(result: Result<Decoded, Refused>) {
    match result {
        Ok(decoded) => {
            for sample in &decoded.samples {
                match &sample.value {
                    Value::Number(n) => assert!(n.get().is_finite()),
                    Value::Text(word) => assert!(!word.is_empty() && word.len() <= 128),
                }
                if let Stated::At(t) = sample.stated {
                    assert!(t.0.abs() <= 9_000_000_000_000_000);
                }
            }
        }
        Err(refused) => {
            assert!(!refused.detail.is_empty() && refused.detail.len() < 600, "{refused}");
            assert!(!refused.detail.chars().any(char::is_control), "{refused:?}");
        }
    }
}

fn all(bytes: &[u8]) {
    let (reader, property) = (reader(), property());
    sound(reader.number(ChannelIndex(0), bytes));
    sound(reader.number(ChannelIndex(4), bytes));
    sound(reader.json(ORCHARD, None, bytes));
    sound(reader.form(ORCHARD, None, bytes));
    let places = [
        Place { name: "t", path: "/a/0", unit: Some("K") },
        Place { name: "h", path: "$..b", unit: None },
        Place { name: "time", path: "", unit: None },
    ];
    let map = Map::compile(&property, ORCHARD, &places).unwrap();
    sound(reader.json(ORCHARD, Some(&map), bytes));
    sound(reader.form(ORCHARD, Some(&map), bytes));
    for checksum in [Checksum::None, Checksum::Xor, Checksum::Crc16] {
        sound(reader.key_value(ORCHARD, checksum, bytes));
        let names = ["time", "t", "", "point"].map(str::to_owned);
        let columns = Columns::new(&property, ORCHARD, &names, b',', checksum).unwrap();
        sound(reader.csv(&columns, bytes));
    }
    for (station, chosen) in [(RIDGE, Chosen::default()), (ORCHARD, crate::lines::transducers())] {
        let sentences = Sentences::new(&property, station, &chosen).unwrap();
        sound(reader.nmea(&sentences, bytes));
        // With the checksum that belongs to it, so that the fields are read too.
        let sum = bytes.iter().fold(0, |sum, byte| sum ^ byte);
        let whole = [b"$", bytes, format!("*{sum:02X}").as_bytes()].concat();
        sound(reader.nmea(&sentences, &whole));
    }
    for grant in [Grant::only(ORCHARD), Grant::every()] {
        for notation in [Notation::Json, Notation::Cbor] {
            match reader.senml(&grant, notation, bytes) {
                Ok(messages) => {
                    assert!(messages.iter().all(|m| grant.may(m.station)));
                    for message in messages {
                        sound(Ok(message));
                    }
                }
                Err(refused) => sound(Err(refused)),
            }
        }
    }
}

/// Text made of the pieces that payloads are made of, so that decoders get past their
/// first byte.
fn pieces() -> impl Strategy<Value = String> {
    let piece = prop::sample::select(vec![
        "[",
        "]",
        "{",
        "}",
        ",",
        ":",
        "\"",
        "\"t\"",
        "\"n\"",
        "\"v\"",
        "\"bn\"",
        "\"orchard/\"",
        "\"bt\"",
        "t",
        "h=",
        "=",
        "&",
        "%",
        "%41",
        "*",
        "*5A",
        "crc16=",
        "$",
        "$WIMWV,",
        "WIMWV,",
        "WIMDA,",
        "IIXDR,",
        "C,",
        "TempAir,",
        "A,1,R,",
        "1",
        "-5",
        "1e308",
        "1e999",
        "NaN",
        "null",
        "true",
        "\\u0000",
        "\\ud800",
        "é",
        " ",
        "\r",
        "\t",
        "\"time\"",
        "\"2026-03-01T06:00:00Z\"",
        "sequence=3",
        "\"\"",
        "N",
    ]);
    vec(piece, 0..40).prop_map(|p| p.concat())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_bytes(bytes in vec(any::<u8>(), 0..300)) {
        all(&bytes);
    }

    #[test]
    fn random_pieces(text in pieces()) {
        all(text.as_bytes());
    }

    /// A pack that is good but for one byte, or cut anywhere.
    #[test]
    fn damaged_packs(at in 0_usize..200, byte in any::<u8>(), cut in 0_usize..250) {
        let pack = br#"[{"bn":"orchard/","bt":1772344800,"n":"t","u":"Cel","v":17.3},{"n":"h","v":81},{"n":"sequence","v":41},{"n":"point","vs":"NE","t":-5}]"#;
        let mut bytes = pack.to_vec();
        if let Some(b) = bytes.get_mut(at) {
            *b = byte;
        }
        bytes.truncate(cut);
        all(&bytes);
    }

    /// The same in CBOR: the worked example of RFC 8428, section 6, under our own names.
    #[test]
    fn damaged_packs_in_cbor(
        at in 0_usize..250,
        byte in any::<u8>(),
        cut in 0_usize..300,
        own in any::<bool>(),
    ) {
        let mut bytes = crate::senml_cbor::example();
        if own {
            bytes = crate::senml_cbor::own();
        }
        if let Some(b) = bytes.get_mut(at) {
            *b = byte;
        }
        bytes.truncate(cut);
        all(&bytes);
    }

    /// Items of CBOR in any order: heads of arrays, maps, tags, texts, numbers, breaks.
    #[test]
    fn random_items(items in vec(prop::sample::select(vec![
        "81", "82", "9f", "a1", "a2", "bf", "ff", "00", "01", "02", "03", "06", "20", "21", "22",
        "f93e00", "fb7ff0000000000000", "f97e00", "f6", "f5", "c48220186e", "c4", "d9d9f7", "d8",
        "6161", "617a615f", "62c328", "7f6161ff", "5f4100ff", "696f7263686172642f74", "1b", "3b",
        "9bffffffffffffffff", "bbffffffffffffffff", "7bffffffffffffffff", "1c", "f8", "80", "a0",
    ]), 0..40)) {
        all(&crate::senml_cbor::bytes(&items.concat()));
    }

    /// Any finite number goes through every format unchanged.
    #[test]
    fn numbers_survive(value in prop::num::f64::NORMAL | prop::num::f64::ZERO | prop::num::f64::SUBNORMAL) {
        let reader = reader();
        let expected = Value::Number(observation::Finite::new(value).unwrap());
        let one = |decoded: Decoded| decoded.samples[0].value.clone();
        prop_assert_eq!(&one(reader.json(ORCHARD, None, format!("{{\"t\":{value:e}}}").as_bytes()).unwrap()), &expected);
        prop_assert_eq!(&one(reader.form(ORCHARD, None, format!("t={value:e}").as_bytes()).unwrap()), &expected);
        prop_assert_eq!(&one(reader.key_value(ORCHARD, Checksum::None, format!("t={value:e}").as_bytes()).unwrap()), &expected);
        prop_assert_eq!(&one(reader.number(ChannelIndex(0), format!("{value:e}").as_bytes()).unwrap()), &expected);
        let mut cbor = crate::senml_cbor::bytes("81a200696f7263686172642f7402fb");
        cbor.extend_from_slice(&value.to_be_bytes());
        prop_assert_eq!(&one(reader.senml(&Grant::only(ORCHARD), Notation::Cbor, &cbor).unwrap().remove(0)), &expected);
        let pack = format!("[{{\"n\":\"orchard/t\",\"v\":{value:e}}}]");
        prop_assert_eq!(&one(reader.senml(&Grant::only(ORCHARD), Notation::Json, pack.as_bytes()).unwrap().remove(0)), &expected);
    }

    /// Nesting of any depth is answered, not recursed into.
    #[test]
    fn deep_nesting(depth in 1_usize..30_000, open in prop::sample::select(vec!["[", "{\"t\":", "[{\"x\":"])) {
        all(open.repeat(depth).as_bytes());
        for open in ["81", "9f", "c1", "81a16178", "81a161789f"] {
            all(&crate::senml_cbor::bytes(&open.repeat(depth)));
            all(&crate::senml_cbor::bytes(&format!("81a16178{}", open.repeat(depth))));
        }
    }
}
