//! Stations and instruments by name: their places among all change with the settings.

use observation::Property;
use serde::{Deserialize, Serialize};

/// All of them, in their order.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Names {
    stations: Vec<String>,
    /// With the place of their station.
    instruments: Vec<(usize, String)>,
}

impl Names {
    pub(crate) fn of(property: &Property) -> Self {
        Self {
            stations: property.stations.iter().map(|s| s.id.clone()).collect(),
            instruments: property
                .instruments
                .iter()
                .map(|i| (usize::from(i.station.0), i.id.clone()))
                .collect(),
        }
    }

    pub(crate) const fn is_empty(&self) -> bool {
        self.stations.is_empty()
    }

    /// The place of each station among others.
    pub(crate) fn stations_in(&self, others: &Self) -> Vec<Option<usize>> {
        let place = |name: &String| others.stations.iter().position(|other| other == name);
        self.stations.iter().map(place).collect()
    }

    /// The place of each instrument among others.
    pub(crate) fn instruments_in(&self, others: &Self) -> Vec<Option<usize>> {
        let stations = self.stations_in(others);
        let place = |(station, name): &(usize, String)| {
            let station = stations.get(*station).copied().flatten()?;
            others.instruments.iter().position(|(at, other)| *at == station && other == name)
        };
        self.instruments.iter().map(place).collect()
    }
}
