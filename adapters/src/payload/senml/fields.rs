//! The fields of one SenML record as they stand in the pack: labels, types, each at
//! most once (RFC 8428, sections 4.1 to 4.3, 5 and 12.3.1).

use crate::payload::json::Word;
use crate::payload::strict::{AnyValue, Slip};
use crate::payload::{Refused, shown};
use observation::Refusal;
use serde::de::{DeserializeSeed, Error as _, MapAccess, Visitor};
use std::borrow::Cow;
use std::fmt;

/// A JSON number; a whole one keeps all its digits.
#[derive(Clone, Copy)]
pub(super) enum Number {
    Whole(u64),
    Other(f64),
}

impl Number {
    pub(super) fn float(self) -> f64 {
        match self {
            Self::Whole(n) => n as f64,
            Self::Other(n) => n,
        }
    }
}

/// The value that a record itself gives.
#[derive(Default)]
pub(super) enum Own<'de> {
    #[default]
    None,
    Number(Number),
    Text(Cow<'de, str>),
    Flag(bool),
    Bytes(Cow<'de, str>),
}

/// A record as it stands in the pack.
#[derive(Default)]
pub(super) struct Record<'de> {
    pub(super) base_name: Option<Cow<'de, str>>,
    pub(super) base_time: Option<f64>,
    pub(super) base_unit: Option<Cow<'de, str>>,
    pub(super) base_value: Option<Number>,
    pub(super) base_sum: Option<f64>,
    pub(super) version: Option<u64>,
    pub(super) name: Option<Cow<'de, str>>,
    pub(super) unit: Option<Cow<'de, str>>,
    pub(super) time: Option<f64>,
    pub(super) sum: Option<f64>,
    pub(super) data: Own<'de>,
    pub(super) values: u8,
    pub(super) labels: u16,
}

impl Record<'_> {
    /// Whether it only sets bases for what follows: common practice, though section 4.2
    /// asks for a value in every record.
    pub(super) fn is_only_bases(&self) -> bool {
        self.labels & !Label::BASES == 0
    }
}

#[derive(Clone, Copy)]
enum Label {
    Bn = 0,
    Bt,
    Bu,
    Bv,
    Bs,
    Bver,
    N,
    U,
    V,
    Vs,
    Vb,
    Vd,
    S,
    T,
    Ut,
}

impl Label {
    const BASES: u16 = 0b11_1111;

    fn of(text: &str) -> Option<Self> {
        Some(match text {
            "n" => Self::N,
            "v" => Self::V,
            "u" => Self::U,
            "t" => Self::T,
            "bn" => Self::Bn,
            "bt" => Self::Bt,
            "bu" => Self::Bu,
            "bv" => Self::Bv,
            "bs" => Self::Bs,
            "bver" => Self::Bver,
            "vs" => Self::Vs,
            "vb" => Self::Vb,
            "vd" => Self::Vd,
            "s" => Self::S,
            "ut" => Self::Ut,
            _ => return None,
        })
    }
}

/// Reads one record.
pub(super) struct OneRecord<'s>(pub(super) &'s Slip);

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
            let Some(label) = Label::of(&key) else {
                // Section 12.3.1: what is not understood is passed over, unless its
                // label ends with `_`.
                if key.ends_with('_') {
                    let why = format!("`{}` must be understood and is not", shown(&key));
                    return Err(self.0.refuse(malformed(&why)));
                }
                if unknown.iter().any(|k| *k == *key) {
                    return Err(self.0.duplicate(&key));
                }
                unknown.push(key.into_owned());
                map.next_value_seed(AnyValue { slip: self.0, depth: 2 })?;
                continue;
            };
            let bit = 1_u16 << label as u16;
            if record.labels & bit != 0 {
                return Err(self.0.duplicate(&key));
            }
            record.labels |= bit;
            record.read(label, &mut map).map_err(|error| self.named(&key, error))?;
        }
        Ok(record)
    }
}

impl OneRecord<'_> {
    /// Puts the label before what is wrong with its type.
    fn named<E: serde::de::Error>(&self, key: &str, error: E) -> E {
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

impl<'de> Record<'de> {
    fn read<A: MapAccess<'de>>(&mut self, label: Label, map: &mut A) -> Result<(), A::Error> {
        match label {
            Label::Bn => self.base_name = Some(text(map)?),
            Label::Bt => self.base_time = Some(number(map)?.float()),
            Label::Bu => self.base_unit = Some(text(map)?),
            Label::Bv => self.base_value = Some(number(map)?),
            Label::Bs => self.base_sum = Some(number(map)?.float()),
            Label::Bver => {
                self.version = match number(map)? {
                    Number::Whole(n) => Some(n),
                    Number::Other(_) => {
                        return Err(A::Error::custom(
                            "invalid type: `bver` is not a positive whole number",
                        ));
                    }
                };
            }
            Label::N => self.name = Some(text(map)?),
            Label::U => self.unit = Some(text(map)?),
            Label::T => self.time = Some(number(map)?.float()),
            Label::S => self.sum = Some(number(map)?.float()),
            // When the next value may be expected: of no use here, its type is checked.
            Label::Ut => drop(number(map)?),
            Label::V | Label::Vs | Label::Vb | Label::Vd => {
                self.values += 1;
                self.data = match label {
                    Label::V => Own::Number(number(map)?),
                    Label::Vs => Own::Text(text(map)?),
                    Label::Vb => Own::Flag(map.next_value()?),
                    _ => Own::Bytes(text(map)?),
                };
            }
        }
        Ok(())
    }
}

fn text<'de, A: MapAccess<'de>>(map: &mut A) -> Result<Cow<'de, str>, A::Error> {
    map.next_value().map(|Word(text)| text)
}

fn number<'de, A: MapAccess<'de>>(map: &mut A) -> Result<Number, A::Error> {
    map.next_value()
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

fn malformed(why: &str) -> Refused {
    Refused::new(Refusal::Malformed, why)
}
