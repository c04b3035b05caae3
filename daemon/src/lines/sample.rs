//! Samples and everything else of the log as input lines of `replay`.
//!
//! A sample's line has `time` only if its sender stated one, and exactly that one: a
//! sender that gave none must not gain an identity by export. `age` (seconds before
//! `received`) stands for a time stated relative to the arrival. `early` is true where
//! the sample came so soon after its session began that it may be one of a burst.

use history::{Entry, Names, Record};
use observation::reading::decimal_text;
use observation::{Message, Property, SourceIndex, Stated, StationIndex, Time, Value};
use std::io::Write as _;

fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

/// Whose lines are wanted.
#[derive(Clone, Debug, Default)]
pub struct Wanted<'a> {
    /// Only this station's samples, notes and observations.
    pub station: Option<&'a str>,
    /// Only channels that feed an instrument of this quantity.
    pub quantity: Option<observation::Quantity>,
    /// Where it is given, channels are looked up here.
    pub property: Option<&'a Property>,
}

impl Wanted<'_> {
    fn station(&self, id: Option<&str>) -> bool {
        self.station.is_none_or(|wanted| id == Some(wanted))
    }

    fn channel(&self, station: &str, name: &str) -> bool {
        let (Some(quantity), Some(property)) = (self.quantity, self.property) else { return true };
        property
            .station(station)
            .and_then(|s| property.channel(s, name))
            .is_some_and(|c| property.instruments_of(c).any(|(_, i)| i.quantity == quantity))
    }
}

/// Appends the lines of one record; how many.
pub fn record(names: &Names, record: &Record, wanted: &Wanted<'_>, out: &mut Vec<u8>) -> u64 {
    match &record.entry {
        Entry::Batch { messages, .. } => {
            messages.iter().map(|m| message(names, m, wanted, out)).sum()
        }
        Entry::Note(note) => {
            if !wanted.station(note.station.as_deref()) {
                return 0;
            }
            let text = |t: &Option<String>| t.as_deref().map_or("null".to_owned(), quoted);
            let _ = writeln!(
                out,
                "{{\"time\":\"{}\",\"station\":{},\"instrument\":{},\"note\":{},\"from\":\"{}\",\"to\":{},\"text\":{},\"received\":\"{}\"}}",
                record.received,
                text(&note.station),
                text(&note.instrument),
                quoted(&note.kind),
                note.from,
                note.to.map_or("null".to_owned(), |t| format!("\"{t}\"")),
                quoted(&note.text),
                record.received
            );
            1
        }
        Entry::Observation(seen) => {
            if !wanted.station(Some(&seen.station)) {
                return 0;
            }
            let _ = writeln!(
                out,
                "{{\"time\":\"{}\",\"station\":{},\"observe\":{},\"value\":{},\"unit\":{},\"received\":\"{}\"}}",
                seen.time,
                quoted(&seen.station),
                quoted(seen.quantity.name()),
                seen.value.get(),
                quoted(&seen.unit),
                record.received
            );
            1
        }
        Entry::ClockStep(step) => {
            clock_step(step.old, step.new, out);
            1
        }
        Entry::Epoch(_) | Entry::Revised(_) | Entry::Diagnoses(_) | Entry::Registered => 0,
    }
}

/// Appends the line of a step of the clock.
pub fn clock_step(old: Time, new: Time, out: &mut Vec<u8>) {
    let _ = writeln!(out, "{{\"received\":\"{old}\",\"clock_step\":\"{new}\"}}");
}

/// Appends the last line: the instant up to which boundaries were walked.
pub fn end(walked: Time, out: &mut Vec<u8>) {
    let _ = writeln!(out, "{{\"received\":\"{walked}\"}}");
}

fn message(names: &Names, message: &Message, wanted: &Wanted<'_>, out: &mut Vec<u8>) -> u64 {
    let station = name_of(names, message.station);
    if !wanted.station(station) {
        return 0;
    }
    let mut tail: Vec<u8> = Vec::new();
    // Writing to a vector does not fail.
    let _ = write!(tail, ",\"received\":\"{}\"", message.received);
    if let Some(boot) = &message.boot {
        let _ = write!(tail, ",\"boot\":{}", quoted(boot));
    }
    if let Some(sequence) = message.sequence {
        let _ = write!(tail, ",\"sequence\":{sequence}");
    }
    if let Some(source) = source_of(names, message.source) {
        let _ = write!(tail, ",\"source\":{}", quoted(source));
    }
    if message.early {
        tail.extend_from_slice(b",\"early\":true");
    }
    let mut count = 0;
    for sample in &message.samples {
        let Some(channel) = names.channel(sample.channel) else { continue };
        if !wanted.channel(&channel.station, &channel.name) {
            continue;
        }
        out.push(b'{');
        match sample.stated {
            Stated::At(time) => {
                let _ = write!(out, "\"time\":\"{time}\",");
            }
            Stated::Relative(milliseconds) => {
                let age = decimal_text(milliseconds.saturating_neg(), 3);
                let _ = write!(out, "\"age\":{age},");
            }
            Stated::Nothing | Stated::Unplaceable => {}
        }
        let _ = write!(
            out,
            "\"station\":{},\"channel\":{},\"value\":",
            quoted(&channel.station),
            quoted(&channel.name)
        );
        match &sample.value {
            // The shortest text that reads back as the same number.
            Value::Number(number) => {
                let _ = write!(out, "{}", number_text(number.get()));
            }
            Value::Text(text) => out.extend_from_slice(quoted(text).as_bytes()),
        }
        out.extend_from_slice(&tail);
        out.extend_from_slice(b"}\n");
        count += 1;
    }
    count
}

fn number_text(number: f64) -> String {
    // Whole numbers without a fraction, as counters are written.
    if number.fract() == 0.0 && number.abs() < 9.0e15 {
        format!("{number:.0}")
    } else {
        serde_json::Number::from_f64(number).map_or_else(|| "null".to_owned(), |n| n.to_string())
    }
}

fn name_of(names: &Names, station: StationIndex) -> Option<&str> {
    names.station(station)
}

fn source_of(names: &Names, source: SourceIndex) -> Option<&str> {
    names.source(source)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_print_as_what_reads_back_the_same() {
        for number in [0.0, 17.3, -0.1, 4_294_967_295.0, 1e22, 5e-324, 0.1 + 0.2] {
            let text = number_text(number);
            assert_eq!(text.parse::<f64>().ok(), Some(number), "{text}");
        }
        assert_eq!(number_text(65_535.0), "65535");
    }
}
