//! The settings entry that would take in a channel that is not known yet.

use super::guess::guess;
use super::shown::Named;
use std::fmt::Write as _;

/// The entry for a channel of a station, as text to paste below the station's own
/// table. `known` says whether the settings have the station.
pub fn entry(station: &str, known: bool, channel: &Named) -> String {
    let name = &channel.name;
    let mut out = String::new();
    if known {
        let _ = writeln!(out, "# below [[station]] id = {}", quoted(station));
    } else {
        let _ = writeln!(
            out,
            "[[station]]\nid = {}\ntoken_file = {}",
            quoted(station),
            quoted(&format!("{station}.token"))
        );
    }
    let _ = writeln!(out, "[[station.instrument]]\nid = {0}\nchannel = {0}", quoted(name));
    let Some(found) = guess(name, channel.number) else {
        let unit = quoted(channel.unit.as_deref().unwrap_or(""));
        let _ =
            writeln!(out, "quantity = \"\"   # what it measures\nunit = {unit}   # in which unit");
        return out;
    };
    let _ = writeln!(out, "quantity = {}   # a guess from the name", quoted(found.quantity.name()));
    if let Some(signal) = found.signal {
        let _ = writeln!(out, "signal = {signal}");
    } else if let Some(unit) = channel.unit.as_deref().or(found.unit) {
        let from = if channel.unit.is_some() { "as the sender states it" } else { "a guess" };
        let _ = writeln!(out, "unit = {}   # {from}", quoted(unit));
    }
    if let Some(calibration) = found.calibration {
        let _ = writeln!(out, "calibration = {calibration}   # your instrument's own figures");
    }
    out
}

/// A TOML string of a name that somebody else chose.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars().take(64) {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channel(name: &str, number: Option<f64>, unit: Option<&str>) -> Named {
        Named { name: name.to_owned(), number, unit: unit.map(str::to_owned) }
    }

    #[test]
    fn a_known_station_gets_an_instrument_and_an_unknown_one_a_table_too() {
        let text = entry("ridge", true, &channel("t", Some(11.0), None));
        assert!(
            text.contains("quantity = \"air_temperature\"") && text.contains("unit = \"Cel\""),
            "{text}"
        );
        assert!(!text.contains("token_file"), "{text}");
        let text = entry("barn", false, &channel("frog", Some(1.0), None));
        assert!(
            text.contains("token_file = \"barn.token\"") && text.contains("quantity = \"\""),
            "{text}"
        );
    }

    #[test]
    fn a_stated_unit_is_kept_and_strange_names_stay_inside_their_string() {
        let text = entry("ridge", true, &channel("t", Some(52.0), Some("[degF]")));
        assert!(text.contains("unit = \"[degF]\""), "{text}");
        let text = entry("a\"b\n", true, &channel("\u{1b}x\\", None, None));
        assert!(text.contains(r#""a\"b\u000A""#) && text.contains(r#""\u001Bx\\""#), "{text}");
    }
}
