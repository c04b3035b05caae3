//! NMEA 0183 sentences (IEC 61162-1): wind in MWV, the composite of a mast in MDA, named
//! transducers in XDR.
//!
//! An empty field is a gap, never a zero. A sentence of another type is another listener's
//! business and is passed over, and so is a transducer that the settings do not name: on
//! one cable several instruments may speak.

mod chosen;
mod composite;
mod transducers;
mod wind;

pub use chosen::{Chosen, Sentences, Transducer, Type};

use super::scalar::{Scalar, number};
use super::{Checksum, Decoded, LONGEST_LINE, Reader, Refused, shown, text, within};
use chosen::Field;
use observation::{ChannelIndex, Measured, Refusal, Stated, Unit};

impl Reader {
    /// Reads one sentence, without its line end. A sentence of another type, and MWV
    /// with status V (not valid), are messages without samples; so is a blank line.
    ///
    /// # Errors
    /// No or a wrong checksum, or fields that are not those of the sentence.
    pub fn nmea(&self, sentences: &Sentences, bytes: &[u8]) -> Result<Decoded, Refused> {
        self.sentence(sentences, bytes).map_err(|refused| refused.of(sentences.station))
    }

    fn sentence(&self, sentences: &Sentences, bytes: &[u8]) -> Result<Decoded, Refused> {
        within(bytes, LONGEST_LINE)?;
        let decoded =
            Decoded { station: sentences.station, boot: None, sequence: None, samples: Vec::new() };
        let line = bytes.trim_ascii();
        if line.is_empty() {
            return Ok(decoded);
        }
        if !line.starts_with(b"$") {
            return Err(malformed("the sentence does not begin with `$`"));
        }
        let body = text(Checksum::Xor.strip(line)?)?;
        let (address, fields) =
            body.split_once(',').ok_or_else(|| malformed("the sentence has no fields"))?;
        // Two letters for the talker, three for the sentence; `P` begins a maker's own.
        let kind = address.get(2..).filter(|_| !address.starts_with('P')).and_then(Type::of);
        let Some(kind) = kind.filter(|kind| sentences.takes(*kind)) else { return Ok(decoded) };
        let fields: Vec<&str> = fields.split(',').map(|field| field.trim_matches(' ')).collect();
        let mut sentence = Sentence { reader: self, sentences, decoded };
        match kind {
            Type::Mwv => sentence.wind(&fields)?,
            Type::Mda => sentence.composite(&fields)?,
            Type::Xdr => sentence.transducers(&fields)?,
        }
        Ok(sentence.decoded)
    }
}

/// One sentence being read.
struct Sentence<'a> {
    reader: &'a Reader,
    sentences: &'a Sentences,
    decoded: Decoded,
}

impl Sentence<'_> {
    /// Takes the value of a field in the unit of that code; nothing for a gap or where
    /// the station has no channel for it.
    fn take(&mut self, field: Field, value: &str, unit: &Unit) -> Result<(), Refused> {
        match self.sentences.channel(field) {
            Some(channel) => self.push(channel, value, Some(unit)),
            None => Ok(()),
        }
    }

    fn push(
        &mut self,
        channel: ChannelIndex,
        value: &str,
        unit: Option<&Unit>,
    ) -> Result<(), Refused> {
        let value = Scalar::untyped(value).value(self.reader.channel_of(channel)?, unit)?;
        if let Some(value) = value {
            self.decoded.samples.push(Measured { channel, value, stated: Stated::Nothing });
        }
        Ok(())
    }
}

/// An angle to the north or to the instrument's own mark, in degrees.
fn angle(value: &str, sentence: &str) -> Result<(), Refused> {
    match numeric(value, "angle")? {
        Some(angle) if !(0.0..=360.0).contains(&angle) => {
            Err(malformed(&format!("the angle of {sentence} lies outside 0 to 360")))
        }
        _ => Ok(()),
    }
}

/// The speed of the wind, in whatever unit.
fn speed(value: &str, sentence: &str) -> Result<(), Refused> {
    match numeric(value, "speed")? {
        Some(speed) if speed < 0.0 => {
            Err(malformed(&format!("the speed of {sentence} is negative")))
        }
        _ => Ok(()),
    }
}

fn numeric(value: &str, name: &str) -> Result<Option<f64>, Refused> {
    if value.is_empty() {
        return Ok(None);
    }
    number(value).map(Some).map_err(|reason| {
        Refused::new(reason, format!("the {name} `{}` is not a number", shown(value)))
    })
}

fn malformed(why: &str) -> Refused {
    Refused::new(Refusal::Malformed, why)
}
