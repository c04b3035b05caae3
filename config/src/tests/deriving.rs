//! The key `derive` and the keys of days, months and years.

use super::{PROPERTY, load_text, told};
use observation::days::{DayKind, DayStart, Division};
use observation::property::InstrumentIndex;
use observation::{Date, Quantity, Span, StationIndex, Time};

fn stations(derive: &str) -> String {
    format!(
        "{PROPERTY}[[station]]\nid = \"ridge\"\nderive = {derive}\n\
         instrument = [{{ id = \"p\", channel = \"p\", quantity = \"surface_air_pressure\", unit = \"hPa\" }}]\n\
         [[station]]\nid = \"orchard\"\n\
         instrument = [{{ id = \"t\", channel = \"t\", quantity = \"air_temperature\", unit = \"Cel\" }}]\n"
    )
}

#[test]
fn instruments_of_any_station_are_named() {
    let text = stations(
        "{ column_thermometer = \"orchard/t\", barometer = \"p\", also = [\"humidex\"], without = [\"altimeter_setting\"] }",
    );
    let settings = load_text(&text).unwrap();
    let derive = &settings.property.stations[usize::from(StationIndex(0).0)].derive;
    assert_eq!(derive.column_thermometer, Some(InstrumentIndex(1)));
    assert_eq!(derive.barometer, Some(InstrumentIndex(0)));
    assert_eq!(derive.also, [Quantity::Humidex]);
    assert_eq!(derive.without, [Quantity::AltimeterSetting]);
}

#[test]
fn what_is_named_must_be_there_and_measure_it() {
    for (derive, message) in [
        ("{ column_thermometer = \"orchrd/t\" }", "no station"),
        ("{ column_thermometer = \"orchard/x\" }", "no instrument `x`"),
        ("{ column_thermometer = \"p\" }", "does not measure air_temperature"),
        ("{ also = [\"humidx\"] }", "not among the derived"),
        ("{ also = [\"humidex\", \"humidex\"] }", "named twice"),
        ("{ without = [\"humidex\"] }", "not among the derived"),
        ("{ thermometr = \"p\" }", "unknown key"),
        ("3", "a table"),
    ] {
        let faults = told(load_text(&stations(derive)));
        assert_eq!(faults.len(), 1, "{derive} {faults:?}");
        assert!(faults[0].2.contains(message), "{derive}: {faults:?}");
        assert_eq!(faults[0].0, 4, "{derive}");
    }
}

/// Summer time of the United Kingdom began on 2026-03-29 (the last Sunday of March, at
/// 01:00 UTC: Directive 2000/84/EC, article 2, as the kingdom keeps it).
#[test]
fn days_are_cut_in_the_zone_of_the_property() {
    let text = PROPERTY.replace(
        " }",
        ", rain_day_starts = \"09:00Z\", maximum_day_starts = \"18:00\", month_starts = 2, year_starts = \"10-01\" }",
    );
    let days = load_text(&text).unwrap().property.days;
    let day = days.day(DayKind::Civil, Date { year: 2026, month: 3, day: 29 });
    assert_eq!(day.to - day.from, Span::hours(23));
    assert_eq!(days.rain, DayStart { after_midnight: Span::hours(9), utc: true });
    assert_eq!(days.maximum, DayStart { after_midnight: Span::hours(18), utc: false });
    let summer = Time::parse("2026-07-01T12:00:00Z").unwrap();
    let evening = Time::parse("2026-06-30T17:00:00Z").unwrap();
    assert_eq!(days.cut(Division::Day, DayKind::Maximum, summer).from, evening);
    assert_eq!((days.month_starts, days.year_starts), (2, (10, 1)));
}

#[test]
fn what_cuts_no_day_is_refused() {
    for (keys, message) in [
        ("maximum_day_starts = \"25:00\"", "a time of day"),
        ("minimum_day_starts = 9", "a time of day"),
        ("month_starts = 29", "from 1 to 28"),
        ("year_starts = \"13-01\"", "a month and a day"),
        ("year_starts = \"02-29\"", "a month and a day"),
    ] {
        let faults = told(load_text(&PROPERTY.replace(" }", &format!(", {keys} }}"))));
        assert_eq!(faults.len(), 1, "{keys} {faults:?}");
        assert!(faults[0].2.contains(message), "{keys}: {faults:?}");
    }
}
