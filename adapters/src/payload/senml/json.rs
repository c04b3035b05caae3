//! SenML in JSON (RFC 8428, section 5), read in one pass without building a tree.

use super::fields::{Label, Number, Record, Values};
use super::record::{Bases, Resolved};
use crate::payload::json::Word;
use crate::payload::strict::{self, AnyValue, Slip};
use crate::payload::{Refused, shown};
use observation::Refusal;
use serde::de::{DeserializeSeed, Error, MapAccess, SeqAccess, Visitor};
use std::borrow::Cow;
use std::fmt;

/// Reads a pack in JSON; see [`super::each`].
pub(super) fn each<F>(bytes: &[u8], sink: F) -> Result<(), Refused>
where
    F: FnMut(&Resolved<'_>) -> Result<(), Refused>,
{
    let slip = Slip::default();
    strict::read(bytes, &slip, Pack { slip: &slip, sink })
}

struct Pack<'s, F> {
    slip: &'s Slip,
    sink: F,
}

impl<'de, F> DeserializeSeed<'de> for Pack<'_, F>
where
    F: FnMut(&Resolved<'_>) -> Result<(), Refused>,
{
    type Value = ();

    fn deserialize<D: serde::Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_seq(self)
    }
}

impl<'de, F> Visitor<'de> for Pack<'_, F>
where
    F: FnMut(&Resolved<'_>) -> Result<(), Refused>,
{
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a SenML pack, an array of records")
    }

    fn visit_seq<A: SeqAccess<'de>>(mut self, mut seq: A) -> Result<(), A::Error> {
        let mut bases = Bases::default();
        while let Some(record) = seq.next_element_seed(OneRecord(self.slip))? {
            bases.next(record, &mut self.sink).map_err(|refused| self.slip.refuse(refused))?;
        }
        bases.finish().map_err(|refused| self.slip.refuse(refused))
    }
}

/// Reads one record.
struct OneRecord<'s>(&'s Slip);

impl<'de> DeserializeSeed<'de> for OneRecord<'_> {
    type Value = Record<'de>;

    fn deserialize<D: serde::Deserializer<'de>>(
        self,
        deserializer: D,
    ) -> Result<Record<'de>, D::Error> {
        deserializer.deserialize_map(self)
    }
}

impl<'de> Visitor<'de> for OneRecord<'_> {
    type Value = Record<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a SenML record, an object")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Record<'de>, A::Error> {
        let mut record = Record::default();
        let mut unknown: Vec<String> = Vec::new();
        while let Some(Word(key)) = map.next_key()? {
            let Some(label) = Label::of_text(&key) else {
                // Section 12.3.1: what is not understood is passed over, unless its
                // label ends with `_`.
                if key.ends_with('_') {
                    let why = format!("`{}` must be understood and is not", shown(&key));
                    return Err(self.0.refuse(Refused::new(Refusal::Malformed, why)));
                }
                if unknown.iter().any(|k| *k == *key) {
                    return Err(self.0.duplicate(&key));
                }
                unknown.push(key.into_owned());
                map.next_value_seed(AnyValue { slip: self.0, depth: 2 })?;
                continue;
            };
            if !record.mark(label) {
                return Err(self.0.duplicate(&key));
            }
            record.read(label, &mut Next(&mut map)).map_err(|error| self.named(&key, error))?;
        }
        Ok(record)
    }
}

impl OneRecord<'_> {
    /// Puts the label before what is wrong with its type.
    fn named<E: Error>(&self, key: &str, error: E) -> E {
        let message = error.to_string();
        if message.starts_with("invalid type") {
            let message = message.split(" at line ").next().unwrap_or_default();
            return self
                .0
                .refuse(Refused::new(Refusal::WrongType, format!("`{key}`: {}", shown(message))));
        }
        error
    }
}

/// The values of an object.
struct Next<'a, A>(&'a mut A);

impl<'de, A: MapAccess<'de>> Values<'de> for Next<'_, A> {
    type Error = A::Error;

    fn text(&mut self) -> Result<Cow<'de, str>, A::Error> {
        self.0.next_value().map(|Word(text)| text)
    }

    fn number(&mut self) -> Result<Number, A::Error> {
        self.0.next_value()
    }

    fn version(&mut self) -> Result<u64, A::Error> {
        match self.number()? {
            Number::Whole(n) => Ok(n),
            Number::Other(_) => Err(A::Error::custom("invalid type: not a positive whole number")),
        }
    }

    fn flag(&mut self) -> Result<bool, A::Error> {
        self.0.next_value()
    }

    fn bytes(&mut self) -> Result<Cow<'de, [u8]>, A::Error> {
        self.text().map(|text| match text {
            Cow::Borrowed(text) => Cow::Borrowed(text.as_bytes()),
            Cow::Owned(text) => Cow::Owned(text.into_bytes()),
        })
    }
}

impl<'de> serde::Deserialize<'de> for Number {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct AnyNumber;
        impl Visitor<'_> for AnyNumber {
            type Value = Number;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a number")
            }
            fn visit_u64<E>(self, v: u64) -> Result<Number, E> {
                Ok(Number::Whole(v))
            }
            fn visit_i64<E>(self, v: i64) -> Result<Number, E> {
                Ok(Number::Other(v as f64))
            }
            fn visit_f64<E>(self, v: f64) -> Result<Number, E> {
                Ok(Number::Other(v))
            }
        }
        deserializer.deserialize_any(AnyNumber)
    }
}
