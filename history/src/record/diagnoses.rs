//! What was said of instruments in one batch: a count, then of each the time, station?,
//! instrument?, cause, stage, since, size?, confidence, words, from, to, a count of
//! numbers and each one's name and value. Texts, times and optional parts are as in
//! `rare`; numbers are eight bytes, a double.

use super::bytes::{Garbage, Input, put, put_signed, put_text};
use super::rare::{maybe, put_maybe, string, time};
use observation::diagnosis::Stage;
use observation::{Diagnosis, Evidence, Finite};

fn put_number(out: &mut Vec<u8>, number: f64) {
    out.extend_from_slice(&number.to_le_bytes());
}

fn number(input: &mut Input<'_>) -> Result<f64, Garbage> {
    Finite::new(f64::from_le_bytes(input.array()?))
        .map(Finite::get)
        .ok_or(Garbage("not a finite number"))
}

/// Packs diagnoses. A number that is not finite is left out.
pub(super) fn put_diagnoses(out: &mut Vec<u8>, diagnoses: &[Diagnosis]) {
    put(out, diagnoses.len() as u64);
    for said in diagnoses {
        put_signed(out, said.time.0);
        put_maybe(out, said.station.as_deref(), put_text);
        put_maybe(out, said.instrument.as_deref(), put_text);
        put_text(out, &said.cause);
        put_text(out, said.stage.word());
        put_signed(out, said.since.0);
        put_maybe(out, said.size.filter(|size| size.is_finite()), put_number);
        put_number(out, if said.confidence.is_finite() { said.confidence } else { 0.0 });
        let Evidence { words, numbers, from, to } = &said.evidence;
        put_text(out, words);
        put_signed(out, from.0);
        put_signed(out, to.0);
        put(out, numbers.iter().filter(|(_, n)| n.is_finite()).count() as u64);
        for (name, value) in numbers.iter().filter(|(_, n)| n.is_finite()) {
            put_text(out, name);
            put_number(out, *value);
        }
    }
}

/// Reads diagnoses.
pub(super) fn diagnoses(input: &mut Input<'_>) -> Result<Vec<Diagnosis>, Garbage> {
    let mut all = Vec::new();
    for _ in 0..input.count()? {
        all.push(Diagnosis {
            time: time(input)?,
            station: maybe(input, string)?,
            instrument: maybe(input, string)?,
            cause: string(input)?,
            stage: Stage::parse(input.text()?).ok_or(Garbage("unknown stage"))?,
            since: time(input)?,
            size: maybe(input, number)?,
            confidence: number(input)?,
            evidence: evidence(input)?,
        });
    }
    Ok(all)
}

fn evidence(input: &mut Input<'_>) -> Result<Evidence, Garbage> {
    let words = string(input)?;
    let (from, to) = (time(input)?, time(input)?);
    let mut numbers = Vec::new();
    for _ in 0..input.count()? {
        numbers.push((string(input)?, number(input)?));
    }
    Ok(Evidence { words, numbers, from, to })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use observation::Time;

    #[test]
    fn diagnoses_come_back_and_cut_ones_are_garbage() {
        let one = Diagnosis {
            time: Time(5_000),
            station: Some("orchard".into()),
            instrument: None,
            cause: "station_clock_wrong".into(),
            stage: Stage::Changed,
            since: Time(-7),
            size: Some(1.0),
            confidence: 0.93,
            evidence: Evidence {
                words: "pressure fits better".into(),
                numbers: vec![("score".into(), 12.5)],
                from: Time(0),
                to: Time(9),
            },
        };
        let bare = Diagnosis { station: None, size: None, ..one.clone() };
        let mut out = Vec::new();
        put_diagnoses(&mut out, &[one.clone(), bare.clone()]);
        assert_eq!(diagnoses(&mut Input::new(&out)).unwrap(), [one, bare]);
        for end in 0..out.len() {
            assert!(diagnoses(&mut Input::new(&out[..end])).is_err(), "cut at {end}");
        }
    }
}
