//! The closed list of causes.

use quality::diagnosis::Cause;
use serde_json::{Value, json};
use std::fmt::Write as _;

/// For people.
pub(super) fn text() -> String {
    let mut out = String::new();
    for cause in Cause::ALL {
        // Writing to a String cannot fail.
        let _ = writeln!(out, "{} ({})", cause.word(), cause.group().word());
        let _ = writeln!(out, "    {}", cause.about());
        if !cause.cautions().is_empty() {
            let _ = writeln!(out, "    First: {}", cause.cautions());
        }
        let _ = writeln!(out, "    {}", cause.remedy());
    }
    out
}

/// As one JSON array.
pub(super) fn json_text() -> String {
    let list: Vec<Value> = Cause::ALL
        .iter()
        .map(|cause| {
            json!({
                "diagnosis": cause.word(),
                "group": cause.group().word(),
                "unit": Some(cause.unit()).filter(|unit| !unit.is_empty()),
                "about": cause.about(),
                "cautions": cause.cautions(),
                "remedy": cause.remedy(),
            })
        })
        .collect();
    format!("{}\n", Value::from(list))
}
