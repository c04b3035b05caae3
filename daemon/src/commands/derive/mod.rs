//! `isobarn derive`: one formula, from inputs with units to a value with a unit, not
//! rounded.

mod formula;

use super::Failure;
use crate::arguments::Derive;
use formula::{Formula, Kind, Trouble};
use observation::Unit;
use serde_json::json;
use std::fmt::Write as _;
use std::io::Write as _;

/// Every formula there is, the usual method of each quantity first.
const FORMULAS: &[Formula] = &[];

/// Computes, or lists what can be computed.
///
/// # Errors
/// Status 2 for a quantity, method, input or unit that does not fit; 1 outside a
/// formula's range.
pub fn execute(arguments: &Derive) -> Result<(), Failure> {
    let (text, failure) = answer(FORMULAS, arguments);
    std::io::stdout()
        .write_all(text.as_bytes())
        .map_err(|e| Failure::failed(format!("standard output: {e}")))?;
    failure.map_or(Ok(()), Err)
}

/// What is printed, and how it failed if it did.
fn answer(formulas: &[Formula], arguments: &Derive) -> (String, Option<Failure>) {
    if arguments.list {
        return (list(formulas, arguments.json), None);
    }
    match derived(formulas, arguments) {
        Ok(text) => (text, None),
        Err(Trouble::Usage(message)) => (String::new(), Some(Failure::usage(message))),
        Err(Trouble::Outside(reason)) if arguments.json => {
            let quantity = arguments.quantity.as_deref().unwrap_or_default();
            let line = json!({ "quantity": quantity, "value": null, "reason": reason });
            // Everything is said on standard output.
            (format!("{line}\n"), Some(Failure::failed("")))
        }
        Err(Trouble::Outside(reason)) => (String::new(), Some(Failure::failed(reason))),
    }
}

fn derived(formulas: &[Formula], arguments: &Derive) -> Result<String, Trouble> {
    let quantity = arguments.quantity.as_deref().unwrap_or_default();
    let pairs: Vec<(&str, &str)> = arguments
        .inputs
        .iter()
        .map(|pair| {
            pair.split_once('=')
                .ok_or_else(|| Trouble::Usage(format!("`{pair}` is not NAME=VALUE")))
        })
        .collect::<Result<_, _>>()?;
    for (place, (name, _)) in pairs.iter().enumerate() {
        if pairs.iter().take(place).any(|(earlier, _)| earlier == name) {
            return Err(Trouble::Usage(format!("{name} is given twice")));
        }
    }
    let formula = choose(formulas, quantity, arguments.method.as_deref(), &pairs)?;
    let value = formula.value(&pairs)?;
    let code = arguments.unit.as_deref().unwrap_or(formula.unit);
    let value = converted(value, formula.unit, code)?;
    if arguments.json {
        let mut line = json!({ "quantity": quantity, "value": value, "unit": code });
        if arguments.explain
            && let Some(object) = line.as_object_mut()
        {
            object.insert("method".to_owned(), formula.method.into());
            object.insert("formula".to_owned(), formula.text.into());
            object.insert("source".to_owned(), formula.source.into());
        }
        return Ok(format!("{line}\n"));
    }
    let mut out = format!("{value} {code}\n");
    if arguments.explain {
        // Writing to a String cannot fail.
        let _ = writeln!(
            out,
            "method   {}\nformula  {}\nsource   {}",
            formula.method, formula.text, formula.source
        );
        for input in formula.inputs {
            let _ = writeln!(out, "input    {}", input.form());
        }
    }
    Ok(out)
}

/// The formula of a quantity that fits the method asked for, or else the inputs.
fn choose<'a>(
    formulas: &'a [Formula],
    quantity: &str,
    method: Option<&str>,
    pairs: &[(&str, &str)],
) -> Result<&'a Formula, Trouble> {
    let of: Vec<&Formula> = formulas.iter().filter(|f| f.quantity == quantity).collect();
    if of.is_empty() {
        let near = config::nearest(quantity, formulas.iter().map(|f| f.quantity));
        let near = near.map_or_else(
            || "`isobarn derive --list` tells what can be computed".to_owned(),
            |n| format!("did you mean `{n}`?"),
        );
        return Err(Trouble::Usage(format!("nothing here computes `{quantity}`; {near}")));
    }
    let named: Vec<&Formula> =
        of.iter().copied().filter(|f| method.is_none_or(|m| f.method == m)).collect();
    let names: Vec<&str> = pairs.iter().map(|(name, _)| *name).collect();
    named.iter().find(|f| f.takes(&names)).or_else(|| named.first()).copied().ok_or_else(|| {
        let methods: Vec<&str> = of.iter().map(|f| f.method).collect();
        Trouble::Usage(format!(
            "`{}` is no method for {quantity}; there are: {}",
            method.unwrap_or_default(),
            methods.join(", ")
        ))
    })
}

