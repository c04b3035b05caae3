//! What the demo says: where to look, how to push by hand, and a line as readings come.

use super::property::{Addresses, token};
use super::request;
use super::stations::Stop;
use serde_json::Value;
use std::collections::HashMap;
use std::fmt::Write as _;
use std::io::Write as _;
use std::net::SocketAddr;
use std::path::Path;
use std::time::{Duration, Instant};

/// How often the newest values are looked at.
const LOOK: Duration = Duration::from_secs(1);
/// Least time between two lines about one station.
const LINE: Duration = Duration::from_secs(10);

/// What is said about.
pub(super) struct Introduced<'a> {
    /// Where everything listens.
    pub(super) addresses: &'a Addresses,
    /// The usual ports that were taken.
    pub(super) taken: &'a [u16],
    /// The settings file.
    pub(super) settings: &'a Path,
    /// Whether the folder stays.
    pub(super) kept: bool,
    /// Days of past that are about to be invented.
    pub(super) past: u32,
    /// After how many it ends.
    pub(super) minutes: Option<f64>,
}

/// What is said before anything starts.
pub(super) fn introduction(introduced: &Introduced<'_>) -> String {
    let Introduced { addresses, taken, settings, kept, past, minutes } = *introduced;
    let Addresses { page, push, inlet } = addresses;
    let token = token("orchard");
    let settings = settings.display();
    let mut out = format!(
        "Alder Croft is an invented smallholding; its weather, stations and tokens are invented too.\n\
         Three simulated stations speak to a real service on this machine:\n\
         \x20 ridge    MQTT, to the inlet at {inlet}\n\
         \x20 yard     lines with a checksum on a cable (a pseudo-terminal)\n\
         \x20 orchard  pushes by HTTP to {push}, asleep in between\n\n"
    );
    for port in taken {
        // Writing to a String cannot fail.
        let _ = writeln!(out, "Port {port} is taken here, so another is used.");
    }
    let _ = write!(
        out,
        "Look at\n\
         \x20 http://{page}/             the page\n\
         \x20 http://{page}/v1/latest    the newest values\n\
         \x20 http://{page}/v1/readings  what is kept\n\
         \x20 http://{page}/metrics      everything for Prometheus\n\n\
         Push a reading by hand and find it there:\n\
         \x20 curl -H 'Authorization: Bearer {token}' -H 'Content-Type: application/json' \
         -d '{{\"t\": 17.3}}' http://{push}/v1/push/orchard\n\n"
    );
    let _ = writeln!(out, "From another terminal: isobarn export --config {settings} --samples");
    if !kept {
        out.push_str("Nothing is kept at the end; --directory DIR keeps it and finds it again.\n");
    }
    if past > 0 {
        let _ = writeln!(
            out,
            "\nFirst the past {past} days are invented and judged; in them the hygrometer of the orchard\n\
             begins to read too dry (invented as well). `--past 0` starts without them."
        );
    }
    let _ = match minutes {
        Some(minutes) => writeln!(out, "It ends by itself after {minutes} min.\n"),
        None => writeln!(out, "Ctrl-C ends it.\n"),
    };
    out
}

/// Prints a line about each station as its values come, until the stop.
pub(super) fn lines(page: SocketAddr, stop: &Stop) {
    let mut told: HashMap<String, (Instant, String)> = HashMap::new();
    while !stop.wait(LOOK) {
        let Ok((200, body)) = request::send(page, "/v1/latest", None, None) else { continue };
        let Ok(latest) = serde_json::from_str::<Value>(&body) else { continue };
        for (station, way) in [("ridge", "MQTT"), ("yard", "cable"), ("orchard", "HTTP")] {
            let Some((time, values)) = newest(&latest, station) else { continue };
            let due =
                told.get(station).is_none_or(|(at, last)| at.elapsed() >= LINE && *last != time);
            if due {
                let line = format!("{}  {station:<8}{way:<6} {values}", clock(&time));
                if writeln!(std::io::stdout(), "{line}").is_err() {
                    // Nobody reads any more; the service goes on.
                    return;
                }
                told.insert(station.to_owned(), (Instant::now(), time));
            }
        }
    }
}

/// Hours, minutes and seconds of an instant, in UTC as everything here.
fn clock(time: &str) -> &str {
    time.get(11..19).unwrap_or(time)
}

/// The time of a station's newest live value, and all of them in words.
fn newest(latest: &Value, station: &str) -> Option<(String, String)> {
    let rows = latest["latest"].as_array()?.iter().filter(|row| {
        row["station"] == station
            && row["statistic"] == "point"
            && row["instrument"] != "hand_thermometer"
            // A code figure says nothing in a line of values.
            && row["quantity"] != "characteristic_of_pressure_tendency"
    });
    let mut time = String::new();
    let mut words = Vec::new();
    for row in rows {
        let (Some(quantity), Some(unit), Some(at)) =
            (row["quantity"].as_str(), row["unit"].as_str(), row["time"].as_str())
        else {
            continue;
        };
        if row["value"].is_null() {
            continue;
        }
        words.push(format!("{} {} {unit}", quantity.replace('_', " "), row["value"]));
        time = time.max(at.to_owned());
    }
    (!words.is_empty()).then(|| (time, words.join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_line_tells_live_values_and_leaves_out_what_is_not_there() {
        let latest = json!({ "latest": [
            { "station": "yard", "instrument": "a", "statistic": "point", "quantity": "air_temperature",
              "value": 9.5, "unit": "Cel", "time": "2026-03-01T00:00:02Z" },
            { "station": "yard", "instrument": "b", "statistic": "point", "quantity": "air_pressure",
              "value": null, "unit": "hPa", "time": "2026-03-01T00:00:09Z" },
            { "station": "yard", "instrument": "c", "statistic": "mean", "quantity": "wind_speed",
              "value": 3, "unit": "m/s", "time": "2026-03-01T00:00:09Z" },
            { "station": "ridge", "instrument": "a", "statistic": "point", "quantity": "wind_speed",
              "value": 3, "unit": "m/s", "time": "2026-03-01T00:00:09Z" },
        ]});
        let told = newest(&latest, "yard");
        assert_eq!(
            told,
            Some(("2026-03-01T00:00:02Z".to_owned(), "air temperature 9.5 Cel".to_owned()))
        );
        assert_eq!(newest(&latest, "orchard"), None);
        assert_eq!(newest(&json!({}), "yard"), None);
    }
}
