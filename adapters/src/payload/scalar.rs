//! One value as a payload writes it, and the strict grammar of numbers in text.

use super::limits::LONGEST_WORD;
use super::refused::{Refused, shown};
use observation::property::Channel;
use observation::{Finite, Refusal, Unit, Value};
use std::borrow::Cow;

/// One value as it stands in a payload.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Scalar<'a> {
    /// A gap.
    Null,
    /// A contact.
    Bool(bool),
    /// A whole number.
    Unsigned(u64),
    /// A negative whole number.
    Signed(i64),
    /// Any other number.
    Float(f64),
    /// A string in a format that tells strings and numbers apart.
    Text(Cow<'a, str>),
    /// A value in a format without types: a number if it reads as one.
    Untyped(Cow<'a, str>),
    /// An array or an object.
    Nested,
}

impl<'a> Scalar<'a> {
    /// From a JSON value; `untyped` where its strings come from a format without types.
    pub(super) fn of_json(value: &'a serde_json::Value, untyped: bool) -> Self {
        match value {
            serde_json::Value::Null => Self::Null,
            serde_json::Value::Bool(b) => Self::Bool(*b),
            serde_json::Value::Number(n) => match (n.as_u64(), n.as_i64(), n.as_f64()) {
                (Some(n), _, _) => Self::Unsigned(n),
                (_, Some(n), _) => Self::Signed(n),
                (_, _, Some(n)) => Self::Float(n),
                _ => Self::Float(f64::NAN),
            },
            serde_json::Value::String(s) if untyped => Self::untyped(s),
            serde_json::Value::String(s) => Self::Text(Cow::Borrowed(s)),
            serde_json::Value::Array(_) | serde_json::Value::Object(_) => Self::Nested,
        }
    }

    /// From a format without types, where nothing at all is a gap.
    pub(super) fn untyped(text: &'a str) -> Self {
        let text = text.trim_matches(BLANKS);
        if text.is_empty() { Self::Null } else { Self::Untyped(Cow::Borrowed(text)) }
    }

    /// The number it is, if it is one.
    pub(super) fn number(&self) -> Option<f64> {
        match *self {
            Self::Unsigned(n) => Some(n as f64),
            Self::Signed(n) => Some(n as f64),
            Self::Float(n) => Some(n),
            _ => None,
        }
    }

    /// The value of a channel, converted from `unit` where one is given; none for a gap.
    pub(super) fn value(
        &self,
        channel: &Channel,
        unit: Option<&Unit>,
    ) -> Result<Option<Value>, Refused> {
        let number = match self {
            Self::Null => return Ok(None),
            Self::Bool(b) => return Ok(Some(Value::Number(contact(*b)))),
            Self::Text(word) => return word_value(word, channel).map(Some),
            Self::Untyped(text) => match number(text) {
                Ok(number) => number,
                Err(Refusal::Malformed) if channel.accepts_text => {
                    return word_value(text, channel).map(Some);
                }
                Err(reason) => {
                    return Err(Refused::new(
                        reason,
                        format!(
                            "`{}` of {} is not a finite decimal number",
                            shown(text),
                            channel.name
                        ),
                    ));
                }
            },
            Self::Nested => {
                return Err(Refused::new(
                    Refusal::WrongType,
                    format!("{} is an array or an object, not a single value", channel.name),
                ));
            }
            Self::Unsigned(_) | Self::Signed(_) | Self::Float(_) => {
                self.number().unwrap_or(f64::NAN)
            }
        };
        number_value(number, channel, unit).map(Some)
    }

    /// A sequence number; none for a gap.
    pub(super) fn sequence(&self) -> Result<Option<u64>, Refused> {
        /// Above this a floating-point number cannot tell whole numbers apart.
        const EXACT: f64 = 9_007_199_254_740_992.0;
        let found = match self {
            Self::Null => return Ok(None),
            Self::Unsigned(n) => Some(*n),
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // within range
            Self::Float(n) if *n >= 0.0 && *n <= EXACT && n.fract() == 0.0 => Some(*n as u64),
            Self::Untyped(text) if text.bytes().all(|b| b.is_ascii_digit()) => text.parse().ok(),
            _ => None,
        };
        found.map(Some).ok_or_else(|| {
            Refused::new(Refusal::WrongType, "`sequence` is not a whole number from 0 upwards")
        })
    }

    /// A boot identifier; none for a gap.
    pub(super) fn boot(&self) -> Result<Option<Cow<'_, str>>, Refused> {
        let word: Cow<'_, str> = match self {
            Self::Null => return Ok(None),
            Self::Unsigned(n) => Cow::Owned(n.to_string()),
            Self::Signed(n) => Cow::Owned(n.to_string()),
            Self::Text(word) | Self::Untyped(word) => Cow::Borrowed(word),
            Self::Float(_) | Self::Bool(_) | Self::Nested => {
                return Err(Refused::new(
                    Refusal::WrongType,
                    "`boot` is not a word or a whole number",
                ));
            }
        };
        check_word(&word, "boot")?;
        Ok(Some(word))
    }
}

