//! Lines: pairs, CSV, NMEA 0183.

use crate::croft::{ORCHARD, RIDGE, property};
use crate::{reader, reason, values};
use adapters::payload::Checksum;
use adapters::payload::csv::Columns;
use adapters::payload::nmea::Wind;
use observation::{Refusal, Stated, Time};

#[test]
fn pairs_are_apart_by_commas_or_blanks() {
    for line in ["t=17.3,h=81", "t=17.3 h=81", "t=17.3, h=81", " t=17.3\th=81 \r", "t=17.3,,h=81,"]
    {
        let decoded = reader().key_value(ORCHARD, Checksum::None, line.as_bytes()).unwrap();
        assert_eq!(values(&decoded), ["t=17.3", "h=81"], "{line}");
    }
    let decoded = reader()
        .key_value(ORCHARD, Checksum::None, b"time=1772344800 boot=b7 sequence=41 point=NE")
        .unwrap();
    assert_eq!((decoded.boot.as_deref(), decoded.sequence), (Some("b7"), Some(41)));
    assert_eq!(decoded.samples[0].stated, Stated::At(Time(1_772_344_800_000)));
    for blank in [&b""[..], b"  ", b"\r", b"\t \r\n"] {
        for checksum in [Checksum::None, Checksum::Xor, Checksum::Crc16] {
            assert!(reader().key_value(ORCHARD, checksum, blank).unwrap().samples.is_empty());
        }
    }
}

#[test]
fn one_bad_pair_voids_the_line() {
    for (pair, expected) in [
        ("h", Refusal::Malformed),
        ("h=", Refusal::Malformed),
        ("=81", Refusal::Malformed),
        ("h==81", Refusal::Malformed),
        ("h=8 1", Refusal::Malformed),
        ("h=81%", Refusal::Malformed),
        ("h=0x51", Refusal::Malformed),
        ("h=nan", Refusal::NotFinite),
        ("t=18", Refusal::DuplicateKey),
        ("frog=1", Refusal::UnknownChannel),
        ("H=81", Refusal::UnknownChannel),
        ("sequence=x", Refusal::WrongType),
        ("h=81*5A", Refusal::Malformed),
        ("crc16=1234", Refusal::UnknownChannel),
    ] {
        let line = format!("t=17.3,{pair}");
        assert_eq!(
            reason(reader().key_value(ORCHARD, Checksum::None, line.as_bytes())),
            expected,
            "{line}"
        );
    }
    assert_eq!(
        reason(reader().key_value(ORCHARD, Checksum::None, b"t=1,h=\xff")),
        Refusal::Malformed
    );
    let long = format!("t=1{}", " ".repeat(4_096));
    assert_eq!(
        reason(reader().key_value(ORCHARD, Checksum::None, long.as_bytes())),
        Refusal::TooLong
    );
}

#[test]
fn checksums_are_checked_where_asked_for() {
    // Counted independently: the exclusive or and the CRC of `t=17.3,h=81`, bit by bit
    // in another program.
    let xor = |line: &str| reader().key_value(ORCHARD, Checksum::Xor, line.as_bytes());
    let crc = |line: &str| reader().key_value(ORCHARD, Checksum::Crc16, line.as_bytes());
    for line in ["t=17.3,h=81*22", "t=17.3,h=81*22", "$t=17.3,h=81*22", " t=17.3,h=81*22\r"] {
        assert_eq!(values(&xor(line).unwrap()), ["t=17.3", "h=81"], "{line}");
    }
    for line in ["t=17.3,h=81,crc16=CC36", "t=17.3,h=81 crc16=cc36"] {
        assert_eq!(values(&crc(line).unwrap()), ["t=17.3", "h=81"], "{line}");
    }
    for line in [
        "t=17.3,h=81",
        "t=17.3,h=81*00",
        "t=17.4,h=81*22",
        "t=17.3,h=81*220",
        "t=17.3,h=81*5",
        "t=17.3,h=81*",
        "*",
        "*zz",
        "t=17.3,h=81*+5",
    ] {
        assert_eq!(reason(xor(line)), Refusal::Checksum, "{line}");
    }
    for line in [
        "t=17.3,h=81",
        "t=17.3,h=81,crc16=0000",
        "t=17.4,h=81,crc16=CC36",
        "t=17.3,h=81crc16=CC36",
        "crc16=CC36",
        "t=17.3,h=81,crc16=CC360",
        "t=17.3,h=81,crc16=+123",
        "x",
    ] {
        assert_eq!(reason(crc(line)), Refusal::Checksum, "{line}");
    }
}

fn columns(names: &[&str], separator: u8) -> Columns {
    let names: Vec<String> = names.iter().map(|n| (*n).to_owned()).collect();
    Columns::new(&property(), ORCHARD, &names, separator, Checksum::None).unwrap()
}

