//! Lines: pairs, CSV, NMEA 0183.

use crate::croft::{ORCHARD, RIDGE, property};
use crate::{reader, reason, values};
use adapters::payload::csv::Columns;
use adapters::payload::nmea::{Chosen, Sentences, Transducer, Type};
use adapters::payload::{Checksum, Decoded, Refused};
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
    let wind = Sentences::new(&property(), RIDGE, &Chosen::default()).unwrap();
    let read = |body: &str| sentence(&wind, body);
    for (body, expected) in [
        ("WIMWV,214.8,R,5.0,M,A", &["wind_angle=214.8", "wind_speed=5"][..]),
        ("WIMWV,214.8,T,36.0,K,A", &["wind_angle=214.8", "wind_speed=10"]),
        ("WIMWV,,R,5.0,M,A", &["wind_speed=5"]),
        ("WIMWV,360,R,,M,A", &["wind_angle=360"]),
        ("WIMWV,,T,,N,V", &[]),
        ("WIMWV,214.8,R,5.0,M,V", &[]),
        ("WIMWV, 214.8 ,R,   5.0,M,A", &["wind_angle=214.8", "wind_speed=5"]),
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

fn sentence(sentences: &Sentences, body: &str) -> Result<Decoded, Refused> {
    let sum = body.bytes().fold(0_u8, |s, b| s ^ b);
    reader().nmea(sentences, format!("${body}*{sum:02X}\r\n").as_bytes())
}

/// What the settings would say with `channels`, as KEY=CHANNEL.
fn chosen(sentences: &[Type], channels: &[(&'static str, &str)]) -> Chosen {
    Chosen {
        sentences: sentences.to_vec(),
        channels: channels.iter().map(|(key, name)| (*key, (*name).to_owned())).collect(),
        transducers: std::collections::BTreeMap::new(),
    }
}

/// Transducers for the channels of the orchard.
pub(crate) fn transducers() -> Chosen {
    let to = |channel: &str, unit: Option<&str>| Transducer {
        channel: channel.to_owned(),
        unit: unit.map(str::to_owned),
    };
    let entries = [
        ("TempAir", to("t", None)),
        ("Barometer", to("p", None)),
        ("C/0", to("t", None)),
        ("H/0", to("h", None)),
        ("0", to("p", None)),
        ("bridge", to("h", Some("1"))),
        ("lid", to("tips", None)),
        ("state", to("point", None)),
    ];
    let transducers = entries.map(|(key, entry)| (key.to_owned(), entry));
    Chosen { transducers: transducers.into(), ..Chosen::default() }
}

// NMEA 0183 (IEC 61162-1), sentence MDA.
#[test]
fn the_composite_of_a_mast_by_its_fields() {
    let names = [("temperature", "t"), ("humidity", "h"), ("pressure", "p")];
    let mast = Sentences::new(&property(), ORCHARD, &chosen(&[], &names)).unwrap();
    let read = |body: &str| sentence(&mast, body);
    for (body, expected) in [
        // Bars alone, inches alone; of both, whichever is written more finely.
        ("WIMDA,,I,1.0125,B,26.1,C,,,16.1,,-1.6,C,,,,,,,,", &["p=1012.5", "t=26.1", "h=16.1"][..]),
        ("WIMDA,29.86,I,1.0125,B,,,,,,,,,,,,,,,,", &["p=1012.5"]),
        ("WIMDA,30,I,1.01325,B,,,,,,,,,,,,,,,,", &["p=1013.25"]),
        ("WIMDA,,,,,,,,,,,,,,,,,,,,", &[]),
        ("WIMDA,,I,,B,,C,,C,,,,C,,T,,M,,N,,M", &[]),
    ] {
        assert_eq!(values(&read(body).unwrap()), expected, "{body}");
    }
    // 1 in of mercury is 25.4 mm of 133.322 Pa (UCUM 2.2, table of units of pressure).
    let fine = read("WIMDA,29.8578,I,1.0111,B,,,,,,,,,,,,,,,,").unwrap();
    let pressure = fine.samples[0].value.number().unwrap();
    assert!((pressure - 29.8578 * 25.4 * 1.33322).abs() < 1e-9, "{pressure}");
    let winds = [("direction", "wind_angle")];
    let ridge = Sentences::new(&property(), RIDGE, &chosen(&[Type::Mda], &winds)).unwrap();
    for (body, expected) in [
        ("WIMDA,,,,,,,,,,,,,214.5,T,211.0,M,,N,5.5,M", &["wind_angle=214.5", "wind_speed=5.5"][..]),
        ("WIMDA,,,,,,,,,,,,,,T,211.0,M,36,N,18.5,M", &["wind_speed=18.5"]),
        ("WIMWV,214.8,R,5.0,M,A", &[]),
    ] {
        assert_eq!(values(&sentence(&ridge, body).unwrap()), expected, "{body}");
    }
    for (body, expected) in [
        ("WIMDA,29.8578,I,1.0111,B,26.1,C", Refusal::Malformed),
        ("WIMDA,,,,,,,,,,,,,,,,,,,,,", Refusal::Malformed),
        ("WIMDA,29.8578,B,1.0111,B,,,,,,,,,,,,,,,,", Refusal::Unit),
        ("WIMDA,,,,,26.1,F,,,,,,,,,,,,,,", Refusal::Unit),
        ("WIMDA,,,,,warm,C,,,,,,,,,,,,,,", Refusal::Malformed),
        ("WIMDA,,,,,inf,C,,,,,,,,,,,,,,", Refusal::NotFinite),
        ("WIMDA,,,,,,,,,,,,,361,T,,,,,,", Refusal::Malformed),
        ("WIMDA,,,,,,,,,,,,,,,,,-1,N,,", Refusal::Malformed),
    ] {
        assert_eq!(reason(read(body)), expected, "{body}");
    }
}

// NMEA 0183 (IEC 61162-1), sentence XDR; letters beyond the standard's are common practice.
#[test]
fn transducers_go_where_their_names_say() {
    let named = Sentences::new(&property(), ORCHARD, &transducers()).unwrap();
    for (body, expected) in [
        ("IIXDR,C,19.52,C,TempAir", &["t=19.52"][..]),
        ("IIXDR,C,68,F,TempAir", &["t=20"]),
        ("IIXDR,P,1.02,B,Barometer", &["p=1020"]),
        ("IIXDR,P,101400,P,Barometer", &["p=1014"]),
        ("IIXDR,P,1009.5,H,Barometer", &["p=1009.5"]),
        // One identifier, told apart by its type; without one the identifier alone.
        ("WIXDR,C,23.5,C,0,C,24.0,C,1,H,50.1,P,0,P,1009.5,H,0", &["t=23.5", "h=50.1", "p=1009.5"]),
        // The settings say the unit where the sentence does not, or says another.
        ("IIXDR,G,0.5,,bridge", &["h=50"]),
        ("IIXDR,S,1,,lid", &["tips=1"]),
        ("IIXDR,G,open,,state", &["point=open"]),
        // A gap, a stranger, a stranger that makes no sense.
        ("IIXDR,C,,C,TempAir", &[]),
        ("IIXDR,A,4,D,ROLL,A,-2,D,PITCH", &[]),
        ("IIXDR,G,HEL/___,,4,C,1.5,C,TempAir", &["t=1.5"]),
    ] {
        assert_eq!(values(&sentence(&named, body).unwrap()), expected, "{body}");
    }
    for (body, expected) in [
        ("IIXDR,C,19.52,C", Refusal::Malformed),
        ("IIXDR,C,19.52,C,TempAir,", Refusal::Malformed),
        ("IIXDR,C,19.52,X,TempAir", Refusal::Unit),
        ("IIXDR,P,1.02,B,TempAir", Refusal::Unit),
        ("IIXDR,C,warm,C,TempAir", Refusal::Malformed),
        ("IIXDR,C,nan,C,TempAir", Refusal::NotFinite),
        ("IIXDR,C,1,C,TempAir,C,2,C,TempAir", Refusal::DuplicateKey),
    ] {
        assert_eq!(reason(sentence(&named, body)), expected, "{body}");
    }
    let station = sentence(&named, "IIXDR,C,19.52,X,TempAir").unwrap_err();
    assert_eq!(station.station, Some(ORCHARD));
    assert!(station.detail.contains("`X`") && station.detail.contains("TempAir"), "{station}");
}

#[test]
fn what_sentences_fill_is_checked_when_the_settings_are_read() {
    let keys = |station, chosen: &Chosen| {
        let wrong = Sentences::new(&property(), station, chosen).err().unwrap_or_default();
        wrong.into_iter().map(|(keys, _)| keys.join(".")).collect::<Vec<_>>()
    };
    let named = |key: &str, channel: &str, unit: Option<&str>| {
        let entry = Transducer { channel: channel.to_owned(), unit: unit.map(str::to_owned) };
        Chosen { transducers: [(key.to_owned(), entry)].into(), ..Chosen::default() }
    };
    for (station, chosen, wrong) in [
        (ORCHARD, Chosen::default(), &["lines"][..]),
        (RIDGE, chosen(&[Type::Xdr], &[]), &["lines"]),
        (RIDGE, chosen(&[], &[("angle", "frog"), ("speed", "t")]), &["angle", "speed"]),
        (RIDGE, chosen(&[Type::Mwv], &[("pressure", "t")]), &["pressure"]),
        (RIDGE, chosen(&[], &[("angle", "wind_angle"), ("speed", "wind_speed")]), &[]),
        (ORCHARD, named("TempAir", "frog", None), &["transducers.TempAir"]),
        (ORCHARD, named("TempAir", "t", Some("hPa")), &["transducers.TempAir"]),
        (ORCHARD, named("TempAir", "t", Some("warmth")), &["transducers.TempAir"]),
        (ORCHARD, named("P/0", "t", None), &["transducers.P/0"]),
        (ORCHARD, named("P/0", "p", None), &[]),
        (ORCHARD, named("TempAir", "t", Some("K")), &[]),
    ] {
        assert_eq!(keys(station, &chosen), wrong, "{chosen:?}");
    }
    let mut unread = transducers();
    unread.sentences = vec![Type::Mda];
    assert_eq!(keys(ORCHARD, &unread), ["transducers"]);
}
