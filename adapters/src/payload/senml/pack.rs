//! From resolved records to the messages of the stations in a pack.

use super::record::{Data, Resolved};
use crate::credentials::Grant;
use crate::payload::scalar::{Scalar, contact, number_value, word_value};
use crate::payload::{Decoded, Reader, Refused, shown, when};
use observation::property::Channel;
use observation::{ChannelIndex, Measured, Refusal, Stated, StationIndex, Unit, Value};
use std::borrow::Cow;
use std::sync::Arc;

/// Most units that are remembered within one pack.
const MOST_UNITS: usize = 16;

/// The messages of one pack in the making.
pub(super) struct Pack<'r> {
    reader: &'r Reader,
    grant: &'r Grant,
    messages: Vec<Decoded>,
    /// The base name `STATION/` that was looked up last, with its station.
    base: Option<(String, StationIndex)>,
    /// Units other than their channel's, parsed once a pack.
    units: Vec<Unit>,
}

/// What a full name stands for.
enum Named {
    Channel(StationIndex, ChannelIndex),
    Boot(StationIndex),
    Sequence(StationIndex),
}

impl<'r> Pack<'r> {
    pub(super) const fn new(reader: &'r Reader, grant: &'r Grant) -> Self {
        Self { reader, grant, messages: Vec::new(), base: None, units: Vec::new() }
    }

    pub(super) fn finish(self) -> Vec<Decoded> {
        self.messages
    }

    pub(super) fn take(&mut self, record: &Resolved<'_>) -> Result<(), Refused> {
        match self.look_up(record)? {
            Named::Channel(station, channel) => {
                self.sample(station, channel, record).map_err(|refused| refused.of(station))
            }
            Named::Boot(station) => self.boot(station, record).map_err(|r| r.of(station)),
            Named::Sequence(station) => self.sequence(station, record).map_err(|r| r.of(station)),
        }
    }

    fn sample(
        &mut self,
        station: StationIndex,
        channel: ChannelIndex,
        record: &Resolved<'_>,
    ) -> Result<(), Refused> {
        let reader = self.reader;
        let declared = reader.channel_of(channel)?;
        let value = match record.data {
            Data::Number(v) => self.number(v, declared, record.unit)?,
            Data::Whole(v) => self.number(v as f64, declared, record.unit)?,
            Data::Flag(v) => Value::Number(contact(v)),
            Data::Text(v) => word_value(v, declared)?,
            Data::Bytes(_) | Data::Nothing => {
                let what =
                    if record.data == Data::Nothing { "only a sum (`s`)" } else { "bytes (`vd`)" };
                return Err(Refused::new(
                    Refusal::WrongType,
                    format!("{} takes a value, not {what}", declared.name),
                ));
            }
        };
        let stated = record.time.map_or(Stated::Nothing, when::senml);
        self.message(station).samples.push(Measured { channel, value, stated });
        Ok(())
    }

    fn number(
        &mut self,
        value: f64,
        channel: &Channel,
        unit: Option<&str>,
    ) -> Result<Value, Refused> {
        let Some(code) = unit.filter(|code| *code != channel.unit.code()) else {
            return number_value(value, channel, None);
        };
        if let Some(known) = self.units.iter().find(|u| u.code() == code) {
            return number_value(value, channel, Some(known));
        }
        let unit = Unit::parse(code)
            .map_err(|fault| Refused::new(Refusal::Unit, shown_fault(&fault.0)))?;
        let value = number_value(value, channel, Some(&unit))?;
        if self.units.len() < MOST_UNITS {
            self.units.push(unit);
        }
        Ok(value)
    }

    fn boot(&mut self, station: StationIndex, record: &Resolved<'_>) -> Result<(), Refused> {
        let scalar = scalar(&record.data);
        let boot = scalar.boot()?;
        let message = self.message(station);
        match (&message.boot, boot) {
            (Some(old), Some(new)) if **old != *new => Err(twice("boot")),
            (_, boot) => {
                message.boot = boot.map(Arc::from);
                Ok(())
            }
        }
    }

    fn sequence(&mut self, station: StationIndex, record: &Resolved<'_>) -> Result<(), Refused> {
        let sequence = scalar(&record.data).sequence()?;
        let message = self.message(station);
        match (message.sequence, sequence) {
            (Some(old), Some(new)) if old != new => Err(twice("sequence")),
            (_, sequence) => {
                message.sequence = sequence;
                Ok(())
            }
        }
    }

