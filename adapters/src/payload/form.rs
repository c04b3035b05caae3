//! Query strings and `application/x-www-form-urlencoded` bodies (WHATWG URL standard,
//! section 5.1, read strictly: a broken escape voids the whole).

use super::gather::Gather;
use super::scalar::Scalar;
use super::{Decoded, LONGEST, Map, Reader, Refused, shown, text, within};
use observation::{Refusal, StationIndex};
use serde_json::Value;
use std::borrow::Cow;

impl Reader {
    /// Reads `name=value` pairs joined by `&`. An empty value is a gap.
    ///
    /// # Errors
    /// Whatever makes it void; the whole of it is refused.
    pub fn form(
        &self,
        station: StationIndex,
        map: Option<&Map>,
        bytes: &[u8],
    ) -> Result<Decoded, Refused> {
        self.pairs(station, map, bytes).map_err(|refused| refused.of(station))
    }

    fn pairs(
        &self,
        station: StationIndex,
        map: Option<&Map>,
        bytes: &[u8],
    ) -> Result<Decoded, Refused> {
        within(bytes, LONGEST)?;
        let pairs = text(bytes)?.split('&').filter(|pair| !pair.is_empty()).map(|pair| {
            let (name, value) = pair.split_once('=').ok_or_else(|| {
                Refused::new(
                    Refusal::Malformed,
                    format!("`{}` is not a `name=value` pair", shown(pair)),
                )
            })?;
            Ok((decoded(name)?, decoded(value)?))
        });
        let Some(map) = map else {
            let mut gather = Gather::new(self, station);
            for pair in pairs {
                let (name, value) = pair?;
                gather.named(&name, &Scalar::untyped(&value))?;
            }
            return Ok(gather.finish());
        };
        let mut document = serde_json::Map::new();
        for pair in pairs {
            let (name, value) = pair?;
            if document.contains_key(&*name) {
                return Err(Refused::new(
                    Refusal::DuplicateKey,
                    format!("`{}` stands twice", shown(&name)),
                ));
            }
            document.insert(name.into_owned(), Value::String(value.into_owned()));
        }
        map.read(self, &Value::Object(document), true)
    }
}

/// Undoes `+` for a blank and `%HH` for a byte.
fn decoded(text: &str) -> Result<Cow<'_, str>, Refused> {
    if !text.contains(['%', '+']) {
        return Ok(Cow::Borrowed(text));
    }
    let mut out = Vec::with_capacity(text.len());
    let mut bytes = text.bytes();
    while let Some(byte) = bytes.next() {
        out.push(match byte {
            b'+' => b' ',
            b'%' => {
                let digits = bytes.next().zip(bytes.next());
                let digit = |b: u8| char::from(b).to_digit(16);
                digits
                    .and_then(|(high, low)| Some(digit(high)? * 16 + digit(low)?))
                    .and_then(|value| u8::try_from(value).ok())
                    .ok_or_else(|| {
                        Refused::new(
                            Refusal::Malformed,
                            format!("`{}` holds a broken escape", shown(text)),
                        )
                    })?
            }
            byte => byte,
        });
    }
    String::from_utf8(out)
        .map(Cow::Owned)
        .map_err(|_| Refused::new(Refusal::Malformed, format!("`{}` is not UTF-8", shown(text))))
}
