//! Values with a meaning: measures with their units, spans, dates, zones, addresses.

use crate::reader::Item;
use jiff::tz::TimeZone;
use observation::unit::Measure;
use observation::{Span, Time, Unit};
use std::net::SocketAddr;
use toml::de::DeValue;

/// Whether a measure stands on its scale or is a difference of two values.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Scale {
    /// 20 Cel is 293.15 K.
    Point,
    /// 1 Cel is 1 K.
    Difference,
}

/// From when on, where the settings give no date: the first day of the calendar.
pub(crate) const EVER: Time = Time(-62_135_596_800_000);

impl Item<'_> {
    /// A measure such as `"1.5 m"` in `unit`.
    pub(crate) fn measure(&self, unit: &str, scale: Scale, example: &str) -> Option<f64> {
        let DeValue::String(text) = self.value else {
            if let DeValue::Integer(_) | DeValue::Float(_) = self.value {
                let number = self.number(example)?;
                self.fault(
                    &format!("`{}` needs a unit", self.key),
                    &format!("write {} = \"{number} {unit}\", if that is the unit", self.key),
                );
                return None;
            }
            return self.wanted("a measure with its unit", &format!("\"{example}\""));
        };
        let value = Measure::parse(text).and_then(|measure| {
            let unit = Unit::parse(unit)?;
            match scale {
                Scale::Point => measure.to(&unit),
                Scale::Difference => measure.difference_to(&unit),
            }
        });
        match value {
            Ok(value) if value.is_finite() => Some(value),
            Ok(_) => {
                self.fault(&format!("`{}` is too large", self.key), "");
                None
            }
            Err(why) => {
                self.fault(&why.to_string(), &format!("write {} = \"{example}\"", self.key));
                None
            }
        }
    }

    /// A measure within limits, both included.
    pub(crate) fn measure_within(
        &self,
        unit: &str,
        scale: Scale,
        (least, most): (f64, f64),
        example: &str,
    ) -> Option<f64> {
        let value = self.measure(unit, scale, example)?;
        if (least..=most).contains(&value) {
            return Some(value);
        }
        let message = format!("`{}` is from {least} to {most} {unit}, not {value}", self.key);
        self.fault(&message, &format!("write {} = \"{example}\"", self.key));
        None
    }

    /// An angle in degrees: a bare number, or a measure; within limits.
    pub(crate) fn degrees(&self, limits: (f64, f64), example: &str) -> Option<f64> {
        if let DeValue::String(_) = self.value {
            return self.measure_within("deg", Scale::Point, limits, &format!("{example} deg"));
        }
        let value = self.number(example)?;
        if (limits.0..=limits.1).contains(&value) {
            return Some(value);
        }
        let message = format!("`{}` is from {} to {} degrees", self.key, limits.0, limits.1);
        self.fault(&message, &format!("write {} = {example}", self.key));
        None
    }

    /// A range such as `"-30..45 Cel"` in `unit`, the lower end first.
    pub(crate) fn measure_range(&self, unit: &str, example: &str) -> Option<(f64, f64)> {
        let form = format!("write {} = \"{example}\"", self.key);
        let text = self.text()?;
        let Some((low, high)) = text.split_once("..") else {
            self.fault(&format!("`{}` is a range", self.key), &form);
            return None;
        };
        let parsed = Measure::parse(high).and_then(|high| {
            let low = match low.trim().parse::<f64>() {
                Ok(value) if value.is_finite() => Measure { value, unit: high.unit.clone() },
                _ => Measure::parse(low)?,
            };
            let unit = Unit::parse(unit)?;
            Ok((low.to(&unit)?, high.to(&unit)?))
        });
        match parsed {
            Ok((low, high)) if low < high => Some((low, high)),
            Ok(_) => {
                self.fault(&format!("`{}` begins with its lower end", self.key), &form);
                None
            }
            Err(why) => {
                self.fault(&why.to_string(), &form);
                None
            }
        }
    }

    /// A span of time within limits, both included.
    pub(crate) fn span_within(&self, least: Span, most: Span, example: &str) -> Option<Span> {
        let form = format!("write {} = \"{example}\"", self.key);
        let DeValue::String(text) = self.value else {
            if let DeValue::Integer(_) | DeValue::Float(_) = self.value {
                self.fault(&format!("`{}` needs a unit of time", self.key), &form);
                return None;
            }
            return self.wanted("a span of time", &format!("\"{example}\""));
        };
        match Span::parse(text) {
            Ok(span) if (least..=most).contains(&span) => Some(span),
            Ok(_) => {
                let limits =
                    format!("`{}` is from {} to {}", self.key, spelled(least), spelled(most));
                self.fault(&limits, &form);
                None
            }
            Err(why) => {
                self.fault(&why.to_string(), &form);
                None
            }
        }
    }

    /// A number of bytes, at least 16 MB, such as `"4 GB"`.
    pub(crate) fn bytes(&self, example: &str) -> Option<u64> {
        const LEAST: u64 = 16_000_000;
        let form = format!("write {} = \"{example}\"", self.key);
        let text = self.text()?;
        let digits = text.trim_end_matches(|c: char| c.is_ascii_alphabetic()).trim_end();
        let unit = text.get(digits.len()..).unwrap_or_default().trim();
        let factor = match unit {
            "MB" => Some(1_000_000_u64),
            "GB" => Some(1_000_000_000),
            _ => None,
        };
        let bytes = digits.parse::<u64>().ok().zip(factor).and_then(|(n, f)| n.checked_mul(f));
        match bytes {
            Some(bytes) if bytes >= LEAST => Some(bytes),
            Some(_) => {
                self.fault(&format!("`{}` is at least 16 MB", self.key), &form);
                None
            }
            None => {
                self.fault(&format!("`{}` is a whole number of MB or GB", self.key), &form);
                None
            }
        }
    }

    /// The name of a time zone that this system knows.
    pub(crate) fn zone(&self) -> Option<(String, TimeZone)> {
        let name = self.text()?;
        if let Ok(zone) = TimeZone::get(name) {
            return Some((zone.iana_name().unwrap_or(name).to_owned(), zone));
        }
        self.fault(
            &format!("the time zone `{name}` is not known to this system"),
            "write an IANA name such as \"Europe/London\" or \"UTC\"; the package tzdata must be installed",
        );
        None
    }

    /// A date, which means its first moment in `zone`, or an instant with `Z` or offset.
    pub(crate) fn moment(&self, zone: &TimeZone) -> Option<Time> {
        const FORM: &str =
            "write a date such as \"2026-03-01\" or an instant such as \"2026-03-01T06:00:00Z\"";
        let text = match self.value {
            DeValue::String(text) => text.trim().to_owned(),
            DeValue::Datetime(written) => written.to_string(),
            _ => return self.wanted("a date", "\"2026-03-01\""),
        };
        if let Ok(time) = Time::parse(&text) {
            return Some(time);
        }
        let bare = text.len() == 10 && !text.contains(['T', 't', ' ', ':']);
        let date = text.parse::<jiff::civil::Date>().ok().filter(|_| bare);
        let start = date.and_then(|date| date.to_zoned_datetime(zone.clone()).ok());
        if let Some(start) = start {
            return Some(Time(start.timestamp().as_millisecond()));
        }
        let why = if text.parse::<jiff::civil::DateTime>().is_ok() {
            "has no offset from UTC"
        } else {
            "is no date"
        };
        self.fault(&format!("`{} = {text}` {why}", self.key), FORM);
        None
    }

    /// An address and port to listen on.
    pub(crate) fn address(&self, example: &str) -> Option<SocketAddr> {
        let text = self.text()?;
        let parsed = text.parse().ok();
        if parsed.is_none() {
            self.fault(
                &format!("`{text}` is no address with a port"),
                &format!("write {} = \"{example}\"", self.key),
            );
        }
        parsed
    }
}

/// A span as people write it.
fn spelled(span: Span) -> String {
    for (unit, length) in [
        ("d", Span::days(1)),
        ("h", Span::hours(1)),
        ("min", Span::minutes(1)),
        ("s", Span::seconds(1)),
    ] {
        if span.0 != 0 && span.0 % length.0 == 0 {
            return format!("{} {unit}", span.0 / length.0);
        }
    }
    if span.0 == 0 { "0 s".to_owned() } else { format!("{} ms", span.0) }
}
