//! From a pack to the messages of its stations.

use crate::croft::{BECK, ORCHARD, RIDGE, property};
use crate::{reader, values};
use adapters::credentials::{Credentials, Digest, Grant, Owner};
use adapters::payload::senml::Notation;
use adapters::payload::{Decoded, Refused};
use observation::{Refusal, Stated, Time};

fn read(grant: &Grant, pack: &str) -> Result<Vec<Decoded>, Refused> {
    reader().senml(grant, Notation::Json, pack.as_bytes())
}

fn gateway() -> Grant {
    let credentials = Credentials::new(&property(), [(Owner::Gateway(0), Digest::of(b"x"))]);
    credentials.verify(b"x").unwrap()
}

#[test]
fn one_station_in_one_pack() {
    let decoded = read(
        &Grant::only(ORCHARD),
        r#"[{"bn":"orchard/","bt":1772344800,"n":"t","v":17.3},{"n":"h","u":"%RH","v":81},
            {"n":"p","u":"Pa","v":101325},{"n":"t","t":-60,"u":"[degF]","v":32},
            {"n":"point","vs":"NE"},{"n":"tips","vb":true},
            {"n":"boot","vs":"b7"},{"n":"sequence","v":41}]"#,
    )
    .unwrap();
    assert_eq!(decoded.len(), 1);
    let message = &decoded[0];
    assert_eq!(values(message), ["t=17.3", "h=81", "p=1013.25", "t=0", "point=NE", "tips=1"]);
    assert_eq!(
        (message.station, message.boot.as_deref(), message.sequence),
        (ORCHARD, Some("b7"), Some(41))
    );
    assert_eq!(message.samples[0].stated, Stated::At(Time(1_772_344_800_000)));
    assert_eq!(message.samples[3].stated, Stated::At(Time(1_772_344_740_000)));
    assert!(message.has_own_time());
}

