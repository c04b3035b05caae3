//! `[[sensor]]`: a sensor is not its place; its calibrations follow it.

use crate::calibration::{self, Entry, when};
use crate::nearest::nearest;
use crate::plan::Plan;
use crate::reader::{Item, Table};
use observation::property::{Calibration, InstrumentIndex, Placement, Sensor};
use observation::{StationIndex, Time};
use std::collections::HashSet;
use std::ops::Range;

/// Most sensors of one property.
const MOST: usize = 5_000;
/// Most placements of one sensor.
const MOST_PLACEMENTS: usize = 1_000;

/// A sensor with the places in the file of what it says.
pub(crate) struct Written {
    pub(crate) serial: String,
    /// Oldest first.
    pub(crate) placements: Vec<Placed>,
    /// Oldest first.
    pub(crate) calibrations: Vec<Entry>,
}

/// One placement as written.
pub(crate) struct Placed {
    pub(crate) from: Time,
    pub(crate) instrument: InstrumentIndex,
    pub(crate) span: Range<usize>,
}

/// Reads all sensors; stations and instruments are known.
pub(crate) fn read(list: &Item<'_>, plan: &mut Plan<'_>) -> Vec<Written> {
    let mut serials: HashSet<String> = HashSet::new();
    let mut sensors: Vec<Written> = Vec::new();
    for table in list.tables("[[sensor]]", MOST) {
        let item = table.required("serial", "\"A7\"");
        let serial = item.as_ref().and_then(Item::line);
        if let (Some(item), Some(serial)) = (&item, serial)
            && !serials.insert(serial.to_owned())
        {
            item.fault(
                &format!("there is another sensor `{serial}`"),
                "give each sensor its own serial",
            );
        }
        let serial = serial.unwrap_or("?").to_owned();
        let placements = table.required("placed", "[{ from = \"2026-03-01\", station = \"orchard\", instrument = \"screen_temperature\" }]");
        let placements = placements.map(|item| placements_of(&item, plan)).unwrap_or_default();
        let calibrations = calibrations_of(&table, &placements, plan);
        table.finish();
        sensors.push(Written { serial, placements, calibrations });
    }
    two_at_one_place(&sensors, plan);
    plan.property.sensors = sensors.iter().map(resolved).collect();
    sensors
}

fn resolved(written: &Written) -> Sensor {
    Sensor {
        serial: written.serial.clone(),
        placements: written
            .placements
            .iter()
            .map(|p| Placement { from: p.from, instrument: p.instrument })
            .collect(),
        calibrations: written
            .calibrations
            .iter()
            .map(|entry| Calibration {
                from: entry.from,
                transfer: entry.transfer.clone(),
                sensor: Some(written.serial.clone()),
            })
            .collect(),
    }
}

fn placements_of(list: &Item<'_>, plan: &Plan<'_>) -> Vec<Placed> {
    let mut placements: Vec<Placed> = Vec::new();
    for table in list.tables("placed", MOST_PLACEMENTS) {
        let from = table.required("from", "\"2026-03-01\"").and_then(|i| i.moment(&plan.zone));
        let station = table.required("station", "\"orchard\"").and_then(|i| station_of(&i, plan));
        let instrument = table.required("instrument", "\"screen_temperature\"");
        let instrument = match (&instrument, station) {
            (Some(item), Some(station)) => {
                item.text().and_then(|id| instrument_of(item, id, station, plan))
            }
            _ => None,
        };
        let span = table.span.clone();
        table.finish();
        if let (Some(from), Some(instrument)) = (from, instrument) {
            placements.push(Placed { from, instrument, span });
        }
    }
    placements.sort_by_key(|p| p.from);
    for pair in placements.windows(2) {
        if let [a, b] = pair
            && a.from == b.from
        {
            plan.report.fault(
                &b.span,
                &format!("a sensor cannot be in two places at the same time ({})", when(b.from)),
                "give each placement its own `from`",
            );
        }
        if let [a, b] = pair
            && kind(plan, a.instrument) != kind(plan, b.instrument)
        {
            plan.report.fault(
                &b.span,
                "a sensor measures one quantity by one signal; this place is another's",
                "write one [[sensor]] for each quantity, such as \"A7 temperature\" and \"A7 humidity\"",
            );
        }
    }
    placements
}

/// What a place asks of a sensor.
fn kind(
    plan: &Plan<'_>,
    instrument: InstrumentIndex,
) -> Option<(observation::Quantity, crate::signal::Family)> {
    let place = usize::try_from(instrument.0).ok()?;
    let quantity = plan.property.instruments.get(place)?.quantity;
    Some((quantity, plan.drafts.get(place)?.family))
}

fn calibrations_of(table: &Table<'_>, placements: &[Placed], plan: &Plan<'_>) -> Vec<Entry> {
    let item = table.item("calibration");
    let kind = placements.first().and_then(|p| kind(plan, p.instrument));
    match (item, kind) {
        (Some(item), Some((quantity, family))) => {
            calibration::read(&item, family, quantity, &plan.zone)
        }
        // Without a place the quantity is unknown; the placement's fault has been told.
        _ => Vec::new(),
    }
}

/// The station of an id.
pub(crate) fn station_of(item: &Item<'_>, plan: &Plan<'_>) -> Option<StationIndex> {
    let id = item.text()?;
    let stations = &plan.property.stations;
    let found = stations.iter().position(|s| s.id == id);
    if found.is_none() {
        let known: Vec<&str> =
            stations.iter().map(|s| s.id.as_str()).filter(|id| !id.starts_with('?')).collect();
        let help = match nearest(id, known.iter().copied()) {
            Some(meant) => format!("did you mean \"{meant}\"?"),
            None if known.is_empty() => "there is no [[station]] at all".to_owned(),
            None => format!("the stations are \"{}\"", known.join("\", \"")),
        };
        item.fault(&format!("there is no station `{id}`"), &help);
    }
    found.and_then(|place| u16::try_from(place).ok()).map(StationIndex)
}

/// The instrument of an id at a station.
pub(crate) fn instrument_of(
    item: &Item<'_>,
    id: &str,
    station: StationIndex,
    plan: &Plan<'_>,
) -> Option<InstrumentIndex> {
    let instruments = &plan.property.instruments;
    let found = instruments.iter().position(|i| i.station == station && i.id == id);
    if found.is_none() && !plan.named.contains(&(station, id.to_owned())) {
        let known = instruments.iter().filter(|i| i.station == station).map(|i| i.id.as_str());
        let help = match nearest(id, known) {
            Some(meant) => format!("did you mean \"{meant}\"?"),
            None => "name the id of one of that station's instruments".to_owned(),
        };
        item.fault(&format!("this station has no instrument `{id}`"), &help);
    }
    found.and_then(|place| u32::try_from(place).ok()).map(InstrumentIndex)
}

/// Two sensors cannot come to one place at the same time.
fn two_at_one_place(sensors: &[Written], plan: &Plan<'_>) {
    let mut seen: HashSet<(Time, InstrumentIndex)> = HashSet::new();
    for sensor in sensors {
        for placed in &sensor.placements {
            if !seen.insert((placed.from, placed.instrument)) {
                plan.report.fault(
                    &placed.span,
                    &format!(
                        "another sensor comes to this place at the same time ({})",
                        when(placed.from)
                    ),
                    "a place holds one sensor",
                );
            }
        }
    }
}
