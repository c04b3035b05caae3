//! What the processor takes for a minute of one station, with everything derived and with
//! nothing, by processor time: an invented station with thermometer, hygrometer, barometer
//! and cup that sends once a minute, over two weeks.

use crate::formulas::processor_seconds;
use crate::measure::{median, pairs};
use isobarn_tests::recall::Nothing;
use observation::{
    ChannelIndex, Finite, Measured, Message, Property, SourceIndex, Span, Stated, StationIndex,
    Time, Value,
};
use processor::{Options, Output, Processor};
use std::sync::Arc;

const MINUTES: i64 = 14 * 1_440;

const STATION: &str = r#"
[property]
name = "Alder Croft"
latitude = 54.07
longitude = -2.28
elevation = "212 m"
[history]
directory = "history"
[[station]]
id = "orchard"
derive = { DERIVE }
instrument = [
    { id = "screen", channel = "t", quantity = "air_temperature", unit = "Cel" },
    { id = "hygrometer", channel = "u", quantity = "relative_humidity", unit = "%" },
    { id = "barometer", channel = "p", quantity = "surface_air_pressure", unit = "hPa", height = "212 m" },
    { id = "cup", channel = "v", quantity = "wind_speed", unit = "m/s", height = "3 m" },
]
"#;

const ALL: &str = r#"column_thermometer = "screen", also = ["water_vapor_partial_pressure_in_air",
    "saturation_vapor_pressure", "humidity_mixing_ratio", "specific_humidity", "absolute_humidity",
    "virtual_temperature", "air_density", "heat_index_of_air_temperature",
    "wind_chill_of_air_temperature", "humidex", "apparent_temperature", "beaufort_wind_force"]"#;

const NOTHING: &str = r#"without = ["dew_point_temperature", "frost_point_temperature",
    "wet_bulb_temperature", "air_pressure_at_mean_sea_level", "altimeter_setting",
    "tendency_of_surface_air_pressure", "characteristic_of_pressure_tendency",
    "reference_evapotranspiration"]"#;

fn property(derive: &str) -> Arc<Property> {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("isobarn.toml");
    // An inline table stands on one line.
    let derive = derive.replace('\n', " ");
    std::fs::write(&path, STATION.replace("DERIVE", &derive)).expect("a file");
    let settings = config::load_without_secrets(&path, &[]).expect("sound settings");
    Arc::new(settings.property)
}

fn message(minute: i64) -> Message {
    let time = Time(1_780_000_020_000) + Span::minutes(minute);
    let (day, slow) = ((minute as f64 / 229.2).sin(), (minute as f64 / 1_900.0).cos());
    let wander = ((minute * 7_919) % 101) as f64 / 101.0;
    let values = [
        12.0 + 8.0 * day + wander,
        70.0 - 20.0 * day + 3.0 * wander,
        990.0 + 12.0 * slow + 0.2 * wander,
        4.0 + 2.0 * slow + 2.0 * wander,
    ];
    let samples = (0..).zip(values).map(|(channel, value)| Measured {
        channel: ChannelIndex(channel),
        value: Value::Number(Finite::new(value).expect("finite")),
        stated: Stated::At(time),
    });
    Message {
        station: StationIndex(0),
        source: SourceIndex(0),
        boot: None,
        sequence: None,
        received: time + Span::seconds(1),
        early: false,
        redelivery: None,
        samples: samples.collect(),
    }
}

/// Microseconds a minute, and readings a minute.
fn run(property: &Arc<Property>) -> (f64, f64) {
    let messages: Vec<Message> = (0..MINUTES).map(message).collect();
    let mut processor = Processor::new(Arc::clone(property), Options::default());
    let (mut out, mut readings) = (Output::default(), 0);
    let started = processor_seconds();
    for (number, message) in (1..).zip(messages) {
        processor.take(message, number, &mut Nothing, &mut out);
        readings += out.readings.len();
        out.clear();
    }
    let took = processor_seconds() - started;
    (took / MINUTES as f64 * 1e6, readings as f64 / MINUTES as f64)
}

/// Prints both and their difference.
pub(crate) fn compare() {
    let (all, nothing) = (property(ALL), property(NOTHING));
    let mut times = [Vec::new(), Vec::new()];
    let mut made = [0.0; 2];
    for _ in 0..pairs() {
        for (place, property) in [&all, &nothing].into_iter().enumerate() {
            let (microseconds, readings) = run(property);
            times[place].push(microseconds);
            made[place] = readings;
        }
    }
    let [with, without] = times.map(median);
    println!(
        "\na station and a minute in the processor: {with:.1} us and {:.1} readings with \
         everything derived, {without:.1} us and {:.1} readings with nothing; the derivation \
         {:.1} us",
        made[0],
        made[1],
        with - without
    );
}