const BLANKS: [char; 4] = [' ', '\t', '\r', '\n'];

/// 1 for a closed contact, 0 for an open one.
pub(super) fn contact(closed: bool) -> Finite {
    if closed { Finite::new(1.0).unwrap_or(Finite::ZERO) } else { Finite::ZERO }
}

/// A number as the value of a channel.
pub(super) fn number_value(
    number: f64,
    channel: &Channel,
    unit: Option<&Unit>,
) -> Result<Value, Refused> {
    let number = match unit {
        None => number,
        Some(unit) => unit.convert(number, &channel.unit).ok_or_else(|| {
            Refused::new(
                Refusal::Unit,
                format!(
                    "`{}` does not measure what {} is declared in (`{}`)",
                    shown(unit.code()),
                    channel.name,
                    channel.unit
                ),
            )
        })?,
    };
    Finite::new(number).map(Value::Number).ok_or_else(|| {
        Refused::new(Refusal::NotFinite, format!("{} is not a finite number", channel.name))
    })
}

/// A word as the value of a channel.
pub(super) fn word_value(word: &str, channel: &Channel) -> Result<Value, Refused> {
    if !channel.accepts_text {
        return Err(Refused::new(
            Refusal::WrongType,
            format!("{} takes a number, not the text `{}`", channel.name, shown(word)),
        ));
    }
    check_word(word, &channel.name)?;
    Ok(Value::Text(word.into()))
}

fn check_word(word: &str, name: &str) -> Result<(), Refused> {
    if word.is_empty() {
        return Err(Refused::new(Refusal::Malformed, format!("{name} is an empty text")));
    }
    if word.len() > LONGEST_WORD {
        return Err(Refused::new(
            Refusal::TooLong,
            format!("{name} is {} bytes long; at most {LONGEST_WORD} are taken", word.len()),
        ));
    }
    if word.chars().any(char::is_control) {
        return Err(Refused::new(Refusal::Malformed, format!("{name} holds a control character")));
    }
    Ok(())
}

/// Reads a decimal number: sign, digits with at most one point, exponent. No blanks, no
/// decimal comma, no hexadecimal, no grouping.
///
/// # Errors
/// `not_finite` for the words that mean infinity or "not a number" and for what is too
/// large; `malformed` for everything else.
pub(super) fn number(text: &str) -> Result<f64, Refusal> {
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    if ["nan", "inf", "infinity"].iter().any(|word| unsigned.eq_ignore_ascii_case(word)) {
        return Err(Refusal::NotFinite);
    }
    let allowed = |b: u8| b.is_ascii_digit() || matches!(b, b'.' | b'e' | b'E' | b'+' | b'-');
    if text.len() > 64 || !text.bytes().all(allowed) {
        return Err(Refusal::Malformed);
    }
    let value: f64 = text.parse().map_err(|_| Refusal::Malformed)?;
    if value.is_finite() { Ok(value) } else { Err(Refusal::NotFinite) }
}

#[cfg(test)]
mod tests {
    use super::number;
    use observation::Refusal;

    #[test]
    fn numbers_in_text_are_strictly_decimal() {
        for (text, value) in [
            ("21.5", 21.5),
            ("-0.25", -0.25),
            ("+7", 7.0),
            ("1e3", 1_000.0),
            (".5", 0.5),
            ("5.", 5.0),
        ] {
            assert_eq!(number(text), Ok(value), "{text}");
        }
        for text in
            ["", "21,5", "1_000", "0x10", "1 2", "--1", "1e", ".", "-", "e5", "٣", "21.5C", "1.2.3"]
        {
            assert_eq!(number(text), Err(Refusal::Malformed), "{text}");
        }
        for text in ["NaN", "nan", "-NAN", "inf", "-Infinity", "1e999", "-1e400"] {
            assert_eq!(number(text), Err(Refusal::NotFinite), "{text}");
        }
    }
}
