//! Alder Croft, an invented smallholding, as the decoders see it.
#![allow(clippy::unwrap_used, clippy::expect_used, dead_code, unreachable_pub)]

use observation::property::{Channel, Gateway, Station};
use observation::{Property, Span, StationIndex, Unit};
use std::sync::Arc;

pub const ORCHARD: StationIndex = StationIndex(0);
pub const RIDGE: StationIndex = StationIndex(1);
pub const BECK: StationIndex = StationIndex(2);

pub fn station(id: &str) -> Station {
    Station {
        id: id.to_owned(),
        name: id.to_owned(),
        latitude: 54.07,
        longitude: -2.28,
        elevation: 212.0,
        interval: Span::seconds(30),
        sleeps: false,
        oldest: Span::days(-31),
        newest: Span::seconds(60),
        time_zone: None,
        time_in_milliseconds: false,
        rate: 1_000.0,
        derive: observation::property::Deriving::default(),
    }
}

fn channel(station: StationIndex, name: &str, unit: &str) -> Channel {
    Channel {
        station,
        name: name.to_owned(),
        unit: Unit::parse(unit).unwrap(),
        senml_name: None,
        accepts_text: false,
    }
}

/// Orchard: `t` Cel, `h` %, `p` hPa, `tips` 1, `point` (words); ridge: `wind_speed` m/s,
/// `wind_angle` deg, local time in London; beck: `level` m under a SenML name of its own,
/// times in milliseconds. The gateway `loft` speaks for orchard and ridge.
pub fn property() -> Arc<Property> {
    let mut ridge = station("ridge");
    ridge.time_zone = Some("Europe/London".to_owned());
    let mut beck = station("beck");
    beck.time_in_milliseconds = true;
    let mut point = channel(ORCHARD, "point", "1");
    point.accepts_text = true;
    let mut level = channel(BECK, "level", "m");
    level.senml_name = Some("urn:dev:ow:10e2073a01080063".to_owned());
    let mut property = Property::default();
    "Alder Croft".clone_into(&mut property.name);
    property.stations = vec![station("orchard"), ridge, beck];
    property.channels = vec![
        channel(ORCHARD, "t", "Cel"),
        channel(ORCHARD, "h", "%"),
        channel(ORCHARD, "p", "hPa"),
        channel(ORCHARD, "tips", "1"),
        point,
        channel(RIDGE, "wind_speed", "m/s"),
        channel(RIDGE, "wind_angle", "deg"),
        channel(RIDGE, "t", "Cel"),
        level,
    ];
    property.gateways = vec![Gateway { id: "loft".to_owned(), stations: vec![ORCHARD, RIDGE] }];
    Arc::new(property.indexed())
}
