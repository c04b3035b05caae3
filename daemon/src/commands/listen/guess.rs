//! What a channel probably is, from its name and one value. A guess for a person to
//! check, never used for measuring.

use observation::Quantity;

/// A guess: quantity, unit, and how the signal comes where it is no direct value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Guess {
    /// What it may measure.
    pub quantity: Quantity,
    /// UCUM code of its numbers; none where the signal is a counter or switches.
    pub unit: Option<&'static str>,
    /// The signal as it stands in settings; none for a direct value.
    pub signal: Option<&'static str>,
    /// The calibration that the signal needs, with the places to fill in.
    pub calibration: Option<&'static str>,
}

const fn value(quantity: Quantity, unit: &'static str) -> Guess {
    Guess { quantity, unit: Some(unit), signal: None, calibration: None }
}

/// Words that appear in names, the more telling ones first.
const WORDS: &[(&[&str], Guess)] = &[
    (&["soil"], value(Quantity::SoilTemperature, "Cel")),
    (&["grass"], value(Quantity::GrassTemperature, "Cel")),
    (&["dew"], value(Quantity::DewPointTemperature, "Cel")),
    (&["batt", "vbat", "battery"], value(Quantity::BatteryVoltage, "V")),
    (&["rssi", "signal", "snr"], value(Quantity::SignalStrength, "dBm")),
    (&["uptime"], value(Quantity::Uptime, "s")),
    (&["supply", "vcc", "vdd", "volt", "voltage"], value(Quantity::SupplyVoltage, "V")),
    (&["lux", "light", "lx"], value(Quantity::Illuminance, "lx")),
    (&["solar", "irradiance", "sun", "shortwave"], value(Quantity::ShortwaveFlux, "W/m2")),
    (&["snow"], value(Quantity::SurfaceSnowThickness, "cm")),
    (
        &["tips", "tip", "bucket", "gauge"],
        Guess {
            quantity: Quantity::PrecipitationDepth,
            unit: None,
            signal: Some("{ change_total = { bits = 16 } }"),
            calibration: Some("[{ from = \"2026-01-01\", depth = \"0.2 mm\" }]"),
        },
    ),
    (&["rainrate", "rate"], value(Quantity::RainfallRate, "mm/h")),
    (&["rain", "precip", "precipitation"], value(Quantity::PrecipitationDepth, "mm")),
    (
        &["turns", "pulses", "revolutions", "cup"],
        Guess {
            quantity: Quantity::WindSpeed,
            unit: None,
            signal: Some("{ pulse_total = { bits = 32 } }"),
            calibration: Some(
                "[{ from = \"2026-01-01\", slope = \"0.66 m/s/Hz\", offset = \"0.3 m/s\", threshold = \"0.9 m/s\" }]",
            ),
        },
    ),
    (
        &["switches", "vane", "reed"],
        Guess {
            quantity: Quantity::WindFromDirection,
            unit: None,
            signal: Some("{ switches = { order = \"NESW\", closed_is = 1, arc = \"135 deg\" } }"),
            calibration: None,
        },
    ),
    (&["direction", "dir", "winddir", "heading"], value(Quantity::WindFromDirection, "deg")),
    (&["gust"], value(Quantity::WindSpeedOfGust, "m/s")),
    (&["wind", "speed"], value(Quantity::WindSpeed, "m/s")),
    (
        &["pressure", "press", "baro", "barometer", "hpa", "p"],
        value(Quantity::SurfaceAirPressure, "hPa"),
    ),
    (&["humidity", "hum", "rh", "h"], value(Quantity::RelativeHumidity, "%")),
    (&["temperature", "temp", "air", "t", "tempc"], value(Quantity::AirTemperature, "Cel")),
];

/// Guesses from a name and, where it helps, the value: a pressure of 98 or 98,700 is
/// in another unit than one of 987.
pub fn guess(name: &str, number: Option<f64>) -> Option<Guess> {
    let words: Vec<String> = split(name);
    let whole: String = words.concat();
    let mut found = WORDS.iter().find_map(|(known, guess)| {
        known
            .iter()
            .any(|k| words.iter().any(|w| w == k) || (k.len() > 3 && whole.contains(k)))
            .then_some(*guess)
    })?;
    let other = number.and_then(|n| match found.quantity {
        Quantity::SurfaceAirPressure if (30_000.0..120_000.0).contains(&n) => Some("Pa"),
        Quantity::SurfaceAirPressure if (50.0..120.0).contains(&n) => Some("kPa"),
        Quantity::SurfaceAirPressure if (20.0..35.0).contains(&n) => Some("[in_i'Hg]"),
        Quantity::AirTemperature if (60.0..150.0).contains(&n) => Some("[degF]"),
        Quantity::AirTemperature if (200.0..330.0).contains(&n) => Some("K"),
        Quantity::BatteryVoltage | Quantity::SupplyVoltage if n > 100.0 => Some("mV"),
        _ => None,
    });
    found.unit = other.or(found.unit);
    Some(found)
}

/// The words of a name in lower case: cut at anything that is no letter and where a
/// capital follows a small letter.
fn split(name: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut small = false;
    for c in name.chars().take(64) {
        let cut = !c.is_alphabetic() || (c.is_uppercase() && small);
        if cut && words.last().is_some_and(|w| !w.is_empty()) {
            words.push(String::new());
        }
        small = c.is_lowercase();
        if let (true, Some(word)) = (c.is_alphabetic(), words.last_mut()) {
            word.extend(c.to_lowercase());
        }
    }
    words.retain(|w| !w.is_empty());
    words
}

#[cfg(test)]
mod tests {
    use super::*;
    use observation::Unit;

    #[test]
    fn names_that_people_use_are_guessed_and_strange_ones_are_not() {
        for (name, number, quantity, unit) in [
            ("t", Some(12.0), Quantity::AirTemperature, Some("Cel")),
            ("airTemp", Some(71.0), Quantity::AirTemperature, Some("[degF]")),
            ("p", Some(98_700.0), Quantity::SurfaceAirPressure, Some("Pa")),
            ("baro_1", Some(987.0), Quantity::SurfaceAirPressure, Some("hPa")),
            ("tips", Some(7.0), Quantity::PrecipitationDepth, None),
            ("soil_temp", None, Quantity::SoilTemperature, Some("Cel")),
            ("vBat", Some(3_912.0), Quantity::BatteryVoltage, Some("mV")),
            ("windDirection", Some(212.0), Quantity::WindFromDirection, Some("deg")),
        ] {
            let found = guess(name, number);
            assert_eq!(found.map(|g| (g.quantity, g.unit)), Some((quantity, unit)), "{name}");
        }
        for name in ["", "x", "frog", "42", "\u{1b}[31m"] {
            assert_eq!(guess(name, None), None, "{name}");
        }
    }

    #[test]
    fn every_guessed_unit_fits_its_quantity() {
        for (words, guess) in WORDS {
            let Some(code) = guess.unit else { continue };
            let unit = Unit::parse(code).unwrap_or_else(|e| panic!("{words:?}: {e}"));
            let canonical =
                Unit::parse(guess.quantity.unit()).unwrap_or_else(|e| panic!("{words:?}: {e}"));
            assert!(unit.fits(&canonical), "{words:?}");
        }
    }
}
