//! A battery that falls from day to day, and messages that do not arrive.

use crate::croft::{Made, ORCHARD, T, add, at, croft, message, value};
use crate::log::Croft;
use observation::property::{Reports, Signal};
use observation::{ChannelIndex, Property, Quantity, Span, Stated};
use std::sync::Arc;

const DAY: i64 = 86_400;

fn with_battery() -> (Arc<Property>, ChannelIndex) {
    let mut property: Property = (*croft()).clone();
    let battery = ChannelIndex(u32::try_from(property.channels.len()).unwrap());
    add(
        &mut property,
        Made {
            id: "battery",
            channel: "battery",
            station: ORCHARD,
            quantity: Quantity::BatteryVoltage,
            unit: "V",
            signal: Signal::Value,
            reports: Reports::OnChange,
            interval: Span::minutes(30),
            transfer: None,
        },
    );
    for station in &mut property.stations {
        station.interval = Span::minutes(30);
    }
    for instrument in &mut property.instruments {
        instrument.interval = Span::minutes(30);
    }
    (Arc::new(property.indexed()), battery)
}

/// A message each half hour for some days: what the battery says and whether it arrives.
fn days(
    croft: &mut Croft,
    battery: ChannelIndex,
    days: std::ops::Range<i64>,
    says: impl Fn(i64, i64) -> Option<f64>,
) {
    for day in days {
        for part in 0..48 {
            let Some(voltage) = says(day, part) else { continue };
            let time = day * DAY + part * 1_800;
            let stated = Stated::At(at(time));
            let air = 10.0 + (part % 7) as f64 * 0.1;
            croft.take(message(
                at(time),
                vec![value(T, air, stated), value(battery, voltage, stated)],
            ));
        }
        croft.commit();
    }
}

fn open(croft: &Croft, cause: &str) -> Option<(Option<String>, Option<String>, f64, f64)> {
    let found = croft.processor.diagnoses().iter().find(|d| d.cause == cause)?;
    Some((found.station.clone(), found.instrument.clone(), found.size?, found.confidence))
}

/// Lower at dawn than at noon.
fn voltage(level: f64, part: i64) -> f64 {
    level + 0.1 * ((part - 12) as f64 / 24.0 * std::f64::consts::PI).cos().abs()
}

#[test]
fn a_battery_that_falls_is_told_and_closed_when_it_is_well_again() {
    let (property, battery) = with_battery();
    let mut croft = Croft::with(property);
    days(&mut croft, battery, 0..12, |_, part| Some(voltage(3.9, part)));
    assert_eq!(open(&croft, "battery_failing"), None);
    days(&mut croft, battery, 12..24, |day, part| {
        Some(voltage(3.9 - 0.02 * (day - 11) as f64, part))
    });
    let (station, instrument, size, confidence) =
        open(&croft, "battery_failing").expect("it falls by 20 mV a day");
    assert_eq!(station.as_deref(), Some("orchard"));
    assert_eq!(instrument.as_deref(), Some("battery"));
    // Medians of three days at both ends of ten: seven days apart.
    assert!((size + 0.14).abs() < 0.021, "{size}");
    assert!((0.6..=0.9).contains(&confidence), "{confidence}");
    assert_eq!(open(&croft, "radio_dropouts"), None);
    days(&mut croft, battery, 24..36, |_, part| Some(voltage(3.95, part)));
    assert_eq!(open(&croft, "battery_failing"), None);
}

#[test]
fn messages_that_do_not_arrive_are_told_and_a_station_that_came_later_is_not_blamed() {
    let (property, battery) = with_battery();
    let mut croft = Croft::with(property);
    let every = |lost: i64| move |_: i64, part: i64| (part % 12 >= lost).then_some(3.9);
    days(&mut croft, battery, 0..12, every(0));
    assert_eq!(open(&croft, "radio_dropouts"), None);
    days(&mut croft, battery, 12..18, every(4));
    let (station, instrument, size, _) =
        open(&croft, "radio_dropouts").expect("a third does not arrive");
    assert_eq!((station.as_deref(), instrument), (Some("orchard"), None));
    assert!((size - 1.0 / 3.0).abs() < 0.01, "{size}");
    days(&mut croft, battery, 18..24, every(0));
    assert_eq!(open(&croft, "radio_dropouts"), None);
}

#[test]
fn what_comes_later_the_same_day_was_not_lost() {
    let (property, battery) = with_battery();
    let mut croft = Croft::with(property);
    days(&mut croft, battery, 0..9, |_, _| Some(3.9));
    for day in 9..13 {
        // Nothing from noon on, all of it in the evening.
        days(&mut croft, battery, day..day + 1, |_, part| (part < 24).then_some(3.9));
        for part in 24..48 {
            let stated = Stated::At(at(day * DAY + part * 1_800));
            let samples = vec![value(T, 11.0, stated), value(battery, 3.9, stated)];
            croft.take(message(at((day + 1) * DAY - 60), samples));
        }
    }
    days(&mut croft, battery, 13..14, |_, _| Some(3.9));
    assert_eq!(open(&croft, "radio_dropouts"), None);
}
