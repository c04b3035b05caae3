//! What arrived, made fit for a terminal, and the names and values in it as far as
//! they can be told without knowing the settings.

use adapters::payload::senml::{Data, Notation, each};
use serde_json::Value;
use std::fmt::Write as _;

/// Longest piece of a payload that is shown, in characters.
const LONGEST: usize = 400;
/// Most names taken from one payload.
const MOST_NAMES: usize = 64;

/// The bytes as one line: control characters and what is no UTF-8 escaped, long ones cut.
pub fn line(bytes: &[u8]) -> String {
    let mut out = String::new();
    let mut shown = 0;
    for chunk in bytes.utf8_chunks() {
        for c in chunk.valid().chars() {
            if shown >= LONGEST {
                let _ = write!(out, " ... ({} bytes)", bytes.len());
                return out;
            }
            shown += 1;
            if c.is_control() {
                out.extend(c.escape_default());
            } else {
                out.push(c);
            }
        }
        for byte in chunk.invalid() {
            shown += 1;
            let _ = write!(out, "\\x{byte:02x}");
        }
    }
    out
}

/// One named value in a payload.
#[derive(Clone, Debug, PartialEq)]
pub struct Named {
    /// The name as it stands there; `station/channel` in `SenML`.
    pub name: String,
    /// The number, where it is one.
    pub number: Option<f64>,
    /// The unit, where the payload states one.
    pub unit: Option<String>,
}

/// The names and values in a payload: a flat JSON object, `SenML`, or name=value pairs.
/// Empty where it is none of these.
pub fn named(bytes: &[u8]) -> Vec<Named> {
    if Notation::of(bytes) == Notation::Cbor {
        return packed(bytes);
    }
    let Ok(text) = std::str::from_utf8(bytes) else { return Vec::new() };
    let text = text.trim();
    let mut found = match serde_json::from_str::<Value>(text) {
        Ok(Value::Object(object)) => object
            .iter()
            .map(|(name, value)| Named { name: name.clone(), number: value.as_f64(), unit: None })
            .collect(),
        Ok(Value::Array(records)) => senml(&records),
        Ok(_) => Vec::new(),
        Err(_) => pairs(text),
    };
    found.truncate(MOST_NAMES);
    found
}

/// The names in a pack in CBOR, of which people see nothing otherwise.
fn packed(bytes: &[u8]) -> Vec<Named> {
    let mut found = Vec::new();
    let whole = each(Notation::Cbor, bytes, |record| {
        let number = match record.data {
            Data::Number(v) => Some(v),
            Data::Whole(v) => Some(v as f64),
            Data::Text(_) | Data::Flag(_) => None,
            Data::Bytes(_) | Data::Nothing => return Ok(()),
        };
        if found.len() < MOST_NAMES {
            let name = format!("{}{}", record.base, record.name);
            found.push(Named { name, number, unit: record.unit.map(str::to_owned) });
        }
        Ok(())
    });
    if whole.is_ok() { found } else { Vec::new() }
}

fn senml(records: &[Value]) -> Vec<Named> {
    let mut base = String::new();
    let mut base_unit = None;
    let mut found = Vec::new();
    for record in records.iter().take(MOST_NAMES) {
        let word = |key: &str| record.get(key).and_then(Value::as_str).map(str::to_owned);
        if let Some(name) = word("bn") {
            base = name;
        }
        if let Some(unit) = word("bu") {
            base_unit = Some(unit);
        }
        let name = format!("{base}{}", word("n").unwrap_or_default());
        let number = record.get("v").and_then(Value::as_f64);
        if !name.is_empty() && (number.is_some() || record.get("vs").is_some()) {
            found.push(Named { name, number, unit: word("u").or_else(|| base_unit.clone()) });
        }
    }
    found
}

fn pairs(text: &str) -> Vec<Named> {
    let body = text.rsplit_once('*').map_or(text, |(body, _)| body);
    body.split([',', ' ', ';', '&', '\t'])
        .filter_map(|pair| pair.split_once('='))
        .filter(|(name, _)| !name.is_empty() && !name.starts_with("crc"))
        .map(|(name, value)| Named {
            name: name.to_owned(),
            number: value.trim().parse().ok().filter(|n: &f64| n.is_finite()),
            unit: None,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(bytes: &[u8]) -> Vec<(String, Option<f64>)> {
        let mut names: Vec<_> = named(bytes).into_iter().map(|n| (n.name, n.number)).collect();
        names.sort_by(|a, b| a.0.cmp(&b.0));
        names
    }

    #[test]
    fn names_are_found_in_each_shape() {
        let expected = vec![("h".to_owned(), Some(81.0)), ("t".to_owned(), Some(12.5))];
        assert_eq!(names(br#"{"t":12.5,"h":81}"#), expected);
        assert_eq!(names(b"t=12.5, h=81*3F\r\n"), expected);
        assert_eq!(names(b"t=12.5&h=81"), expected);
        let senml = named(br#"[{"bn":"ridge/","n":"t","u":"Cel","v":1},{"n":"h","v":2}]"#);
        assert_eq!(senml.len(), 2);
        assert_eq!(senml.first().map(|n| n.name.as_str()), Some("ridge/t"));
        assert_eq!(senml.first().and_then(|n| n.unit.as_deref()), Some("Cel"));
    }

    #[test]
    fn names_are_found_in_a_pack_in_cbor() {
        // [{"bn":"ridge/","n":"t","u":"Cel","v":1.5},{"n":"point","vs":"NE"}]
        let pack = b"\x82\xa4\x21\x66ridge/\x00\x61t\x01\x63Cel\x02\xf9\x3e\x00\xa2\x00\x65point\x03\x62NE";
        let found = named(pack);
        assert_eq!(
            names(pack),
            [("ridge/point".to_owned(), None), ("ridge/t".to_owned(), Some(1.5))]
        );
        assert_eq!(found.first().and_then(|n| n.unit.as_deref()), Some("Cel"));
        for cut in 0..pack.len() {
            assert!(named(pack.get(..cut).unwrap_or_default()).is_empty(), "{cut} bytes");
        }
    }

    #[test]
    fn garbage_gives_no_names_and_no_control_characters() {
        for bytes in [&b"\xff\xfe\x00"[..], b"", b"12.5", b"[1,2,{}]", b"\x1b]0;title\x07"] {
            assert!(named(bytes).is_empty(), "{bytes:?}");
            assert!(!line(bytes).chars().any(char::is_control), "{bytes:?}");
        }
        let long = vec![b'x'; 100_000];
        assert!(line(&long).len() < 500);
        assert!(named(&b"a=1,".repeat(10_000)).len() <= MOST_NAMES);
    }
}