#[test]
fn times_below_two_to_the_28th_are_relative() {
    for (t, stated) in [
        ("", Stated::Nothing),
        (r#","t":0"#, Stated::Relative(0)),
        (r#","t":-90.5"#, Stated::Relative(-90_500)),
        (r#","t":268435455.999"#, Stated::Relative(268_435_455_999)),
        (r#","t":268435456"#, Stated::At(Time(268_435_456_000))),
        // A clock that counts milliseconds: passed on, to be set aside as `future`.
        (r#","t":1772344800000"#, Stated::At(Time(1_772_344_800_000_000))),
        (r#","t":1e300"#, Stated::At(Time(9_000_000_000_000_000))),
        (r#","t":-1e300"#, Stated::Relative(-9_000_000_000_000_000)),
    ] {
        let pack = format!(r#"[{{"n":"orchard/t","v":1{t}}}]"#);
        let decoded = read(&Grant::only(ORCHARD), &pack).unwrap();
        assert_eq!(decoded[0].samples[0].stated, stated, "{pack}");
        assert_eq!(decoded[0].has_own_time(), matches!(stated, Stated::At(_)));
    }
}

#[test]
fn a_gateway_speaks_for_its_stations_and_no_other() {
    let pack = r#"[{"n":"orchard/t","v":1},{"n":"ridge/wind_speed","u":"km/h","v":36},
                   {"n":"ridge/sequence","v":7},{"n":"orchard/h","v":50}]"#;
    let decoded = read(&gateway(), pack).unwrap();
    assert_eq!(decoded.len(), 2);
    assert_eq!((decoded[0].station, decoded[1].station), (ORCHARD, RIDGE));
    assert_eq!(values(&decoded[0]), ["t=1", "h=50"]);
    assert_eq!(values(&decoded[1]), ["wind_speed=10"]);
    assert_eq!((decoded[0].sequence, decoded[1].sequence), (None, Some(7)));

    // A known station that is not its own and one that does not exist: the same answer.
    let known =
        read(&gateway(), r#"[{"n":"orchard/t","v":1},{"n":"beck/level","v":1}]"#).unwrap_err();
    let unknown =
        read(&gateway(), r#"[{"n":"orchard/t","v":1},{"n":"cove/level","v":1}]"#).unwrap_err();
    assert_eq!((known.reason, unknown.reason), (Refusal::Credentials, Refusal::Credentials));
    assert_eq!(known.detail.replace("beck", "cove"), unknown.detail);
    assert_eq!((known.station, unknown.station), (None, None));
}

#[test]
fn a_senml_name_is_looked_up_among_the_grants_stations_only() {
    let pack = r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"cm","v":42}]"#;
    let decoded = read(&Grant::only(BECK), pack).unwrap();
    assert_eq!((decoded[0].station, values(&decoded[0])), (BECK, vec!["level=0.42".to_owned()]));
    assert_eq!(read(&Grant::every(), pack).unwrap()[0].station, BECK);
    let foreign = read(&gateway(), pack).unwrap_err();
    let nobodys = read(&gateway(), r#"[{"n":"urn:dev:ow:10e2073a01080064","v":42}]"#).unwrap_err();
    assert_eq!(
        (foreign.reason, nobodys.reason),
        (Refusal::UnknownChannel, Refusal::UnknownChannel)
    );
    assert_eq!(foreign.detail.replace("0063", "0064"), nobodys.detail);
}

#[test]
fn without_a_token_an_unknown_station_is_called_unknown() {
    let refused = read(&Grant::every(), r#"[{"n":"cove/t","v":1}]"#).unwrap_err();
    assert_eq!(refused.reason, Refusal::UnknownStation);
}

#[test]
fn names_units_and_types_void_the_whole_pack() {
    for (record, reason, says) in [
        (r#"{"n":"frog","v":1}"#, Refusal::UnknownChannel, "frog"),
        (r#"{"n":"time","v":1}"#, Refusal::UnknownChannel, "time"),
        (r#"{"n":"t/x","v":1}"#, Refusal::UnknownChannel, "t/x"),
        (r#"{"n":"h","u":"hPa","v":1}"#, Refusal::Unit, "hPa"),
        (r#"{"n":"h","u":"degC","v":1}"#, Refusal::Unit, "`Cel`"),
        (r#"{"n":"h","u":"lon","v":1}"#, Refusal::Unit, "lon"),
        (r#"{"n":"h","vs":"x"}"#, Refusal::WrongType, "x"),
        (r#"{"n":"h","vd":"aGk"}"#, Refusal::WrongType, "vd"),
        (r#"{"n":"h","s":5}"#, Refusal::WrongType, "sum"),
        (r#"{"n":"sequence","v":-1}"#, Refusal::WrongType, "sequence"),
        (r#"{"n":"sequence","v":1.5}"#, Refusal::WrongType, "sequence"),
        (r#"{"n":"sequence","vs":"1"}"#, Refusal::WrongType, "sequence"),
        (r#"{"n":"boot","vb":true}"#, Refusal::WrongType, "boot"),
        (r#"{"n":"boot","vs":""}"#, Refusal::Malformed, "boot"),
        (r#"{"n":"sequence","v":1},{"n":"sequence","v":2}"#, Refusal::DuplicateKey, "sequence"),
    ] {
        let pack = format!(r#"[{{"bn":"orchard/","n":"t","v":1}},{record}]"#);
        let refused = read(&Grant::only(ORCHARD), &pack).unwrap_err();
        assert_eq!(refused.reason, reason, "{pack}: {refused}");
        assert!(refused.detail.contains(says), "{pack}: {refused}");
        assert_eq!(refused.station, Some(ORCHARD), "{pack}");
    }
}

#[test]
fn limits_of_size_and_depth() {
    let deep =
        |n: usize| format!(r#"[{{"n":"orchard/t","v":1,"x":{}{}}}]"#, "[".repeat(n), "]".repeat(n));
    assert!(read(&Grant::only(ORCHARD), &deep(14)).is_ok());
    assert_eq!(read(&Grant::only(ORCHARD), &deep(15)).unwrap_err().reason, Refusal::Nesting);
    assert_eq!(read(&Grant::only(ORCHARD), &deep(20_000)).unwrap_err().reason, Refusal::Nesting);
    let long = |n: usize| format!(r#"[{{"n":"orchard/t","v":1}}{}]"#, " ".repeat(n));
    assert!(read(&Grant::only(ORCHARD), &long(60_000)).is_ok());
    assert_eq!(read(&Grant::only(ORCHARD), &long(65_536)).unwrap_err().reason, Refusal::TooLong);
}
