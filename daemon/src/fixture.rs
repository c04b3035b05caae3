//! An invented property for tests of what is rendered: a thermometer that speaks every
//! half minute, a hand thermometer that speaks on change, a gauge and a cup.

use crate::clock::HandClock;
use crate::counts::Counts;
use crate::snapshot::{Live, Rain, Snapshot};
use meteorology::summaries::Extreme;
use observation::property::{
    Channel, Instrument, InstrumentIndex, Reports, Signal, Stamp, Station,
};
use observation::{
    ChannelIndex, Flag, Property, Quantity, Reading, Reasons, Series, SeriesIndex, Span,
    StationIndex, Statistic, Time, Unit,
};
use processor::Absent;
use processor::totals::{Fallen, Gusts, RainTotals, Spell};
use std::sync::Arc;

/// When everything happens.
pub const NOON: Time = Time(1_780_000_000_000);

/// Places of the instruments.
pub const SCREEN: InstrumentIndex = InstrumentIndex(0);
/// Speaks on change.
pub const HAND: InstrumentIndex = InstrumentIndex(1);
/// The gauge.
pub const GAUGE: InstrumentIndex = InstrumentIndex(2);
/// The cup.
pub const CUP: InstrumentIndex = InstrumentIndex(3);

fn instrument(id: &str, channel: u32, quantity: Quantity, reports: Reports) -> Instrument {
    Instrument {
        id: id.to_owned(),
        station: StationIndex(0),
        channel: ChannelIndex(channel),
        quantity,
        unit: Unit::parse(quantity.unit()).unwrap_or_else(|e| panic!("{e}")),
        height: Some(1.5),
        signal: Signal::Value,
        calibrations: Vec::new(),
        statistic: Statistic::Point,
        over: None,
        stamp: Stamp::End,
        reports,
        interval: Span::seconds(30),
        plausible: None,
        dead_time: Span::ZERO,
        mounting: 0.0,
    }
}

/// The property; `name` is the station's name.
pub fn property(name: &str) -> Arc<Property> {
    let quantities = [
        ("screen_temperature", Quantity::AirTemperature, Reports::Periodic),
        ("hand", Quantity::AirTemperature, Reports::OnChange),
        ("gauge", Quantity::PrecipitationDepth, Reports::OnChange),
        ("cup", Quantity::WindSpeed, Reports::Periodic),
    ];
    let mut property = Property::default();
    property.name = "Alder Croft".to_owned();
    property.time_zone = "Europe/London".to_owned();
    property.point_step = Span::minutes(1);
    property.stations = vec![Station {
        id: "orchard".to_owned(),
        name: name.to_owned(),
        latitude: 54.07,
        longitude: -2.28,
        elevation: 212.0,
        interval: Span::seconds(30),
        sleeps: false,
        oldest: Span::days(-31),
        newest: Span::seconds(60),
        time_zone: None,
        time_in_milliseconds: false,
        rate: 100.0,
        derive: observation::property::Deriving::default(),
    }];
    property.channels = (0..)
        .zip(&quantities)
        .map(|(_, (id, quantity, _)): (u32, _)| Channel {
            station: StationIndex(0),
            name: (*id).to_owned(),
            unit: Unit::parse(quantity.unit()).unwrap_or_else(|e| panic!("{e}")),
            senml_name: None,
            accepts_text: false,
        })
        .collect();
    property.instruments = (0..)
        .zip(quantities)
        .map(|(channel, (id, quantity, reports))| instrument(id, channel, quantity, reports))
        .collect();
    Arc::new(property.indexed())
}

/// The series of [`property`].
pub fn series() -> Arc<[Series]> {
    let of =
        |instrument: &str, quantity, statistic, over: Option<Span>, period: Option<Span>| Series {
            station: "orchard".to_owned(),
            instrument: instrument.to_owned(),
            quantity,
            statistic,
            over,
            period,
        };
    let ten = Some(Span::minutes(10));
    Arc::from([
        of(
            "screen_temperature",
            Quantity::AirTemperature,
            Statistic::Mean,
            None,
            Some(Span::minutes(1)),
        ),
        of("hand", Quantity::AirTemperature, Statistic::Point, None, None),
        of("gauge", Quantity::PrecipitationDepth, Statistic::Sum, None, Some(Span::minutes(1))),
        of("gauge", Quantity::RainfallRate, Statistic::Point, None, None),
        of("cup", Quantity::WindSpeed, Statistic::Mean, None, ten),
        of("cup", Quantity::WindSpeedOfGust, Statistic::Maximum, Some(Span::seconds(3)), ten),
    ])
}

/// Nothing heard yet.
pub fn silent(name: &str) -> Snapshot {
    Snapshot::empty(property(name), series(), NOON)
}

/// Everything heard at `time`.
pub fn heard(name: &str, time: Time) -> Snapshot {
    let mut snapshot = silent(name);
    let live = |value| {
        Some(Live {
            value: Some(value),
            flag: Flag::Good,
            reasons: Reasons::NONE,
            time,
            received: time,
        })
    };
    snapshot.live = vec![live(1_730), live(1_800), live(200), live(420)];
    let newest = |series, value| {
        Some(Reading {
            series: SeriesIndex(series),
            time,
            value: Some(value),
            flag: Flag::Good,
            reasons: Reasons::NONE,
            revision: 0,
            made_by: 1,
        })
    };
    snapshot.newest =
        (0..).zip([1_700, 1_800, 200, 1_200, 400, 910]).map(|(s, v)| newest(s, v)).collect();
    if let Some(station) = snapshot.stations.first_mut() {
        station.heartbeat = Some(time);
        station.seen = Some(time);
        station.latest = Some(time);
    }
    let fallen = |from: Time, steps, hours, lacking| {
        let (covered, missing) = (Span::hours(hours), Span::hours(lacking));
        Fallen { from, steps, covered, missing }
    };
    snapshot.rain = vec![Rain {
        instrument: GAUGE,
        total: 2_600,
        totals: RainTotals {
            instrument: GAUGE,
            fallen: [
                fallen(time - Span::hours(1), 400, 1, 0),
                fallen(time - Span::days(1), 3_200, 19, 5),
                fallen(time - Span::hours(3), 1_200, 3, 0),
                fallen(time - Span::days(20), 41_000, 475, 5),
                fallen(time - Span::days(140), 300_200, 3_355, 5),
            ],
            spell: Some(Spell {
                fallen: fallen(time - Span::hours(4), 1_400, 4, 0),
                last_fall: time,
                lasts: true,
            }),
        },
    }];
    let gust = |steps, at| Some(Extreme { steps, at });
    snapshot.gusts = Arc::from([Gusts {
        series: SeriesIndex(5),
        hour: gust(910, time),
        day: gust(1_430, time - Span::hours(7)),
        day_from: time - Span::hours(11),
    }]);
    snapshot.absent = Arc::from([Absent {
        station: "orchard".into(),
        quantity: Quantity::WindChillOfAirTemperature,
        since: Some(time - Span::minutes(30)),
        reason: "air_temperature is 17.3 Cel, the formula holds for -60 to 10 Cel".into(),
    }]);
    snapshot
}

/// Counters of one push source.
pub fn counts() -> Arc<Counts> {
    let clock = Arc::new(HandClock::at(NOON));
    Arc::new(Counts::new(property("Orchard"), clock, &[("push".to_owned(), "http".to_owned())]))
}
