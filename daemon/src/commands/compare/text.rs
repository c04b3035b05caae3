//! How neighbours compare, for people and as JSON.

use super::gather::Pair;
use crate::lines::diagnosis::Row;
use observation::{Diagnosis, Quantity};
use quality::pairs::{Both, Comparison, compare, difference, must_agree};
use serde_json::{Value, json};
use std::fmt::Write as _;

/// Agreement windows told of each pair.
const WINDOWS: usize = 5;
/// The names of the sectors.
const SECTORS: [&str; 8] = ["N", "NE", "E", "SE", "S", "SW", "W", "NW"];

/// One condition: its words and whether an hour belongs to it.
type Condition = (String, Box<dyn Fn(&Both) -> bool>);

fn conditions() -> Vec<Condition> {
    let mut all: Vec<Condition> = vec![
        ("sun above 20 deg".to_owned(), Box::new(|b| b.sun >= 20.0)),
        ("sun up".to_owned(), Box::new(|b| (0.0..20.0).contains(&b.sun))),
        ("night".to_owned(), Box::new(|b| b.sun < 0.0)),
        ("wind under 2 m/s".to_owned(), Box::new(|b| b.wind.is_some_and(|w| w < 2.0))),
        (
            "wind 2 to 5 m/s".to_owned(),
            Box::new(|b| b.wind.is_some_and(|w| (2.0..5.0).contains(&w))),
        ),
        ("wind from 5 m/s".to_owned(), Box::new(|b| b.wind.is_some_and(|w| w >= 5.0))),
    ];
    for (place, name) in (0_u32..).zip(SECTORS) {
        let middle = f64::from(place) * 45.0;
        all.push((
            format!("wind from {name}"),
            Box::new(move |b| {
                b.direction
                    .is_some_and(|d| ((d - middle + 180.0).rem_euclid(360.0) - 180.0).abs() <= 22.5)
            }),
        ));
    }
    all
}

/// The last windows in which the two had to agree: time, difference, allowed.
fn windows(pair: &Pair) -> Vec<(String, f64, f64)> {
    let all = pair.hours.iter().rev().filter_map(|b| {
        let allowed = must_agree(pair.quantity, b)?;
        Some((b.time.to_string(), difference(pair.quantity, b), allowed))
    });
    all.take(WINDOWS).collect()
}

fn unit(quantity: Quantity) -> &'static str {
    quantity.unit()
}

fn line(name: &str, found: &Comparison, unit: &str) -> String {
    let correlation =
        found.correlation.map(|c| format!(", correlation {c:.2}")).unwrap_or_default();
    format!(
        "    {name:<18} {:+.2} {unit}, spread {:.2}{correlation} ({} h)\n",
        found.bias, found.spread, found.count
    )
}

/// For people.
pub(super) fn render(pairs: &[Pair], open: &[Diagnosis], days: u16) -> String {
    let mut out = String::new();
    if pairs.is_empty() {
        out.push_str("There are no two stations with readings of one quantity in this span.\n");
    }
    // Writing to a String cannot fail.
    for pair in pairs {
        let quantity = pair.quantity;
        let Some(whole) = compare(quantity, pair.hours.iter()) else { continue };
        let _ = writeln!(
            out,
            "{} less {}: {}, last {days} days",
            pair.first,
            pair.second,
            quantity.name().replace('_', " ")
        );
        out.push_str(&line("all", &whole, unit(quantity)));
        for (name, belongs) in conditions() {
            let own = pair.hours.iter().filter(|b| belongs(b));
            if let Some(found) = compare(quantity, own).filter(|c| c.count >= 5) {
                out.push_str(&line(&name, &found, unit(quantity)));
            }
        }
        let windows = windows(pair);
        if !windows.is_empty() {
            let agreed = windows.iter().filter(|(_, d, allowed)| d.abs() <= *allowed).count();
            let _ = writeln!(
                out,
                "    had to agree last: {agreed} of {} did: {}",
                windows.len(),
                windows
                    .iter()
                    .map(|(time, d, allowed)| format!("{time} {d:+.2} (at most {allowed:.2})"))
                    .collect::<Vec<_>>()
                    .join("; ")
            );
        }
    }
    for said in open {
        let _ = writeln!(
            out,
            "{} {}: {} since {}, confidence {:.2}: {}",
            said.station.as_deref().unwrap_or("two stations"),
            said.instrument.as_deref().unwrap_or(""),
            said.cause.replace('_', " "),
            said.since,
            said.confidence,
            said.evidence.words
        );
    }
    out
}

fn numbers(found: &Comparison) -> Value {
    let told = |x: f64| observation::diagnosis::told(x, 3);
    json!({
        "hours": found.count,
        "bias": told(found.bias),
        "spread": told(found.spread),
        "correlation": found.correlation.and_then(told),
    })
}

/// As one JSON object.
pub(super) fn document(pairs: &[Pair], open: &[Diagnosis]) -> Value {
    let rows: Vec<Value> = pairs
        .iter()
        .filter_map(|pair| {
            let whole = compare(pair.quantity, pair.hours.iter())?;
            let by: Vec<Value> = conditions()
                .iter()
                .filter_map(|(name, belongs)| {
                    let found = compare(pair.quantity, pair.hours.iter().filter(|b| belongs(b)))?;
                    let mut row = numbers(&found);
                    row.as_object_mut()?.insert("condition".to_owned(), json!(name));
                    Some(row)
                })
                .collect();
            let windows: Vec<Value> = windows(pair)
                .into_iter()
                .map(|(time, difference, allowed)| {
                    json!({ "time": time, "difference": difference, "allowed": allowed })
                })
                .collect();
            Some(json!({
                "first": pair.first,
                "second": pair.second,
                "quantity": pair.quantity.name(),
                "unit": unit(pair.quantity),
                "all": numbers(&whole),
                "by": by,
                "windows": windows,
            }))
        })
        .collect();
    json!({ "pairs": rows, "diagnoses": open.iter().map(Row::from).collect::<Vec<_>>() })
}
