//! Diagnoses as lines, and as rows of lists.
//!
//! The order of fields is part of the contract: `time`, `station`, `instrument`,
//! `diagnosis`, `state`, `since`, `size`, `confidence`, `evidence`. No field is ever left
//! out; `station`, `instrument` and `size` are `null` where there is none.

use history::{Look, ReadError};
use observation::Diagnosis;
use observation::diagnosis::Stage;
use quality::diagnosis::{Cause, SURE};
use serde::Serialize;
use std::collections::BTreeMap;

/// One line.
#[derive(Debug, Serialize)]
pub struct Line<'a> {
    time: String,
    station: Option<&'a str>,
    instrument: Option<&'a str>,
    diagnosis: &'a str,
    state: &'static str,
    since: String,
    size: Option<f64>,
    confidence: f64,
    evidence: Evidence<'a>,
}

#[derive(Debug, Serialize)]
struct Evidence<'a> {
    words: &'a str,
    /// UCUM code of the size.
    unit: Option<&'static str>,
    /// Where to see it.
    from: String,
    to: String,
    numbers: BTreeMap<&'a str, f64>,
}

impl<'a> From<&'a Diagnosis> for Line<'a> {
    fn from(said: &'a Diagnosis) -> Self {
        let unit = Cause::parse(&said.cause).map(Cause::unit).filter(|unit| !unit.is_empty());
        let numbers = said.evidence.numbers.iter().map(|(name, n)| (name.as_str(), *n)).collect();
        Self {
            time: said.time.to_string(),
            station: said.station.as_deref(),
            instrument: said.instrument.as_deref(),
            diagnosis: &said.cause,
            state: said.stage.word(),
            since: said.since.to_string(),
            size: said.size,
            confidence: said.confidence,
            evidence: Evidence {
                words: &said.evidence.words,
                unit,
                from: said.evidence.from.to_string(),
                to: said.evidence.to.to_string(),
                numbers,
            },
        }
    }
}

/// One row of a list of what is open: the line, and what a person needs with it.
#[derive(Debug, Serialize)]
pub struct Row<'a> {
    #[serde(flatten)]
    line: Line<'a>,
    group: &'static str,
    /// Whether it is sure enough to be told at once.
    notice: bool,
    about: &'static str,
    /// To be read before the remedy.
    cautions: &'static str,
    remedy: &'static str,
}

impl<'a> From<&'a Diagnosis> for Row<'a> {
    fn from(said: &'a Diagnosis) -> Self {
        let cause = Cause::parse(&said.cause).unwrap_or(Cause::Disagreement);
        Self {
            line: Line::from(said),
            group: cause.group().word(),
            notice: said.confidence >= SURE,
            about: cause.about(),
            cautions: cause.cautions(),
            remedy: cause.remedy(),
        }
    }
}

/// Appends a diagnosis as one line.
pub fn json(said: &Diagnosis, out: &mut Vec<u8>) {
    // Strings and finite numbers always have a JSON form.
    if serde_json::to_writer(&mut *out, &Line::from(said)).is_ok() {
        out.push(b'\n');
    }
}

/// What is open at the end of a log.
///
/// # Errors
/// When the history cannot be read.
pub fn open(look: Look<'_>) -> Result<Vec<Diagnosis>, ReadError> {
    let mut open: Vec<Diagnosis> = Vec::new();
    look.each_diagnosis(&mut |said: &Diagnosis| {
        open.retain(|d| {
            d.cause != said.cause || d.station != said.station || d.instrument != said.instrument
        });
        if said.stage != Stage::Closed {
            open.push(said.clone());
        }
        Ok::<(), ReadError>(())
    })?;
    Ok(open)
}

#[cfg(test)]
mod tests {
    use super::*;
    use observation::Time;

    #[test]
    fn a_line_has_every_field_in_the_order_of_the_contract() {
        let said = Diagnosis {
            time: Time(1_764_064_800_000),
            station: Some("ridge".into()),
            instrument: None,
            cause: "station_clock_wrong".into(),
            stage: Stage::Opened,
            since: Time(1_764_061_200_000),
            size: Some(1.0),
            confidence: 0.93,
            evidence: observation::Evidence {
                words: "late".into(),
                numbers: vec![("score".into(), 12.5)],
                from: Time(0),
                to: Time(1_000),
            },
        };
        let mut out = Vec::new();
        json(&said, &mut out);
        assert_eq!(
            String::from_utf8_lossy(&out),
            "{\"time\":\"2025-11-25T10:00:00Z\",\"station\":\"ridge\",\"instrument\":null,\
             \"diagnosis\":\"station_clock_wrong\",\"state\":\"opened\",\
             \"since\":\"2025-11-25T09:00:00Z\",\"size\":1.0,\"confidence\":0.93,\
             \"evidence\":{\"words\":\"late\",\"unit\":\"h\",\"from\":\"1970-01-01T00:00:00Z\",\
             \"to\":\"1970-01-01T00:00:01Z\",\"numbers\":{\"score\":12.5}}}\n"
        );
    }
}
