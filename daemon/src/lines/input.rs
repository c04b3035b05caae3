//! Input lines of `replay`: samples, SenML packs, notes, observations, steps of the
//! clock and the instant at the end.
//!
//! A line is understood whole or not at all. Keys that are not known are passed over;
//! a known key that stands twice or holds the wrong type voids the line.

use observation::{ChannelIndex, Finite, Property, Quantity, StationIndex, Time, Value};
use serde::Deserialize;
use serde::de::{self, Deserializer, Visitor};
use std::borrow::Cow;
use std::fmt;

/// Longest line, in bytes.
pub const LONGEST_LINE: usize = 1 << 20;

/// A line as understood; names are not looked up yet.
#[derive(Clone, Debug, PartialEq)]
pub enum Line<'a> {
    /// One sample.
    Sample(SampleLine<'a>),
    /// A SenML pack.
    Pack(&'a str),
    /// A note.
    Note {
        /// When it was written down.
        received: Time,
        /// The note.
        note: history::Note,
    },
    /// An observation.
    Observation {
        /// When it was written down.
        received: Time,
        /// The observation.
        observation: history::Observation,
    },
    /// A step of the server's clock.
    ClockStep {
        /// The old clock.
        old: Time,
        /// The new one.
        new: Time,
    },
    /// The instant up to which boundaries were walked.
    End(Time),
}

/// One sample.
#[derive(Clone, Debug, PartialEq)]
pub struct SampleLine<'a> {
    /// Station identifier.
    pub station: Cow<'a, str>,
    /// Channel name.
    pub channel: Cow<'a, str>,
    /// The raw value.
    pub value: Value,
    /// The sender's time.
    pub time: Option<Time>,
    /// Milliseconds before its arrival, where the sender said that instead.
    pub age: Option<i64>,
    /// When it was received.
    pub received: Option<Time>,
    /// The sender's run.
    pub boot: Option<Cow<'a, str>>,
    /// The sender's number.
    pub sequence: Option<u64>,
    /// The source it came through.
    pub source: Option<Cow<'a, str>>,
    /// Whether it came early in a session.
    pub early: bool,
}

impl SampleLine<'_> {
    /// The station and channel that it is of.
    ///
    /// # Errors
    /// The settings do not know them, or the channel takes numbers only; in words.
    pub fn place(&self, property: &Property) -> Result<(StationIndex, ChannelIndex), String> {
        let Some(station) = property.station(&self.station) else {
            return Err(format!("no station `{}` in the settings", self.station));
        };
        let Some(channel) = property.channel(station, &self.channel) else {
            return Err(format!("station `{}` has no channel `{}`", self.station, self.channel));
        };
        let accepts_text =
            property.channels.get(channel.0 as usize).is_some_and(|c| c.accepts_text);
        if matches!(self.value, Value::Text(_)) && !accepts_text {
            return Err(format!("channel `{}` takes numbers", self.channel));
        }
        Ok((station, channel))
    }
}

#[derive(Deserialize)]
struct Raw<'a> {
    #[serde(default)]
    time: Option<Instant>,
    #[serde(borrow, default)]
    station: Option<Cow<'a, str>>,
    #[serde(borrow, default)]
    channel: Option<Cow<'a, str>>,
    #[serde(default)]
    value: Option<Given>,
    #[serde(default)]
    age: Option<f64>,
    #[serde(default)]
    received: Option<Instant>,
    #[serde(borrow, default)]
    boot: Option<Cow<'a, str>>,
    #[serde(default)]
    sequence: Option<u64>,
    #[serde(borrow, default)]
    source: Option<Cow<'a, str>>,
    #[serde(default)]
    early: bool,
    #[serde(default)]
    clock_step: Option<Instant>,
    #[serde(borrow, default)]
    instrument: Option<Cow<'a, str>>,
    #[serde(borrow, default)]
    note: Option<Cow<'a, str>>,
    #[serde(default)]
    from: Option<Instant>,
    #[serde(default)]
    to: Option<Instant>,
    #[serde(borrow, default)]
    text: Option<Cow<'a, str>>,
    #[serde(borrow, default)]
    observe: Option<Cow<'a, str>>,
    #[serde(borrow, default)]
    unit: Option<Cow<'a, str>>,
}

