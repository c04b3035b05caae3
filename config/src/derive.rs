//! The key `derive` of a station: what is computed from its readings, and from which
//! instruments where the first of their kind are not meant.

use crate::nearest::nearest;
use crate::plan::Plan;
use crate::reader::Item;
use crate::sensor::instrument_of;
use observation::property::{Deriving, InstrumentIndex};
use observation::{Quantity, StationIndex};

/// Quantities that are derived without being chosen, where their inputs are there.
const USUAL: &[Quantity] = &[
    Quantity::DewPointTemperature,
    Quantity::FrostPointTemperature,
    Quantity::WetBulbTemperature,
    Quantity::AirPressureAtMeanSeaLevel,
    Quantity::AltimeterSetting,
    Quantity::TendencyOfSurfaceAirPressure,
    Quantity::CharacteristicOfPressureTendency,
    Quantity::ReferenceEvapotranspiration,
];

/// Quantities that are derived only where they are chosen.
const CHOSEN: &[Quantity] = &[
    Quantity::WaterVaporPartialPressure,
    Quantity::SaturationVaporPressure,
    Quantity::HumidityMixingRatio,
    Quantity::SpecificHumidity,
    Quantity::AbsoluteHumidity,
    Quantity::VirtualTemperature,
    Quantity::AirDensity,
    Quantity::HeatIndexOfAirTemperature,
    Quantity::WindChillOfAirTemperature,
    Quantity::Humidex,
    Quantity::ApparentTemperature,
    Quantity::BeaufortWindForce,
];

/// Whether a quantity is derived; its name stands where an instrument's id stands.
pub(crate) fn is_derived(name: &str) -> bool {
    USUAL.iter().chain(CHOSEN).any(|q| q.name() == name)
}

/// Reads the key; all instruments are known.
pub(crate) fn read(item: &Item<'_>, station: StationIndex, plan: &mut Plan<'_>) {
    let Some(table) = item.table("derive") else { return };
    let instrument = |key: &'static str, quantity: Quantity| {
        table.item(key).and_then(|item| named(&item, quantity, station, plan))
    };
    let mut derive = Deriving {
        thermometer: instrument("thermometer", Quantity::AirTemperature),
        hygrometer: instrument("hygrometer", Quantity::RelativeHumidity),
        barometer: instrument("barometer", Quantity::SurfaceAirPressure),
        anemometer: instrument("anemometer", Quantity::WindSpeed),
        pyranometer: instrument("pyranometer", Quantity::ShortwaveFlux),
        column_thermometer: instrument("column_thermometer", Quantity::AirTemperature),
        ..Deriving::default()
    };
    if let Some(item) = table.item("also") {
        derive.also = quantities(&item, &[USUAL, CHOSEN]);
    }
    if let Some(item) = table.item("without") {
        derive.without = quantities(&item, &[USUAL]);
    }
    table.finish();
    if let Some(station) = plan.property.stations.get_mut(usize::from(station.0)) {
        station.derive = derive;
    }
}

/// `"INSTRUMENT"` of the same station, or `"STATION/INSTRUMENT"`.
fn named(
    item: &Item<'_>,
    quantity: Quantity,
    own: StationIndex,
    plan: &Plan<'_>,
) -> Option<InstrumentIndex> {
    let text = item.text()?;
    let (station, id) = match text.split_once('/') {
        None => (own, text),
        Some((station, id)) => {
            let Some(station) = known_station(station, plan) else {
                item.fault(
                    &format!("there is no station `{station}`"),
                    "write \"STATION/INSTRUMENT\"",
                );
                return None;
            };
            (station, id)
        }
    };
    let found = instrument_of(item, id, station, plan)?;
    let measures = plan.property.instruments.get(found.0 as usize).map(|i| i.quantity);
    if measures == Some(quantity) {
        return Some(found);
    }
    item.fault(
        &format!("`{text}` does not measure {quantity}"),
        &format!("name an instrument of {quantity}"),
    );
    None
}

fn known_station(id: &str, plan: &Plan<'_>) -> Option<StationIndex> {
    let place = plan.property.stations.iter().position(|s| s.id == id)?;
    u16::try_from(place).ok().map(StationIndex)
}

/// Names out of some lists.
fn quantities(item: &Item<'_>, lists: &[&[Quantity]]) -> Vec<Quantity> {
    let known = || lists.iter().copied().flatten();
    let items = item.list("[\"humidex\"]").unwrap_or_default();
    let mut found = Vec::new();
    for item in items {
        let Some(name) = item.text() else { continue };
        match known().find(|q| q.name() == name) {
            Some(&quantity) if found.contains(&quantity) => {
                item.fault(&format!("`{name}` is named twice"), "name it once");
            }
            Some(&quantity) => found.push(quantity),
            None => {
                let help = if let Some(meant) = nearest(name, known().map(|q| q.name())) {
                    format!("did you mean \"{meant}\"?")
                } else {
                    let names: Vec<&str> = known().map(|q| q.name()).collect();
                    format!("write one of \"{}\"", names.join("\", \""))
                };
                item.fault(&format!("`{name}` is not among the derived quantities here"), &help);
            }
        }
    }
    found
}
