//! A JSON object in the sender's own shape.
//!
//! Without a map the keys of one flat object are the names of channels, and a key that
//! is none voids the whole: a misspelt name must not be a silent gap. With a map the
//! rest of the sender's document is its own business and is passed over; a name that
//! the map does not place keeps its place at the top.

use super::gather::Gather;
use super::scalar::Scalar;
use super::strict::{self, AnyValue, Slip};
use super::{Decoded, Map, Reader, Refused};
use observation::StationIndex;
use serde::de::{DeserializeSeed, MapAccess, Visitor};
use std::borrow::Cow;
use std::fmt;

impl Reader {
    /// Reads a flat JSON object whose keys are channels, `time`, `boot` or `sequence`,
    /// or any JSON through a map.
    ///
    /// # Errors
    /// Whatever makes the document void; the whole of it is refused.
    pub fn json(
        &self,
        station: StationIndex,
        map: Option<&Map>,
        bytes: &[u8],
    ) -> Result<Decoded, Refused> {
        let read = match map {
            None => {
                let slip = Slip::default();
                let flat = Flat { slip: &slip, gather: Gather::new(self, station) };
                strict::read(bytes, &slip, flat).map(Gather::finish)
            }
            Some(map) => strict::value(bytes).and_then(|document| map.read(self, &document, false)),
        };
        read.map_err(|refused| refused.of(station))
    }
}

/// One flat object, straight into the message.
struct Flat<'r, 's> {
    slip: &'s Slip,
    gather: Gather<'r>,
}

impl<'de, 'r> DeserializeSeed<'de> for Flat<'r, '_> {
    type Value = Gather<'r>;

    fn deserialize<D: serde::Deserializer<'de>>(
        self,
        deserializer: D,
    ) -> Result<Self::Value, D::Error> {
        deserializer.deserialize_map(self)
    }
}

impl<'de, 'r> Visitor<'de> for Flat<'r, '_> {
    type Value = Gather<'r>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an object of channels and values")
    }

    fn visit_map<A: MapAccess<'de>>(mut self, mut map: A) -> Result<Self::Value, A::Error> {
        while let Some(Word(key)) = map.next_key()? {
            let scalar = map.next_value_seed(OneValue(self.slip))?;
            self.gather.named(&key, &scalar).map_err(|refused| self.slip.refuse(refused))?;
        }
        Ok(self.gather)
    }
}

/// A key or a word, borrowed where it holds no escapes.
pub(super) struct Word<'de>(pub(super) Cow<'de, str>);

impl<'de> serde::Deserialize<'de> for Word<'de> {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Text;
        impl<'de> Visitor<'de> for Text {
            type Value = Word<'de>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a text")
            }
            fn visit_borrowed_str<E>(self, v: &'de str) -> Result<Word<'de>, E> {
                Ok(Word(Cow::Borrowed(v)))
            }
            fn visit_str<E>(self, v: &str) -> Result<Word<'de>, E> {
                Ok(Word(Cow::Owned(v.to_owned())))
            }
        }
        deserializer.deserialize_str(Text)
    }
}

/// One value of a flat object.
struct OneValue<'s>(&'s Slip);

impl<'de> DeserializeSeed<'de> for OneValue<'_> {
    type Value = Scalar<'de>;

    fn deserialize<D: serde::Deserializer<'de>>(
        self,
        deserializer: D,
    ) -> Result<Scalar<'de>, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for OneValue<'_> {
    type Value = Scalar<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a number, a text, true, false or null")
    }

    fn visit_unit<E>(self) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Null)
    }

    fn visit_bool<E>(self, v: bool) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Bool(v))
    }

    fn visit_u64<E>(self, v: u64) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Unsigned(v))
    }

    fn visit_i64<E>(self, v: i64) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Signed(v))
    }

    fn visit_f64<E>(self, v: f64) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Float(v))
    }

    fn visit_borrowed_str<E>(self, v: &'de str) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Text(Cow::Borrowed(v)))
    }

    fn visit_str<E>(self, v: &str) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Text(Cow::Owned(v.to_owned())))
    }

    fn visit_seq<A: serde::de::SeqAccess<'de>>(self, seq: A) -> Result<Scalar<'de>, A::Error> {
        // Read to its end, so that what is wrong inside is told first.
        AnyValue { slip: self.0, depth: 1 }.visit_seq(seq)?;
        Ok(Scalar::Nested)
    }

    fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Scalar<'de>, A::Error> {
        AnyValue { slip: self.0, depth: 1 }.visit_map(map)?;
        Ok(Scalar::Nested)
    }
}
