//! The meteorological composite of a mast (IEC 61162-1, sentence MDA):
//! `$--MDA,P,I,P,B,TA,C,TW,C,RH,AH,TD,C,D,T,D,M,V,N,V,M*HH`.
//!
//! Pressure and speed stand there twice; what is written more finely is taken.
//! Absolute humidity has no unit in the sentence, and the magnetic direction is the true
//! one without the declination: neither is taken.

use super::chosen::{Field, Measure};
use super::{Sentence, angle, malformed, speed};
use crate::payload::{Refused, shown};
use observation::Refusal;

impl Sentence<'_> {
    pub(super) fn composite(&mut self, fields: &[&str]) -> Result<(), Refused> {
        let &[
            inches,
            inches_letter,
            bars,
            bars_letter,
            air,
            air_letter,
            water,
            water_letter,
            humidity,
            _absolute,
            dew_point,
            dew_point_letter,
            direction,
            direction_letter,
            _magnetic,
            _,
            knots,
            knots_letter,
            metres,
            metres_letter,
        ] = fields
        else {
            return Err(malformed(&format!("MDA has 20 fields, not {}", fields.len())));
        };
        for (value, unit, letter) in [
            (inches, inches_letter, "I"),
            (bars, bars_letter, "B"),
            (air, air_letter, "C"),
            (water, water_letter, "C"),
            (dew_point, dew_point_letter, "C"),
            (direction, direction_letter, "T"),
            (knots, knots_letter, "N"),
            (metres, metres_letter, "M"),
        ] {
            if !value.is_empty() && unit != letter {
                let why = format!("`{}` stands where MDA has {letter}", shown(unit));
                return Err(Refused::new(Refusal::Unit, why));
            }
        }
        angle(direction, "MDA")?;
        speed(knots, "MDA")?;
        speed(metres, "MDA")?;
        let sentences = self.sentences;
        let pressure = finer((inches, Measure::InchOfMercury), (bars, Measure::Bar), 0.0339);
        let speed = finer((metres, Measure::MetrePerSecond), (knots, Measure::Knot), 1.94);
        let celsius = Measure::Celsius;
        for (field, value, unit) in [
            (Field::Pressure, pressure.0, pressure.1),
            (Field::Temperature, air, celsius),
            (Field::WaterTemperature, water, celsius),
            (Field::Humidity, humidity, Measure::Percent),
            (Field::DewPoint, dew_point, celsius),
            (Field::Direction, direction, Measure::Degree),
            (Field::Speed, speed.0, speed.1),
        ] {
            self.take(field, value, sentences.unit(unit))?;
        }
        Ok(())
    }
}

/// Of one value in two units the one whose last digit is worth less; `ratio` is roughly how
/// many of the second unit are one of the first.
fn finer<'a>(
    first: (&'a str, Measure),
    second: (&'a str, Measure),
    ratio: f64,
) -> (&'a str, Measure) {
    if first.0.is_empty() || second.0.is_empty() {
        return if first.0.is_empty() { second } else { first };
    }
    let step = |value: &str| {
        let places = value.split_once('.').map_or(0, |(_, places)| places.len());
        0.1_f64.powi(i32::try_from(places.min(30)).unwrap_or(30))
    };
    if step(first.0) * ratio <= step(second.0) { first } else { second }
}
