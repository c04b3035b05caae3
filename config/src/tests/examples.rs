//! The examples that are delivered load as they stand.

use super::load_with;
use crate::load;
use observation::days::DayStart;
use observation::property::{InstrumentIndex, Reports, Signal, Transfer};
use observation::{Quantity, Span, Time};
use std::path::{Path, PathBuf};

fn example(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("examples").join(name)
}

const ALL: [&str; 6] = [
    "forwarding.toml",
    "http-push.toml",
    "mqtt.toml",
    "mqtt-inlet.toml",
    "serial.toml",
    "three-stations.toml",
];

#[test]
fn every_example_loads_and_warns_of_nothing_but_its_example_tokens() {
    let mut found: Vec<String> = std::fs::read_dir(example(""))
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .filter(|name| Path::new(name).extension().is_some_and(|e| e == "toml"))
        .collect();
    found.sort();
    let mut expected = ALL.map(str::to_owned);
    expected.sort();
    assert_eq!(found, expected);
    for name in ALL {
        let settings = load(&example(name), &["history.directory=\"/tmp/alder-croft\"".to_owned()])
            .unwrap_or_else(|faults| panic!("{}", faults.render(false)));
        assert_eq!(settings.history.directory, Path::new("/tmp/alder-croft"), "{name}");
        assert!(!settings.sources.is_empty(), "{name}");
        assert!(!settings.property.instruments.is_empty(), "{name}");
        for warning in &settings.warnings {
            assert!(warning.message().contains("example"), "{name}: {warning}");
        }
        for file in &settings.credentials {
            assert!(file.read().unwrap().reveal().starts_with("example-alder-croft-"), "{name}");
        }
    }
}

#[test]
fn three_stations_mean_what_their_comments_say() {
    let settings = load(&example("three-stations.toml"), &[]).unwrap();
    let property = &settings.property;
    let orchard = property.station("orchard").unwrap();
    let ridge = property.station("ridge").unwrap();
    assert_eq!(property.stations.len(), 3);
    let station = &property.stations[usize::from(orchard.0)];
    assert!(station.sleeps);
    assert_eq!((station.oldest, station.newest), (Span::days(-31), Span::seconds(60)));
    assert_eq!(station.interval, Span::seconds(30));
    assert!((property.stations[usize::from(ridge.0)].elevation - 231.0).abs() < 1e-9);
    assert_eq!(property.days.rain, DayStart { after_midnight: Span::hours(9), utc: true });

    let derive = &property.stations[usize::from(ridge.0)].derive;
    let named = |index: Option<InstrumentIndex>| {
        let instrument = &property.instruments[index.unwrap().0 as usize];
        (instrument.station, instrument.id.as_str())
    };
    assert_eq!(named(derive.column_thermometer), (ridge, "screen_temperature"));
    assert_eq!(named(derive.hygrometer), (orchard, "screen_humidity"));
    assert_eq!(derive.also, [Quantity::WindChillOfAirTemperature]);
    assert_eq!(derive.thermometer, None, "the first one is meant");

    let tips = property.channel(orchard, "tips").unwrap();
    let (_, gauge) = property.instruments_of(tips).next().unwrap();
    assert_eq!(gauge.quantity, Quantity::PrecipitationDepth);
    assert_eq!(gauge.signal, Signal::ChangeTotal { bits: 16 });
    assert_eq!(gauge.dead_time, Span(300));
    // 5 mL over a circle of 160 mm: 5,000 mm3 / (pi * 80 mm * 80 mm).
    let Transfer::Depth(depth) = gauge.calibrations[0].transfer else { panic!("no depth") };
    assert!((depth - 0.248_68).abs() < 1e-5, "{depth}");

    let rpm = property.channel(ridge, "rpm").unwrap();
    assert_eq!(property.channels[rpm.0 as usize].unit.code(), "/min");

    // A7 went from the orchard to the ridge; B3, which has no calibration, came instead.
    let t = property.channel(orchard, "t").unwrap();
    let (_, screen) = property.instruments_of(t).next().unwrap();
    let moved = Time::parse("2026-09-12T10:30:00Z").unwrap();
    let held: Vec<_> = screen
        .calibrations
        .iter()
        .map(|c| (c.from, c.transfer.clone(), c.sensor.as_deref()))
        .collect();
    assert_eq!(
        held,
        [
            (
                Time::parse("2026-03-01T00:00:00Z").unwrap(),
                Transfer::Linear { factor: 1.0, offset: -0.2 },
                Some("A7"),
            ),
            (moved, Transfer::Linear { factor: 1.0, offset: 0.0 }, None),
        ]
    );
    let t = property.channel(ridge, "t").unwrap();
    let (_, screen) = property.instruments_of(t).next().unwrap();
    assert_eq!(screen.calibrations.len(), 1);
    assert_eq!(screen.calibrations[0].from, moved);
    let paddock = property.station("paddock").unwrap();
    assert_eq!(property.gateways[0].stations, [paddock]);
    let battery = property.channel(paddock, "battery").unwrap();
    assert_eq!(property.instruments_of(battery).next().unwrap().1.reports, Reports::Adaptive);
    assert_eq!(
        settings.timeline().lines().find(|line| line.contains("2026-09-12")),
        Some("2026-09-12T10:30:00Z  orchard/screen_temperature  sensor B3 placed")
    );
}