/// RFC 3339, or a number of Unix seconds.
#[derive(Clone, Copy)]
struct Instant(Time);

impl<'de> Deserialize<'de> for Instant {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Reader;
        impl Visitor<'_> for Reader {
            type Value = Instant;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an RFC 3339 instant or Unix seconds")
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<Instant, E> {
                Time::parse(text).map(Instant).map_err(E::custom)
            }
            fn visit_f64<E: de::Error>(self, seconds: f64) -> Result<Instant, E> {
                Time::from_seconds(seconds)
                    .map(Instant)
                    .ok_or_else(|| E::custom("an instant outside the years 1 to 9999"))
            }
            fn visit_i64<E: de::Error>(self, seconds: i64) -> Result<Instant, E> {
                self.visit_f64(seconds as f64)
            }
            fn visit_u64<E: de::Error>(self, seconds: u64) -> Result<Instant, E> {
                self.visit_f64(seconds as f64)
            }
        }
        deserializer.deserialize_any(Reader)
    }
}

struct Given(Value);

impl<'de> Deserialize<'de> for Given {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Reader;
        impl Visitor<'_> for Reader {
            type Value = Given;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a number, a text, true or false")
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<Given, E> {
                Ok(Given(Value::Text(text.into())))
            }
            fn visit_f64<E: de::Error>(self, number: f64) -> Result<Given, E> {
                Finite::new(number)
                    .map(|n| Given(Value::Number(n)))
                    .ok_or_else(|| E::custom("not finite"))
            }
            fn visit_i64<E: de::Error>(self, number: i64) -> Result<Given, E> {
                self.visit_f64(number as f64)
            }
            fn visit_u64<E: de::Error>(self, number: u64) -> Result<Given, E> {
                self.visit_f64(number as f64)
            }
            fn visit_bool<E: de::Error>(self, state: bool) -> Result<Given, E> {
                self.visit_f64(f64::from(u8::from(state)))
            }
        }
        deserializer.deserialize_any(Reader)
    }
}

