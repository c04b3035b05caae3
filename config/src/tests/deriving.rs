//! The key `derive` and the keys of days, months and years.

use super::{PROPERTY, load_text, told};
use observation::property::InstrumentIndex;
use observation::{Quantity, StationIndex};

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
