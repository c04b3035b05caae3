//! What is held of instruments, and how far each is from its neighbours.

use super::base;
use super::exposition::Exposition;
use crate::snapshot::Snapshot;
use observation::reading::to_steps;

/// Adds them all. A series is there while its diagnosis is open.
pub(super) fn add(out: &mut Exposition, snapshot: &Snapshot) {
    for said in snapshot.diagnoses.iter() {
        let labels = [
            ("station", said.station.as_deref().unwrap_or_default()),
            ("instrument", said.instrument.as_deref().unwrap_or_default()),
            ("diagnosis", said.cause.as_str()),
        ];
        out.gauge(
            "isobarn_diagnosis",
            "Confidence, 0 to 1, in a diagnosis that is open; high from 0.9.",
            &labels,
            said.confidence,
        );
    }
    for (instrument, difference) in snapshot.property.instruments.iter().zip(&snapshot.differences)
    {
        let Some((difference, usual)) = difference else { continue };
        let Some(station) = snapshot.property.stations.get(usize::from(instrument.station.0))
        else {
            continue;
        };
        let quantity = instrument.quantity;
        let number = |value: f64| {
            to_steps(value, quantity.decimals()).and_then(|steps| base::value(quantity, steps))
        };
        let labels = [
            ("station", station.id.as_str()),
            ("instrument", instrument.id.as_str()),
            ("quantity", quantity.name()),
        ];
        let suffix = quantity.base().suffix();
        if let Some(value) = number(*difference) {
            out.gauge(
                &format!("isobarn_neighbour_difference_{suffix}"),
                "Last value less the median of the nearest stations and the usual difference.",
                &labels,
                value,
            );
        }
        if let Some(value) = number(*usual) {
            out.gauge(
                &format!("isobarn_neighbour_difference_usual_{suffix}"),
                "Usual difference of the station to the median of the nearest, as learned.",
                &labels,
                value,
            );
        }
    }
}