    fn message(&mut self, station: StationIndex) -> &mut Decoded {
        let place = self.messages.iter().position(|m| m.station == station).unwrap_or_else(|| {
            self.messages.push(Decoded {
                station,
                boot: None,
                sequence: None,
                samples: Vec::with_capacity(16),
            });
            self.messages.len() - 1
        });
        &mut self.messages[place]
    }

    fn look_up(&mut self, record: &Resolved<'_>) -> Result<Named, Refused> {
        // Nearly every pack of one station says its name once, in the base name.
        if let Some((base, station)) = &self.base
            && base == record.base
            && let Some(named) = self.within(*station, record.name)
        {
            return Ok(named);
        }
        let full: Cow<'_, str> = match (record.base, record.name) {
            ("", name) => Cow::Borrowed(name),
            (base, "") => Cow::Borrowed(base),
            (base, name) => Cow::Owned(format!("{base}{name}")),
        };
        let parts = full.split_once('/');
        let granted = parts
            .and_then(|(id, _)| self.reader.property.station(id))
            .filter(|station| self.grant.may(*station));
        if let (Some((id, name)), Some(station)) = (parts, granted)
            && let Some(named) = self.within(station, name)
        {
            if record.base.strip_suffix('/') == Some(id) {
                self.base = Some((record.base.to_owned(), station));
            }
            return Ok(named);
        }
        if let Some(named) = self.by_senml_name(&full)? {
            return Ok(named);
        }
        Err(match (parts, granted) {
            (Some((_, name)), Some(station)) => self.reader.unknown_channel(station, name),
            // Whoever may not speak for a station does not learn whether it exists.
            (Some((id, _)), None) if is_identifier(id) => {
                if self.grant.is_every() {
                    let why = format!("there is no station `{}` in the settings", shown(id));
                    Refused::new(Refusal::UnknownStation, why)
                } else {
                    let why = format!("this token does not speak for station `{}`", shown(id));
                    Refused::new(Refusal::Credentials, why)
                }
            }
            _ => Refused::new(
                Refusal::UnknownChannel,
                format!(
                    "`{}` is neither STATION/CHANNEL nor the senml_name of a channel",
                    shown(&full)
                ),
            ),
        })
    }

    fn within(&self, station: StationIndex, name: &str) -> Option<Named> {
        match self.reader.property.channel(station, name) {
            Some(channel) => Some(Named::Channel(station, channel)),
            None if name == "boot" => Some(Named::Boot(station)),
            None if name == "sequence" => Some(Named::Sequence(station)),
            None => None,
        }
    }

    /// Only the grant's own stations are looked at, so that the answer tells nothing
    /// about others.
    fn by_senml_name(&self, full: &str) -> Result<Option<Named>, Refused> {
        let property = &self.reader.property;
        let mut found = property.senml_name(full).iter().filter_map(|&index| {
            let channel = property.channels.get(index.0 as usize)?;
            self.grant.may(channel.station).then_some(Named::Channel(channel.station, index))
        });
        let first = found.next();
        if found.next().is_some() {
            let why = format!("`{}` is the senml_name of more than one channel", shown(full));
            return Err(Refused::new(Refusal::UnknownChannel, why));
        }
        Ok(first)
    }
}

fn scalar<'a>(data: &Data<'a>) -> Scalar<'a> {
    match *data {
        Data::Number(v) => Scalar::Float(v),
        Data::Whole(v) => Scalar::Unsigned(v),
        Data::Text(v) => Scalar::Text(Cow::Borrowed(v)),
        Data::Flag(v) => Scalar::Bool(v),
        Data::Bytes(_) | Data::Nothing => Scalar::Nested,
    }
}

fn twice(name: &str) -> Refused {
    Refused::new(
        Refusal::DuplicateKey,
        format!("`{name}` stands twice in the pack, with different values"),
    )
}

fn is_identifier(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-')
}

/// A unit's fault quotes what arrived.
fn shown_fault(fault: &str) -> String {
    fault.chars().take(160).map(|c| if c.is_control() { '?' } else { c }).collect()
}
