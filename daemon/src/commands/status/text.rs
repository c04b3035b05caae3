//! The same for people.

use serde_json::Value;
use std::fmt::Write as _;

fn word<'a>(value: &'a Value, key: &str) -> &'a str {
    value.get(key).and_then(Value::as_str).unwrap_or_default()
}

fn rows<'a>(document: &'a Value, key: &str) -> &'a [Value] {
    document.get(key).and_then(Value::as_array).map_or(&[], Vec::as_slice)
}

/// `90 s`, `12 min`, `3 h`, `2 d`.
fn age(seconds: f64) -> String {
    match seconds {
        s if s < 120.0 => format!("{s:.0} s"),
        s if s < 7_200.0 => format!("{:.0} min", s / 60.0),
        s if s < 172_800.0 => format!("{:.0} h", s / 3_600.0),
        s => format!("{:.0} d", s / 86_400.0),
    }
}

fn forwarders(document: &Value, out: &mut String) {
    if !rows(document, "forwarders").is_empty() {
        let _ = writeln!(out, "Forwarders");
    }
    for forwarder in rows(document, "forwarders") {
        let count = |key: &str| forwarder.get(key).and_then(Value::as_u64).unwrap_or(0);
        let reason = match word(forwarder, "reason") {
            "" => String::new(),
            reason => format!(": {reason}"),
        };
        let mut more = format!("{} waiting", count("backlog"));
        for (key, noun) in [("given_up", "given up"), ("dead_letter_count", "refused for good")] {
            if count(key) > 0 {
                let _ = write!(more, ", {} {noun}", count(key));
            }
        }
        let _ = writeln!(
            out,
            "  {:<16} {:<12} {}, {more}{reason}",
            word(forwarder, "name"),
            word(forwarder, "kind"),
            word(forwarder, "state")
        );
        for letter in rows(forwarder, "dead_letters").iter().take(3) {
            let number = |key: &str| letter.get(key).and_then(Value::as_u64).unwrap_or(0);
            let _ = writeln!(
                out,
                "    {} refused with {}: {}",
                match word(letter, "reading") {
                    "" => format!("record {}", number("log")),
                    reading => reading.to_owned(),
                },
                number("status"),
                word(letter, "answer")
            );
        }
    }
}

/// Renders the object of `status --json`.
pub(super) fn render(document: &Value) -> String {
    let mut out = String::new();
    // Writing to a string does not fail.
    let _ = writeln!(out, "Stations");
    for station in rows(document, "stations") {
        let up = station.get("up").and_then(Value::as_bool).unwrap_or(false);
        let heard = match station.get("age").and_then(Value::as_f64) {
            Some(seconds) => format!("heard {} ago", age(seconds)),
            None => "never heard".to_owned(),
        };
        let state = if up { "up" } else { "silent" };
        let _ = writeln!(out, "  {:<16} {state:<7} {heard}", word(station, "id"));
        for instrument in rows(station, "instruments") {
            let Some(flag) = instrument.get("flag").and_then(Value::as_str) else {
                let _ = writeln!(out, "    {:<24} no value yet", word(instrument, "id"));
                continue;
            };
            let value = match instrument.get("value").and_then(Value::as_f64) {
                Some(value) => format!("{value} {}", word(instrument, "unit")),
                None => "no value".to_owned(),
            };
            let reasons: Vec<&str> =
                rows(instrument, "reasons").iter().filter_map(Value::as_str).collect();
            let why = if reasons.is_empty() {
                String::new()
            } else {
                format!(" ({})", reasons.join(", "))
            };
            let _ = writeln!(out, "    {:<24} {value:<16} {flag}{why}", word(instrument, "id"));
        }
        for refusal in rows(station, "refusals").iter().rev().take(3) {
            let _ = writeln!(
                out,
                "    refused {} as {}: {}",
                word(refusal, "time"),
                word(refusal, "reason"),
                word(refusal, "detail")
            );
        }
    }
    let diagnoses = rows(document, "diagnoses");
    if !diagnoses.is_empty() {
        let _ = writeln!(out, "Diagnoses");
    }
    for said in diagnoses {
        let evidence = said.get("evidence").map_or("", |e| word(e, "words"));
        let confidence = said.get("confidence").and_then(Value::as_f64).unwrap_or(0.0);
        let _ = writeln!(
            out,
            "  {:<16} {:<24} {} since {}, confidence {confidence:.2}: {evidence}",
            word(said, "station"),
            word(said, "instrument"),
            word(said, "diagnosis"),
            word(said, "since"),
        );
    }
    let _ = writeln!(out, "Sources");
    for source in rows(document, "sources") {
        let place = match word(source, "address") {
            "" => String::new(),
            address => format!(" on {address}"),
        };
        let reason = match word(source, "reason") {
            "" => String::new(),
            reason => format!(": {reason}"),
        };
        let _ = writeln!(
            out,
            "  {:<16} {:<12} {}{place}{reason}",
            word(source, "name"),
            word(source, "kind"),
            word(source, "state")
        );
    }
    forwarders(document, &mut out);
    if let Some(history) = document.get("history") {
        let number = |key: &str| history.get(key).and_then(Value::as_u64).unwrap_or(0);
        let last = match word(history, "last_commit") {
            "" => "nothing committed yet".to_owned(),
            time => format!("last commit {time}"),
        };
        let _ = writeln!(
            out,
            "History\n  {:.1} MB, {:.1} MB written since the start, {last}",
            number("bytes") as f64 / 1e6,
            number("written_bytes") as f64 / 1e6
        );
        for repair in rows(history, "repairs").iter().filter_map(Value::as_str) {
            let _ = writeln!(out, "  repaired: {repair}");
        }
    }
    let next: Vec<&str> = rows(document, "next").iter().filter_map(Value::as_str).collect();
    if next.is_empty() {
        let _ = writeln!(out, "Nothing needs to be done.");
    } else {
        let _ = writeln!(out, "What to do next");
        for line in next {
            let _ = writeln!(out, "  - {line}");
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn what_is_wrong_and_what_to_do_can_be_read() {
        let text = render(&json!({
            "stations": [{"id": "orchard", "up": false, "age": 400.0, "instruments": [
                {"id": "screen", "flag": "doubtful", "reasons": ["step"], "value": 17.3, "unit": "Cel"}
            ]}],
            "sources": [{"name": "house", "kind": "mqtt", "state": "down", "reason": "no route to the broker"}],
            "history": {"bytes": 2_500_000, "written_bytes": 0, "last_commit": null},
            "next": ["look at source house"],
        }));
        for needed in [
            "orchard",
            "silent",
            "7 min",
            "17.3 Cel",
            "doubtful (step)",
            "down: no route",
            "2.5 MB",
            "- look at",
        ] {
            assert!(text.contains(needed), "{needed} is missing in\n{text}");
        }
    }
}
