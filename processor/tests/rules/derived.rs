//! Derived series: what is given, how far it is trusted, and where it is absent.

use crate::croft::{
    H, Made, ORCHARD, P, RIDGE, T, TURNS, add, at, croft, message, station, told, value,
};
use crate::log::Croft;
use observation::property::{InstrumentIndex, Reports, Signal};
use observation::reading::from_steps;
use observation::{
    ChannelIndex, Flag, Message, Property, Quantity, Reading, Span, Stated, StationIndex, Time,
};
use std::sync::Arc;

fn last(croft: &Croft, quantity: Quantity) -> Option<Reading> {
    croft.of(croft.only(quantity)).last().copied()
}

fn number(croft: &Croft, quantity: Quantity) -> Option<f64> {
    last(croft, quantity)?.value.map(|steps| from_steps(steps, quantity.decimals()))
}

#[track_caller]
fn near(found: Option<f64>, wanted: f64, within: f64) {
    let found = found.expect("a value");
    assert!((found - wanted).abs() <= within, "{found} instead of {wanted}");
}

/// 20 Cel and 50 per cent: 9.27 Cel (WMO-No. 8, Annex 4.B, by its own formula: 9.26 to
/// 9.28 by all methods of the registry).
#[test]
fn a_minute_of_air_has_its_dew_point() {
    let mut croft = Croft::new();
    for n in 0..4 {
        croft.take(told(T, 20.0, 30 * n));
        croft.take(told(H, 50.0, 30 * n));
        croft.take(told(P, 1_000.0, 30 * n));
    }
    croft.walk(at(200));
    near(number(&croft, Quantity::DewPointTemperature), 9.27, 0.011);
    // 20 Cel, 50 %: 13.7 or 13.8 Cel by the psychrometer tables of handbooks (common
    // practice).
    near(number(&croft, Quantity::WetBulbTemperature), 13.75, 0.1);
    assert_eq!(last(&croft, Quantity::DewPointTemperature).map(|r| r.flag), Some(Flag::Good));
    assert_eq!(last(&croft, Quantity::FrostPointTemperature), None, "it does not freeze");
    assert_eq!(last(&croft, Quantity::WindChillOfAirTemperature), None);
}

/// Pressure of the standard atmosphere at 212 m is 988.05 hPa (ISO 2533, between its rows
/// of 200 m, 989.45, and 250 m, 983.58, by its formula): there the altimeter setting is
/// that of sea level.
#[test]
fn the_standard_atmosphere_gives_its_own_altimeter_setting() {
    let mut croft = Croft::new();
    for n in 0..4 {
        croft.take(told(P, 988.05, 30 * n));
    }
    croft.walk(at(200));
    near(number(&croft, Quantity::AltimeterSetting), 1_013.25, 0.02);
    assert_eq!(last(&croft, Quantity::AirPressureAtMeanSeaLevel), None, "no thermometer yet");
}

#[test]
fn doubt_is_passed_on_and_what_is_wrong_gives_nothing() {
    let mut croft = Croft::new();
    for n in 0..4 {
        croft.take(told(H, 50.0, 30 * n));
        croft.take(told(T, 20.0, 30 * n));
    }
    // A jump of a kind that air does not make.
    croft.take(told(T, 35.0, 130));
    croft.take(told(H, 50.0, 130));
    croft.walk(at(185));
    let doubtful = last(&croft, Quantity::DewPointTemperature).expect("still a value");
    assert_eq!((doubtful.time, doubtful.flag), (at(180), Flag::Doubtful));
    // Nothing is hotter than this: erroneous, and one reading says that the dew point ends.
    croft.take(told(T, 95.0, 190));
    croft.take(told(H, 50.0, 190));
    croft.take(told(T, 95.0, 250));
    croft.walk(at(305));
    let dew = croft.of(croft.only(Quantity::DewPointTemperature));
    let ended: Vec<&Reading> = dew.iter().filter(|r| r.value.is_none()).collect();
    assert_eq!(ended.len(), 1, "{dew:?}");
    assert_eq!((ended[0].time, ended[0].flag), (at(240), Flag::Missing));
}

