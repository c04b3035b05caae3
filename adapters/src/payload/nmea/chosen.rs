//! Where the fields of sentences go: the settings, checked.

use super::transducers::Meanings;
use crate::payload::shown;
use observation::{ChannelIndex, Property, StationIndex, Unit};
use serde::de::value::MapAccessDeserializer;
use serde::de::{MapAccess, Visitor};
use serde::{Deserialize, Deserializer};
use std::collections::BTreeMap;
use std::fmt;

/// The types of sentences that are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "UPPERCASE")]
pub enum Type {
    /// Wind speed and angle.
    Mwv,
    /// Meteorological composite.
    Mda,
    /// Transducer measurements.
    Xdr,
}

impl Type {
    pub(super) fn of(letters: &str) -> Option<Self> {
        match letters {
            "MWV" => Some(Self::Mwv),
            "MDA" => Some(Self::Mda),
            "XDR" => Some(Self::Xdr),
            _ => None,
        }
    }
}

/// What a field measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Field {
    Angle = 0,
    Speed,
    Direction,
    Pressure,
    Temperature,
    WaterTemperature,
    Humidity,
    DewPoint,
}

/// A field, its key in the settings, the channel where the settings give no name, what it
/// is measured in, and the sentences that have it.
const FIELDS: [(Field, &str, &str, Measure, &[Type]); 8] = [
    (Field::Angle, "angle", "wind_angle", Measure::Degree, &[Type::Mwv]),
    (Field::Speed, "speed", "wind_speed", Measure::MetrePerSecond, &[Type::Mwv, Type::Mda]),
    (Field::Direction, "direction", "wind_direction", Measure::Degree, &[Type::Mda]),
    (Field::Pressure, "pressure", "pressure", Measure::Bar, &[Type::Mda]),
    (Field::Temperature, "temperature", "temperature", Measure::Celsius, &[Type::Mda]),
    (
        Field::WaterTemperature,
        "water_temperature",
        "water_temperature",
        Measure::Celsius,
        &[Type::Mda],
    ),
    (Field::Humidity, "humidity", "humidity", Measure::Percent, &[Type::Mda]),
    (Field::DewPoint, "dew_point", "dew_point", Measure::Celsius, &[Type::Mda]),
];

/// The units that fields come in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Measure {
    Degree = 0,
    MetrePerSecond,
    KilometrePerHour,
    Knot,
    MilePerHour,
    Bar,
    InchOfMercury,
    Celsius,
    Percent,
}

/// Their UCUM codes, in the order above.
const CODES: [&str; 9] =
    ["deg", "m/s", "km/h", "[kn_i]", "[mi_i]/h", "bar", "[in_i'Hg]", "Cel", "%"];

/// Where a transducer of XDR goes, as the settings write it: a channel, or a channel with
/// the unit of what the transducer sends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Transducer {
    /// The channel.
    pub channel: String,
    /// The unit, where the letter in the sentence is none or says something else.
    pub unit: Option<String>,
}

impl<'de> Deserialize<'de> for Transducer {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(deny_unknown_fields)]
        struct Table {
            channel: String,
            unit: Option<String>,
        }
        struct ChannelOrTable;
        impl<'de> Visitor<'de> for ChannelOrTable {
            type Value = Transducer;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a channel, or a table with `channel` and `unit`")
            }
            fn visit_str<E>(self, channel: &str) -> Result<Transducer, E> {
                Ok(Transducer { channel: channel.to_owned(), unit: None })
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Transducer, A::Error> {
                Table::deserialize(MapAccessDeserializer::new(map))
                    .map(|table| Transducer { channel: table.channel, unit: table.unit })
            }
        }
        deserializer.deserialize_any(ChannelOrTable)
    }
}

/// What the settings choose.
#[derive(Clone, Debug, Default)]
pub struct Chosen {
    /// The types of sentences; all three if none is named.
    pub sentences: Vec<Type>,
    /// Channels by the key of their field, such as `angle`.
    pub channels: BTreeMap<&'static str, String>,
    /// Transducers of XDR by their identifier, or by type and identifier (`C/0`).
    pub transducers: BTreeMap<String, Transducer>,
}

/// A transducer, checked.
#[derive(Clone, Debug)]
pub(super) struct Entry {
    /// The type, where the settings name it.
    kind: Option<String>,
    id: String,
    pub(super) channel: ChannelIndex,
    pub(super) unit: Option<Unit>,
}

/// Where the fields of sentences go.
#[derive(Clone, Debug)]
pub struct Sentences {
    pub(super) station: StationIndex,
    types: Vec<Type>,
    channels: [Option<ChannelIndex>; FIELDS.len()],
    units: [Unit; CODES.len()],
    entries: Vec<Entry>,
    pub(super) meanings: Meanings,
}

/// What is wrong, below which keys.
type Wrong = (Vec<String>, String);

