//! Collects what one station said: names become places in lists, values are checked
//! against their channels, and the time is given to every sample at the end.

use super::decoded::Decoded;
use super::reader::Reader;
use super::refused::{Refused, shown};
use super::scalar::Scalar;
use observation::property::Channel;
use observation::{ChannelIndex, Measured, Refusal, Stated, StationIndex, Unit};
use std::sync::Arc;

/// What a name of a payload stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Target {
    /// When it was measured.
    Time,
    /// The sender's run since its start.
    Boot,
    /// The sender's number for the message.
    Sequence,
    /// A channel.
    Channel(ChannelIndex),
}

impl Reader {
    /// What a name means at a station.
    pub(super) fn target(&self, station: StationIndex, name: &str) -> Option<Target> {
        match name {
            "time" => Some(Target::Time),
            "boot" => Some(Target::Boot),
            "sequence" => Some(Target::Sequence),
            name => self.property.channel(station, name).map(Target::Channel),
        }
    }

    pub(super) fn channel_of(&self, index: ChannelIndex) -> Result<&Channel, Refused> {
        self.property
            .channels
            .get(index.0 as usize)
            .ok_or_else(|| Refused::new(Refusal::UnknownChannel, "no such channel"))
    }

    pub(super) fn unknown_channel(&self, station: StationIndex, name: &str) -> Refused {
        let id = self.property.stations.get(usize::from(station.0)).map_or("", |s| s.id.as_str());
        Refused::new(
            Refusal::UnknownChannel,
            format!("station {id} has no channel `{}` in the settings", shown(name)),
        )
        .of(station)
    }
}

/// A message in the making.
#[derive(Debug)]
pub(super) struct Gather<'r> {
    reader: &'r Reader,
    decoded: Decoded,
    stated: Stated,
    seen: Vec<Target>,
}

impl<'r> Gather<'r> {
    pub(super) fn new(reader: &'r Reader, station: StationIndex) -> Self {
        let decoded = Decoded { station, boot: None, sequence: None, samples: Vec::new() };
        Self { reader, decoded, stated: Stated::Nothing, seen: Vec::new() }
    }

    /// Takes a value by its name in the payload.
    pub(super) fn named(&mut self, name: &str, scalar: &Scalar<'_>) -> Result<(), Refused> {
        let station = self.decoded.station;
        let target = self
            .reader
            .target(station, name)
            .ok_or_else(|| self.reader.unknown_channel(station, name))?;
        if self.seen.contains(&target) {
            return Err(Refused::new(
                Refusal::DuplicateKey,
                format!("`{}` stands twice", shown(name)),
            )
            .of(station));
        }
        self.seen.push(target);
        self.take(target, None, scalar)
    }

    /// Takes a value for what it stands for.
    pub(super) fn take(
        &mut self,
        target: Target,
        unit: Option<&Unit>,
        scalar: &Scalar<'_>,
    ) -> Result<(), Refused> {
        self.put(target, unit, scalar).map_err(|refused| refused.of(self.decoded.station))
    }

    fn put(
        &mut self,
        target: Target,
        unit: Option<&Unit>,
        scalar: &Scalar<'_>,
    ) -> Result<(), Refused> {
        match target {
            Target::Time => {
                let station = usize::from(self.decoded.station.0);
                if let Some(clock) = self.reader.clocks.get(station) {
                    self.stated = clock.read(scalar)?;
                }
            }
            Target::Boot => self.decoded.boot = scalar.boot()?.map(Arc::from),
            Target::Sequence => self.decoded.sequence = scalar.sequence()?,
            Target::Channel(channel) => {
                if let Some(value) = scalar.value(self.reader.channel_of(channel)?, unit)? {
                    self.decoded.samples.push(Measured { channel, value, stated: Stated::Nothing });
                }
            }
        }
        Ok(())
    }

    pub(super) fn finish(mut self) -> Decoded {
        for sample in &mut self.decoded.samples {
            sample.stated = self.stated;
        }
        self.decoded
    }
}