/// Twelve hours at 15 Cel below 980.00 hPa at 212 m and 60 per cent. By hand, WMO-No. 8,
/// Vol. I, ch. 3: e = 10.23 hPa, log10(p0/p) = 0.0148275 x 211.99 / (288.15 + 0.689 +
/// 1.228) = 0.0108364, p0 = 1004.76 hPa.
#[test]
fn the_sea_level_takes_twelve_hours_of_the_named_thermometer() {
    let mut croft = Croft::new();
    for minute in 0..=730 {
        croft.take(told(T, 15.0, 60 * minute));
        croft.take(told(H, 60.0, 60 * minute));
        croft.take(told(P, 980.0, 60 * minute));
    }
    croft.walk(at(60 * 731));
    let series = croft.only(Quantity::AirPressureAtMeanSeaLevel);
    let all = croft.of(series);
    let first = all.first().expect("a value").time;
    // 48 of 72 ten-minute values: not before eight hours.
    assert!(first - at(0) >= Span::minutes(480) && first - at(0) < Span::minutes(491), "{first}");
    near(number(&croft, Quantity::AirPressureAtMeanSeaLevel), 1_004.76, 0.02);
    // The present temperature has no part in it but through the vapour.
    for minute in 731..=732 {
        croft.take(told(T, 16.0, 60 * minute));
        croft.take(told(H, 60.0, 60 * minute));
    }
    croft.walk(at(60 * 733));
    near(number(&croft, Quantity::AirPressureAtMeanSeaLevel), 1_004.76, 0.03);
}

fn croft_with(change: impl FnOnce(&mut Property)) -> Arc<Property> {
    let mut property = Arc::unwrap_or_clone(croft());
    change(&mut property);
    Arc::new(property)
}

#[test]
fn what_cannot_be_derived_says_why() {
    let reason = |property: Arc<Property>, station: &str, quantity| {
        let croft = Croft::with(property);
        let absent = croft.processor.absent();
        let found = absent.iter().find(|a| a.station == station && a.quantity == quantity);
        found.map(|a| a.reason.clone())
    };
    let sea = Quantity::AirPressureAtMeanSeaLevel;
    assert_eq!(reason(croft(), "orchard", sea), None);
    let high = croft_with(|p| p.instruments[1].height = Some(900.0));
    assert!(reason(high, "orchard", sea).expect("too high").contains("900"));
    let unnamed = croft_with(|p| p.stations[0].derive.column_thermometer = None);
    let why = reason(unnamed, "orchard", sea).expect("no thermometer is named");
    assert!(why.contains("column_thermometer"), "{why}");
    let low = croft_with(|p| {
        p.stations[0].derive.column_thermometer = None;
        p.instruments[1].height = Some(12.0);
    });
    assert_eq!(reason(low, "orchard", sea), None, "below 50 m the present temperature will do");
    let dew = reason(croft(), "ridge", Quantity::DewPointTemperature).expect("no hygrometer");
    assert!(dew.contains("relative_humidity"), "{dew}");
    let also = croft_with(|p| p.stations[1].derive.also = vec![Quantity::AirDensity]);
    assert!(reason(also, "ridge", Quantity::AirDensity).is_some());
}

#[test]
fn comfort_is_not_computed_until_it_is_chosen() {
    let made = |property| {
        let croft = Croft::with(property);
        croft.processor.series().iter().map(|s| s.quantity).collect::<Vec<_>>()
    };
    let plain = croft_with(|p| p.stations[0].derive.also.clear());
    for quantity in [
        Quantity::HeatIndexOfAirTemperature,
        Quantity::WindChillOfAirTemperature,
        Quantity::Humidex,
        Quantity::ApparentTemperature,
        Quantity::BeaufortWindForce,
    ] {
        assert!(!made(Arc::clone(&plain)).contains(&quantity));
        let chosen = croft_with(|p| p.stations[0].derive.also = vec![quantity]);
        assert!(made(chosen).contains(&quantity));
    }
    let without = croft_with(|p| {
        p.stations[0].derive.without = vec![Quantity::WetBulbTemperature];
    });
    assert!(!made(without).contains(&Quantity::WetBulbTemperature));
}

