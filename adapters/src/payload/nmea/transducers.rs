//! Named transducers: `$--XDR,TYPE,VALUE,UNIT,ID,...*HH` (IEC 61162-1, sentence XDR).

use super::{Sentence, malformed};
use crate::payload::{Refused, shown};
use observation::{Refusal, Unit};

/// What a unit's letter means for a type of transducer, as a UCUM code; an empty code
/// takes the number as it is. The first of a type is the standard's (IEC 61162-1, from
/// memory), the others are common practice.
const MEANINGS: [(&str, &str, &str); 25] = [
    ("C", "C", "Cel"),
    ("C", "F", "[degF]"),
    ("C", "K", "K"),
    ("A", "D", "deg"),
    ("D", "M", "m"),
    ("F", "H", "Hz"),
    ("P", "B", "bar"),
    ("P", "P", "Pa"),
    ("P", "H", "hPa"),
    ("P", "I", "[in_i'Hg]"),
    ("P", "M", "mm[Hg]"),
    ("T", "R", "/min"),
    ("H", "P", "%"),
    ("U", "V", "V"),
    // A switch or valve; as a speed it is common practice.
    ("S", "", ""),
    ("S", "M", "m/s"),
    ("S", "N", "[kn_i]"),
    ("S", "K", "km/h"),
    ("S", "S", "[mi_i]/h"),
    ("G", "", ""),
    ("G", "P", "%"),
    ("R", "M", "mm/h"),
    ("R", "I", "[in_i]/h"),
    ("V", "I", "[in_i]"),
    ("Z", "S", "s"),
];

/// The letters with their units, parsed once.
#[derive(Clone, Debug)]
pub(super) struct Meanings(Vec<(&'static str, &'static str, Option<Unit>)>);

impl Meanings {
    pub(super) fn new() -> Result<Self, String> {
        let parse = |code: &str| match code {
            "" => Ok(None),
            code => Unit::parse(code).map(Some).map_err(|fault| fault.0),
        };
        MEANINGS
            .iter()
            .map(|(kind, letter, code)| Ok((*kind, *letter, parse(code)?)))
            .collect::<Result<_, _>>()
            .map(Self)
    }

    /// What a letter means; none takes the number as it is.
    fn unit(&self, kind: &str, letter: &str, id: &str) -> Result<Option<&Unit>, Refused> {
        let found = self.0.iter().find(|(k, l, _)| *k == kind && *l == letter);
        found.map(|(_, _, unit)| unit.as_ref()).ok_or_else(|| {
            let why = format!(
                "unit `{}` of transducer `{}` (type {}) is not known; `unit` in the settings can \
                 say it",
                shown(letter),
                shown(id),
                shown(kind)
            );
            Refused::new(Refusal::Unit, why)
        })
    }

    /// Whether anything that a type measures fits a unit.
    pub(super) fn may_fit(&self, kind: &str, unit: &Unit) -> bool {
        let mut of_kind = self.0.iter().filter(|(k, ..)| *k == kind);
        of_kind.any(|(_, _, u)| u.as_ref().is_none_or(|u| u.fits(unit)))
    }
}

impl Sentence<'_> {
    pub(super) fn transducers(&mut self, fields: &[&str]) -> Result<(), Refused> {
        if !fields.len().is_multiple_of(4) {
            let why = format!("XDR has 4 fields for each transducer, not {} in all", fields.len());
            return Err(malformed(&why));
        }
        let sentences = self.sentences;
        let mut read = Vec::new();
        for transducer in fields.chunks_exact(4) {
            let &[kind, value, letter, id] = transducer else { continue };
            let Some((place, entry)) = sentences.transducer(kind, id) else { continue };
            if read.contains(&place) {
                let why = format!("transducer `{}` stands twice", shown(id));
                return Err(Refused::new(Refusal::DuplicateKey, why));
            }
            read.push(place);
            let unit = match &entry.unit {
                Some(unit) => Some(unit),
                None => sentences.meanings.unit(kind, letter, id)?,
            };
            self.push(entry.channel, value, unit)?;
        }
        Ok(())
    }
}
