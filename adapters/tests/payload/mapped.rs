//! JSON, forms and single numbers in the sender's own shape.

use crate::croft::{ORCHARD, RIDGE, property};
use crate::{reader, reason, values};
use adapters::payload::Map;
use adapters::payload::map::Place;
use observation::{ChannelIndex, Refusal, Stated, StationIndex, Time};

fn place<'a>(name: &'a str, path: &'a str, unit: Option<&'a str>) -> Place<'a> {
    Place { name, path, unit }
}

fn map(places: &[Place<'_>]) -> Map {
    Map::compile(&property(), ORCHARD, places).unwrap()
}

#[test]
fn keys_of_a_flat_object_are_channels() {
    let decoded = reader()
        .json(
            ORCHARD,
            None,
            br#"{"t":17.3,"h":null,"tips":12,"point":"NE","p":1013,"time":"2026-03-01T07:00:00+01:00","boot":"b7","sequence":41}"#,
        )
        .unwrap();
    assert_eq!(values(&decoded), ["t=17.3", "tips=12", "point=NE", "p=1013"]);
    assert_eq!((decoded.boot.as_deref(), decoded.sequence), (Some("b7"), Some(41)));
    assert!(decoded.samples.iter().all(|s| s.stated == Stated::At(Time(1_772_344_800_000))));
    for gap in [&b"{}"[..], br#"{"t":null}"#, br#"{"sequence":5}"#, b" { } "] {
        assert!(reader().json(ORCHARD, None, gap).unwrap().samples.is_empty());
    }
}

// Bodies that must not be half read; the words of the closed list.
const BAD: &[(&str, Refusal)] = &[
    ("", Refusal::Malformed),
    ("null", Refusal::WrongType),
    ("17.3", Refusal::WrongType),
    ("[17.3]", Refusal::WrongType),
    (r#"{"t":17.3"#, Refusal::Malformed),
    (r#"{"t":17.3}}"#, Refusal::Malformed),
    (r#"{"t":17.3} {"t":17.4}"#, Refusal::Malformed),
    (r#"{"t":17,3}"#, Refusal::Malformed),
    (r#"{"t":017}"#, Refusal::Malformed),
    (r#"{"t":+1}"#, Refusal::Malformed),
    (r#"{"t":.5}"#, Refusal::Malformed),
    (r#"{"t":0x10}"#, Refusal::Malformed),
    ("{t:17.3}", Refusal::Malformed),
    ("\u{feff}{\"t\":17.3}", Refusal::Malformed),
    (r#"{"t":NaN}"#, Refusal::NotFinite),
    (r#"{"t":nan}"#, Refusal::NotFinite),
    (r#"{"t":-nan}"#, Refusal::NotFinite),
    (r#"{"t":Infinity}"#, Refusal::NotFinite),
    (r#"{"t":-inf}"#, Refusal::NotFinite),
    (r#"{"t":1e400}"#, Refusal::NotFinite),
    (r#"{"t":"17.3"}"#, Refusal::WrongType),
    (r#"{"t":[17.3]}"#, Refusal::WrongType),
    (r#"{"t":{"v":17.3}}"#, Refusal::WrongType),
    (r#"{"t":17.3,"t":17.3}"#, Refusal::DuplicateKey),
    (r#"{"t":17.3,"\u0074":17.4}"#, Refusal::DuplicateKey),
    (r#"{"t":null,"t":17.3}"#, Refusal::DuplicateKey),
    (r#"{"time":1,"time":2}"#, Refusal::DuplicateKey),
    (r#"{"t":{"v":1,"v":2}}"#, Refusal::DuplicateKey),
    (r#"{"temperature":17.3}"#, Refusal::UnknownChannel),
    (r#"{"t":17.3,"<script>":1}"#, Refusal::UnknownChannel),
    (r#"{"":1}"#, Refusal::UnknownChannel),
    (r#"{"sequence":-1}"#, Refusal::WrongType),
    (r#"{"sequence":1.5}"#, Refusal::WrongType),
    (r#"{"sequence":"1"}"#, Refusal::WrongType),
    (r#"{"sequence":18446744073709551616}"#, Refusal::WrongType),
    (r#"{"boot":1.5}"#, Refusal::WrongType),
    (r#"{"boot":""}"#, Refusal::Malformed),
    (r#"{"point":""}"#, Refusal::Malformed),
    (r#"{"point":"N\nE"}"#, Refusal::Malformed),
    (r#"{"time":true}"#, Refusal::WrongType),
    (r#"{"time":"yesterday"}"#, Refusal::Malformed),
    (r#"{"time":"12:00"}"#, Refusal::Malformed),
    (r#"{"time":"2026-02-30T00:00:00Z"}"#, Refusal::Malformed),
    (r#"{"t":[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]}"#, Refusal::WrongType),
    (r#"{"t":[[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]]}"#, Refusal::Nesting),
];

#[test]
fn bad_bodies_are_refused_whole_with_their_word() {
    for (body, expected) in BAD {
        let refused = reader().json(ORCHARD, None, body.as_bytes()).expect_err(body);
        assert_eq!(refused.reason, *expected, "{body}: {refused}");
        assert_eq!(refused.station, Some(ORCHARD));
    }
    assert_eq!(reason(reader().json(ORCHARD, None, b"{\"t\":1,\"\xff\":2}")), Refusal::Malformed);
    assert_eq!(reason(reader().json(ORCHARD, None, &b"[".repeat(60_000))), Refusal::WrongType);
    assert_eq!(reason(reader().json(ORCHARD, None, &b" ".repeat(65_537))), Refusal::TooLong);
    let word = format!(r#"{{"point":"{}"}}"#, "N".repeat(129));
    assert_eq!(reason(reader().json(ORCHARD, None, word.as_bytes())), Refusal::TooLong);
}

#[test]
fn a_map_finds_channels_in_any_shape() {
    let map = map(&[
        place("t", "/sensors/0/value", Some("[degF]")),
        place("h", "$.sensors[?@.kind=='humidity'].value", None),
        place("time", "/meta/at", None),
        place("sequence", "$.meta.n", None),
    ]);
    let body = br#"{"meta":{"at":1772344800,"n":9},"sensors":[{"kind":"temperature","value":50},
        {"kind":"humidity","value":81}],"p":1000,"other":{"deep":[1,2]},"firmware":"1.0"}"#;
    let decoded = reader().json(ORCHARD, Some(&map), body).unwrap();
    // `p` is not placed by the map and keeps its place at the top.
    assert_eq!(values(&decoded), ["t=10", "h=81", "p=1000"]);
    assert_eq!(decoded.sequence, Some(9));
    assert_eq!(decoded.samples[0].stated, Stated::At(Time(1_772_344_800_000)));

    let gap = reader().json(ORCHARD, Some(&map), br#"{"sensors":[{"value":null}]}"#).unwrap();
    assert!(gap.samples.is_empty());
    for (body, expected) in [
        (r#"{"sensors":[{"value":"50"}]}"#, Refusal::WrongType),
        (r#"{"sensors":[{"value":{}}]}"#, Refusal::WrongType),
        (
            r#"{"sensors":[{"kind":"humidity","value":1},{"kind":"humidity","value":1}]}"#,
            Refusal::Malformed,
        ),
        (r#"{"other":{"a":1,"a":2}}"#, Refusal::DuplicateKey),
        (r#"{"other":1e999}"#, Refusal::NotFinite),
        (r#"{"p":"high"}"#, Refusal::WrongType),
    ] {
        assert_eq!(reason(reader().json(ORCHARD, Some(&map), body.as_bytes())), expected, "{body}");
    }
}

// RFC 9535 (2024), section 1.5, figure 1 and table 2: the bookstore and its queries.
#[test]
fn queries_find_what_the_standard_prints() {
    let bookstore = br#"{ "store": { "book": [
        { "category": "reference", "author": "Nigel Rees", "title": "Sayings of the Century", "price": 8.95 },
        { "category": "fiction", "author": "Evelyn Waugh", "title": "Sword of Honour", "price": 12.99 },
        { "category": "fiction", "author": "Herman Melville", "title": "Moby Dick", "isbn": "0-553-21311-3", "price": 8.99 },
        { "category": "fiction", "author": "J. R. R. Tolkien", "title": "The Lord of the Rings", "isbn": "0-395-19395-8", "price": 22.99 }
      ], "bicycle": { "color": "red", "price": 399 } } }"#;
    for (path, found) in [
        ("$.store.bicycle.price", Ok(Some(399.0))),
        ("$..book[2].price", Ok(Some(8.99))),
        ("$..book[-1].price", Ok(Some(22.99))),
        ("$..book[?@.price>20].price", Ok(Some(22.99))),
        ("$..book[2].publisher", Ok(None)),
        ("$..book[?@.isbn].price", Err(Refusal::Malformed)),
        ("$..book[0,1].price", Err(Refusal::Malformed)),
        ("$..book[:2].price", Err(Refusal::Malformed)),
        ("$.store..price", Err(Refusal::Malformed)),
        ("$..author", Err(Refusal::Malformed)),
        ("$..book[2].author", Err(Refusal::WrongType)),
        ("$.store.bicycle", Err(Refusal::WrongType)),
    ] {
        let map = map(&[place("p", path, None)]);
        let read = reader().json(ORCHARD, Some(&map), bookstore);
        let read = read.map(|d| d.samples.first().and_then(|s| s.value.number()));
        assert_eq!(read.map_err(|refused| refused.reason), found, "{path}");
    }
}

#[test]
fn a_top_key_that_the_map_uses_is_not_taken_twice() {
    let map = map(&[place("t", "/h", None)]);
    let decoded = reader().json(ORCHARD, Some(&map), br#"{"h":5}"#).unwrap();
    assert_eq!(values(&decoded), ["t=5"]);
}

#[test]
fn maps_are_checked_when_the_settings_are_read() {
    let places = [
        place("t", "/ok", None),
        place("frog", "/a", None),
        place("t", "no-slash", None),
        place("t", "$.a[", None),
        place("t", "/a", Some("hPa")),
        place("t", "/a", Some("degC")),
        place("time", "/a", Some("s")),
    ];
    let faults = Map::compile(&property(), ORCHARD, &places).unwrap_err();
    let at: Vec<usize> = faults.iter().map(|f| f.0).collect();
    assert_eq!(at, [1, 2, 3, 4, 5, 6], "{faults:?}");
}

#[test]
fn forms_and_queries() {
    let decoded = reader()
        .form(
            ORCHARD,
            None,
            b"t=17.3&h=&point=N%45&tips=12&time=2026-03-01T06%3A00%3A00Z&boot=b+7&sequence=41",
        )
        .unwrap();
    assert_eq!(values(&decoded), ["t=17.3", "point=NE", "tips=12"]);
    assert_eq!((decoded.boot.as_deref(), decoded.sequence), (Some("b 7"), Some(41)));
    assert_eq!(decoded.samples[0].stated, Stated::At(Time(1_772_344_800_000)));
    for (body, expected) in [
        ("t", Refusal::Malformed),
        ("t=1&h", Refusal::Malformed),
        ("t=1,5", Refusal::Malformed),
        ("t=17.3C", Refusal::Malformed),
        ("t=%zz", Refusal::Malformed),
        ("t=%1", Refusal::Malformed),
        ("t=%ff", Refusal::Malformed),
        ("t=NaN", Refusal::NotFinite),
        ("t=inf", Refusal::NotFinite),
        ("t=1e999", Refusal::NotFinite),
        ("t=1&t=1", Refusal::DuplicateKey),
        ("t=1&%74=2", Refusal::DuplicateKey),
        ("x=1", Refusal::UnknownChannel),
        ("t=1&sequence=-1", Refusal::WrongType),
        ("t=1&time=NaN", Refusal::NotFinite),
    ] {
        assert_eq!(reason(reader().form(ORCHARD, None, body.as_bytes())), expected, "{body}");
    }
    let map = map(&[place("t", "/tempf", Some("[degF]")), place("time", "$.when", None)]);
    let decoded =
        reader().form(ORCHARD, Some(&map), b"tempf=50&when=1772344800&dew=3&h=81").unwrap();
    assert_eq!(values(&decoded), ["t=10", "h=81"]);
    assert_eq!(decoded.samples[0].stated, Stated::At(Time(1_772_344_800_000)));
    assert_eq!(reason(reader().form(ORCHARD, Some(&map), b"x=1&x=2")), Refusal::DuplicateKey);
}

#[test]
fn one_number() {
    let t = ChannelIndex(0);
    for (payload, value) in
        [("17.3", "t=17.3"), (" -4\r\n", "t=-4"), ("1.5e1", "t=15"), ("-0", "t=0")]
    {
        let decoded = reader().number(t, payload.as_bytes()).unwrap();
        assert_eq!(values(&decoded), [value], "{payload}");
        assert!(!decoded.has_own_time());
    }
    assert_eq!(values(&reader().number(ChannelIndex(4), b"NNE").unwrap()), ["point=NNE"]);
    for (payload, expected) in [
        (&b""[..], Refusal::Malformed),
        (b"  ", Refusal::Malformed),
        (b"17,3", Refusal::Malformed),
        (b"17.3 Cel", Refusal::Malformed),
        (b"on", Refusal::Malformed),
        (b"null", Refusal::Malformed),
        (b"17\x003", Refusal::Malformed),
        (b"\xff", Refusal::Malformed),
        (b"NaN", Refusal::NotFinite),
        (b"-inf", Refusal::NotFinite),
        (b"1e999", Refusal::NotFinite),
    ] {
        assert_eq!(reason(reader().number(t, payload)), expected, "{payload:?}");
    }
    assert_eq!(reason(reader().number(t, &b"1".repeat(4_097))), Refusal::TooLong);
    assert_eq!(reason(reader().number(ChannelIndex(999), b"1")), Refusal::UnknownChannel);
}

#[test]
fn a_station_that_does_not_exist_takes_nothing() {
    let nowhere = StationIndex(99);
    assert_eq!(reason(reader().json(nowhere, None, br#"{"t":1}"#)), Refusal::UnknownChannel);
    assert_eq!(reason(reader().form(nowhere, None, b"t=1")), Refusal::UnknownChannel);
    assert!(reader().json(RIDGE, None, br#"{"t":1}"#).is_ok());
}