/// A backlog of many hours, longer ago than anything is remembered, is derived from the
/// log, and ends where it would have ended in time.
#[test]
fn a_long_backlog_is_derived_too() {
    let sample = |minute: i64| {
        let stated = Stated::At(at(60 * minute));
        let wave = (minute as f64 / 50.0).sin();
        let mut samples = vec![
            value(T, 15.0 + 5.0 * wave, stated),
            value(H, 60.0 + 20.0 * wave, stated),
            value(P, 980.0 + 3.0 * wave, stated),
        ];
        if minute % 7 == 0 {
            samples.truncate(2);
        }
        samples
    };
    let pass = |minute: i64| {
        let mut message =
            message(at(60 * minute + 1), vec![value(ChannelIndex(6), 9.0, Stated::Nothing)]);
        message.station = RIDGE;
        message
    };
    let quantities = [
        Quantity::DewPointTemperature,
        Quantity::WetBulbTemperature,
        Quantity::AltimeterSetting,
        Quantity::TendencyOfSurfaceAirPressure,
        Quantity::CharacteristicOfPressureTendency,
        Quantity::AirPressureAtMeanSeaLevel,
    ];
    let stands = |croft: &Croft| -> Vec<(Quantity, Time, i64)> {
        let all = quantities.iter().flat_map(|&q| {
            let of = croft.of(croft.only(q));
            of.into_iter().filter_map(move |r| Some((q, r.time, r.value?)))
        });
        all.collect()
    };
    let end = 1_500;
    let mut timely = Croft::new();
    for minute in 0..end {
        timely.take(message(at(60 * minute), sample(minute)));
        timely.take(pass(minute));
        timely.commit();
    }
    timely.take(pass(end + 30));
    let mut late = Croft::new();
    for minute in 0..end {
        // The first minute in time, the rest kept by the station for a day.
        if minute == 0 {
            late.take(message(at(0), sample(0)));
        }
        late.take(pass(minute));
        late.commit();
    }
    for minute in 1..end {
        late.take(message(at(60 * end + minute / 100), sample(minute)));
        if minute % 40 == 0 {
            late.commit();
        }
    }
    late.take(pass(end + 30));
    let (timely, late) = (stands(&timely), stands(&late));
    assert!(timely.len() > 6_000, "{}", timely.len());
    for (timely, late) in timely.iter().zip(&late) {
        assert_eq!(timely, late);
    }
    assert_eq!(timely.len(), late.len());
}

/// FAO Irrigation and Drainage Paper 56 (1998), example 19, N'Diaye, 1 October, 14 to 15 h:
/// 38 Cel, 52 %, 3.3 m/s at 2 m, 2.450 MJ/m2 an hour: 0.63 mm an hour.
#[test]
fn an_hour_of_the_fao_paper_evaporates_what_it_says() {
    let mut property = Property::default();
    property.point_step = Span::minutes(1);
    let mut senegal = station("ndiaye");
    (senegal.latitude, senegal.longitude, senegal.elevation) = (16.0 + 13.0 / 60.0, -16.25, 8.0);
    property.stations = vec![senegal];
    let rows = [
        ("t", Quantity::AirTemperature, "Cel"),
        ("h", Quantity::RelativeHumidity, "%"),
        ("v", Quantity::WindSpeed, "m/s"),
        ("r", Quantity::ShortwaveFlux, "W/m2"),
    ];
    for (id, quantity, unit) in rows {
        let (channel, station) = (id, StationIndex(0));
        let (signal, reports) = (Signal::Value, Reports::Periodic);
        let (interval, transfer) = (Span::minutes(1), None);
        let made =
            Made { id, channel, station, quantity, unit, signal, reports, interval, transfer };
        add(&mut property, made);
        property.instruments.last_mut().unwrap().height = Some(2.0);
    }
    let mut croft = Croft::with(Arc::new(property.indexed()));
    // The paper's hours end an hour west of Greenwich.
    let end = Time::parse("2026-10-01T16:00:00Z").unwrap();
    for minute in 0..=75 {
        let time = end - Span::minutes(75 - minute);
        let stated = Stated::At(time);
        // At 2 m the paper's own profile gives 1.000 of the wind.
        let numbers = [38.0, 52.0, 3.3, 2.450 / 0.0036];
        let samples = (0..).zip(numbers).map(|(c, n)| value(ChannelIndex(c), n, stated)).collect();
        croft.take(Message { station: ORCHARD, ..message(time, samples) });
    }
    croft.walk(end + Span::minutes(1));
    let series = (0..)
        .zip(croft.processor.series())
        .find(|(_, s)| s.quantity == Quantity::ReferenceEvapotranspiration)
        .map(|(n, _)| observation::SeriesIndex(n))
        .expect("its inputs are there");
    let all = croft.of(series);
    assert_eq!(all.len(), 1, "one full hour: {all:?}");
    assert_eq!(all[0].time, end);
    near(all[0].value.map(|v| from_steps(v, 3)), 0.63, 0.006);
}

