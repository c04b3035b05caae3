//! The merged timeline: which calibration holds at each instrument from when on.
//!
//! An instrument may have calibrations of its own and a sensor that brings its own. What
//! begins later holds; at the same instant the sensor's. A sensor's calibration begins at
//! its place when both it and the sensor are there, and leaves with it; then the
//! instrument's own holds again, or none.

use crate::calibration::{Entry, when, words};
use crate::plan::Draft;
use crate::plan::Plan;
use crate::sensor::{Placed, Written};
use crate::signal::Family;
use observation::property::{Calibration, Instrument, InstrumentIndex, Transfer};
use observation::{Property, Time};
use std::collections::BTreeSet;
use std::ops::Range;

/// A stay of a sensor at an instrument.
struct Stay<'w> {
    sensor: &'w Written,
    from: Time,
    /// When it went elsewhere or another came; none while it is there.
    until: Option<Time>,
    span: &'w Range<usize>,
}

/// Fills every instrument's calibrations and tells those that have none but need one.
pub(crate) fn merge(sensors: &[Written], plan: &mut Plan<'_>) {
    let merged: Vec<Vec<Calibration>> = (0_u32..)
        .zip(plan.property.instruments.iter().zip(&plan.drafts))
        .map(|(i, (instrument, draft))| {
            let stays = stays(sensors, InstrumentIndex(i));
            let calibrations = timeline(draft, &stays);
            check(instrument, draft, &stays, &calibrations, plan);
            calibrations
        })
        .collect();
    for (instrument, calibrations) in plan.property.instruments.iter_mut().zip(merged) {
        instrument.calibrations = calibrations;
    }
}

/// The stays at one place, oldest first.
fn stays(sensors: &[Written], at: InstrumentIndex) -> Vec<Stay<'_>> {
    let mut stays: Vec<Stay<'_>> = Vec::new();
    for sensor in sensors {
        let next = sensor.placements.iter().skip(1).map(|p| Some(p.from)).chain([None]);
        let pairs: Vec<(&Placed, Option<Time>)> = sensor.placements.iter().zip(next).collect();
        for (placed, until) in pairs {
            if placed.instrument == at {
                stays.push(Stay { sensor, from: placed.from, until, span: &placed.span });
            }
        }
    }
    stays.sort_by_key(|stay| stay.from);
    let next: Vec<Time> = stays.iter().skip(1).map(|stay| stay.from).collect();
    for (stay, next) in stays.iter_mut().zip(next) {
        stay.until = Some(stay.until.map_or(next, |until| until.min(next)));
    }
    stays
}

fn timeline(draft: &Draft, stays: &[Stay<'_>]) -> Vec<Calibration> {
    let mut instants: BTreeSet<Time> = draft.own.iter().map(|entry| entry.from).collect();
    for stay in stays {
        instants.insert(stay.from);
        instants.extend(stay.until);
        instants.extend(
            stay.sensor.calibrations.iter().map(|c| c.from).filter(|from| *from > stay.from),
        );
    }
    let mut merged: Vec<Calibration> = Vec::new();
    for at in instants {
        let own = last_before(&draft.own, at).map(|entry| (entry.from, entry, None));
        let there =
            stays.iter().rev().find(|s| s.from <= at && s.until.is_none_or(|until| at < until));
        let brought = there.and_then(|stay| {
            let entry = last_before(&stay.sensor.calibrations, at)?;
            Some((entry.from.max(stay.from), entry, Some(stay.sensor.serial.clone())))
        });
        let holds = match (own, brought) {
            (Some(own), Some(brought)) => Some(if own.0 > brought.0 { own } else { brought }),
            (own, brought) => own.or(brought),
        };
        let next = match holds {
            Some((_, entry, sensor)) => {
                Calibration { from: at, transfer: entry.transfer.clone(), sensor }
            }
            // Back to the bare value; a cup or gauge without a relation is told by `check`.
            None if draft.family == Family::Direct && !merged.is_empty() => Calibration {
                from: at,
                transfer: Transfer::Linear { factor: 1.0, offset: 0.0 },
                sensor: None,
            },
            None => continue,
        };
        let changed = merged
            .last()
            .is_none_or(|last| last.transfer != next.transfer || last.sensor != next.sensor);
        if changed {
            merged.push(next);
        }
    }
    merged
}

fn last_before(entries: &[Entry], at: Time) -> Option<&Entry> {
    entries.iter().rev().find(|entry| entry.from <= at)
}

/// A cup or gauge is nothing without its relation.
fn check(
    instrument: &Instrument,
    draft: &Draft,
    stays: &[Stay<'_>],
    merged: &[Calibration],
    plan: &Plan<'_>,
) {
    let example = match draft.family {
        Family::Direct => return,
        Family::Cup => {
            "[{ from = \"2026-03-01\", slope = \"0.66 m/s/Hz\", offset = \"0.3 m/s\", threshold = \"0.9 m/s\" }]"
        }
        Family::Gauge => {
            "[{ from = \"2026-03-01\", volume = \"5.0 mL\", collector_diameter = \"160 mm\" }]"
        }
    };
    let help = format!("write calibration = {example}");
    if merged.is_empty() {
        if draft.sound && plan.sensors_sound {
            let message =
                format!("`calibration` is missing in [[station.instrument]] {}", instrument.id);
            plan.report.fault(&draft.span, &message, &help);
        }
        return;
    }
    for stay in stays {
        let covered = last_before(&draft.own, stay.from).is_some()
            || last_before(&stay.sensor.calibrations, stay.from).is_some();
        if !covered && plan.sensors_sound {
            plan.report.fault(
                stay.span,
                &format!(
                    "neither the sensor `{}` nor its place has a calibration from then on",
                    stay.sensor.serial
                ),
                &help,
            );
        }
    }
}

/// One line each: calibrations as they hold at their instruments, and placements.
pub(crate) fn text(property: &Property) -> String {
    let mut lines: Vec<(Time, String, u8, String)> = Vec::new();
    let place = |instrument: &Instrument| {
        let station = property.stations.get(usize::from(instrument.station.0));
        format!("{}/{}", station.map_or("?", |s| s.id.as_str()), instrument.id)
    };
    for instrument in &property.instruments {
        for calibration in &instrument.calibrations {
            let words = words(&calibration.transfer, instrument.quantity);
            let of =
                calibration.sensor.as_ref().map_or_else(String::new, |s| format!(" of sensor {s}"));
            lines.push((
                calibration.from,
                place(instrument),
                1,
                format!("calibration{of}: {words}"),
            ));
        }
    }
    for sensor in &property.sensors {
        for placement in &sensor.placements {
            let instrument = usize::try_from(placement.instrument.0)
                .ok()
                .and_then(|i| property.instruments.get(i));
            if let Some(instrument) = instrument {
                lines.push((
                    placement.from,
                    place(instrument),
                    0,
                    format!("sensor {} placed", sensor.serial),
                ));
            }
        }
    }
    lines.sort();
    let width = lines.iter().map(|(from, ..)| when(*from).len()).max().unwrap_or(0);
    let mut out = String::new();
    for (from, place, _, what) in lines {
        let when = when(from);
        out.extend([
            &when,
            &" ".repeat(width.saturating_sub(when.len())),
            "  ",
            &place,
            "  ",
            &what,
            "\n",
        ]);
    }
    out
}
