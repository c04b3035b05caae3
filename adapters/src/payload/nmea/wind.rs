//! Wind: `$--MWV,ANGLE,R|T,SPEED,K|M|N|S,A|V*HH` (IEC 61162-1).

use super::chosen::{Field, Measure};
use super::{Sentence, angle, malformed, speed};
use crate::payload::Refused;
use observation::Refusal;

impl Sentence<'_> {
    /// Status V is a gap of both angle and speed.
    pub(super) fn wind(&mut self, fields: &[&str]) -> Result<(), Refused> {
        let &[direction, reference, strength, unit, status] = fields else {
            return Err(malformed(&format!("MWV has 5 fields, not {}", fields.len())));
        };
        match status {
            "A" => {}
            "V" => return Ok(()),
            _ => return Err(malformed("the status of MWV is A or V")),
        }
        if !matches!(reference, "R" | "T") {
            return Err(malformed("the reference of MWV is R or T"));
        }
        angle(direction, "MWV")?;
        speed(strength, "MWV")?;
        let sentences = self.sentences;
        self.take(Field::Angle, direction, sentences.unit(Measure::Degree))?;
        if strength.is_empty() {
            return Ok(());
        }
        let unit = match unit {
            "K" => Measure::KilometrePerHour,
            "M" => Measure::MetrePerSecond,
            "N" => Measure::Knot,
            "S" => Measure::MilePerHour,
            _ => return Err(Refused::new(Refusal::Unit, "the unit of MWV is K, M, N or S")),
        };
        self.take(Field::Speed, strength, sentences.unit(unit))
    }
}