#[test]
fn a_neighbours_thermometer_serves_and_its_late_samples_too() {
    let property = croft_with(|p| {
        p.stations[1].derive.hygrometer = Some(InstrumentIndex(5));
    });
    let run = |lag: i64| {
        let mut croft = Croft::with(Arc::clone(&property));
        let mut list = Vec::new();
        for n in 0..60 {
            let mut ridge = message(
                at(30 * n),
                vec![value(ChannelIndex(6), 12.0 + 0.01 * n as f64, Stated::At(at(30 * n)))],
            );
            ridge.station = RIDGE;
            list.push(ridge);
            let mut orchard = told(H, 70.0 + 0.1 * n as f64, 30 * n);
            orchard.received = at(30 * n + if n % 5 == 0 { lag } else { 0 });
            list.push(orchard);
        }
        list.sort_by_key(|m| m.received);
        for message in list {
            croft.take(message);
        }
        croft.walk(at(3_600));
        let series = (0..)
            .zip(croft.processor.series())
            .find(|(_, s)| s.station == "ridge" && s.quantity == Quantity::DewPointTemperature)
            .map(|(n, _)| observation::SeriesIndex(n))
            .expect("the orchard's hygrometer serves");
        let of = croft.of(series);
        of.into_iter().filter_map(|r| Some((r.time, r.value?))).collect::<Vec<_>>()
    };
    let timely = run(0);
    assert!(timely.len() >= 28, "{}", timely.len());
    assert_eq!(timely, run(400));
}

/// What has no value says why, until it has one.
#[test]
fn what_is_absent_says_since_when_and_why() {
    let mut croft = Croft::with(croft_with(|p| {
        p.stations[0].derive.also =
            vec![Quantity::WindChillOfAirTemperature, Quantity::BeaufortWindForce];
    }));
    let feed = |croft: &mut Croft, seconds: i64, celsius: f64| {
        croft.take(told(T, celsius, seconds));
        croft.take(told(H, 50.0, seconds));
        croft.take(told(TURNS, 10.0 * seconds as f64, seconds));
    };
    let told_of = |croft: &Croft, quantity: Quantity| {
        let all = croft.processor.absent_now();
        all.into_iter().find(|a| a.station == "orchard" && a.quantity == quantity)
    };
    (0..50).for_each(|n| feed(&mut croft, 30 * n, 20.0));
    croft.walk(at(1_480));
    let chill = told_of(&croft, Quantity::WindChillOfAirTemperature).expect("too warm for it");
    assert!(chill.reason.contains("air_temperature is 20 Cel"), "{chill:?}");
    let since = chill.since.expect("a minute");
    assert!(since <= at(660), "{chill:?}");
    let pressure = told_of(&croft, Quantity::AltimeterSetting).expect("no barometer is heard");
    assert!(pressure.reason.contains("surface_air_pressure"), "{pressure:?}");
    assert_eq!(told_of(&croft, Quantity::DewPointTemperature), None);
    let ridge = croft.processor.absent_now();
    assert!(ridge.iter().any(|a| a.station == "ridge" && a.since.is_none()), "{ridge:?}");
    (50..60).for_each(|n| feed(&mut croft, 30 * n, 4.0));
    croft.walk(at(1_810));
    assert_eq!(told_of(&croft, Quantity::WindChillOfAirTemperature), None, "cold enough now");
    // WMO Beaufort scale: 5.5 to 7.9 m/s is 4.
    let speed = croft.series("cup", observation::Statistic::Mean, Some(Span::minutes(10)));
    let speed = croft.of(speed).last().and_then(|r| r.value).expect("wind");
    let force = number(&croft, Quantity::BeaufortWindForce).expect("a force");
    let limits = [30, 160, 340, 550, 800, 1_080, 1_390, 1_720];
    assert_eq!(force, limits.iter().filter(|&&l| (speed + 5) / 10 * 10 >= l).count() as f64);
}
