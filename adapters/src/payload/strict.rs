//! JSON read strictly: every key once, nothing behind the end, nesting bounded, numbers
//! finite; and every refusal with its word.
//!
//! The deserializer underneath knows only its own errors, so a visitor that refuses
//! leaves its reason in a [`Slip`] and the reader of the whole text picks it up.

use super::{DEEPEST, LONGEST, Refused, shown, text, within};
use observation::Refusal;
use serde::de::{DeserializeSeed, Error, MapAccess, SeqAccess, Visitor};
use serde_json::Value;
use std::cell::RefCell;
use std::fmt;

/// Where a visitor leaves why it refused.
#[derive(Debug, Default)]
pub(super) struct Slip(RefCell<Option<Refused>>);

impl Slip {
    /// Leaves the reason and gives the error that stops the deserializer.
    pub(super) fn refuse<E: Error>(&self, refused: Refused) -> E {
        *self.0.borrow_mut() = Some(refused);
        E::custom("refused")
    }

    pub(super) fn duplicate<E: Error>(&self, key: &str) -> E {
        self.refuse(Refused::new(Refusal::DuplicateKey, format!("`{}` stands twice", shown(key))))
    }

    pub(super) fn deeper<E: Error>(&self, depth: usize) -> Result<usize, E> {
        if depth >= DEEPEST {
            return Err(self.refuse(Refused::new(
                Refusal::Nesting,
                format!("nested more than {DEEPEST} deep"),
            )));
        }
        Ok(depth + 1)
    }
}

/// Reads a whole text of JSON with a seed that `make` builds around the slip.
pub(super) fn read<'de, 's, S>(
    bytes: &'de [u8],
    slip: &'s Slip,
    seed: S,
) -> Result<S::Value, Refused>
where
    S: DeserializeSeed<'de> + 's,
{
    within(bytes, LONGEST)?;
    let text = text(bytes)?;
    let mut deserializer = serde_json::Deserializer::from_str(text);
    let read = seed.deserialize(&mut deserializer).and_then(|value| {
        deserializer.end()?;
        Ok(value)
    });
    read.map_err(|error| slip.0.borrow_mut().take().unwrap_or_else(|| told(&error, text)))
}

/// A JSON value of any shape.
pub(super) fn value(bytes: &[u8]) -> Result<Value, Refused> {
    let slip = Slip::default();
    read(bytes, &slip, AnyValue { slip: &slip, depth: 0 })
}

fn told(error: &serde_json::Error, text: &str) -> Refused {
    let (line, column) = (error.line(), error.column());
    let place =
        if line <= 1 { format!("byte {column}") } else { format!("line {line}, byte {column}") };
    if error.to_string().starts_with("number out of range") {
        return Refused::new(Refusal::NotFinite, format!("a number at {place} is too large"));
    }
    if error.is_data() {
        // "invalid type: string \"x\", expected a number at line 1 column 9"
        let message = error.to_string();
        let message = message.split(" at line ").next().unwrap_or_default();
        return Refused::new(Refusal::WrongType, format!("{} ({place})", shown(message)));
    }
    if word_of_infinity(error, text) {
        return Refused::new(
            Refusal::NotFinite,
            format!("NaN or Infinity at {place}; a missing value is null"),
        );
    }
    let what = if error.is_eof() { "the JSON ends before it is complete" } else { "not JSON" };
    Refused::new(Refusal::Malformed, format!("{what} ({place})"))
}

/// Whether the deserializer stopped at one of the words that some firmware prints for
/// a number that is none.
fn word_of_infinity(error: &serde_json::Error, text: &str) -> bool {
    let message = error.to_string();
    if !["expected value", "expected ident", "invalid number"]
        .iter()
        .any(|m| message.starts_with(m))
    {
        return false;
    }
    let Some(line) = text.split('\n').nth(error.line().saturating_sub(1)) else { return false };
    let stopped = error.column().saturating_sub(1).min(line.len());
    let bytes = line.as_bytes();
    let begins = |b: &u8| matches!(b, b':' | b',' | b'[') || b.is_ascii_whitespace();
    let start = bytes.iter().take(stopped).rposition(begins).map_or(0, |at| at + 1);
    let word = bytes.get(start..).unwrap_or_default();
    let word = word.strip_prefix(b"-").or(word.strip_prefix(b"+")).unwrap_or(word);
    word.get(..3).is_some_and(|w| w.eq_ignore_ascii_case(b"nan") || w.eq_ignore_ascii_case(b"inf"))
}

/// Any JSON value, strictly.
#[derive(Clone, Copy)]
pub(super) struct AnyValue<'s> {
    pub(super) slip: &'s Slip,
    pub(super) depth: usize,
}

impl<'de> DeserializeSeed<'de> for AnyValue<'_> {
    type Value = Value;

    fn deserialize<D: serde::Deserializer<'de>>(self, deserializer: D) -> Result<Value, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for AnyValue<'_> {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("any JSON value")
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_bool<E>(self, v: bool) -> Result<Value, E> {
        Ok(Value::Bool(v))
    }

    fn visit_u64<E>(self, v: u64) -> Result<Value, E> {
        Ok(Value::from(v))
    }

    fn visit_i64<E>(self, v: i64) -> Result<Value, E> {
        Ok(Value::from(v))
    }

    fn visit_f64<E>(self, v: f64) -> Result<Value, E> {
        Ok(Value::from(v))
    }

    fn visit_str<E>(self, v: &str) -> Result<Value, E> {
        Ok(Value::from(v))
    }

    fn visit_string<E>(self, v: String) -> Result<Value, E> {
        Ok(Value::from(v))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Value, A::Error> {
        let depth = self.slip.deeper(self.depth)?;
        let mut items = Vec::new();
        while let Some(item) = seq.next_element_seed(AnyValue { depth, ..self })? {
            items.push(item);
        }
        Ok(Value::Array(items))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Value, A::Error> {
        let depth = self.slip.deeper(self.depth)?;
        let mut object = serde_json::Map::new();
        while let Some(key) = map.next_key::<String>()? {
            if object.contains_key(&key) {
                return Err(self.slip.duplicate(&key));
            }
            let value = map.next_value_seed(AnyValue { depth, ..self })?;
            object.insert(key, value);
        }
        Ok(Value::Object(object))
    }
}
