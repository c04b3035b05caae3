//! Value types for the tables of adapters: texts with a unit, decoded by serde.

use observation::Span;
use serde::de::{Deserialize, Deserializer, Error as _};

/// A span of time written as `"30 s"`, `"10 min"` or ISO 8601 `"PT10M"`; not negative.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Lapse(pub Span);

impl Lapse {
    /// The same as a standard duration.
    pub fn duration(self) -> std::time::Duration {
        std::time::Duration::from_millis(self.0.0.unsigned_abs())
    }
}

impl<'de> Deserialize<'de> for Lapse {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = deserializer.deserialize_str(Text("a span of time such as \"30 s\""))?;
        let span = Span::parse(&text).map_err(D::Error::custom)?;
        if span.0 < 0 {
            return Err(D::Error::custom(format!("`{text}` is negative")));
        }
        Ok(Self(span))
    }
}

/// A text, and what is expected of it.
struct Text(&'static str);

impl serde::de::Visitor<'_> for Text {
    type Value = String;

    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.0)
    }

    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<String, E> {
        Ok(text.to_owned())
    }
}

/// A number of bytes written as `"64 KiB"`, `"4 kB"`, `"1 MiB"` or `"512 B"`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Bytes(pub u64);

impl<'de> Deserialize<'de> for Bytes {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = deserializer.deserialize_str(Text("a size such as \"64 KiB\""))?;
        parse_bytes(&text).map(Self).ok_or_else(|| {
            D::Error::custom(format!(
                "`{text}` is not a size; write it like \"64 KiB\" or \"4 MB\""
            ))
        })
    }
}

fn parse_bytes(text: &str) -> Option<u64> {
    let text = text.trim();
    let split = text.find(|c: char| c.is_ascii_alphabetic())?;
    let (number, unit) = text.split_at(split);
    let unit: u64 = match unit {
        "B" => 1,
        "kB" => 1_000,
        "KiB" => 1 << 10,
        "MB" => 1_000_000,
        "MiB" => 1 << 20,
        "GB" => 1_000_000_000,
        "GiB" => 1 << 30,
        _ => return None,
    };
    number.trim().parse::<u64>().ok()?.checked_mul(unit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_need_a_unit_and_must_fit() {
        for (text, bytes) in [
            ("64 KiB", Some(65_536)),
            ("4kB", Some(4_000)),
            ("0 B", Some(0)),
            ("1 MiB", Some(1 << 20)),
        ] {
            assert_eq!(parse_bytes(text), bytes, "{text}");
        }
        for bad in [
            "64",
            "",
            "KiB",
            "-1 B",
            "1.5 MB",
            "1 kiB",
            "99999999999999999999 B",
            "18446744073709551615 KiB",
        ] {
            assert_eq!(parse_bytes(bad), None, "{bad}");
        }
    }
}