#[test]
fn cells_go_where_their_columns_say() {
    let named = columns(&["time", "t", "", "h", "point"], b',');
    let decoded = reader().csv(&named, b"1772344800,17.3,ignored,,\"N,E\"\r\n").unwrap();
    assert_eq!(values(&decoded), ["t=17.3", "point=N,E"]);
    assert_eq!(decoded.samples[0].stated, Stated::At(Time(1_772_344_800_000)));
    let quoted = reader().csv(&named, b"\"1772344800\",\"17.3\",\"a\"\"b\",81,\"N\"\"E\"").unwrap();
    assert_eq!(values(&quoted), ["t=17.3", "h=81", "point=N\"E"]);
    let tabs = columns(&["t", "h"], b'\t');
    assert_eq!(values(&reader().csv(&tabs, b"\t81").unwrap()), ["h=81"]);
    assert!(reader().csv(&named, b"\r\n").unwrap().samples.is_empty());
    for (line, expected) in [
        ("1,2", Refusal::Malformed),
        ("1,2,3,4,5,6", Refusal::Malformed),
        ("1,\"2,3,4,5", Refusal::Malformed),
        ("1,\"2\"x,3,4,5", Refusal::Malformed),
        ("1,2;5,3,4,5", Refusal::Malformed),
        ("1,nan,3,4,5", Refusal::NotFinite),
        ("then,2,3,4,5", Refusal::Malformed),
    ] {
        assert_eq!(reason(reader().csv(&named, line.as_bytes())), expected, "{line}");
    }
}

#[test]
fn columns_are_checked_when_the_settings_are_read() {
    let names = |n: &[&str]| n.iter().map(|s| (*s).to_owned()).collect::<Vec<_>>();
    for (bad, separator) in [
        (names(&["t", "frog"]), b','),
        (names(&["t", "t"]), b','),
        (names(&["time"]), b','),
        (names(&[]), b','),
        (names(&["t"]), b'.'),
    ] {
        assert!(
            Columns::new(&property(), ORCHARD, &bad, separator, Checksum::None).is_err(),
            "{bad:?}"
        );
    }
}

// NMEA 0183 (IEC 61162-1), sentence MWV: angle, reference, speed, unit, status.
#[test]
fn wind_sentences_by_their_fields() {
    let wind = Wind::new(&property(), RIDGE, None, None).unwrap();
    let read = |body: &str| {
        let sum = body.bytes().fold(0_u8, |s, b| s ^ b);
        reader().nmea(&wind, format!("${body}*{sum:02X}\r\n").as_bytes())
    };
    for (body, expected) in [
        ("WIMWV,214.8,R,5.0,M,A", &["wind_angle=214.8", "wind_speed=5"][..]),
        ("WIMWV,214.8,T,36.0,K,A", &["wind_angle=214.8", "wind_speed=10"]),
        ("WIMWV,,R,5.0,M,A", &["wind_speed=5"]),
        ("WIMWV,360,R,,M,A", &["wind_angle=360"]),
        ("WIMWV,,T,,N,V", &[]),
        ("WIMWV,214.8,R,5.0,M,V", &[]),
        ("WIMDA,29.8578,I,1.0111,B,26.1,C,,,16.1,,-1.6,C,0.0,T,1.4,M,0.0,N,0.0,M", &[]),
        ("PMWVX,1,2", &[]),
    ] {
        assert_eq!(values(&read(body).unwrap()), expected, "{body}");
    }
    // 1 knot is 1852 m in an hour (SI Brochure, 9th ed. (2019), table 8).
    let knots = read("WIMWV,10,R,36,N,A").unwrap();
    let speed = knots.samples[1].value.number().unwrap();
    assert!((speed - 18.52).abs() < 1e-12, "{speed}");
    for (body, expected) in [
        ("WIMWV,214.8,R,5.0,M", Refusal::Malformed),
        ("WIMWV,214.8,R,5.0,M,A,1", Refusal::Malformed),
        ("WIMWV,214.8,X,5.0,M,A", Refusal::Malformed),
        ("WIMWV,214.8,R,5.0,M,X", Refusal::Malformed),
        ("WIMWV,361,R,5.0,M,A", Refusal::Malformed),
        ("WIMWV,-1,R,5.0,M,A", Refusal::Malformed),
        ("WIMWV,1,R,-5.0,M,A", Refusal::Malformed),
        ("WIMWV,1,R,5.0,X,A", Refusal::Unit),
        ("WIMWV,1,R,5.0,,A", Refusal::Unit),
        ("WIMWV,abc,R,5.0,M,A", Refusal::Malformed),
        ("WIMWV,nan,R,5.0,M,A", Refusal::NotFinite),
        ("garbage", Refusal::Malformed),
    ] {
        assert_eq!(reason(read(body)), expected, "{body}");
    }
    for line in ["$WIMWV,,T,,N,V*33", "$WIMWV,,T,,N,V", "$WIMWV,,T,,N,V*3", "$WIMWV,,T,,N,V*320"] {
        assert_eq!(reason(reader().nmea(&wind, line.as_bytes())), Refusal::Checksum, "{line}");
    }
    assert_eq!(reason(reader().nmea(&wind, b"WIMWV,,T,,N,V*32")), Refusal::Malformed);
    assert!(reader().nmea(&wind, b"$WIMWV,,T,,N,V*32").unwrap().samples.is_empty());
}

#[test]
fn wind_channels_are_checked_when_the_settings_are_read() {
    assert!(Wind::new(&property(), ORCHARD, None, None).is_err());
    assert!(Wind::new(&property(), RIDGE, Some("frog"), None).is_err());
    assert!(Wind::new(&property(), RIDGE, Some("t"), None).is_err());
    assert!(Wind::new(&property(), RIDGE, Some("wind_angle"), Some("wind_speed")).is_ok());
}
