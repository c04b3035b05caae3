//! SenML in CBOR (RFC 8428, section 6, over RFC 8949), held to the same rules as JSON.
//!
//! Two things are taken that section 6 does not ask for: a pack or a record of indefinite
//! length from a sender that does not know its count beforehand, and the tag 55799 in
//! front ("this is CBOR", RFC 8949, section 3.4.6). Texts have a definite length.

mod values;

use super::fields::{Label, Record, Values};
use super::record::{Bases, Resolved};
use crate::payload::{DEEPEST, LONGEST, Refused, shown, within};
use minicbor::Decoder;
use minicbor::data::Type;
use minicbor::decode;
use observation::Refusal;
use std::collections::BTreeSet;
use values::is_whole;

/// RFC 8949, section 3.4.6: "this is CBOR".
const SELF_DESCRIBED: u64 = 55_799;
/// RFC 8949, section 3.4.4: an exponent of ten and a mantissa.
const DECIMAL_FRACTION: u64 = 4;

/// Reads a pack in CBOR; see [`super::each`].
pub(super) fn each<F>(bytes: &[u8], mut sink: F) -> Result<(), Refused>
where
    F: FnMut(&Resolved<'_>) -> Result<(), Refused>,
{
    within(bytes, LONGEST)?;
    let mut pack = Pack { decoder: Decoder::new(bytes), label: "" };
    if pack.kind()? == Type::Tag && pack.tag()? != SELF_DESCRIBED {
        return Err(pack.wrong_type("a SenML pack, an array of records"));
    }
    if !matches!(pack.kind()?, Type::Array | Type::ArrayIndef) {
        return Err(pack.wrong_type("a SenML pack, an array of records"));
    }
    let mut items = Items(pack.length(Decoder::array)?);
    let mut bases = Bases::default();
    while items.another(&mut pack)? {
        let record = pack.record()?;
        bases.next(record, &mut sink)?;
    }
    bases.finish()?;
    let end = pack.decoder.position();
    if end < bytes.len() {
        let why = format!("bytes behind the end of the pack (byte {})", end + 1);
        return Err(malformed(&why));
    }
    Ok(())
}

/// How many items are still to come; none until a break.
struct Items(Option<u64>);

impl Items {
    fn another(&mut self, pack: &mut Pack<'_>) -> Result<bool, Refused> {
        match &mut self.0 {
            Some(0) => Ok(false),
            Some(left) => {
                *left -= 1;
                Ok(true)
            }
            None if pack.kind()? == Type::Break => {
                let after = pack.decoder.position() + 1;
                pack.decoder.set_position(after);
                Ok(false)
            }
            None => Ok(true),
        }
    }
}

struct Pack<'b> {
    decoder: Decoder<'b>,
    /// The label whose value is read.
    label: &'static str,
}

impl<'b> Pack<'b> {
    fn kind(&self) -> Result<Type, Refused> {
        match self.decoder.datatype() {
            Ok(Type::Unknown(_)) => Err(malformed(&format!("not CBOR ({})", self.place()))),
            Ok(kind) => Ok(kind),
            Err(error) => Err(self.told(&error)),
        }
    }

    fn tag(&mut self) -> Result<u64, Refused> {
        self.decoder.tag().map(minicbor::data::Tag::as_u64).map_err(|error| self.told(&error))
    }

