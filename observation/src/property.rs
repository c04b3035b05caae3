//! One property: its stations, their channels and instruments, and the sensors that
//! move between places.
//!
//! Everything here is resolved and checked: units converted, names turned into
//! places in lists. The settings document is read elsewhere; this is what it means.

use crate::{Days, Quantity, Span, Statistic, Time, Unit};
use std::collections::HashMap;

/// The place of a station in [`Property::stations`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StationIndex(pub u16);

/// The place of a channel in [`Property::channels`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ChannelIndex(pub u32);

/// The place of an instrument in [`Property::instruments`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct InstrumentIndex(pub u32);

/// The whole of what the settings declare about instruments.
#[derive(Clone, Debug, Default)]
pub struct Property {
    /// The name.
    pub name: String,
    /// Degrees north.
    pub latitude: f64,
    /// Degrees east.
    pub longitude: f64,
    /// Metres above mean sea level.
    pub elevation: f64,
    /// IANA name of the zone in which civil days are cut.
    pub time_zone: String,
    /// How its days, months and years are cut.
    pub days: Days,
    /// Time between samples above which a direct channel is kept as points; shorter
    /// ones are averaged over this step.
    pub point_step: Span,
    /// The stations, in the order of the settings.
    pub stations: Vec<Station>,
    /// The channels of all stations.
    pub channels: Vec<Channel>,
    /// The instruments of all stations.
    pub instruments: Vec<Instrument>,
    /// The sensors that have a life of their own.
    pub sensors: Vec<Sensor>,
    /// The bases that speak for several stations.
    pub gateways: Vec<Gateway>,
    by_station: HashMap<String, StationIndex>,
    by_channel: Vec<HashMap<String, ChannelIndex>>,
    by_senml_name: HashMap<String, Vec<ChannelIndex>>,
}

/// A station.
#[derive(Clone, Debug)]
pub struct Station {
    /// Identifier: letters, digits, `_` and `-`.
    pub id: String,
    /// The name people read.
    pub name: String,
    /// Degrees north; the property's where the settings give none.
    pub latitude: f64,
    /// Degrees east; the property's where the settings give none.
    pub longitude: f64,
    /// Metres above mean sea level; the property's where the settings give none.
    pub elevation: f64,
    /// Expected time between messages; 1 min where the settings give none.
    pub interval: Span,
    /// Whether the sender sleeps and must get its receipt at once.
    pub sleeps: bool,
    /// How far before its arrival a stated time is believed (negative).
    pub oldest: Span,
    /// How far after its arrival a stated time is believed.
    pub newest: Span,
    /// IANA name of the zone of local times without offset.
    pub time_zone: Option<String>,
    /// Whether a number that states a time counts milliseconds instead of seconds.
    pub time_in_milliseconds: bool,
    /// Most samples a second, averaged over ten seconds, before `rate` is the answer.
    pub rate: f64,
    /// What is derived from its instruments.
    pub derive: Deriving,
}

/// What a station derives, and from which instruments; where none is named, from the
/// station's first of the quantity. They may stand at another station.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Deriving {
    /// Air temperature.
    pub thermometer: Option<InstrumentIndex>,
    /// Relative humidity.
    pub hygrometer: Option<InstrumentIndex>,
    /// Pressure.
    pub barometer: Option<InstrumentIndex>,
    /// Wind speed.
    pub anemometer: Option<InstrumentIndex>,
    /// Global radiation.
    pub pyranometer: Option<InstrumentIndex>,
    /// The outdoor thermometer whose mean of twelve hours stands for the air between the
    /// barometer and the sea; never taken unnamed.
    pub column_thermometer: Option<InstrumentIndex>,
    /// Quantities chosen besides the usual ones.
    pub also: Vec<Quantity>,
    /// Usual ones that are not wanted.
    pub without: Vec<Quantity>,
}

