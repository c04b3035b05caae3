//! The example packs of RFC 8428 (2018) resolve to what the RFC prints.

use adapters::payload::Refused;
use adapters::payload::senml::{Data, Notation, each};

/// Full name, unit, time in milliseconds, value.
pub(crate) type Row = (String, Option<String>, Option<i64>, String);

fn resolve(pack: &str) -> Result<Vec<Row>, Refused> {
    rows(Notation::Json, pack.as_bytes())
}

#[allow(clippy::cast_possible_truncation)] // the RFC's own times
pub(crate) fn rows(notation: Notation, bytes: &[u8]) -> Result<Vec<Row>, Refused> {
    let mut rows = Vec::new();
    each(notation, bytes, |record| {
        let value = match record.data {
            Data::Number(v) => v.to_string(),
            Data::Whole(v) => v.to_string(),
            Data::Text(v) => v.to_owned(),
            Data::Bytes(v) => String::from_utf8_lossy(v).into_owned(),
            Data::Flag(v) => v.to_string(),
            Data::Nothing => format!("sum {}", record.sum.unwrap()),
        };
        rows.push((
            format!("{}{}", record.base, record.name),
            record.unit.map(str::to_owned),
            record.time.map(|t| (t * 1_000.0).round() as i64),
            value,
        ));
        Ok(())
    })?;
    Ok(rows)
}

fn row(name: &str, unit: &str, time: Option<i64>, value: &str) -> Row {
    (name.to_owned(), (!unit.is_empty()).then(|| unit.to_owned()), time, value.to_owned())
}

const DEVICE: &str = "urn:dev:ow:10e2073a01080063";

// Section 5.1.1.
#[test]
fn a_single_data_point() {
    let rows = resolve(r#"[ {"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1} ]"#).unwrap();
    assert_eq!(rows, [row(DEVICE, "Cel", None, "23.1")]);
}

// Section 5.1.2, first example.
#[test]
fn two_points_of_one_device() {
    let rows = resolve(
        r#"[ {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
             {"n":"current","u":"A","v":1.2} ]"#,
    )
    .unwrap();
    let name = |n: &str| format!("{DEVICE}:{n}");
    assert_eq!(
        rows,
        [row(&name("voltage"), "V", None, "120.1"), row(&name("current"), "A", None, "1.2")]
    );
}

// Section 5.1.2, second example; the base time is 2010-06-08T18:01:16.001Z.
#[test]
fn a_base_time_and_relative_times() {
    assert_eq!(resolve(EXAMPLE).unwrap(), example());
}

pub(crate) const EXAMPLE: &str = r#"[
    {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
     "n":"voltage","u":"V","v":120.1},
    {"n":"current","t":-5,"v":1.2}, {"n":"current","t":-4,"v":1.3},
    {"n":"current","t":-3,"v":1.4}, {"n":"current","t":-2,"v":1.5},
    {"n":"current","t":-1,"v":1.6}, {"n":"current","v":1.7} ]"#;

/// What the example means.
pub(crate) fn example() -> Vec<Row> {
    let base = 1_276_020_076_001;
    let current = |back: i64, v: &str| {
        row("urn:dev:ow:10e2073a0108006:current", "A", Some(base - back * 1_000), v)
    };
    vec![
        row("urn:dev:ow:10e2073a0108006:voltage", "V", Some(base), "120.1"),
        current(5, "1.2"),
        current(4, "1.3"),
        current(3, "1.4"),
        current(2, "1.5"),
        current(1, "1.6"),
        current(0, "1.7"),
    ]
}

// Sections 5.1.3 and 5.1.4 (the same pack, resolved); base time 2011-10-31T13:24:24Z.
#[test]
fn several_measurements_on_the_move() {
    let rows = resolve(
        r#"[ {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
             {"u":"lon","v":24.30621}, {"u":"lat","v":60.07965},
             {"t":60,"v":20.3}, {"u":"lon","t":60,"v":24.30622}, {"u":"lat","t":60,"v":60.07965},
             {"t":120,"v":20.7}, {"u":"lon","t":120,"v":24.30623}, {"u":"lat","t":120,"v":60.07966},
             {"u":"%EL","t":150,"v":98},
             {"t":180,"v":21.2}, {"u":"lon","t":180,"v":24.30628}, {"u":"lat","t":180,"v":60.07967} ]"#,
    )
    .unwrap();
    let at = |t: i64, unit: &str, v: &str| row(DEVICE, unit, Some((1_320_067_464 + t) * 1_000), v);
    assert_eq!(
        rows,
        [
            at(0, "%RH", "20"),
            at(0, "lon", "24.30621"),
            at(0, "lat", "60.07965"),
            at(60, "%RH", "20.3"),
            at(60, "lon", "24.30622"),
            at(60, "lat", "60.07965"),
            at(120, "%RH", "20.7"),
            at(120, "lon", "24.30623"),
            at(120, "lat", "60.07966"),
            at(150, "%EL", "98"),
            at(180, "%RH", "21.2"),
            at(180, "lon", "24.30628"),
            at(180, "lat", "60.07967"),
        ]
    );
}

// Section 5.1.5: values of other types (from memory; names as in the RFC).
#[test]
fn values_of_other_types() {
    let rows = resolve(
        r#"[ {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
             {"n":"label","vs":"Machine Room"}, {"n":"open","vb":false},
             {"n":"nfc-reader","vd":"aGkgCg"} ]"#,
    )
    .unwrap();
    let values: Vec<&str> = rows.iter().map(|r| r.3.as_str()).collect();
    assert_eq!(values, ["23.1", "Machine Room", "false", "aGkgCg"]);
}

