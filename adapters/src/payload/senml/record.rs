//! Records of a SenML pack, resolved one by one as RFC 8428, sections 4.1 to 4.6, rules.

use crate::payload::json::Word;
use crate::payload::strict::{self, AnyValue, Slip};
use crate::payload::{Refused, shown};
use observation::Refusal;
use serde::de::{DeserializeSeed, Error as _, MapAccess, SeqAccess, Visitor};
use std::borrow::Cow;
use std::fmt;

/// RFC 8428, section 4.4: the version of that document. RFC 9100, section 5: version 26
/// is the same with secondary units (RFC 8798).
const UNDERSTOOD: u64 = 10;
const WITH_SECONDARY_UNITS: u64 = 26;

/// The value of a resolved record.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Data<'a> {
    /// `v`, with the base value.
    Number(f64),
    /// `v` where it is a whole number that no base value was added to.
    Whole(u64),
    /// `vs`.
    Text(&'a str),
    /// `vb`.
    Flag(bool),
    /// `vd`, still in base64.
    Bytes(&'a str),
    /// Only a sum.
    Nothing,
}

/// A record with all base values applied.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Resolved<'a> {
    /// The base name; it goes before `name`.
    pub base: &'a str,
    /// The record's own name. Both together are never empty.
    pub name: &'a str,
    /// The unit, if the record or the base gives one.
    pub unit: Option<&'a str>,
    /// Base time plus time in seconds, if either is given; below 2^28 it is relative to
    /// now.
    pub time: Option<f64>,
    /// The value.
    pub data: Data<'a>,
    /// Base sum plus sum, if either is given.
    pub sum: Option<f64>,
}

/// Reads a pack and hands every resolved record with a value or a sum to `sink`, in
/// order.
///
/// # Errors
/// The first thing that makes the pack void, or what `sink` refuses. What `sink` took
/// before is void with it.
pub fn each<F>(bytes: &[u8], sink: F) -> Result<(), Refused>
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
        let mut count = 0_usize;
        while let Some(record) = seq.next_element_seed(OneRecord(self.slip))? {
            count += 1;
            bases.resolve(record, &mut self.sink).map_err(|mut refused| {
                refused.detail = format!("record {count}: {}", refused.detail);
                self.slip.refuse(refused)
            })?;
        }
        if count == 0 {
            return Err(self.slip.refuse(malformed("a pack has at least one record")));
        }
        Ok(())
    }
}

/// What earlier records set for the later ones.
#[derive(Default)]
struct Bases<'de> {
    name: Cow<'de, str>,
    unit: Option<Cow<'de, str>>,
    time: Option<f64>,
    value: Option<f64>,
    sum: Option<f64>,
    version: Option<u64>,
}

impl<'de> Bases<'de> {
    fn resolve<F>(&mut self, mut record: Record<'de>, sink: &mut F) -> Result<(), Refused>
    where
        F: FnMut(&Resolved<'_>) -> Result<(), Refused>,
    {
        if let Some(version) = record.version {
            let understood = version <= UNDERSTOOD || version == WITH_SECONDARY_UNITS;
            if !understood || version == 0 {
                return Err(malformed("`bver` is a version that is not understood"));
            }
            if self.version.is_some_and(|other| other != version) {
                return Err(malformed("`bver` is not the same in all records"));
            }
            self.version = Some(version);
        }
        if let Some(name) = record.base_name.take() {
            self.name = name;
        }
        if let Some(unit) = record.base_unit.take() {
            self.unit = (!unit.is_empty()).then_some(unit);
        }
        self.time = record.base_time.or(self.time);
        self.value = record.base_value.map(Number::float).or(self.value);
        self.sum = record.base_sum.or(self.sum);

        if record.values > 1 {
            return Err(malformed("more than one of v, vs, vb and vd"));
        }
        let data = match (&record.data, self.value) {
            (Own::None, _) if record.is_only_bases() => return Ok(()),
            (Own::None, Some(base)) => Data::Number(base),
            (Own::None, None) => Data::Nothing,
            (Own::Number(Number::Whole(v)), None) => Data::Whole(*v),
            (Own::Number(v), base) => Data::Number(finite(v.float() + base.unwrap_or(0.0), "v")?),
            (Own::Text(v), _) => Data::Text(v),
            (Own::Flag(v), _) => Data::Flag(*v),
            (Own::Bytes(v), _) => Data::Bytes(v),
        };
        let sum = added(self.sum, record.sum, "s")?;
        if data == Data::Nothing && sum.is_none() {
            return Err(malformed("neither a value nor a sum"));
        }
        let name = record.name.as_deref().unwrap_or_default();
        check_name(&self.name, name)?;
        let unit = match record.unit.as_deref() {
            Some("") | None => self.unit.as_deref(),
            own => own,
        };
        let time = added(self.time, record.time, "t")?;
        sink(&Resolved { base: &self.name, name, unit, time, data, sum })
    }
}

fn added(base: Option<f64>, own: Option<f64>, label: &str) -> Result<Option<f64>, Refused> {
    match (base, own) {
        (None, None) => Ok(None),
        (base, own) => finite(base.unwrap_or(0.0) + own.unwrap_or(0.0), label).map(Some),
    }
}

fn finite(value: f64, label: &str) -> Result<f64, Refused> {
    if value.is_finite() {
        Ok(value)
    } else {
        Err(Refused::new(
            Refusal::NotFinite,
            format!("`{label}` with its base value is not finite"),
        ))
    }
}

/// RFC 8428, section 4.5.1: letters, digits and `-` `:` `.` `/` `_`; begins with a
/// letter or a digit.
fn check_name(base: &str, name: &str) -> Result<(), Refused> {
    let mut bytes = base.bytes().chain(name.bytes());
    let Some(first) = bytes.next() else {
        return Err(malformed("no name: neither `n` nor `bn`"));
    };
    let allowed =
        |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b':' | b'.' | b'/' | b'_');
    if !first.is_ascii_alphanumeric() || !bytes.all(allowed) {
        return Err(malformed(&format!(
            "`{}` is not a SenML name",
            shown(&format!("{base}{name}"))
        )));
    }
    Ok(())
}

fn malformed(why: &str) -> Refused {
    Refused::new(Refusal::Malformed, why)
}

#[derive(Clone, Copy)]
enum Number {
    Whole(u64),
    Other(f64),
}

impl Number {
    fn float(self) -> f64 {
        match self {
            Self::Whole(n) => n as f64,
            Self::Other(n) => n,
        }
    }
}

#[derive(Default)]
enum Own<'de> {
    #[default]
    None,
    Number(Number),
    Text(Cow<'de, str>),
    Flag(bool),
    Bytes(Cow<'de, str>),
}

/// A record as it stands in the pack.
#[derive(Default)]
struct Record<'de> {
    base_name: Option<Cow<'de, str>>,
    base_time: Option<f64>,
    base_unit: Option<Cow<'de, str>>,
    base_value: Option<Number>,
    base_sum: Option<f64>,
    version: Option<u64>,
    name: Option<Cow<'de, str>>,
    unit: Option<Cow<'de, str>>,
    time: Option<f64>,
    sum: Option<f64>,
    data: Own<'de>,
    values: u8,
    labels: u16,
}

impl Record<'_> {
    /// Whether it only sets bases for what follows: common practice, though section 4.2
    /// asks for a value in every record.
    fn is_only_bases(&self) -> bool {
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
