//! An invented property for the tests of this room.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use observation::property::{Channel, Instrument, Property, Reports, Signal, Stamp, Station};
use observation::sample::Redelivery;
use observation::{
    ChannelIndex, Finite, Flag, Measured, Message, Quantity, Reading, Reason, Reasons, Series,
    SeriesIndex, SourceIndex, Span, Stated, StationIndex, Statistic, Time, Unit, Value,
};

/// 2026-03-01T06:00:00Z.
pub(crate) const START: Time = Time(1_772_344_800_000);

/// Stations `orchard` and `ridge` with `channels` channels each.
pub(crate) fn property(channels: u32) -> Property {
    let mut property = Property::default();
    property.name = "Alder Croft".into();
    for (index, id) in ["orchard", "ridge"].into_iter().enumerate() {
        property.stations.push(Station {
            id: id.into(),
            name: id.into(),
            latitude: 54.07,
            longitude: -2.28,
            elevation: 212.0,
            interval: Span::minutes(1),
            sleeps: false,
            oldest: Span::days(-31),
            newest: Span::minutes(1),
            time_zone: None,
            time_in_milliseconds: false,
            rate: 100.0,
            derive: observation::property::Deriving::default(),
        });
        let station = StationIndex(u16::try_from(index).unwrap());
        for n in 0..channels {
            let channel = ChannelIndex(u32::try_from(property.channels.len()).unwrap());
            let unit = Unit::parse("Cel").unwrap();
            property.channels.push(Channel {
                station,
                name: format!("t{n}"),
                unit: unit.clone(),
                senml_name: None,
                accepts_text: false,
            });
            property.instruments.push(Instrument {
                id: format!("thermometer_{n}"),
                station,
                channel,
                quantity: Quantity::AirTemperature,
                unit,
                height: Some(1.5),
                signal: Signal::Value,
                calibrations: Vec::new(),
                statistic: Statistic::Point,
                over: None,
                stamp: Stamp::End,
                reports: Reports::Periodic,
                interval: Span::minutes(1),
                plausible: None,
                dead_time: Span::ZERO,
                mounting: 0.0,
            });
        }
    }
    property.indexed()
}

/// One series for each instrument.
pub(crate) fn series(property: &Property) -> Vec<Series> {
    property
        .instruments
        .iter()
        .map(|i| Series {
            station: property.stations[usize::from(i.station.0)].id.clone(),
            instrument: i.id.clone(),
            quantity: i.quantity,
            statistic: Statistic::Mean,
            over: None,
            period: Some(Span::minutes(1)),
        })
        .collect()
}

pub(crate) fn sources() -> Vec<String> {
    vec!["push".into(), "yard".into()]
}

pub(crate) fn number(value: f64) -> Value {
    Value::Number(Finite::new(value).unwrap())
}

/// A message of the first channels of a station, with the time of its arrival stated.
pub(crate) fn message(station: u16, channels: &[u32], received: Time, value: f64) -> Message {
    Message {
        station: StationIndex(station),
        source: SourceIndex(0),
        boot: None,
        sequence: None,
        received,
        early: false,
        redelivery: None,
        samples: channels
            .iter()
            .map(|c| Measured {
                channel: ChannelIndex(*c),
                value: number(value),
                stated: Stated::At(received),
            })
            .collect(),
    }
}

pub(crate) fn reading(series: u32, time: Time, value: i64, revision: u32) -> Reading {
    Reading {
        series: SeriesIndex(series),
        time,
        value: Some(value),
        flag: Flag::Good,
        reasons: Reasons::NONE,
        revision,
        made_by: 1,
    }
}

/// Any message that the property's indices allow, from a stream of random numbers.
pub(crate) fn any_message(random: &mut fastrand::Rng, channels: u32, received: Time) -> Message {
    let words = ["", "a1", "b2", "a-much-longer-boot-identifier", "grüße"];
    let stated = |random: &mut fastrand::Rng| match random.u8(..8) {
        0 => Stated::Nothing,
        1 => Stated::Relative(-random.i64(0..1 << 28)),
        2 => Stated::Unplaceable,
        3 => Stated::At(Time(random.i64(..))),
        _ => Stated::At(received - Span(random.i64(0..100_000))),
    };
    let whole = stated(random);
    let each = random.u8(..4) == 0;
    let count = random.u32(..channels);
    let samples = (0..count)
        .map(|_| Measured {
            channel: ChannelIndex(random.u32(..channels)),
            value: match random.u8(..8) {
                0 => Value::Text(words[random.usize(..words.len())].into()),
                1 => number(
                    Some(f64::from_bits(random.u64(..)))
                        .filter(|v| v.is_finite())
                        .unwrap_or(1.0 / 3.0),
                ),
                2 => number(f64::from(random.f32())),
                _ => number(f64::from(random.i32(-5_000..5_000)) / 100.0),
            },
            stated: if each { stated(random) } else { whole },
        })
        .collect();
    let mut word = || words[random.usize(..words.len())];
    let (boot, client, topic) = (word(), word(), word());
    Message {
        station: StationIndex(random.u16(..2)),
        source: SourceIndex(random.u16(..2)),
        boot: random.bool().then(|| boot.into()),
        sequence: random.bool().then(|| random.u64(..)),
        received,
        early: random.bool(),
        redelivery: random.bool().then(|| Redelivery {
            client: client.into(),
            connection: random.u64(..),
            topic: topic.into(),
            packet: random.u16(..),
            again: random.bool(),
        }),
        samples,
    }
}

pub(crate) fn any_reading(random: &mut fastrand::Rng, series: u32) -> Reading {
    let reasons = Reason::ALL.into_iter().filter(|_| random.u8(..6) == 0).collect::<Reasons>();
    Reading {
        series: SeriesIndex(random.u32(..series)),
        time: Time(START.0 + random.i64(0..100) * 60_000),
        value: (random.u8(..8) > 0).then(|| random.i64(..) >> random.u32(..64)),
        flag: Flag::ALL[random.usize(..6)],
        reasons,
        revision: if random.bool() { 0 } else { random.u32(..) },
        made_by: if random.bool() { 1 } else { random.u32(..) },
    }
}