/// A channel: one named thing that a station sends.
#[derive(Clone, Debug)]
pub struct Channel {
    /// Its station.
    pub station: StationIndex,
    /// The name within the station.
    pub name: String,
    /// The unit of its numbers.
    pub unit: Unit,
    /// The full SenML name under which its records come, if they do not come as
    /// `STATION/CHANNEL`.
    pub senml_name: Option<String>,
    /// Whether words are accepted (compass points of a vane, the cause of a restart).
    pub accepts_text: bool,
}

/// How a channel speaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reports {
    /// Every `interval`; silence means missing.
    Periodic,
    /// When something changes; silence means nothing changed while the station lives.
    OnChange,
    /// At intervals of its own choice.
    Adaptive,
}

/// Which end of its averaging time a sample's stamp names.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stamp {
    /// The end.
    End,
    /// The start.
    Start,
}

/// An instrument: a channel with a meaning.
#[derive(Clone, Debug)]
pub struct Instrument {
    /// Identifier, unique within its station.
    pub id: String,
    /// Its station.
    pub station: StationIndex,
    /// The channel that carries its signal.
    pub channel: ChannelIndex,
    /// What it measures.
    pub quantity: Quantity,
    /// The unit of the raw value where the signal is a direct value.
    pub unit: Unit,
    /// Metres above the ground; for a barometer above mean sea level.
    pub height: Option<f64>,
    /// How the raw value becomes the quantity.
    pub signal: Signal,
    /// The merged timeline of calibrations, oldest first.
    pub calibrations: Vec<Calibration>,
    /// What the firmware sends: a point, or a mean, maximum ... of its own interval.
    pub statistic: Statistic,
    /// The averaging time of the sample itself.
    pub over: Option<Span>,
    /// Which end of `over` the stamp names.
    pub stamp: Stamp,
    /// How the channel speaks.
    pub reports: Reports,
    /// Expected time between samples.
    pub interval: Span,
    /// Plausible range in the canonical unit, both ends included.
    pub plausible: Option<(f64, f64)>,
    /// Shortest believable time between two pulses or changes.
    pub dead_time: Span,
    /// For a vane: degrees to add because of how it is mounted.
    pub mounting: f64,
}

/// How a raw value becomes a quantity.
#[derive(Clone, Debug, PartialEq)]
pub enum Signal {
    /// The value itself, in the instrument's unit.
    Value,
    /// A running total of pulses that rolls over at two to the power of `bits`.
    PulseTotal {
        /// Width of the counter.
        bits: u8,
    },
    /// Pulses since the sample before.
    PulseCount,
    /// Pulses a second, or revolutions a minute (the channel's unit says which).
    Frequency,
    /// Four switches of a vane.
    Switches(Switches),
    /// A voltage as a ratio to a supply channel, or to a fixed full scale.
    Ratio(Ratio),
    /// A running total of changes of a bucket or toggle.
    ChangeTotal {
        /// Width of the counter.
        bits: u8,
    },
    /// Changes since the sample before.
    ChangeCount,
    /// The bare state, 0 or 1; every change counts. May lose changes between samples.
    ChangeState,
}

/// The wiring and geometry of a four-switch vane.
#[derive(Clone, Debug, PartialEq)]
pub struct Switches {
    /// Azimuth of the middle of each switch's arc, in the order of the bits, lowest
    /// first (`NESW` is 0, 90, 180, 270).
    pub azimuths: [f64; 4],
    /// The bit value of a closed switch.
    pub closed_is: bool,
    /// The arc over which each switch is closed, in degrees.
    pub arcs: [f64; 4],
}

/// A resistor-ladder or potentiometer vane, or any sensor read as a ratio.
#[derive(Clone, Debug, PartialEq)]
pub struct Ratio {
    /// The channel that carries the supply voltage; none where the raw value is
    /// already a ratio.
    pub supply: Option<ChannelIndex>,
    /// Bands: a ratio from `low` to `high` (both included) means `value`; what lies
    /// between bands is a fault. Where empty, the ratio is linear over `full_scale`.
    pub bands: Vec<Band>,
    /// The value at a ratio of 1 where there are no bands.
    pub full_scale: f64,
}