#[test]
fn the_supply_of_a_ladder_is_a_channel_in_the_signals_unit() {
    let settings = load(&example("mqtt.toml"), &[]).unwrap();
    let property = &settings.property;
    let ridge = property.station("ridge").unwrap();
    let supply = property.channel(ridge, "vane_supply").unwrap();
    assert_eq!(property.channels[supply.0 as usize].unit.code(), "mV");
    let vane = property.channel(ridge, "vane").unwrap();
    let (_, vane) = property.instruments_of(vane).next().unwrap();
    let Signal::Ratio(ratio) = &vane.signal else { panic!("no ratio") };
    assert_eq!(ratio.supply, Some(supply));
    assert_eq!(ratio.bands.len(), 8);
    assert!((vane.mounting - 4.0).abs() < 1e-9);
}

/// The settings file of the design's contract, word for word but for its token file.
const CONTRACT: &str = include_str!("contract.toml");

#[test]
fn the_shape_that_is_a_contract_loads() {
    let folder = super::Folder::new();
    folder.write("orchard.token", "one-token-of-alder-croft\n");
    let path = folder.write("isobarn.toml", CONTRACT);
    let settings = load(&path, &[]).unwrap_or_else(|faults| panic!("{}", faults.render(false)));
    let names: Vec<_> =
        settings.sources.iter().map(|s| (s.index, s.kind.as_str(), s.name.as_str())).collect();
    assert_eq!(
        names,
        [
            (0, "http", "push"),
            (1, "mqtt", "house"),
            (2, "mqtt_inlet", "yard"),
            (3, "serial", "mast")
        ]
    );
    assert_eq!(settings.forwarders.len(), 1);
    assert_eq!(settings.property.instruments.len(), 4);
    assert_eq!(settings.warnings, []);
    let again = load(&path, &["http.listen=127.0.0.1:0".to_owned()]).unwrap();
    assert_eq!(again.fingerprint, settings.fingerprint, "listeners make no readings");
    assert_ne!(again.text, settings.text);
    let other = load(&path, &["station.0.interval=\"20 s\"".to_owned()]).unwrap();
    assert_ne!(other.fingerprint, settings.fingerprint);
}

#[test]
fn an_unused_secret_is_not_looked_for() {
    let text = format!(
        "{}[[station]]\nid = \"orchard\"\ntoken_file = \"nowhere.token\"\n",
        super::PROPERTY
    );
    let folder = super::Folder::new();
    let path = folder.write("isobarn.toml", &text);
    assert!(crate::load_without_secrets(&path, &[]).is_ok());
    assert!(load_with(&text, &[]).is_err());
}