impl Sentences {
    /// Checks what the settings choose for a station.
    ///
    /// # Errors
    /// Everything that is wrong, each with its keys: a name that the station does not
    /// have, a channel whose unit measures something else, or nothing to read at all.
    pub fn new(
        property: &Property,
        station: StationIndex,
        chosen: &Chosen,
    ) -> Result<Self, Vec<Wrong>> {
        let mut wrong = Vec::new();
        let lines = |why: String| vec![(vec!["lines".to_owned()], why)];
        let mut parsed = Vec::with_capacity(CODES.len());
        for code in CODES {
            parsed.push(Unit::parse(code).map_err(|fault| lines(fault.0))?);
        }
        let Ok(units) = <[Unit; CODES.len()]>::try_from(parsed) else {
            return Err(lines("a unit is missing".to_owned()));
        };
        let meanings = Meanings::new().map_err(lines)?;
        let all = [Type::Mwv, Type::Mda, Type::Xdr];
        let types =
            if chosen.sentences.is_empty() { all.to_vec() } else { chosen.sentences.clone() };
        let mut channels = [None; FIELDS.len()];
        for (field, key, default, measure, within) in FIELDS {
            let given = chosen.channels.get(key);
            if !within.iter().any(|kind| types.contains(kind)) {
                if given.is_some() {
                    wrong.push((vec![key.to_owned()], format!("no sentence here has `{key}`")));
                }
                continue;
            }
            let name = given.map_or(default, String::as_str);
            let index = property.channel(station, name);
            if index.is_none() && given.is_some() {
                let why = format!("the station has no channel `{}`", shown(name));
                wrong.push((vec![key.to_owned()], why));
            }
            let Some(unit) = units.get(measure as usize) else { continue };
            let declared = index.and_then(|i| property.channels.get(i.0 as usize));
            if let Some(declared) = declared.filter(|c| !c.unit.fits(unit)) {
                let place = if given.is_some() { key } else { "lines" };
                let why = format!(
                    "channel `{name}` is in `{}`, which is not what the sentences measure (`{unit}`)",
                    declared.unit
                );
                wrong.push((vec![place.to_owned()], why));
            }
            if let Some(slot) = channels.get_mut(field as usize) {
                *slot = index;
            }
        }
        let mut entries = Vec::new();
        for (key, transducer) in &chosen.transducers {
            match entry(property, station, &meanings, key, transducer) {
                Ok(entry) => entries.push(entry),
                Err(why) => wrong.push((vec!["transducers".to_owned(), key.clone()], why)),
            }
        }
        if !entries.is_empty() && !types.contains(&Type::Xdr) {
            wrong.push((vec!["transducers".to_owned()], "XDR is not among `sentences`".to_owned()));
        }
        // The type makes an entry the closer one.
        entries.sort_by_key(|entry| entry.kind.is_none());
        if wrong.is_empty() && entries.is_empty() && channels.iter().all(Option::is_none) {
            let names: Vec<&str> = FIELDS.iter().map(|(_, _, name, ..)| *name).collect();
            return Err(lines(format!(
                "nothing would be read: the station has none of the channels `{}`, and no \
                 `transducers` are named",
                names.join("`, `")
            )));
        }
        if !wrong.is_empty() {
            return Err(wrong);
        }
        Ok(Self { station, types, channels, units, entries, meanings })
    }

    pub(super) fn takes(&self, kind: Type) -> bool {
        self.types.contains(&kind)
    }

    pub(super) fn channel(&self, field: Field) -> Option<ChannelIndex> {
        self.channels.get(field as usize).copied().flatten()
    }

    pub(super) fn unit(&self, measure: Measure) -> &Unit {
        // As many units as measures: the enumeration is the index.
        let [first, ..] = &self.units;
        self.units.get(measure as usize).unwrap_or(first)
    }

    /// The entry for a transducer, with its place in the list.
    pub(super) fn transducer(&self, kind: &str, id: &str) -> Option<(usize, &Entry)> {
        self.entries.iter().enumerate().find(|(_, entry)| {
            entry.id == id && entry.kind.as_deref().is_none_or(|named| named == kind)
        })
    }
}

fn entry(
    property: &Property,
    station: StationIndex,
    meanings: &Meanings,
    key: &str,
    transducer: &Transducer,
) -> Result<Entry, String> {
    let (kind, id) = match key.split_once('/') {
        Some((kind, id)) if kind.len() == 1 => (Some(kind), id),
        _ => (None, key),
    };
    let index = property.channel(station, &transducer.channel);
    let declared = index.and_then(|i| property.channels.get(i.0 as usize));
    let (Some(channel), Some(declared)) = (index, declared) else {
        return Err(format!("the station has no channel `{}`", shown(&transducer.channel)));
    };
    let unit = match transducer.unit.as_deref() {
        None => None,
        Some(code) => Some(Unit::parse(code).map_err(|fault| fault.0)?),
    };
    let fits = match (&unit, kind) {
        (Some(unit), _) => unit.fits(&declared.unit),
        (None, Some(kind)) => meanings.may_fit(kind, &declared.unit),
        (None, None) => true,
    };
    if !fits {
        return Err(format!(
            "channel `{}` is in `{}`, which this transducer does not measure",
            transducer.channel, declared.unit
        ));
    }
    Ok(Entry { kind: kind.map(str::to_owned), id: id.to_owned(), channel, unit })
}
