//! Settings that several tests start from: invented stations of Alder Croft.

use isobarn_tests::program;
use std::path::{Path, PathBuf};

/// Tokens of the stations, invented.
pub(crate) const TOKENS: &[(&str, &str)] = &[
    ("orchard", "invented-token-of-the-orchard"),
    ("hedge", "invented-token-of-the-hedge"),
    ("field", "invented-token-of-the-field"),
    ("ridge", "invented-token-of-the-ridge"),
];

/// The token of a station.
pub(crate) fn token(station: &str) -> &'static str {
    TOKENS.iter().find(|(s, _)| *s == station).expect("a station of this file").1
}

/// Property, listeners and four stations with a thermometer each; the orchard also has
/// a cup, a vane and a gauge. `more` is appended.
pub(crate) fn write(folder: &Path, more: &str) -> PathBuf {
    let mut text = String::from(
        r#"
[property]
name = "Alder Croft"
latitude = 54.07
longitude = -2.28
elevation = "212 m"
time_zone = "Europe/London"
rain_day_starts = "09:00Z"

[history]
directory = "history"
commit_interval = "0 s"

[http]
listen = "127.0.0.1:0"

[source.http.push]
listen = "127.0.0.1:0"
"#,
    );
    text.push_str(more);
    for (station, _) in TOKENS {
        text.push_str(&format!(
            r#"
[[station]]
id = "{station}"
name = "{station}"
token_file = "{station}.token"
interval = "1 min"

[[station.instrument]]
id = "screen_temperature"
channel = "t"
quantity = "air_temperature"
unit = "Cel"
height = "1.5 m"

[[station.instrument]]
id = "screen_humidity"
channel = "h"
quantity = "relative_humidity"
unit = "%"
"#
        ));
        if *station == "orchard" {
            text.push_str(
                r#"
[[station.instrument]]
id = "barometer"
channel = "p"
quantity = "surface_air_pressure"
unit = "Pa"
height = "214 m"

[[station.instrument]]
id = "cup"
channel = "turns"
quantity = "wind_speed"
signal = { pulse_total = { bits = 32 } }
interval = "10 s"
calibration = [{ from = "2020-03-01", slope = "0.66 m/s/Hz", offset = "0.3 m/s", threshold = "0.9 m/s" }]

[[station.instrument]]
id = "vane"
channel = "switches"
quantity = "wind_from_direction"
interval = "10 s"
signal = { switches = { order = "NESW", closed_is = 1, arc = "135 deg" } }

[[station.instrument]]
id = "gauge"
channel = "tips"
quantity = "rainfall_depth"
signal = { change_total = { bits = 16 } }
calibration = [{ from = "2020-03-01", depth = "0.25 mm" }]
"#,
            );
        }
    }
    program::settings(folder, &text, TOKENS)
}
