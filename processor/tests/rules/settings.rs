//! A change of settings that leaves alone what is compared leaves alone what was learned.

use crate::croft::{Made, ORCHARD, add, at, message, station, value};
use crate::log::Croft;
use observation::property::{Reports, Signal};
use observation::{ChannelIndex, Message, Property, Quantity, Span, Stated, StationIndex};
use processor::{Options, Processor};
use std::sync::Arc;

/// Days before the settings change: a neighbourhood is learned for 45.
const BEFORE: i64 = 52;

/// Three stations with a thermometer each, and a battery before the first where asked for.
fn property(interval: Span, battery: bool) -> Property {
    let mut property = Property::default();
    (property.latitude, property.longitude, property.elevation) = (54.07, -2.28, 212.0);
    property.point_step = Span::minutes(1);
    property.stations = vec![station("orchard"), station("ridge"), station("field")];
    for (place, station) in property.stations.iter_mut().enumerate() {
        station.interval = interval;
        station.longitude += 0.001 * place as f64;
    }
    let reports = Reports::Periodic;
    let mut instrument = |id, station, quantity, unit| {
        let (signal, transfer) = (Signal::Value, None);
        let made =
            Made { id, channel: id, station, quantity, unit, signal, reports, interval, transfer };
        add(&mut property, made);
    };
    if battery {
        instrument("battery", ORCHARD, Quantity::BatteryVoltage, "V");
    }
    for station in (0..3).map(StationIndex) {
        instrument("screen", station, Quantity::AirTemperature, "Cel");
    }
    property.indexed()
}

/// What the thermometers say at a half hour; the ridge's stands still from
/// day 50 on.
fn said(half_hour: i64) -> impl Iterator<Item = Message> {
    let phase = (half_hour % 48) as f64 / 48.0 * std::f64::consts::TAU;
    let time = at(half_hour * 1_800);
    (0..3_u16).map(move |place| {
        let wobble = ((half_hour * 7_919 + i64::from(place) * 104_729) % 101) as f64 / 505.0;
        let stuck = place == 1 && half_hour >= 50 * 48;
        let air = if stuck { 11.7 } else { 12.0 - 5.0 * phase.cos() + wobble };
        let air = value(ChannelIndex(u32::from(place)), air, Stated::At(time));
        Message { station: StationIndex(place), ..message(time, vec![air]) }
    })
}

#[test]
fn what_was_learned_outlives_settings_that_leave_alone_what_is_compared() {
    let half_hour = Span::minutes(30);
    let mut croft = Croft::with(Arc::new(property(half_hour, false)));
    for half_hour in 0..BEFORE * 48 {
        said(half_hour).for_each(|message| croft.take(message));
        croft.commit();
    }
    let before = &croft.processor;
    let saved = before.save();
    let learned = || before.learned().expect("hours were judged");
    let text = serde_json::to_string(&learned()).unwrap();
    let found = before.diagnoses().iter().find(|d| d.station.as_deref() == Some("ridge"));
    assert!(
        found.is_some(),
        "a thermometer 3 K too warm for twenty days: {:?} {:?} {}",
        before.diagnoses(),
        before.judged(),
        text.len()
    );

    let after = |changed: Property| {
        let mut processor = Processor::new(Arc::new(changed), Options::default());
        processor.restore(&saved);
        processor.restore_learned(Some(learned()));
        processor
    };
    let mut higher = property(half_hour, false);
    higher.stations[1].rate = 7.0;
    for (what, changed) in [
        ("another interval", property(Span::minutes(10), false)),
        ("a battery, before all thermometers", property(half_hour, true)),
        ("another rate", higher),
    ] {
        let again = after(changed);
        assert_eq!(again.judged(), before.judged(), "{what}");
        assert_eq!(serde_json::to_string(&again.learned()).unwrap(), text, "{what}");
        assert_eq!(again.diagnoses(), before.diagnoses(), "{what}");
    }

    let mut moved = property(half_hour, false);
    moved.stations[1].elevation += 20.0;
    let mut another = property(half_hour, false);
    another.instruments[1].id = "hut".to_owned();
    for (what, changed) in [("a station that moved", moved), ("another thermometer", another)] {
        let again = after(changed);
        assert_eq!(again.judged(), None, "{what}");
        assert_eq!(again.diagnoses(), [], "{what}");
    }
}