/// One band of a ladder.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Lowest ratio.
    pub low: f64,
    /// Highest ratio.
    pub high: f64,
    /// What it means, in the quantity's canonical unit.
    pub value: f64,
}

/// What holds from an instant on.
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    /// From when.
    pub from: Time,
    /// The relation.
    pub transfer: Transfer,
    /// The serial of the sensor it belongs to, if it follows a sensor.
    pub sensor: Option<String>,
}

/// A relation between what is read and what is true.
#[derive(Clone, Debug, PartialEq)]
pub enum Transfer {
    /// `factor * value + offset`, in the canonical unit.
    Linear {
        /// Without unit.
        factor: f64,
        /// In the canonical unit, as a difference.
        offset: f64,
    },
    /// Pairs of read and true values in the canonical unit, read values rising;
    /// straight between, the end segments carried on.
    Table(Vec<(f64, f64)>),
    /// Wind speed from the frequency of pulses: `slope * frequency + offset` above
    /// the starting threshold, 0 without pulses.
    Wind {
        /// Metres per second per hertz.
        slope: f64,
        /// Metres per second.
        offset: f64,
        /// Starting threshold, metres per second.
        threshold: f64,
    },
    /// Depth of water for one change of the bucket, in millimetres.
    Depth(f64),
}

/// A sensor with a serial of its own: its calibrations follow it from place to place.
#[derive(Clone, Debug)]
pub struct Sensor {
    /// What is written on it.
    pub serial: String,
    /// Where it has been, oldest first.
    pub placements: Vec<Placement>,
    /// Its calibrations, oldest first.
    pub calibrations: Vec<Calibration>,
}

/// A sensor at an instrument's place.
#[derive(Clone, Debug)]
pub struct Placement {
    /// From when.
    pub from: Time,
    /// The place.
    pub instrument: InstrumentIndex,
}

/// A base that speaks for several stations.
#[derive(Clone, Debug)]
pub struct Gateway {
    /// Identifier.
    pub id: String,
    /// The stations it may speak for.
    pub stations: Vec<StationIndex>,
}

impl Property {
    /// Builds the look-ups; call it once after the lists are filled.
    #[must_use]
    pub fn indexed(mut self) -> Self {
        self.by_station =
            (0_u16..).zip(&self.stations).map(|(i, s)| (s.id.clone(), StationIndex(i))).collect();
        self.by_channel = vec![HashMap::new(); self.stations.len()];
        self.by_senml_name = HashMap::new();
        for (i, channel) in (0_u32..).zip(&self.channels) {
            if let Some(names) = self.by_channel.get_mut(usize::from(channel.station.0)) {
                names.insert(channel.name.clone(), ChannelIndex(i));
            }
            if let Some(name) = &channel.senml_name {
                self.by_senml_name.entry(name.clone()).or_default().push(ChannelIndex(i));
            }
        }
        self
    }

    /// The station of an identifier.
    pub fn station(&self, id: &str) -> Option<StationIndex> {
        self.by_station.get(id).copied()
    }

    /// The channel of a name within a station.
    pub fn channel(&self, station: StationIndex, name: &str) -> Option<ChannelIndex> {
        self.by_channel.get(usize::from(station.0))?.get(name).copied()
    }

    /// The channels that come under a full SenML name, of whatever station.
    pub fn senml_name(&self, name: &str) -> &[ChannelIndex] {
        self.by_senml_name.get(name).map_or(&[], Vec::as_slice)
    }

    /// The instruments fed by a channel.
    pub fn instruments_of(
        &self,
        channel: ChannelIndex,
    ) -> impl Iterator<Item = (InstrumentIndex, &Instrument)> {
        (0_u32..)
            .zip(&self.instruments)
            .filter(move |(_, i)| i.channel == channel)
            .map(|(n, i)| (InstrumentIndex(n), i))
    }
}