    fn length(
        &mut self,
        read: fn(&mut Decoder<'b>) -> Result<Option<u64>, decode::Error>,
    ) -> Result<Option<u64>, Refused> {
        read(&mut self.decoder).map_err(|error| self.told(&error))
    }

    fn record(&mut self) -> Result<Record<'b>, Refused> {
        self.label = "";
        if !matches!(self.kind()?, Type::Map | Type::MapIndef) {
            return Err(self.wrong_type("a SenML record, a map"));
        }
        let mut items = Items(self.length(Decoder::map)?);
        let mut record = Record::default();
        let mut unknown = BTreeSet::new();
        while items.another(self)? {
            self.label = "";
            let label = match self.kind()? {
                Type::String => {
                    let key = self.text()?;
                    self.not_understood(&key)?;
                    if !unknown.insert(key.clone()) {
                        return Err(duplicate(&key));
                    }
                    self.pass_over(2)?;
                    continue;
                }
                kind if is_whole(kind) => self.whole()?,
                _ => return Err(self.wrong_type("a label, a whole number or a text")),
            };
            // Table 4 is closed: extensions have text labels.
            let Some((label, text)) = Label::of_number(label) else {
                return Err(malformed(&format!("{label} is not a label ({})", self.place())));
            };
            self.label = text;
            if !record.mark(label) {
                return Err(duplicate(text));
            }
            record.read(label, self)?;
        }
        Ok(record)
    }

    /// Section 12.3.1: what is not understood is passed over, unless its label ends with
    /// `_`. A label of table 4 as a text would be lost in silence, so it is refused.
    fn not_understood(&self, key: &str) -> Result<(), Refused> {
        if key.ends_with('_') {
            return Err(malformed(&format!("`{}` must be understood and is not", shown(key))));
        }
        match Label::of_text(key) {
            None => Ok(()),
            Some(label) => Err(malformed(&format!(
                "`{key}` is written as the number {} in CBOR ({})",
                label.number(),
                self.place()
            ))),
        }
    }

    /// Passes over a value that is not understood, its keys each once, its nesting bounded.
    fn pass_over(&mut self, depth: usize) -> Result<(), Refused> {
        let kind = self.kind()?;
        let is_nested =
            matches!(kind, Type::Array | Type::ArrayIndef | Type::Map | Type::MapIndef | Type::Tag);
        if is_nested && depth >= DEEPEST {
            let why = format!("nested more than {DEEPEST} deep");
            return Err(Refused::new(Refusal::Nesting, why));
        }
        match kind {
            Type::Tag => {
                self.tag()?;
                self.pass_over(depth + 1)
            }
            Type::Array | Type::ArrayIndef => {
                let mut items = Items(self.length(Decoder::array)?);
                while items.another(self)? {
                    self.pass_over(depth + 1)?;
                }
                Ok(())
            }
            Type::Map | Type::MapIndef => {
                let mut items = Items(self.length(Decoder::map)?);
                let mut keys = BTreeSet::new();
                while items.another(self)? {
                    let begin = self.decoder.position();
                    self.pass_over(depth + 1)?;
                    let end = self.decoder.position();
                    let key = self.decoder.input().get(begin..end).unwrap_or_default();
                    if !keys.insert(key) {
                        let why = format!("a key stands twice (byte {})", begin + 1);
                        return Err(Refused::new(Refusal::DuplicateKey, why));
                    }
                    self.pass_over(depth + 1)?;
                }
                Ok(())
            }
            Type::Break => {
                Err(malformed(&format!("a break in the wrong place ({})", self.place())))
            }
            // A single value, or a text or bytes in pieces.
            _ => self.decoder.skip().map_err(|error| self.told(&error)),
        }
    }

    fn place(&self) -> String {
        format!("byte {}", self.decoder.position() + 1)
    }

    fn wrong_type(&self, wanted: &str) -> Refused {
        let detail = match self.label {
            "" => format!("expected {wanted} ({})", self.place()),
            label => format!("`{label}`: expected {wanted} ({})", self.place()),
        };
        Refused::new(Refusal::WrongType, detail)
    }

    fn told(&self, error: &decode::Error) -> Refused {
        let what = if error.is_end_of_input() {
            "the CBOR ends before it is complete"
        } else {
            "not CBOR"
        };
        malformed(&format!("{what} ({})", self.place()))
    }
}

fn duplicate(key: &str) -> Refused {
    Refused::new(Refusal::DuplicateKey, format!("`{}` stands twice", shown(key)))
}

fn malformed(why: &str) -> Refused {
    Refused::new(Refusal::Malformed, why)
}
