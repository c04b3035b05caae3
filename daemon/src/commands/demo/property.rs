//! The invented property as a settings file, the same that a person would write.

use super::instruments::{CUP_OFFSET, CUP_SLOPE, CUP_THRESHOLD, SWITCH_ARC, TIP_DEPTH};
use super::weather::{LATITUDE, LONGITUDE};
use std::fmt::Write as _;
use std::io;
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::{Path, PathBuf};

/// The first line of a settings file that the demo wrote and may write again.
const MARK: &str =
    "# Written by `isobarn demo`. Alder Croft, its stations and tokens are invented.";

/// Stations and their tokens. They are printed and the same for everybody: good for a
/// demonstration on loopback, worthless as secrets.
pub const TOKENS: [(&str, &str); 3] = [
    ("ridge", "example-token-of-the-ridge"),
    ("yard", "example-token-of-the-yard"),
    ("orchard", "example-token-of-the-orchard"),
];

/// The token of a station of the demo.
pub fn token(station: &str) -> &'static str {
    TOKENS.iter().find(|(s, _)| *s == station).map_or("", |(_, token)| token)
}

/// Where the demo's listeners go.
#[derive(Clone, Copy, Debug)]
pub struct Addresses {
    /// The page, the interface and the metrics.
    pub page: SocketAddr,
    /// Pushes.
    pub push: SocketAddr,
    /// MQTT.
    pub inlet: SocketAddr,
}

impl Addresses {
    /// The usual ports where they are free, others where not. The second value names
    /// the usual ports that were taken.
    ///
    /// # Errors
    /// There is no free port at all.
    pub fn choose() -> io::Result<(Self, Vec<u16>)> {
        let mut taken = Vec::new();
        let mut pick = |port: u16| {
            let usual = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
            if TcpListener::bind(usual).is_ok() {
                return Ok(usual);
            }
            taken.push(port);
            TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()
        };
        let addresses = Self { page: pick(8673)?, push: pick(8674)?, inlet: pick(1884)? };
        Ok((addresses, taken))
    }
}

/// Writes the settings file and the token files into `directory`, and returns the
/// settings file's path.
///
/// # Errors
/// The directory cannot be written to, or holds settings of somebody's own.
pub fn write(directory: &Path, addresses: &Addresses, device: &Path) -> io::Result<PathBuf> {
    std::fs::create_dir_all(directory)?;
    let file = directory.join("isobarn.toml");
    match std::fs::read_to_string(&file) {
        Ok(text) if !text.starts_with(MARK) => {
            return Err(io::Error::other(format!(
                "{} was not written by the demo and is left alone; choose another --directory",
                file.display()
            )));
        }
        Ok(_) => {}
        Err(e) if e.kind() == io::ErrorKind::NotFound => {}
        Err(e) => return Err(e),
    }
    for (station, token) in TOKENS {
        std::fs::write(directory.join(format!("{station}.token")), format!("{token}\n"))?;
    }
    std::fs::write(&file, text(addresses, device))?;
    Ok(file)
}

/// A TOML string.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            c if c.is_control() => {
                // Writing to a String cannot fail.
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

fn text(addresses: &Addresses, device: &Path) -> String {
    let Addresses { page, push, inlet } = addresses;
    let device = quoted(&device.to_string_lossy());
    format!(
        r#"{MARK}

[property]
name = "Alder Croft (invented)"
latitude = {LATITUDE}
longitude = {LONGITUDE}
elevation = "212 m"
time_zone = "Europe/London"
rain_day_starts = "09:00Z"

[history]
directory = "history"

[http]
listen = "{page}"

[source.http.push]
listen = "{push}"

[source.mqtt_inlet.inlet]
listen = "{inlet}"

[source.serial.cable]
device = {device}
baud = 115200
lines = "key-value"
checksum = "xor"
station = "yard"

{}"#,
        [ridge(), yard(), orchard()].join("\n")
    )
}

/// Thermometer and hygrometer of a screen, the same at every station.
const SCREEN: &str = r#"[[station.instrument]]
id = "screen_temperature"
channel = "air"
quantity = "air_temperature"
unit = "Cel"
height = "1.5 m"