fn converted(value: f64, from: &str, to: &str) -> Result<f64, Trouble> {
    let parse = |code: &str| Unit::parse(code).map_err(|e| Trouble::Usage(e.0));
    parse(from)?
        .convert(value, &parse(to)?)
        .ok_or_else(|| Trouble::Usage(format!("`{to}` does not measure what `{from}` measures")))
}

fn list(formulas: &[Formula], as_json: bool) -> String {
    if as_json {
        let all: Vec<serde_json::Value> = formulas.iter().map(listed).collect();
        return format!("{}\n", serde_json::Value::from(all));
    }
    let mut out = String::new();
    for formula in formulas {
        let _ = writeln!(out, "{} [{}]  {}", formula.quantity, formula.unit, formula.method);
        for input in formula.inputs {
            let optional = if input.optional { "  (may be left out)" } else { "" };
            let _ = writeln!(out, "    {}{optional}", input.form());
        }
        let _ = writeln!(out, "    {}", formula.source);
    }
    out
}

fn listed(formula: &Formula) -> serde_json::Value {
    let inputs: Vec<serde_json::Value> = formula
        .inputs
        .iter()
        .map(|input| {
            let mut about = json!({ "name": input.name, "optional": input.optional });
            let more = match input.kind {
                Kind::Measure(unit, (low, high)) => json!({ "unit": unit, "range": [low, high] }),
                Kind::Number((low, high)) => json!({ "range": [low, high] }),
                Kind::Word(words) => json!({ "words": words }),
                Kind::Instant => json!({ "form": "RFC 3339" }),
            };
            if let (Some(about), Some(more)) = (about.as_object_mut(), more.as_object()) {
                about.extend(more.clone());
            }
            about
        })
        .collect();
    json!({
        "quantity": formula.quantity,
        "method": formula.method,
        "unit": formula.unit,
        "inputs": inputs,
        "source": formula.source,
        "formula": formula.text,
    })
}

#[cfg(test)]
mod tests {
    use super::formula::{Given, Input};
    use super::*;

    /// Invented formulas: half of a temperature, and a temperature less one.
    const INVENTED: &[Formula] = &[
        Formula {
            quantity: "dew_point_temperature",
            method: "half",
            unit: "Cel",
            inputs: &[
                Input {
                    name: "air_temperature",
                    kind: Kind::Measure("Cel", (-40.0, 50.0)),
                    optional: false,
                },
                Input { name: "phase", kind: Kind::Word(&["water", "ice"]), optional: true },
            ],
            source: "invented",
            text: "t / 2",
            compute: |given| match given {
                [Some(Given::Number(t)), phase] => {
                    if *phase == Some(Given::Word(1)) && *t > 0.0 {
                        Err("there is no ice above 0 Cel".to_owned())
                    } else {
                        Ok(t / 2.0)
                    }
                }
                _ => Err("no temperature".to_owned()),
            },
        },
        Formula {
            quantity: "dew_point_temperature",
            method: "less",
            unit: "Cel",
            inputs: &[Input {
                name: "day_of_year",
                kind: Kind::Number((1.0, 366.0)),
                optional: false,
            }],
            source: "invented",
            text: "n - 1",
            compute: |given| match given {
                [Some(Given::Number(n))] => Ok(n - 1.0),
                _ => Err("no number".to_owned()),
            },
        },
    ];

    fn run(words: &[&str]) -> (String, Option<(u8, String)>) {
        let mut arguments = Derive {
            quantity: None,
            inputs: Vec::new(),
            unit: None,
            method: None,
            explain: false,
            json: false,
            list: false,
        };
        let mut words = words.iter();
        while let Some(word) = words.next() {
            match *word {
                "--json" => arguments.json = true,
                "--list" => arguments.list = true,
                "--explain" => arguments.explain = true,
                "--unit" => arguments.unit = words.next().map(|w| (*w).to_owned()),
                "--method" => arguments.method = words.next().map(|w| (*w).to_owned()),
                word if arguments.quantity.is_none() => arguments.quantity = Some(word.to_owned()),
                word => arguments.inputs.push(word.to_owned()),
            }
        }
        let (text, failure) = answer(INVENTED, &arguments);
        (text, failure.map(|f| (f.status, f.message)))
    }

