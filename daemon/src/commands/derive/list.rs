//! What can be computed from what, for people and as JSON.

use super::inputs::form;
use meteorology::registry::{Formula, Kind, formulas};
use serde_json::{Value, json};
use std::fmt::Write as _;

/// All formulas as text.
pub(super) fn text() -> String {
    let mut out = String::new();
    for formula in formulas() {
        // Writing to a String cannot fail.
        let _ = writeln!(out, "{} [{}]: {}", formula.quantity, formula.unit, formula.about);
        for input in formula.inputs {
            let optional = if input.optional { "   (may be left out)" } else { "" };
            let _ = writeln!(out, "    {}{optional}", form(input));
        }
        if !formula.either.is_empty() {
            let sets: Vec<String> = formula.either.iter().map(|set| set.join(" and ")).collect();
            let _ = writeln!(out, "    needed of these: {}", sets.join("; or "));
        }
        for (place, method) in formula.methods.iter().enumerate() {
            let usual = if place == 0 { " (usual)" } else { "" };
            let _ = writeln!(out, "    --method {}{usual}: {}", method.name, method.source);
        }
        out.push('\n');
    }
    out
}

/// All formulas as one JSON array.
pub(super) fn json_text() -> String {
    format!("{}\n", Value::from(formulas().map(listed).collect::<Vec<_>>()))
}

fn listed(formula: &Formula) -> Value {
    let inputs: Vec<Value> = formula
        .inputs
        .iter()
        .map(|input| {
            let (kind, range) = match input.kind {
                Kind::Number => ("number", json!([input.low, input.high])),
                Kind::Series => ("series", json!([input.low, input.high])),
                Kind::Time => ("time", Value::Null),
                Kind::Phase => ("phase", Value::Null),
            };
            json!({
                "name": input.name,
                "kind": kind,
                "unit": input.unit,
                "range": range,
                "optional": input.optional,
            })
        })
        .collect();
    let methods: Vec<Value> = formula
        .methods
        .iter()
        .map(|m| {
            json!({ "name": m.name, "source": m.source, "range": m.range, "formula": m.formula })
        })
        .collect();
    json!({
        "quantity": formula.quantity,
        "unit": formula.unit,
        "about": formula.about,
        "inputs": inputs,
        "either": formula.either,
        "methods": methods,
        "default_method": formula.default_method().name,
        "why": formula.why,
    })
}