[[station.instrument]]
id = "screen_humidity"
channel = "humidity"
quantity = "relative_humidity"
unit = "%"
height = "1.5 m"
"#;

/// A barometer so many metres above mean sea level.
fn barometer(height: u32) -> String {
    format!(
        r#"[[station.instrument]]
id = "barometer"
channel = "pressure"
quantity = "surface_air_pressure"
unit = "hPa"
height = "{height} m"
"#
    )
}

fn gauge() -> String {
    format!(
        r#"[[station.instrument]]
id = "gauge"
channel = "tips"
quantity = "rainfall_depth"
signal = {{ change_total = {{ bits = 16 }} }}
calibration = [{{ from = "2020-01-01", depth = "{TIP_DEPTH} mm" }}]
"#
    )
}

fn ridge() -> String {
    format!(
        r#"# Speaks MQTT and says which run and which message each is.
[[station]]
id = "ridge"
name = "Ridge mast"
token_file = "ridge.token"
interval = "30 s"

{SCREEN}
[[station.instrument]]
id = "cup"
channel = "turns"
quantity = "wind_speed"
height = "6 m"
interval = "10 s"
signal = {{ pulse_total = {{ bits = 32 }} }}
calibration = [{{ from = "2020-01-01", slope = "{CUP_SLOPE} m/s/Hz", offset = "{CUP_OFFSET} m/s", threshold = "{CUP_THRESHOLD} m/s" }}]

[[station.instrument]]
id = "vane"
channel = "switches"
quantity = "wind_from_direction"
height = "6 m"
signal = {{ switches = {{ order = "NESW", closed_is = 1, arc = "{SWITCH_ARC} deg" }} }}
"#
    )
}

fn yard() -> String {
    let (barometer, gauge) = (barometer(212), gauge());
    format!(
        r#"# Speaks on a cable; its lines carry a checksum and nothing else.
[[station]]
id = "yard"
name = "Yard"
token_file = "yard.token"
interval = "30 s"

{SCREEN}
{barometer}
{gauge}"#
    )
}

fn orchard() -> String {
    let (barometer, gauge) = (barometer(207), gauge());
    format!(
        r#"# Sleeps between pushes and states its own time.
[[station]]
id = "orchard"
name = "Orchard"
token_file = "orchard.token"
interval = "30 s"
sleeps = true

{SCREEN}
{barometer}
{gauge}
[[station.instrument]]
id = "soil"
channel = "soil"
quantity = "soil_temperature"
unit = "Cel"

[[station.instrument]]
id = "battery"
channel = "battery"
quantity = "battery_voltage"
unit = "V"

# Nobody simulated reads this one: it is for pushes by hand.
[[station.instrument]]
id = "hand_thermometer"
channel = "t"
quantity = "air_temperature"
unit = "Cel"
reports = "on_change"
"#
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn settings_of_somebodys_own_are_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let (addresses, _) = Addresses::choose().unwrap();
        let device = Path::new("/dev/null");
        let file = write(folder.path(), &addresses, device).unwrap();
        assert!(write(folder.path(), &addresses, device).is_ok(), "its own may be written again");
        std::fs::write(&file, "[property]\nname = \"Mine\"\n").unwrap();
        assert!(write(folder.path(), &addresses, device).is_err());
        assert_eq!(std::fs::read_to_string(&file).unwrap(), "[property]\nname = \"Mine\"\n");
    }

    #[test]
    fn the_settings_are_sound() {
        let folder = tempfile::tempdir().unwrap();
        let (addresses, _) = Addresses::choose().unwrap();
        let config = write(folder.path(), &addresses, Path::new("/dev/null")).unwrap();
        let settings = crate::arguments::Settings { config, set: Vec::new() };
        let wired = crate::wiring::load(&settings).unwrap_or_else(|_| panic!("refused"));
        assert_eq!(wired.property.stations.len(), 3);
        assert_eq!(wired.sources.len(), 3);
    }

    #[test]
    fn a_strange_device_path_stays_one_toml_string() {
        assert_eq!(quoted("/tmp/a\"b\\c\n"), "\"/tmp/a\\\"b\\\\c\\u000A\"");
    }
}
