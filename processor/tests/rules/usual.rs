//! What is usual between neighbours: learned from a month, and not from hours in which
//! something is held of either.

use crate::croft::{Made, add, at, message, station, value};
use crate::log::Croft;
use observation::property::{Reports, Signal};
use observation::{ChannelIndex, Message, Property, Quantity, Span, Stated, StationIndex};
use std::sync::Arc;

/// Three stations with a thermometer each and the first two with a barometer.
fn property() -> Arc<Property> {
    let mut property = Property::default();
    property.point_step = Span::minutes(1);
    for id in ["ridge", "orchard", "hedge"] {
        let mut one = station(id);
        one.interval = Span::minutes(30);
        property.stations.push(one);
    }
    for (place, quantity, unit) in [
        (0, Quantity::AirTemperature, "Cel"),
        (1, Quantity::AirTemperature, "Cel"),
        (2, Quantity::AirTemperature, "Cel"),
        (0, Quantity::SurfaceAirPressure, "hPa"),
        (1, Quantity::SurfaceAirPressure, "hPa"),
    ] {
        let id = if unit == "Cel" { "screen" } else { "barometer" };
        let (station, interval, transfer) = (StationIndex(place), Span::minutes(30), None);
        let (signal, reports) = (Signal::Value, Reports::Periodic);
        let made =
            Made { id, channel: id, station, quantity, unit, signal, reports, interval, transfer };
        add(&mut property, made);
    }
    Arc::new(property.indexed())
}

/// Half hours of invented days; the second station is 0.5 K warmer than the first, the third
/// 1.5 K colder. Of the second's messages only one in `arrives` comes.
fn days(croft: &mut Croft, days: std::ops::Range<i64>, arrives: i64) {
    for half_hour in days.start * 48..days.end * 48 {
        let time = half_hour * 1_800;
        let wobble = |n: i64| (half_hour * (7_919 + 13 * n) % 101) as f64 / 1_010.0 - 0.05;
        let air = 9.0 + 5.0 * (half_hour as f64 / 48.0 * std::f64::consts::TAU).sin();
        let pressure = 988.0 + 6.0 * (half_hour as f64 / 177.0).sin();
        for (place, said) in [
            (0, vec![(0, air + wobble(1)), (3, pressure + wobble(4))]),
            (1, vec![(1, air + 0.5 + wobble(2)), (4, pressure + 0.3 + wobble(5))]),
            (2, vec![(2, air - 1.5 + wobble(3))]),
        ] {
            if place == 1 && half_hour % arrives != 0 {
                continue;
            }
            let sample =
                |(channel, number)| value(ChannelIndex(channel), number, Stated::At(at(time)));
            let samples = said.into_iter().map(sample).collect();
            croft.take(Message { station: StationIndex(place), ..message(at(time), samples) });
        }
        if half_hour % 48 == 47 {
            croft.commit();
        }
    }
}

/// Usual difference and hours of the thermometers of two stations.
fn usual(croft: &Croft, first: u16, second: u16) -> Option<(f64, usize)> {
    let pairs = croft.processor.usual_pairs();
    assert!(
        pairs.iter().all(|p| p.quantity == Quantity::AirTemperature),
        "barometers at two heights are compared at one: {pairs:?}"
    );
    let stations = [StationIndex(first), StationIndex(second)];
    pairs.iter().find(|p| p.stations == stations).map(|p| (p.usual.bias, p.usual.count))
}

#[test]
fn a_band_is_learned_after_a_week_and_kept_from_what_is_held_to_be_wrong() {
    let mut croft = Croft::with(property());
    days(&mut croft, 0..6, 1);
    assert_eq!(usual(&croft, 0, 1), None, "six days are too few");
    days(&mut croft, 6..40, 1);
    let (bias, hours) = usual(&croft, 0, 1).expect("a month was seen");
    assert!((bias + 0.5).abs() < 0.05 && hours > 600, "{bias} of {hours} h");
    let (bias, _) = usual(&croft, 0, 2).expect("a month was seen");
    assert!((bias - 1.5).abs() < 0.05, "{bias}");

    // Every other message is lost: the hours are there, but something is held of the station.
    days(&mut croft, 40..54, 2);
    let held = croft.processor.diagnoses();
    let since = held.iter().find(|d| d.station.as_deref() == Some("orchard")).expect("it is told");
    let before = (since.since - at(24 * 86_400)).as_seconds() / 3_600.0;
    let (_, hours) = usual(&croft, 0, 1).expect("days before are remembered");
    assert!((hours as f64 - before).abs() < 24.0, "{hours} h, {before} h before it was held");
    let (_, hours) = usual(&croft, 0, 2).expect("nothing is held of these");
    assert!(hours > 600, "{hours}");
}
