//! The chance of rain: made hour by hour from what is published, scored twelve hours later,
//! told to people only when it is proven, and none the worse for a restart.

use crate::croft::{Made, ORCHARD, add, at, message, station, value};
use observation::property::{Reports, Signal};
use observation::{
    ChannelIndex, Flag, Message, Property, Quantity, Reading, Reason, SeriesIndex, Span, Stated,
    StationIndex, Time,
};
use processor::{Held, Options, Output, Processor, Recall};
use std::sync::Arc;

/// A log in which nothing older is ever found.
pub(crate) struct Nothing;

impl Recall for Nothing {
    fn record(&mut self, _: u64, _: StationIndex) -> Vec<Held> {
        Vec::new()
    }
    fn day(&mut self, _: StationIndex, _: i64) -> Vec<Held> {
        Vec::new()
    }
    fn samples(&mut self, _: ChannelIndex, _: Time, _: Time) -> Vec<Held> {
        Vec::new()
    }
    fn reading(&mut self, _: SeriesIndex, _: Time) -> Option<Reading> {
        None
    }
    fn readings(&mut self, _: &[SeriesIndex], _: Time, _: Time) -> Vec<Reading> {
        Vec::new()
    }
}

/// One station that speaks every half hour.
fn property() -> Arc<Property> {
    let mut property = Property::default();
    (property.latitude, property.longitude, property.elevation) = (54.07, -2.28, 20.0);
    property.point_step = Span::minutes(1);
    let mut orchard = station("orchard");
    (orchard.interval, orchard.elevation) = (Span::minutes(30), 20.0);
    property.stations = vec![orchard];
    for (id, quantity, unit) in [
        ("screen", Quantity::AirTemperature, "Cel"),
        ("hygrometer", Quantity::RelativeHumidity, "%"),
        ("barometer", Quantity::SurfaceAirPressure, "hPa"),
        ("cup", Quantity::WindSpeed, "m/s"),
        ("vane", Quantity::WindFromDirection, "deg"),
        ("gauge", Quantity::PrecipitationDepth, "mm"),
    ] {
        let (station, interval, transfer) = (ORCHARD, Span::minutes(30), None);
        let (signal, reports) = (Signal::Value, Reports::Periodic);
        let made =
            Made { id, channel: id, station, quantity, unit, signal, reports, interval, transfer };
        add(&mut property, made);
    }
    Arc::new(property.indexed())
}

/// An invented weather: every third day the pressure falls, the wind backs, damp comes and
/// then rain; a little noise, so that no value stands still.
fn said(half_hour: i64) -> Message {
    let phase = (half_hour % 144) as f64 / 144.0;
    let wobble = f64::from(u32::try_from(half_hour * 7919 % 101).unwrap()) / 101.0 - 0.5;
    let bad = (phase * std::f64::consts::TAU).cos();
    let raining = bad > 0.8 && half_hour % 2 == 0;
    let samples = [
        12.0 - 2.0 * bad + 0.3 * wobble,
        70.0 + 22.0 * bad + 2.0 * wobble,
        1012.0 - 9.0 * bad + 0.1 * wobble,
        4.0 + 2.0 * bad + wobble,
        200.0 - 40.0 * bad + 10.0 * wobble,
        if raining { 0.6 + 0.1 * wobble } else { 0.0 },
    ];
    let time = at(half_hour * 1_800);
    let measured = (0..)
        .zip(samples)
        .map(|(channel, number)| value(ChannelIndex(channel), number, Stated::At(time)));
    message(time + Span::seconds(1), measured.collect())
}

fn run(processor: &mut Processor, half_hours: std::ops::Range<i64>) -> Vec<Reading> {
    let index = processor
        .series()
        .iter()
        .position(|s| s.quantity == Quantity::ProbabilityOfPrecipitation)
        .expect("the property measures all that a chance is made of");
    let mut chances = Vec::new();
    for half_hour in half_hours {
        let mut out = Output::default();
        let number = u64::try_from(half_hour).unwrap() + 1;
        processor.take(said(half_hour), number, &mut Nothing, &mut out);
        chances.extend(out.readings.iter().filter(|r| r.series.0 as usize == index));
    }
    chances
}

#[test]
fn chances_are_kept_from_the_start_and_told_after_sixty_days_with_skill() {
    let mut processor = Processor::new(property(), Options::default());
    let early = run(&mut processor, 0..40 * 48);
    assert!(early.len() > 39 * 24, "one each hour but the first: {}", early.len());
    for chance in &early {
        assert_eq!(chance.flag, Flag::Doubtful);
        assert!(chance.reasons.contains(Reason::Incomplete));
        assert!(chance.value.is_some_and(|v| (0..=1_000).contains(&v)), "{chance:?}");
        assert_eq!(chance.time.0 % 3_600_000, 0, "it is filed under the end of its hour");
    }
    let told = processor.ahead().expect("facts").clone();
    assert_eq!(told.probability, None, "{told:?}");
    assert!(told.facts.pressure.is_some() && told.facts.rain_hours == 12, "{told:?}");
    run(&mut processor, 40 * 48..70 * 48);
    let (score, learned) = processor.outlook_score();
    assert!(score.days >= 60 && learned > 60 * 24, "{score:?}");
    assert!(score.skill().unwrap() > 0.3, "{score:?}");
    let told = processor.ahead().expect("facts");
    assert!(told.probability.is_some(), "{told:?}");
}

#[test]
fn a_restart_makes_no_difference_to_chances() {
    let mut whole = Processor::new(property(), Options::default());
    run(&mut whole, 0..6 * 48);
    let saved = serde_json::to_string(&whole.save()).unwrap();
    let mut again = Processor::new(property(), Options::default());
    assert!(again.restore(&serde_json::from_str(&saved).unwrap()).is_empty());
    again.restore_learned(whole.learned());
    for half_hour in 5 * 48..6 * 48 {
        let number = u64::try_from(half_hour).unwrap() + 1;
        again.refill(number, &[said(half_hour)], &[]);
    }
    again.refilled(at(6 * 86_400));
    let (first, second) = (run(&mut whole, 6 * 48..8 * 48), run(&mut again, 6 * 48..8 * 48));
    assert!(first.len() > 40);
    assert_eq!(first, second);
    assert_eq!(whole.ahead(), again.ahead());
    assert_eq!(whole.outlook_score(), again.outlook_score());
}
