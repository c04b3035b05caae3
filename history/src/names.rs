//! Names and their stable numbers. Records hold numbers that never change their
//! meaning; a run has indices of its own. What the settings no longer name keeps an
//! index behind the current ones, so that every old record still reads whole.

use observation::{
    ChannelIndex, Property, Quantity, Series, SeriesIndex, SourceIndex, StationIndex,
};
use std::collections::HashMap;
use std::hash::Hash;

/// A channel's name. Another unit makes another channel: its numbers mean
/// something else.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct ChannelName {
    /// The station's identifier.
    pub station: String,
    /// The name within the station.
    pub name: String,
    /// The UCUM code of its numbers.
    pub unit: String,
}

/// A list of names with their numbers.
#[derive(Clone, Debug)]
pub(crate) struct Numbered<K> {
    items: Vec<K>,
    current: usize,
    /// Number of each item; 0 for one that has none yet.
    numbers: Vec<u32>,
    /// Item of each number.
    indices: Vec<u32>,
}

const NO_INDEX: u32 = u32::MAX;

impl<K: Clone + Eq + Hash> Numbered<K> {
    fn new(current: Vec<K>, known: &[(u32, K)]) -> Self {
        let by_name: HashMap<&K, u32> = known.iter().map(|(n, k)| (k, *n)).collect();
        let mut numbers: Vec<u32> =
            current.iter().map(|k| by_name.get(k).copied().unwrap_or(0)).collect();
        let count = current.len();
        let mut items = current;
        let highest = known.iter().map(|(n, _)| *n).max().unwrap_or(0);
        // Numbers are given without holes, so this is as long as the list of names.
        let length = (highest as usize + 1).min(known.len() * 2 + 1_024);
        let mut indices = vec![NO_INDEX; length];
        for (index, number) in (0_u32..).zip(&numbers) {
            if let Some(slot) = indices.get_mut(*number as usize)
                && *number != 0
                && *slot == NO_INDEX
            {
                *slot = index;
            }
        }
        for (number, name) in known {
            if let Some(slot) = indices.get_mut(*number as usize)
                && *slot == NO_INDEX
            {
                *slot = u32::try_from(items.len()).unwrap_or(NO_INDEX);
                items.push(name.clone());
                numbers.push(*number);
            }
        }
        Self { items, current: count, numbers, indices }
    }

    fn number(&self, index: usize) -> Option<u32> {
        self.numbers.get(index).copied().filter(|n| *n != 0)
    }

    fn index(&self, number: u32) -> Option<u32> {
        self.indices.get(number as usize).copied().filter(|i| *i != NO_INDEX)
    }

    /// Current names without a number, each once.
    fn unnumbered(&self) -> Vec<K> {
        let mut new: Vec<K> = Vec::new();
        for (item, number) in self.items.iter().zip(&self.numbers) {
            if *number == 0 && !new.contains(item) {
                new.push(item.clone());
            }
        }
        new
    }
}

/// Every name that was ever given a number.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Known {
    pub(crate) stations: Vec<(u32, String)>,
    pub(crate) channels: Vec<(u32, ChannelName)>,
    pub(crate) series: Vec<(u32, SeriesName)>,
    pub(crate) sources: Vec<(u32, String)>,
    /// New names are numbered behind this, because up to it numbers may have had a meaning
    /// that is lost; usually 0.
    pub(crate) floor: u32,
}

/// Numbers that are not given again where all names are lost.
pub(crate) const LOST: u32 = 512;

impl Known {
    /// What `self` has and `other` does not, neither the name nor its number.
    pub(crate) fn without(self, other: &Self) -> Self {
        fn rest<K: PartialEq>(own: Vec<(u32, K)>, other: &[(u32, K)]) -> Vec<(u32, K)> {
            let there = |(n, k): &(u32, K)| other.iter().any(|(m, l)| m == n || l == k);
            own.into_iter().filter(|named| !there(named)).collect()
        }
        Self {
            stations: rest(self.stations, &other.stations),
            channels: rest(self.channels, &other.channels),
            series: rest(self.series, &other.series),
            sources: rest(self.sources, &other.sources),
            floor: 0,
        }
    }

    pub(crate) fn extend(&mut self, more: Self) {
        self.stations.extend(more.stations);
        self.channels.extend(more.channels);
        self.series.extend(more.series);
        self.sources.extend(more.sources);
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.stations.is_empty()
            && self.channels.is_empty()
            && self.series.is_empty()
            && self.sources.is_empty()
    }
}

/// New names with the numbers behind the highest that are known, and behind `floor`.
fn numbered<K>(floor: u32, known: &[(u32, K)], new: Vec<K>) -> Vec<(u32, K)> {
    let next = known.iter().map(|(n, _)| *n).max().unwrap_or(0).max(floor) + 1;
    (next..).zip(new).collect()
}

/// A series with the unit and step in which its readings were written.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(crate) struct SeriesName {
    pub(crate) series: Series,
    pub(crate) unit: String,
    pub(crate) decimals: u8,
}

impl SeriesName {
    fn of(series: &Series) -> Self {
        Self {
            unit: series.quantity.unit().to_owned(),
            decimals: series.quantity.decimals(),
            series: series.clone(),
        }
    }
}

/// The names behind this run's indices and the numbers behind the names.
#[derive(Clone, Debug)]
pub struct Names {
    stations: Numbered<String>,
    channels: Numbered<ChannelName>,
    /// Station of each channel, by index.
    station_of: Vec<StationIndex>,
    series: Numbered<SeriesName>,
    sources: Numbered<String>,
}

