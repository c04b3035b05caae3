//! Alder Croft, an invented smallholding: an orchard with everything, a ridge with a
//! thermometer only.

use observation::property::{
    Calibration, Channel, Instrument, InstrumentIndex, Reports, Signal, Stamp, Station, Switches,
    Transfer,
};
use observation::{
    ChannelIndex, Finite, Measured, Message, Property, Quantity, SourceIndex, Span, Stated,
    StationIndex, Statistic, Time, Unit, Value,
};
use std::sync::Arc;

pub(crate) const ORCHARD: StationIndex = StationIndex(0);
pub(crate) const RIDGE: StationIndex = StationIndex(1);
pub(crate) const T: ChannelIndex = ChannelIndex(0);
pub(crate) const P: ChannelIndex = ChannelIndex(1);
pub(crate) const TURNS: ChannelIndex = ChannelIndex(2);
pub(crate) const SWITCHES: ChannelIndex = ChannelIndex(3);
pub(crate) const TIPS: ChannelIndex = ChannelIndex(4);
pub(crate) const H: ChannelIndex = ChannelIndex(5);

/// 2026-03-01T06:00:00Z.
pub(crate) const START: i64 = 1_772_344_800;

/// So many seconds after the start.
pub(crate) fn at(seconds: i64) -> Time {
    Time((START + seconds) * 1_000)
}

pub(crate) fn station(id: &str) -> Station {
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
        rate: 1e6,
        derive: observation::property::Deriving::default(),
    }
}

pub(crate) struct Made<'a> {
    pub(crate) id: &'a str,
    pub(crate) channel: &'a str,
    pub(crate) station: StationIndex,
    pub(crate) quantity: Quantity,
    pub(crate) unit: &'a str,
    pub(crate) signal: Signal,
    pub(crate) reports: Reports,
    pub(crate) interval: Span,
    pub(crate) transfer: Option<Transfer>,
}

pub(crate) fn add(property: &mut Property, made: Made<'_>) {
    let channel = ChannelIndex(u32::try_from(property.channels.len()).unwrap());
    let unit = Unit::parse(made.unit).unwrap();
    property.channels.push(Channel {
        station: made.station,
        name: made.channel.to_owned(),
        unit: unit.clone(),
        senml_name: None,
        accepts_text: false,
    });
    let calibrations = made
        .transfer
        .map(|transfer| Calibration { from: at(-86_400 * 60), transfer, sensor: None })
        .into_iter()
        .collect();
    property.instruments.push(Instrument {
        id: made.id.to_owned(),
        station: made.station,
        channel,
        quantity: made.quantity,
        unit,
        height: None,
        signal: made.signal,
        calibrations,
        statistic: Statistic::Point,
        over: None,
        stamp: Stamp::End,
        reports: made.reports,
        interval: made.interval,
        plausible: None,
        dead_time: Span(3),
        mounting: 0.0,
    });
}

/// The property.
pub(crate) fn croft() -> Arc<Property> {
    let mut property = Property::default();
    "Alder Croft".clone_into(&mut property.name);
    (property.latitude, property.longitude, property.elevation) = (54.07, -2.28, 212.0);
    "Europe/London".clone_into(&mut property.time_zone);
    property.point_step = Span::minutes(1);
    property.stations = vec![station("orchard"), station("ridge")];
    let half = Span::seconds(30);
    let periodic = Reports::Periodic;
    let wind = Transfer::Wind { slope: 0.66, offset: 0.3, threshold: 0.9 };
    let switches =
        Switches { azimuths: [0.0, 90.0, 180.0, 270.0], closed_is: true, arcs: [135.0; 4] };
    let rows = [
        (
            "screen",
            "t",
            ORCHARD,
            Quantity::AirTemperature,
            "Cel",
            Signal::Value,
            periodic,
            half,
            None,
        ),
        (
            "barometer",
            "p",
            ORCHARD,
            Quantity::SurfaceAirPressure,
            "hPa",
            Signal::Value,
            Reports::OnChange,
            half,
            None,
        ),
        (
            "cup",
            "turns",
            ORCHARD,
            Quantity::WindSpeed,
            "1",
            Signal::PulseTotal { bits: 32 },
            periodic,
            half,
            Some(wind),
        ),
        (
            "vane",
            "switches",
            ORCHARD,
            Quantity::WindFromDirection,
            "1",
            Signal::Switches(switches),
            periodic,
            half,
            None,
        ),
        (
            "gauge",
            "tips",
            ORCHARD,
            Quantity::PrecipitationDepth,
            "1",
            Signal::ChangeTotal { bits: 16 },
            Reports::OnChange,
            half,
            Some(Transfer::Depth(0.25)),
        ),
        (
            "hygrometer",
            "h",
            ORCHARD,
            Quantity::RelativeHumidity,
            "%",
            Signal::Value,
            periodic,
            Span::minutes(1),
            None,
        ),
        (
            "screen",
            "t",
            RIDGE,
            Quantity::AirTemperature,
            "Cel",
            Signal::Value,
            periodic,
            half,
            None,
        ),
    ];
    for (id, channel, station, quantity, unit, signal, reports, interval, transfer) in rows {
        let made =
            Made { id, channel, station, quantity, unit, signal, reports, interval, transfer };
        add(&mut property, made);
    }
    // At 212 m the pressure at sea level takes twelve hours of a thermometer.
    property.stations[0].derive.column_thermometer = Some(InstrumentIndex(0));
    property.stations[0].derive.also = vec![Quantity::Humidex, Quantity::WindChillOfAirTemperature];
    Arc::new(property.indexed())
}

/// A number of a channel.
pub(crate) fn value(channel: ChannelIndex, number: f64, stated: Stated) -> Measured {
    Measured { channel, value: Value::Number(Finite::new(number).unwrap()), stated }
}

/// A message of the orchard.
pub(crate) fn message(received: Time, samples: Vec<Measured>) -> Message {
    Message {
        station: ORCHARD,
        source: SourceIndex(0),
        boot: None,
        sequence: None,
        received,
        early: false,
        redelivery: None,
        samples,
    }
}

/// A message of one sample that states its time and arrives then.
pub(crate) fn told(channel: ChannelIndex, number: f64, seconds: i64) -> Message {
    message(at(seconds), vec![value(channel, number, Stated::At(at(seconds)))])
}

/// A message of one sample without a time.
pub(crate) fn bare(channel: ChannelIndex, number: f64, seconds: i64) -> Message {
    message(at(seconds), vec![value(channel, number, Stated::Nothing)])
}
