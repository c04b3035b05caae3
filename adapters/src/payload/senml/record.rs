//! Records of a SenML pack, resolved one by one as RFC 8428, sections 4.1 to 4.6, rules.

use super::fields::{Number, Own, Record};
use crate::payload::{Refused, shown};
use observation::Refusal;
use std::borrow::Cow;

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
    /// `vd` as it stands there: base64 in JSON, the octets in CBOR.
    Bytes(&'a [u8]),
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

/// What earlier records set for the later ones.
#[derive(Default)]
pub(super) struct Bases<'de> {
    count: usize,
    name: Cow<'de, str>,
    unit: Option<Cow<'de, str>>,
    time: Option<f64>,
    value: Option<f64>,
    sum: Option<f64>,
    version: Option<u64>,
}

impl<'de> Bases<'de> {
    /// Resolves the next record and hands it to `sink` if it has a value or a sum.
    pub(super) fn next<F>(&mut self, record: Record<'de>, sink: &mut F) -> Result<(), Refused>
    where
        F: FnMut(&Resolved<'_>) -> Result<(), Refused>,
    {
        self.count += 1;
        self.resolve(record, sink).map_err(|mut refused| {
            refused.detail = format!("record {}: {}", self.count, refused.detail);
            refused
        })
    }

    /// What a pack must have had at its end.
    pub(super) fn finish(&self) -> Result<(), Refused> {
        if self.count == 0 {
            return Err(malformed("a pack has at least one record"));
        }
        Ok(())
    }

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
