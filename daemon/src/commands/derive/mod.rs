//! `isobarn derive`: one formula, from inputs with units to a value with a unit, not
//! rounded.

mod inputs;
mod list;

use super::Failure;
use crate::arguments::Derive;
use meteorology::registry::{self, Formula, Refused};
use observation::{Quantity, Unit};
use serde::Serialize;
use std::fmt::Write as _;
use std::io::Write as _;

/// Why there is no value.
#[derive(Debug)]
enum Trouble {
    /// The arguments do not fit.
    Usage(String),
    /// Outside a formula's range.
    Outside(String),
}

/// The answer as JSON.
#[derive(Default, Serialize)]
struct Line<'a> {
    quantity: &'a str,
    value: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    unit: Option<&'a str>,
    /// The class the value stands for.
    #[serde(skip_serializing_if = "Option::is_none")]
    word: Option<&'a str>,
    /// Named parts, in the same unit.
    #[serde(skip_serializing_if = "serde_json::Map::is_empty")]
    parts: serde_json::Map<String, serde_json::Value>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    explained: Option<Explained<'a>>,
}

/// What `--explain` adds.
#[derive(Serialize)]
struct Explained<'a> {
    method: &'a str,
    formula: &'a str,
    range: &'a str,
    source: &'a str,
}

impl Line<'_> {
    fn text(&self) -> String {
        // Texts and a finite number always serialise.
        serde_json::to_string(self).map(|line| line + "\n").unwrap_or_default()
    }
}

/// Computes, or lists what can be computed.
///
/// # Errors
/// Status 2 for a quantity, method, input or unit that does not fit; 1 outside a
/// formula's range.
pub fn execute(arguments: &Derive) -> Result<(), Failure> {
    let (text, failure) = answer(arguments);
    match std::io::stdout().write_all(text.as_bytes()) {
        // Whoever reads has seen enough.
        Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => {}
        other => other.map_err(|e| Failure::failed(format!("standard output: {e}")))?,
    }
    failure.map_or(Ok(()), Err)
}

/// What is printed, and how it failed if it did.
fn answer(arguments: &Derive) -> (String, Option<Failure>) {
    if arguments.list {
        let text = if arguments.json { list::json_text() } else { list::text() };
        return (text, None);
    }
    let name = arguments.quantity.as_deref().unwrap_or_default();
    // The short form of a name is understood, the full one is given back.
    let name: &str = match Quantity::parse(name) {
        Some(quantity) => quantity.name(),
        None => name,
    };
    match derived(name, arguments) {
        Ok(text) => (text, None),
        Err(Trouble::Usage(message)) => (String::new(), Some(Failure::usage(message))),
        Err(Trouble::Outside(reason)) if arguments.json => {
            let reason = Some(reason.as_str());
            let line = Line { quantity: name, reason, ..Line::default() };
            // Everything is said on standard output.
            (line.text(), Some(Failure::failed("")))
        }
        Err(Trouble::Outside(reason)) => (String::new(), Some(Failure::failed(reason))),
    }
}

fn derived(name: &str, arguments: &Derive) -> Result<String, Trouble> {
    let formula = registry::formula(name).ok_or_else(|| {
        let near = config::nearest(name, registry::formulas().map(|f| f.quantity));
        let near = near.map_or_else(
            || "`isobarn derive --list` tells what can be computed".to_owned(),
            |n| format!("did you mean `{n}`?"),
        );
        Trouble::Usage(format!("nothing here computes `{name}`; {near}"))
    })?;
    let inputs = inputs::read(formula, &arguments.inputs).map_err(Trouble::Usage)?;
    let value_here = formula
        .evaluate(&inputs, arguments.method.as_deref())
        .map_err(|refused| trouble(formula, refused))?;
    let code = arguments.unit.as_deref().unwrap_or(formula.unit);
    let value = converted(value_here, formula.unit, code).map_err(Trouble::Usage)?;
    let told = formula.tell(&inputs, arguments.method.as_deref(), value_here);
    let parts = told.parts.iter().map(|(name, part)| {
        converted(*part, formula.unit, code).map(|part| (name.clone(), part.into()))
    });
    let parts: serde_json::Map<String, serde_json::Value> =
        parts.collect::<Result<_, _>>().map_err(Trouble::Usage)?;
    let method = arguments
        .method
        .as_deref()
        .and_then(|name| formula.method(name))
        .unwrap_or_else(|| formula.default_method());
    if arguments.json {
        let explained = arguments.explain.then_some(Explained {
            method: method.name,
            formula: method.formula,
            range: method.range,
            source: method.source,
        });
        let line = Line {
            quantity: name,
            value: Some(value),
            unit: Some(code),
            word: told.word,
            parts,
            reason: None,
            explained,
        };
        return Ok(line.text());
    }
    let word = told.word.map(|word| format!(" {word}")).unwrap_or_default();
    let mut out = format!("{value} {code}{word}\n");
    for (name, _) in &told.parts {
        // Writing to a String cannot fail.
        let _ = writeln!(out, "{name:<12} {}", parts.get(name).unwrap_or_default());
    }
    if arguments.explain {
        // Writing to a String cannot fail.
        let _ = writeln!(
            out,
            "{}\nmethod   {}\nformula  {}\nholds    {}\nsource   {}",
            formula.about, method.name, method.formula, method.range, method.source
        );
        if formula.methods.len() > 1 {
            let _ = writeln!(out, "usual    {}: {}", formula.default_method().name, formula.why);
        }
        for input in formula.inputs {
            let _ = writeln!(out, "input    {}", inputs::form(input));
        }
    }
    Ok(out)
}

