//! Single values of a pack in CBOR, each of the type that its label asks for.

use super::{DECIMAL_FRACTION, Pack};
use crate::payload::Refused;
use crate::payload::senml::fields::{Number, Values};
use minicbor::Decoder;
use minicbor::data::Type;
use observation::Refusal;
use std::borrow::Cow;

impl Pack<'_> {
    pub(super) fn whole(&mut self) -> Result<i128, Refused> {
        self.decoder.int().map(i128::from).map_err(|error| self.told(&error))
    }

    /// Exponent and mantissa become the double that is nearest to them.
    fn decimal_fraction(&mut self) -> Result<f64, Refused> {
        const WANTED: &str = "a decimal fraction, an array of exponent and mantissa";
        if self.tag()? != DECIMAL_FRACTION {
            return Err(self.wrong_type("a number"));
        }
        if self.kind()? != Type::Array || self.length(Decoder::array)? != Some(2) {
            return Err(self.wrong_type(WANTED));
        }
        if !is_whole(self.kind()?) {
            return Err(self.wrong_type(WANTED));
        }
        let exponent = self.whole()?;
        if !is_whole(self.kind()?) {
            return Err(self.wrong_type(WANTED));
        }
        let mantissa = self.whole()?;
        // Decimal text is the one way that rounds once.
        format!("{mantissa}e{exponent}").parse().map_err(|_| self.wrong_type(WANTED))
    }
}

impl<'b> Values<'b> for Pack<'b> {
    type Error = Refused;

    fn text(&mut self) -> Result<Cow<'b, str>, Refused> {
        if self.kind()? != Type::String {
            return Err(self.wrong_type("a text of definite length"));
        }
        self.decoder.str().map(Cow::Borrowed).map_err(|error| self.told(&error))
    }

    fn number(&mut self) -> Result<Number, Refused> {
        let number = match self.kind()? {
            Type::U8 | Type::U16 | Type::U32 | Type::U64 => {
                return self.decoder.u64().map(Number::Whole).map_err(|error| self.told(&error));
            }
            kind if is_whole(kind) => self.whole()? as f64,
            Type::F16 | Type::F32 | Type::F64 => {
                self.decoder.f64().map_err(|error| self.told(&error))?
            }
            Type::Tag => self.decimal_fraction()?,
            _ => return Err(self.wrong_type("a number")),
        };
        if !number.is_finite() {
            let detail = format!("`{}` is not a finite number", self.label);
            return Err(Refused::new(Refusal::NotFinite, detail));
        }
        Ok(Number::Other(number))
    }

    fn version(&mut self) -> Result<u64, Refused> {
        match self.kind()? {
            Type::U8 | Type::U16 | Type::U32 | Type::U64 => {
                self.decoder.u64().map_err(|error| self.told(&error))
            }
            _ => Err(self.wrong_type("a positive whole number")),
        }
    }

    fn flag(&mut self) -> Result<bool, Refused> {
        if self.kind()? != Type::Bool {
            return Err(self.wrong_type("true or false"));
        }
        self.decoder.bool().map_err(|error| self.told(&error))
    }

    fn bytes(&mut self) -> Result<Cow<'b, [u8]>, Refused> {
        if self.kind()? != Type::Bytes {
            return Err(self.wrong_type("bytes of definite length"));
        }
        self.decoder.bytes().map(Cow::Borrowed).map_err(|error| self.told(&error))
    }
}

pub(super) const fn is_whole(kind: Type) -> bool {
    matches!(
        kind,
        Type::U8
            | Type::U16
            | Type::U32
            | Type::U64
            | Type::I8
            | Type::I16
            | Type::I32
            | Type::I64
            | Type::Int
    )
}