impl Names {
    pub(crate) fn new(
        property: &Property,
        series: &[Series],
        sources: &[String],
        known: &Known,
    ) -> Self {
        let stations: Vec<String> = property.stations.iter().map(|s| s.id.clone()).collect();
        let channels = property
            .channels
            .iter()
            .map(|c| ChannelName {
                station: stations.get(usize::from(c.station.0)).cloned().unwrap_or_default(),
                name: c.name.clone(),
                unit: c.unit.code().to_owned(),
            })
            .collect();
        let stations = Numbered::new(stations, &known.stations);
        let channels = Numbered::new(channels, &known.channels);
        let by_id: HashMap<&str, u16> =
            stations.items.iter().zip(0_u16..).map(|(id, i)| (id.as_str(), i)).collect();
        let station_of = channels
            .items
            .iter()
            .map(|c| StationIndex(by_id.get(c.station.as_str()).copied().unwrap_or(u16::MAX)))
            .collect();
        Self {
            station_of,
            channels,
            stations,
            series: Numbered::new(series.iter().map(SeriesName::of).collect(), &known.series),
            sources: Numbered::new(sources.to_vec(), &known.sources),
        }
    }

    /// The names that have no number yet, numbered on from the highest.
    pub(crate) fn fresh(&self, known: &Known) -> Known {
        let on = known.floor;
        Known {
            stations: numbered(on, &known.stations, self.stations.unnumbered()),
            channels: numbered(on, &known.channels, self.channels.unnumbered()),
            series: numbered(on, &known.series, self.series.unnumbered()),
            sources: numbered(on, &known.sources, self.sources.unnumbered()),
            floor: 0,
        }
    }

    /// A station's identifier.
    pub fn station(&self, index: StationIndex) -> Option<&str> {
        self.stations.items.get(usize::from(index.0)).map(String::as_str)
    }

    /// The station of an identifier, also one that the settings no longer name.
    pub fn station_index(&self, id: &str) -> Option<StationIndex> {
        let place = self.stations.items.iter().position(|s| s == id)?;
        u16::try_from(place).ok().map(StationIndex)
    }

    /// A channel's name and unit.
    pub fn channel(&self, index: ChannelIndex) -> Option<&ChannelName> {
        self.channels.items.get(index.0 as usize)
    }

    /// A series.
    pub fn series(&self, index: SeriesIndex) -> Option<&Series> {
        self.series.items.get(index.0 as usize).map(|s| &s.series)
    }

    /// The unit of a series and the decimals of its steps, as its readings were
    /// written.
    pub fn unit_and_decimals(&self, index: SeriesIndex) -> Option<(&str, u8)> {
        self.series.items.get(index.0 as usize).map(|s| (s.unit.as_str(), s.decimals))
    }

    /// The number by which the history has known a series for ever.
    pub fn stable_number(&self, index: SeriesIndex) -> Option<u32> {
        self.series_number(index)
    }

    /// All series, current ones first, in the order of their indices.
    pub fn all_series(&self) -> impl Iterator<Item = (SeriesIndex, &Series)> {
        (0_u32..).map(SeriesIndex).zip(self.series.items.iter().map(|s| &s.series))
    }

    /// A source's name.
    pub fn source(&self, index: SourceIndex) -> Option<&str> {
        self.sources.items.get(usize::from(index.0)).map(String::as_str)
    }

    /// Whether the settings of this run name the channel.
    pub fn is_current(&self, channel: ChannelIndex) -> bool {
        (channel.0 as usize) < self.channels.current
    }

    /// Whether the processor of this run makes the series.
    pub fn is_current_series(&self, series: SeriesIndex) -> bool {
        (series.0 as usize) < self.series.current
    }

    /// The stable number of a station's identifier.
    pub(crate) fn station_number_of(&self, id: &str) -> Option<u32> {
        self.station_index(id).and_then(|s| self.station_number(s))
    }

    /// All stations with their stable numbers.
    pub(crate) fn all_stations(&self) -> impl Iterator<Item = (u32, &str)> {
        self.stations
            .numbers
            .iter()
            .zip(&self.stations.items)
            .filter(|(number, _)| **number != 0)
            .map(|(number, id)| (*number, id.as_str()))
    }

    pub(crate) fn station_number(&self, index: StationIndex) -> Option<u32> {
        self.stations.number(usize::from(index.0))
    }

    pub(crate) fn channel_number(&self, index: ChannelIndex) -> Option<u32> {
        self.channels.number(index.0 as usize)
    }

    pub(crate) fn series_number(&self, index: SeriesIndex) -> Option<u32> {
        self.series.number(index.0 as usize)
    }

    pub(crate) fn source_number(&self, index: SourceIndex) -> Option<u32> {
        self.sources.number(usize::from(index.0))
    }

    pub(crate) fn station_at(&self, number: u32) -> Option<StationIndex> {
        self.stations.index(number).and_then(|i| u16::try_from(i).ok()).map(StationIndex)
    }

    pub(crate) fn channel_at(&self, number: u32) -> Option<ChannelIndex> {
        self.channels.index(number).map(ChannelIndex)
    }

    pub(crate) fn series_at(&self, number: u32) -> Option<SeriesIndex> {
        self.series.index(number).map(SeriesIndex)
    }

    pub(crate) fn source_at(&self, number: u32) -> Option<SourceIndex> {
        self.sources.index(number).and_then(|i| u16::try_from(i).ok()).map(SourceIndex)
    }

    /// The station that a channel belongs to.
    pub fn station_of(&self, channel: ChannelIndex) -> Option<StationIndex> {
        self.station_of.get(channel.0 as usize).copied()
    }

    /// Quantities with at least one series.
    pub fn quantities(&self) -> impl Iterator<Item = Quantity> {
        Quantity::ALL
            .iter()
            .copied()
            .filter(|q| self.series.items.iter().any(|s| s.series.quantity == *q))
    }
}
