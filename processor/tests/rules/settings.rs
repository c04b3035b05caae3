//! A change of settings loses what was learned of what it changes, and nothing else.

use crate::croft::{Made, ORCHARD, add, at, message, station, value};
use crate::log::Croft;
use crate::outlook::Nothing;
use observation::diagnosis::Stage;
use observation::property::{Calibration, Reports, Signal, Transfer};
use observation::{ChannelIndex, Message, Property, Quantity, Span, Stated, StationIndex};
use processor::{Options, Output, Processor, Resumed};
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
        let resumed = processor.restore_learned(Some(learned()));
        (processor, resumed)
    };
    let mut higher = property(half_hour, false);
    higher.stations[1].rate = 7.0;
    for (what, changed) in [
        ("another interval", property(Span::minutes(10), false)),
        ("a battery, before all thermometers", property(half_hour, true)),
        ("another rate", higher),
    ] {
        let (again, resumed) = after(changed);
        assert_eq!(resumed, Resumed::Whole, "{what}");
        assert_eq!(again.judged(), before.judged(), "{what}");
        assert_eq!(serde_json::to_string(&again.learned()).unwrap(), text, "{what}");
        assert_eq!(again.diagnoses(), before.diagnoses(), "{what}");
    }

    let closed = |mut processor: Processor| {
        processor.resume();
        let mut out = Output::default();
        let later = BEFORE * 48 + 4;
        for message in said(later) {
            processor.take(message, 1_000_000, &mut Nothing, &mut out);
        }
        processor.walk(at(later * 1_800 + 60), &mut Nothing, &mut out);
        let closed = out.diagnoses.iter().filter(|d| d.stage == Stage::Closed);
        closed.map(|d| (d.station.clone(), d.cause.clone())).collect::<Vec<_>>()
    };
    let mut moved = property(half_hour, false);
    moved.stations[1].elevation += 20.0;
    let mut another = property(half_hour, false);
    another.instruments[1].id = "hut".to_owned();
    let mut calibrated = property(half_hour, false);
    let transfer = Transfer::Linear { factor: 1.0, offset: -0.5 };
    calibrated.instruments[1].calibrations =
        vec![Calibration { from: at(0), transfer, sensor: None }];
    for (what, changed, name) in [
        ("a station that moved", moved, "ridge"),
        ("another thermometer", another, "ridge/hut"),
        ("another calibration", calibrated, "ridge/screen"),
    ] {
        let (again, resumed) = after(changed);
        assert_eq!(resumed, Resumed::But(vec![name.to_owned()]), "{what}");
        assert_eq!(again.judged(), before.judged(), "{what}");
        assert_eq!(again.diagnoses(), [], "{what}");
        let ended = closed(again);
        assert_eq!(ended.len(), before.diagnoses().len(), "{what}: {ended:?}");
    }

    for place in [0, 3] {
        let (again, resumed) = after(with_yard(property(half_hour, false), place));
        assert_eq!(resumed, Resumed::But(vec!["yard".to_owned()]), "before place {place}");
        assert_eq!(again.diagnoses(), before.diagnoses(), "before place {place}");
        if place == 3 {
            assert_eq!(closed(again), []);
        }
    }
}

/// Another station with a thermometer, at a place among the others.
fn with_yard(mut property: Property, place: usize) -> Property {
    let mut yard = property.stations[0].clone();
    (yard.id, yard.longitude) = ("yard".to_owned(), yard.longitude - 0.002);
    property.stations.insert(place, yard);
    let behind = |station: &mut StationIndex| {
        if usize::from(station.0) >= place {
            station.0 += 1;
        }
    };
    property.channels.iter_mut().for_each(|channel| behind(&mut channel.station));
    property.instruments.iter_mut().for_each(|instrument| behind(&mut instrument.station));
    let station = StationIndex(u16::try_from(place).unwrap());
    let (signal, reports, interval) = (Signal::Value, Reports::Periodic, Span::minutes(30));
    let (quantity, unit, transfer) = (Quantity::AirTemperature, "Cel", None);
    let (id, channel) = ("screen", "screen");
    add(
        &mut property,
        Made { id, channel, station, quantity, unit, signal, reports, interval, transfer },
    );
    property.indexed()
}

#[test]
fn what_an_older_version_saved_is_read_or_learned_anew() {
    let half_hour = Span::minutes(30);
    let mut croft = Croft::with(Arc::new(property(half_hour, false)));
    for half_hour in 0..BEFORE * 48 {
        said(half_hour).for_each(|message| croft.take(message));
        croft.commit();
    }
    let before = &croft.processor;
    let mut saved = serde_json::to_value(before.save()).unwrap();
    let compare = saved["compare"].as_object_mut().unwrap();
    assert!(compare.remove("roster").is_some() && compare.remove("names").is_some());
    let mut learned = serde_json::to_value(before.learned().unwrap()).unwrap();
    assert!(learned.as_object_mut().unwrap().remove("roster").is_some());
    let again = |property: Property| {
        let mut again = Processor::new(Arc::new(property), Options::default());
        again.restore(&serde_json::from_value(saved.clone()).unwrap());
        let resumed = again.restore_learned(Some(serde_json::from_value(learned.clone()).unwrap()));
        (again.diagnoses().to_vec(), resumed)
    };
    assert_eq!(again(property(half_hour, false)), (before.diagnoses().to_vec(), Resumed::Whole));
    let other = with_yard(property(half_hour, false), 3);
    assert_eq!(again(other), (Vec::new(), Resumed::Nothing), "it cannot be told what changed");
}