// Section 4.5.4: base value and base sum are added; a missing one is zero.
#[test]
fn base_values_are_added() {
    let rows = resolve(
        r#"[ {"bn":"a","bv":20,"v":1.5}, {"v":-2}, {"bs":100,"n":"b","s":5}, {"bv":0,"n":"c","v":4} ]"#,
    )
    .unwrap();
    let values: Vec<&str> = rows.iter().map(|r| r.3.as_str()).collect();
    // The third record has a base value, hence a value beside its sum.
    assert_eq!(values, ["21.5", "18", "20", "4"]);
    let rows = resolve(r#"[ {"bn":"a","bs":100,"s":5} ]"#).unwrap();
    assert_eq!(rows[0].3, "sum 105");
}

#[test]
fn a_record_may_only_set_bases() {
    let rows = resolve(r#"[ {"bn":"orchard/","bt":1700000000}, {"n":"t","v":1} ]"#).unwrap();
    assert_eq!(rows, [row("orchard/t", "", Some(1_700_000_000_000), "1")]);
}

// Section 4.4 and RFC 9100 (2021), section 5.
#[test]
fn versions_that_are_not_understood_are_refused() {
    for (pack, taken) in [
        (r#"[{"bver":10,"n":"a","v":1}]"#, true),
        (r#"[{"bver":1,"n":"a","v":1}]"#, true),
        (r#"[{"bver":26,"n":"a","v":1}]"#, true),
        (r#"[{"bver":11,"n":"a","v":1}]"#, false),
        (r#"[{"bver":0,"n":"a","v":1}]"#, false),
        (r#"[{"bver":10,"n":"a","v":1},{"bver":5,"n":"a","v":1}]"#, false),
    ] {
        assert_eq!(resolve(pack).is_ok(), taken, "{pack}");
    }
}

// Section 12.3.1 (the label must be understood), 4.2 (types and values), 4.5.1 (names).
#[test]
fn what_breaks_the_rules_is_refused_with_its_word() {
    for (pack, word) in [
        (r#"[{"n":"a","v":1,"x_":1}]"#, "malformed"),
        (r#"[{"n":"a","v":"1"}]"#, "wrong_type"),
        (r#"[{"n":"a","v":null}]"#, "wrong_type"),
        (r#"[{"n":"a","vs":1}]"#, "wrong_type"),
        (r#"[{"n":"a","vb":1}]"#, "wrong_type"),
        (r#"[{"n":"a","vd":true}]"#, "wrong_type"),
        (r#"[{"n":1,"v":1}]"#, "wrong_type"),
        (r#"[{"n":"a","u":5,"v":1}]"#, "wrong_type"),
        (r#"[{"n":"a","t":"now","v":1}]"#, "wrong_type"),
        (r#"[{"bn":[],"v":1}]"#, "wrong_type"),
        (r#"[{"bver":1.5,"n":"a","v":1}]"#, "wrong_type"),
        (r#"[{"n":"a","v":1,"ut":"x"}]"#, "wrong_type"),
        (r#"[{"n":"a","v":1,"vs":"x"}]"#, "malformed"),
        (r#"[{"n":"a"}]"#, "malformed"),
        (r#"[{"n":"a","t":5}]"#, "malformed"),
        (r#"[{"v":1}]"#, "malformed"),
        (r#"[{"n":"-a","v":1}]"#, "malformed"),
        (r#"[{"n":"a b","v":1}]"#, "malformed"),
        (r#"[{"n":"a\u0000","v":1}]"#, "malformed"),
        (r#"[{"n":"ä","v":1}]"#, "malformed"),
        (r#"[{"n":"a","v":1,"v":1}]"#, "duplicate_key"),
        (r#"[{"n":"a","v":1,"x":1,"x":2}]"#, "duplicate_key"),
        (r#"[{"n":"a","v":1,"x":{"y":1,"y":2}}]"#, "duplicate_key"),
        (r#"[{"n":"a","v":1e999}]"#, "not_finite"),
        (r#"[{"n":"a","v":NaN}]"#, "not_finite"),
        (r#"[{"n":"a","v":-Infinity}]"#, "not_finite"),
        (r#"[{"n":"a","bv":1e308,"v":1e308}]"#, "not_finite"),
        (r#"[{"n":"a","bt":1e308,"t":1e308,"v":1}]"#, "not_finite"),
        ("[]", "malformed"),
        ("", "malformed"),
        ("{}", "wrong_type"),
        ("[1]", "wrong_type"),
        (r#"[{"n":"a","v":1}"#, "malformed"),
        (r#"[{"n":"a","v":1}]]"#, "malformed"),
        (r#"[{"n":"a","v":1}] x"#, "malformed"),
        (r#"[{"n":"a","v":01}]"#, "malformed"),
        (r#"[{"n":"a","v":1,}]"#, "malformed"),
        ("[{'n':'a','v':1}]", "malformed"),
        (r#"[{"n":"a","v":1,5}]"#, "malformed"),
    ] {
        let refused = resolve(pack).expect_err(pack);
        assert_eq!(refused.reason.word(), word, "{pack}: {refused}");
    }
    // What is not understood and need not be is passed over (12.3.1).
    assert!(resolve(r#"[{"n":"a","v":1,"ct":"60","x":{"y":[1,2]}}]"#).is_ok());
}