fn trouble(formula: &Formula, refused: Refused) -> Trouble {
    match refused {
        Refused::Missing(names) => {
            let forms: Vec<String> =
                names.iter().filter_map(|n| formula.input(n)).map(inputs::form).collect();
            Trouble::Usage(format!("missing: {}; write {}", names.join(", "), forms.join("; ")))
        }
        Refused::UnknownInput(name) => {
            Trouble::Usage(format!("`{name}` is no input of {}", formula.quantity))
        }
        Refused::UnknownMethod(name) => {
            let methods: Vec<&str> = formula.methods.iter().map(|m| m.name).collect();
            Trouble::Usage(format!(
                "`{name}` is no method for {}; there are: {}",
                formula.quantity,
                methods.join(", ")
            ))
        }
        Refused::OutOfRange(reason) => Trouble::Outside(reason.reason()),
    }
}

fn converted(value: f64, from: &str, to: &str) -> Result<f64, String> {
    let unit = Unit::parse(from).map_err(|e| e.0)?;
    let wanted = Unit::parse(to).map_err(|e| e.0)?;
    unit.convert(value, &wanted)
        .ok_or_else(|| format!("`{to}` does not measure what `{from}` measures"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser as _;
    use serde_json::Value;

    fn run(words: &[&str]) -> (String, Option<(u8, String)>) {
        let words = ["isobarn", "derive"].iter().chain(words);
        let parsed =
            crate::arguments::Arguments::try_parse_from(words).unwrap_or_else(|e| panic!("{e}"));
        let crate::arguments::Command::Derive(arguments) = parsed.command else {
            panic!("another command")
        };
        let (text, failure) = answer(&arguments);
        (text, failure.map(|f| (f.status, f.message)))
    }

    fn number(words: &[&str]) -> f64 {
        let mut words = words.to_vec();
        words.push("--json");
        let (text, failure) = run(&words);
        assert_eq!(failure, None, "{words:?}");
        let line: Value = serde_json::from_str(&text).unwrap_or_default();
        line["value"].as_f64().unwrap_or_else(|| panic!("{words:?}: {text}"))
    }

    #[test]
    fn a_value_comes_in_its_unit_or_the_one_asked_for() {
        let words = ["dew_point_temperature", "air_temperature=20Cel", "relative_humidity=50%"];
        let celsius = number(&words);
        assert!((celsius - 9.26).abs() < 0.02, "{celsius}");
        let fahrenheit =
            ["dew_point_temperature", "air_temperature=68[degF]", "relative_humidity=0.5 1"];
        assert!((number(&fahrenheit) - celsius).abs() < 1e-9);
        let kelvin = number(&[words.as_slice(), &["--unit", "K"]].concat());
        assert!((kelvin - celsius - 273.15).abs() < 1e-9, "{kelvin}");
        let (text, _) = run(&words);
        assert_eq!(text, format!("{celsius} Cel\n"));
        let (text, _) =
            run(&[words.as_slice(), &["--explain", "--method", "bolton-1980"]].concat());
        assert!(text.contains("method   bolton-1980") && text.contains("Bolton 1980"), "{text}");
    }

    #[test]
    fn what_does_not_fit_is_wrong_usage_and_says_what_is_missing() {
        let name = "dew_point_temperature";
        let air = "air_temperature=20Cel";
        for (words, said) in [
            (&["dew_point_temperatur", air][..], "did you mean `dew_point_temperature`?"),
            (&[name, air], "missing: relative_humidity"),
            (&[name, "air_temperature=20hPa"], "does not measure"),
            (&[name, "air_temperature=20"], "has no unit"),
            (&[name, "air_temperature"], "is not NAME=VALUE"),
            (&[name, air, "relative_humidty=2%"], "did you mean `relative_humidity`?"),
            (&[name, air, air], "twice"),
            (&["saturation_vapor_pressure", air, "phase=steam"], "water or ice"),
            (&[name, air, "relative_humidity=50%", "--method", "frog"], "there are: wmo-no-8"),
            (&[name, air, "relative_humidity=50%", "--unit", "hPa"], "does not measure"),
        ] {
            let (text, failure) = run(words);
            let Some((status, message)) = failure else { panic!("{words:?} gave {text}") };
            assert_eq!((status, text.as_str()), (2, ""), "{words:?}");
            assert!(message.contains(said), "{words:?}: {message}");
        }
    }

    #[test]
    fn outside_its_range_there_is_a_reason_and_no_value() {
        let words = ["dew_point_temperature", "air_temperature=20Cel", "relative_humidity=120%"];
        let (text, failure) = run(&words);
        assert_eq!(text, "");
        assert!(failure.is_some_and(|(status, reason)| status == 1 && reason.contains("120")));
        let (text, failure) = run(&[words.as_slice(), &["--json"]].concat());
        assert_eq!(failure.map(|f| f.0), Some(1));
        let line: Value = serde_json::from_str(&text).unwrap_or_default();
        assert_eq!(line["quantity"], "dew_point_temperature");
        assert!(
            line["value"].is_null() && line["reason"].as_str().is_some_and(|r| r.contains("120"))
        );
    }

    #[test]
    fn the_list_names_every_formula_with_ranges_and_sources() {
        let (text, _) = run(&["--list", "--json"]);
        let list: Value = serde_json::from_str(&text).unwrap_or_default();
        let list = list.as_array().cloned().unwrap_or_default();
        assert_eq!(list.len(), registry::formulas().count());
        for formula in &list {
            for method in formula["methods"].as_array().into_iter().flatten() {
                for key in ["name", "source", "range", "formula"] {
                    assert!(method[key].as_str().is_some_and(|t| !t.is_empty()), "{formula}");
                }
            }
        }
        let (text, _) = run(&["--list"]);
        for formula in registry::formulas() {
            assert!(text.contains(&format!("{} [{}]", formula.quantity, formula.unit)), "{text}");
        }
    }
}