    #[test]
    fn a_value_comes_in_its_unit_or_the_one_asked_for() {
        assert_eq!(
            run(&["dew_point_temperature", "air_temperature=20Cel"]),
            ("10 Cel\n".to_owned(), None)
        );
        assert_eq!(
            run(&["dew_point_temperature", "air_temperature=68[degF]"]),
            ("10 Cel\n".to_owned(), None)
        );
        assert_eq!(
            run(&["dew_point_temperature", "air_temperature=20Cel", "--unit", "K"]).0,
            "283.15 K\n"
        );
        assert_eq!(
            run(&["dew_point_temperature", "air_temperature=20Cel", "--json"]).0,
            "{\"quantity\":\"dew_point_temperature\",\"unit\":\"Cel\",\"value\":10.0}\n"
        );
        // The inputs tell which method is meant.
        assert_eq!(run(&["dew_point_temperature", "day_of_year=8"]).0, "7 Cel\n");
        let explained = run(&["dew_point_temperature", "air_temperature=20Cel", "--explain"]).0;
        assert!(
            explained.contains("t / 2") && explained.contains("source   invented"),
            "{explained}"
        );
    }

    #[test]
    fn what_does_not_fit_is_wrong_usage_and_says_what_is_missing() {
        for (words, said) in [
            (
                &["dew_point_temperatur", "air_temperature=20Cel"][..],
                "did you mean `dew_point_temperature`?",
            ),
            (&["dew_point_temperature"], "air_temperature is missing"),
            (&["dew_point_temperature", "air_temperature=20hPa"], "does not measure"),
            (&["dew_point_temperature", "air_temperature=20"], "has no unit"),
            (&["dew_point_temperature", "air_temperature"], "is not NAME=VALUE"),
            (&["dew_point_temperature", "air_temperature=1Cel", "frog=2"], "frog is no input"),
            (&["dew_point_temperature", "air_temperature=1Cel", "air_temperature=2Cel"], "twice"),
            (
                &["dew_point_temperature", "air_temperature=1Cel", "phase=steam"],
                "one of water, ice",
            ),
            (
                &["dew_point_temperature", "air_temperature=1Cel", "--method", "frog"],
                "there are: half, less",
            ),
            (
                &["dew_point_temperature", "air_temperature=1Cel", "--unit", "hPa"],
                "does not measure",
            ),
        ] {
            let (text, failure) = run(words);
            let Some((status, message)) = failure else { panic!("{words:?} gave {text}") };
            assert_eq!((status, text.as_str()), (2, ""), "{words:?}");
            assert!(message.contains(said), "{words:?}: {message}");
        }
    }

    #[test]
    fn outside_its_range_there_is_a_reason_and_no_value() {
        let (text, failure) = run(&["dew_point_temperature", "air_temperature=60Cel", "--json"]);
        assert_eq!(failure.map(|f| f.0), Some(1));
        let line: serde_json::Value = serde_json::from_str(&text).unwrap_or_default();
        assert_eq!(line["value"], serde_json::Value::Null);
        assert!(
            line["reason"].as_str().is_some_and(|r| r.contains("outside -40 to 50 Cel")),
            "{text}"
        );
        let (_, failure) = run(&["dew_point_temperature", "air_temperature=2Cel", "phase=ice"]);
        assert_eq!(failure, Some((1, "there is no ice above 0 Cel".to_owned())));
    }

    #[test]
    fn the_list_names_every_formula_with_ranges_and_sources() {
        let (text, _) = run(&["--list", "--json"]);
        let list: serde_json::Value = serde_json::from_str(&text).unwrap_or_default();
        assert_eq!(list.as_array().map(Vec::len), Some(2));
        assert_eq!(list[0]["inputs"][0]["range"], json!([-40.0, 50.0]));
        assert_eq!(list[0]["source"], "invented");
        assert!(run(&["--list"]).0.contains("phase=water|ice  (may be left out)"));
    }
}
