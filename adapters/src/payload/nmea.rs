//! NMEA 0183 wind sentences (IEC 61162-1, sentence MWV):
//! `$--MWV,ANGLE,R|T,SPEED,K|M|N|S,A|V*HH`.
//!
//! An empty field is a gap, never a zero; status V is a gap of both.

use super::scalar::number;
use super::{Checksum, Decoded, LONGEST_LINE, Reader, Refused, shown, text, within};
use observation::{
    ChannelIndex, Finite, Measured, Property, Refusal, Stated, StationIndex, Unit, Value,
};

/// Where the fields of a wind sentence go.
#[derive(Clone, Debug)]
pub struct Wind {
    station: StationIndex,
    angle: Option<ChannelIndex>,
    speed: Option<ChannelIndex>,
    degree: Unit,
    units: [(char, Unit); 4],
}

/// The channel of the angle where the settings give no name.
pub const ANGLE: &str = "wind_angle";
/// The channel of the speed where the settings give no name.
pub const SPEED: &str = "wind_speed";

impl Wind {
    /// The channels of angle (degrees) and speed by their names; a name that is not
    /// given is [`ANGLE`] or [`SPEED`], and need not exist.
    ///
    /// # Errors
    /// A given name that the station does not have, neither channel, or a channel whose
    /// unit measures something else.
    pub fn new(
        property: &Property,
        station: StationIndex,
        angle: Option<&str>,
        speed: Option<&str>,
    ) -> Result<Self, Vec<String>> {
        let mut faults = Vec::new();
        let mut unit = |code: &str| Unit::parse(code).map_err(|fault| faults.push(fault.0)).ok();
        let (Some(degree), Some(kilometres), Some(metres), Some(knots), Some(miles)) =
            (unit("deg"), unit("km/h"), unit("m/s"), unit("[kn_i]"), unit("[mi_i]/h"))
        else {
            return Err(faults);
        };
        let mut channel = |given: Option<&str>, default: &str, measures: &Unit| {
            let name = given.unwrap_or(default);
            let index = property.channel(station, name);
            if index.is_none() && given.is_some() {
                faults.push(format!("the station has no channel `{}`", shown(name)));
            }
            let declared = index.and_then(|i| property.channels.get(i.0 as usize));
            if let Some(declared) = declared.filter(|c| !c.unit.fits(measures)) {
                faults.push(format!(
                    "channel `{name}` is in `{}`, which is not what MWV measures (`{measures}`)",
                    declared.unit
                ));
            }
            index
        };
        let angle = channel(angle, ANGLE, &degree);
        let speed = channel(speed, SPEED, &metres);
        if angle.is_none() && speed.is_none() && faults.is_empty() {
            faults.push(format!(
                "the station has neither a channel `{ANGLE}` nor a channel `{SPEED}`"
            ));
        }
        if !faults.is_empty() {
            return Err(faults);
        }
        let units = [('K', kilometres), ('M', metres), ('N', knots), ('S', miles)];
        Ok(Self { station, angle, speed, degree, units })
    }
}

impl Reader {
    /// Reads one sentence, without its line end. A sentence of another type, and MWV
    /// with status V (not valid), are messages without samples; so is a blank line.
    ///
    /// # Errors
    /// No or a wrong checksum, or fields that are not those of MWV.
    pub fn nmea(&self, wind: &Wind, bytes: &[u8]) -> Result<Decoded, Refused> {
        self.sentence(wind, bytes).map_err(|refused| refused.of(wind.station))
    }

    fn sentence(&self, wind: &Wind, bytes: &[u8]) -> Result<Decoded, Refused> {
        within(bytes, LONGEST_LINE)?;
        let mut decoded =
            Decoded { station: wind.station, boot: None, sequence: None, samples: Vec::new() };
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
        let Some("MWV") = address.get(2..).filter(|_| !address.starts_with('P')) else {
            return Ok(decoded);
        };
        let fields: Vec<&str> = fields.split(',').collect();
        let &[angle, reference, speed, unit, status] = fields.as_slice() else {
            return Err(malformed(&format!("MWV has 5 fields, not {}", fields.len())));
        };
        match status {
            "A" => {}
            "V" => return Ok(decoded),
            _ => return Err(malformed("the status of MWV is A or V")),
        }
        if !matches!(reference, "R" | "T") {
            return Err(malformed("the reference of MWV is R or T"));
        }
        let angle = field(angle, "angle")?;
        if angle.is_some_and(|a| !(0.0..=360.0).contains(&a)) {
            return Err(malformed("the angle of MWV lies outside 0 to 360"));
        }
        let speed = field(speed, "speed")?;
        if speed.is_some_and(|s| s < 0.0) {
            return Err(malformed("the speed of MWV is negative"));
        }
        self.push(&mut decoded, wind.angle, angle, &wind.degree)?;
        if let Some(speed) = speed {
            let unit = wind
                .units
                .iter()
                .find(|(letter, _)| unit.len() == 1 && unit.starts_with(*letter))
                .map(|(_, unit)| unit)
                .ok_or_else(|| Refused::new(Refusal::Unit, "the unit of MWV is K, M, N or S"))?;
            self.push(&mut decoded, wind.speed, Some(speed), unit)?;
        }
        Ok(decoded)
    }

    fn push(
        &self,
        decoded: &mut Decoded,
        channel: Option<ChannelIndex>,
        value: Option<f64>,
        unit: &Unit,
    ) -> Result<(), Refused> {
        let (Some(channel), Some(value)) = (channel, value) else { return Ok(()) };
        let value = unit
            .convert(value, &self.channel_of(channel)?.unit)
            .ok_or_else(|| Refused::new(Refusal::Unit, "the channel measures something else"))?;
        let value = Finite::new(value)
            .ok_or_else(|| Refused::new(Refusal::NotFinite, "not a finite number"))?;
        decoded.samples.push(Measured {
            channel,
            value: Value::Number(value),
            stated: Stated::Nothing,
        });
        Ok(())
    }
}

fn field(text: &str, name: &str) -> Result<Option<f64>, Refused> {
    if text.is_empty() {
        return Ok(None);
    }
    number(text).map(Some).map_err(|reason| {
        Refused::new(reason, format!("the {name} `{}` is not a number", shown(text)))
    })
}

fn malformed(why: &str) -> Refused {
    Refused::new(Refusal::Malformed, why)
}