/// Understands one line; none for a blank one.
///
/// # Errors
/// What is wrong with it, in one line.
pub fn parse(line: &str) -> Result<Option<Line<'_>>, String> {
    let line = line.trim();
    if line.is_empty() {
        return Ok(None);
    }
    if line.starts_with('[') {
        return Ok(Some(Line::Pack(line)));
    }
    if !line.starts_with('{') {
        return Err("this is no JSON object".to_owned());
    }
    let raw: Raw<'_> = serde_json::from_str(line).map_err(|e| e.to_string())?;
    let (time, received) = (raw.time.map(|t| t.0), raw.received.map(|t| t.0));
    if let Some(new) = raw.clock_step {
        let old = received.ok_or("a clock step without `received`, the old clock")?;
        return Ok(Some(Line::ClockStep { old, new: new.0 }));
    }
    if let Some(kind) = raw.note {
        let received = received.or(time).ok_or("a note without `time`")?;
        let note = history::Note {
            station: raw.station.map(Cow::into_owned),
            instrument: raw.instrument.map(Cow::into_owned),
            kind: kind.into_owned(),
            from: raw.from.map(|t| t.0).or(time).unwrap_or(received),
            to: raw.to.map(|t| t.0),
            text: raw.text.map(Cow::into_owned).unwrap_or_default(),
        };
        return Ok(Some(Line::Note { received, note }));
    }
    if let Some(quantity) = raw.observe {
        let time = time.or(received).ok_or("an observation without `time`")?;
        let Some(Given(Value::Number(value))) = raw.value else {
            return Err("an observation without a number in `value`".to_owned());
        };
        let observation = history::Observation {
            station: raw.station.ok_or("an observation without `station`")?.into_owned(),
            time,
            quantity: Quantity::parse(&quantity).ok_or_else(|| {
                format!("`{}` is no quantity", adapters::payload::shown(&quantity))
            })?,
            value,
            unit: raw.unit.ok_or("an observation without `unit`")?.into_owned(),
        };
        return Ok(Some(Line::Observation { received: received.unwrap_or(time), observation }));
    }
    if raw.station.is_none() && raw.channel.is_none() && raw.value.is_none() {
        let received = received.ok_or("neither a sample nor `received`")?;
        return Ok(Some(Line::End(received)));
    }
    if time.is_none() && received.is_none() {
        return Err("a sample with neither `time` nor `received`".to_owned());
    }
    if raw.age.is_some() && time.is_some() {
        return Err("a sample with both `time` and `age`".to_owned());
    }
    let age = match raw.age {
        None => None,
        Some(seconds) if seconds.is_finite() && seconds.abs() < 1e11 => {
            Some((seconds * 1_000.0).round() as i64)
        }
        Some(_) => return Err("`age` is no believable number of seconds".to_owned()),
    };
    Ok(Some(Line::Sample(SampleLine {
        station: raw.station.ok_or("a sample without `station`")?,
        channel: raw.channel.ok_or("a sample without `channel`")?,
        value: raw.value.ok_or("a sample without `value`")?.0,
        time,
        age,
        received,
        boot: raw.boot,
        sequence: raw.sequence,
        source: raw.source,
        early: raw.early,
    })))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_of_line_is_told_from_the_others() {
        let time = Time::parse("2026-03-01T06:00:00Z").unwrap();
        let Some(Line::Sample(sample)) = parse(
            r#"{"time":"2026-03-01T06:00:00Z","station":"orchard","channel":"t","value":17.3,"boot":"b","sequence":4}"#,
        )
        .unwrap() else {
            panic!("a sample");
        };
        assert_eq!((sample.time, sample.received), (Some(time), None));
        assert_eq!(sample.value, Value::Number(Finite::new(17.3).unwrap()));
        assert_eq!((sample.boot.as_deref(), sample.sequence), (Some("b"), Some(4)));
        assert_eq!(parse(r#"{"received":"2026-03-01T06:00:00Z"}"#).unwrap(), Some(Line::End(time)));
        assert_eq!(
            parse(r#"{"received":"2026-03-01T06:00:00Z","clock_step":"2026-03-01T05:00:00Z"}"#)
                .unwrap(),
            Some(Line::ClockStep { old: time, new: Time::parse("2026-03-01T05:00:00Z").unwrap() })
        );
        assert!(matches!(parse(r#" [{"n":"a/b","v":1}] "#).unwrap(), Some(Line::Pack(_))));
        assert!(matches!(
            parse(r#"{"time":"2026-03-01T06:00:00Z","station":"orchard","instrument":"gauge","note":"cleaned"}"#)
                .unwrap(),
            Some(Line::Note { received, .. }) if received == time
        ));
        assert!(matches!(
            parse(r#"{"time":"2026-03-01T06:00:00Z","station":"orchard","observe":"air_temperature","value":4,"unit":"Cel"}"#)
                .unwrap(),
            Some(Line::Observation { .. })
        ));
        assert_eq!(parse("  ").unwrap(), None);
    }

    #[test]
    fn a_line_that_is_half_understood_is_not_understood() {
        for bad in [
            "{",
            "17.3",
            r#"{"station":"orchard","channel":"t","value":1}"#,
            r#"{"time":"yesterday","station":"orchard","channel":"t","value":1}"#,
            r#"{"time":"2026-03-01T06:00:00Z","station":"orchard","channel":"t"}"#,
            r#"{"time":"2026-03-01T06:00:00Z","station":"orchard","channel":"t","value":1e999}"#,
            r#"{"time":"2026-03-01T06:00:00Z","station":"orchard","channel":"t","value":[1]}"#,
            r#"{"time":"2026-03-01T06:00:00Z","station":"orchard","channel":"t","value":1,"value":2}"#,
            r#"{"time":"2026-03-01T06:00:00Z","station":"orchard","channel":"t","value":1,"sequence":-1}"#,
            r#"{"clock_step":"2026-03-01T06:00:00Z"}"#,
            "{}",
        ] {
            assert!(parse(bad).is_err(), "{bad}");
        }
    }
}
