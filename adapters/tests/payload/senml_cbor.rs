//! Packs in CBOR: the worked example of RFC 8428 (2018), section 6, and what is refused,
//! with the words that the same fault has in JSON.

use crate::croft::ORCHARD;
use crate::senml_standard::{EXAMPLE, example as meaning, rows};
use crate::{reader, values};
use adapters::credentials::Grant;
use adapters::payload::senml::Notation;

/// Bytes from their hexadecimal digits, two by two.
pub(crate) fn bytes(hex: &str) -> Vec<u8> {
    assert!(hex.len().is_multiple_of(2), "{hex}");
    (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect()
}

/// RFC 8428, section 6: the second example of section 5.1.2 in CBOR.
pub(crate) fn example() -> Vec<u8> {
    bytes(concat!(
        "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b001062",
        "23614120050067766f6c7461676501615602fb405e066666666666a3006763757272656e74062402fb3f",
        "f3333333333333a3006763757272656e74062302fb3ff4cccccccccccda3006763757272656e74062202",
        "fb3ff6666666666666a3006763757272656e74062102f93e00a3006763757272656e74062002fb3ff999",
        "999999999aa3006763757272656e74060002fb3ffb333333333333",
    ))
}

/// `[{"bn":"orchard/","bt":1772344800,"n":"t","v":17.5},{"n":"h","v":81},
/// {"n":"point","vs":"NE"},{"n":"tips","vb":true},{"n":"boot","vs":"b7"},
/// {"n":"sequence","v":41}]`.
pub(crate) fn own() -> Vec<u8> {
    bytes(concat!(
        "86a421686f7263686172642f221a69a3d5e000617402f94c60a20061680218",
        "51a20065706f696e7403624e45a200647469707304f5a20064626f6f7403626237a2006873657175656e63",
        "65021829",
    ))
}

#[test]
fn the_worked_example_of_the_standard_means_the_same_in_both_notations() {
    assert_eq!(Notation::of(&example()), Notation::Cbor);
    assert_eq!(Notation::of(EXAMPLE.as_bytes()), Notation::Json);
    assert_eq!(rows(Notation::Cbor, &example()).unwrap(), meaning());
    assert_eq!(rows(Notation::Json, EXAMPLE.as_bytes()).unwrap(), meaning());
}

#[test]
fn a_pack_becomes_the_message_of_its_station() {
    let decoded = reader().senml(&Grant::only(ORCHARD), Notation::Cbor, &own()).unwrap();
    assert_eq!(decoded.len(), 1);
    assert_eq!(values(&decoded[0]), ["t=17.5", "h=81", "point=NE", "tips=1"]);
    assert_eq!((decoded[0].boot.as_deref(), decoded[0].sequence), (Some("b7"), Some(41)));
    assert!(decoded[0].has_own_time());
}

/// Numbers in each form that section 6 allows, and the tag that says "this is CBOR".
#[test]
fn a_number_has_many_forms() {
    for (value, means) in [
        ("00", "0"),
        ("17", "23"),
        ("1818", "24"),
        ("1bffffffffffffffff", "18446744073709551615"),
        ("20", "-1"),
        ("3903e7", "-1000"),
        ("3bffffffffffffffff", "-18446744073709552000"),
        ("f93e00", "1.5"),
        ("f90001", "0.00000005960464477539063"), // RFC 8949, appendix A
        ("fa47c35000", "100000"),
        ("fb3ff199999999999a", "1.1"),
        ("c48221196ab3", "273.15"), // RFC 8949, section 3.4.4
        ("c4822039028b", "-65.2"),
        ("c4820305", "5000"),
    ] {
        for tag in ["", "d9d9f7"] {
            let pack = bytes(&format!("{tag}81a200616102{value}"));
            assert_eq!(Notation::of(&pack), Notation::Cbor);
            let rows = rows(Notation::Cbor, &pack).unwrap_or_else(|r| panic!("{value}: {r}"));
            assert_eq!(rows[0].3, means, "{value}");
        }
    }
}

#[test]
fn what_breaks_the_rules_is_refused_with_its_word() {
    for (pack, word) in [
        // Not a pack, or more or less than one.
        ("", "malformed"),
        ("80", "malformed"),
        ("9fff", "malformed"),
        ("a0", "wrong_type"),
        ("8101", "wrong_type"),
        ("c181a20061610201", "wrong_type"),
        ("81a200616102", "malformed"),
        ("81a20061610201ff", "malformed"),
        ("81a2006161020100", "malformed"),
        ("82a20061610201", "malformed"),
        ("9fa20061610201", "malformed"),
        ("81bf0061610201", "malformed"),
        ("9bffffffffffffffffa20061610201", "malformed"),
        ("81bbffffffffffffffff0061610201", "malformed"),
        ("81a2007bffffffffffffffff61", "malformed"),
        ("1c", "malformed"),
        ("81ff", "wrong_type"),
        // Labels: once each; numbers of table 4; texts only for extensions.
        ("81a3006161020102f6", "duplicate_key"),
        ("81a30061610201021863", "duplicate_key"),
        ("81a400616102016178016178f6", "duplicate_key"),
        ("81a30061610201617882a0a2017801780278", "malformed"),
        ("81a300616102016178a201020103", "duplicate_key"),
        ("81a300616102010900", "malformed"),
        ("81a300616102012600", "malformed"),
        ("81a2616e6161617601", "malformed"),
        ("81a3006161020162785f01", "malformed"),
        ("81a30061610201f900000f", "wrong_type"),
        ("81a3006161020141780f", "wrong_type"),
        // Types.
        ("81a2006161026131", "wrong_type"),
        ("81a200616102f6", "wrong_type"),
        ("81a200616102f5", "wrong_type"),
        ("81a200616102c2420100", "wrong_type"),
        ("81a200616102c401", "wrong_type"),
        ("81a200616102c48101", "wrong_type"),
        ("81a200616102c482f93e0001", "wrong_type"),
        ("81a200616102c48201c24101", "wrong_type"),
        ("81a20061610301", "wrong_type"),
        ("81a20061610401", "wrong_type"),
        ("81a2006161086178", "wrong_type"),
        ("81a200010201", "wrong_type"),
        ("81a20041610201", "wrong_type"),
        ("81a2007f6161ff0201", "wrong_type"),
        ("81a300616102010105", "wrong_type"),
        ("81a3006161020106616e", "wrong_type"),
        ("81a30061610201077f", "wrong_type"),
        ("81a3006161020120f93e00", "wrong_type"),
        ("81a300616102012020", "wrong_type"),
        // The rules that JSON has too.
        ("81a30061610201036178", "malformed"),
        ("81a1006161", "malformed"),
        ("81a10201", "malformed"),
        ("81a200622d610201", "malformed"),
        ("81a20062c3280201", "malformed"),
        ("81a3200b0061610201", "malformed"),
        ("81a200616102f97c00", "not_finite"),
        ("81a200616102f97e00", "not_finite"),
        ("81a200616102fb7ff0000000000000", "not_finite"),
        ("81a200616102c48219019001", "not_finite"),
        ("81a3006161020122fb7ff8000000000000", "not_finite"),
        ("81a300616124fb7fe1ccf385ebc8a002fb7fe1ccf385ebc8a0", "not_finite"),
    ] {
        let pack = bytes(pack);
        let refused = rows(Notation::Cbor, &pack).expect_err(&format!("{pack:02x?}"));
        assert_eq!(refused.reason.word(), word, "{pack:02x?}: {refused}");
    }
}

/// A value that is not understood is passed over, but not deeper than in JSON.
#[test]
fn what_is_not_understood_is_passed_over_to_the_same_depth() {
    for form in [("81", ""), ("9f", "ff"), ("c1", "")] {
        let nested = |depth: usize| {
            bytes(&format!("81a300616102016178{}01{}", form.0.repeat(depth), form.1.repeat(depth)))
        };
        assert!(rows(Notation::Cbor, &nested(14)).is_ok(), "{form:?}");
        let refused = rows(Notation::Cbor, &nested(15)).unwrap_err();
        assert_eq!(refused.reason.word(), "nesting", "{form:?}");
    }
    let json = |depth: usize| {
        let (open, close) = ("[".repeat(depth), "]".repeat(depth));
        rows(Notation::Json, format!(r#"[{{"n":"a","v":1,"x":{open}1{close}}}]"#).as_bytes())
    };
    assert!(json(14).is_ok());
    assert_eq!(json(15).unwrap_err().reason.word(), "nesting");
}

#[test]
fn a_pack_beyond_the_limit_is_too_long() {
    let mut pack = bytes("81a300616102016178");
    pack.extend_from_slice(&[0x5a, 0, 1, 0, 0]);
    pack.extend(std::iter::repeat_n(0, 65_536));
    assert_eq!(rows(Notation::Cbor, &pack).unwrap_err().reason.word(), "too_long");
}
