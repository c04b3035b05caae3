//! `name=value` words as inputs of a formula, in the formula's units.

use meteorology::registry::{Formula, Input, Inputs, Kind, parse_phase};
use observation::unit::Measure;
use observation::{Time, Unit};

/// Reads all of them.
///
/// # Errors
/// In a line: which word is no pair, which name stands twice or is no input, which value
/// has a wrong unit or none.
pub(super) fn read(formula: &Formula, words: &[String]) -> Result<Inputs, String> {
    let mut inputs = Inputs::new();
    for word in words {
        let (name, text) =
            word.split_once('=').ok_or_else(|| format!("`{word}` is not NAME=VALUE"))?;
        let Some(input) = formula.input(name) else {
            let near = config::nearest(name, formula.inputs.iter().map(|i| i.name));
            let near = near.map(|n| format!("; did you mean `{n}`?")).unwrap_or_default();
            return Err(format!("`{name}` is no input of {}{near}", formula.quantity));
        };
        if inputs.get(input.name).is_some() {
            return Err(format!("`{name}` is given twice"));
        }
        let values = match input.kind {
            Kind::Series => series(input, text),
            _ => value(input, text).map(|value| vec![value]),
        };
        inputs.set_series(input.name, values.map_err(|why| format!("{name}={text}: {why}"))?);
    }
    Ok(inputs)
}

fn value(input: &Input, text: &str) -> Result<f64, String> {
    match input.kind {
        Kind::Phase => parse_phase(text).ok_or_else(|| "water or ice is needed".to_owned()),
        Kind::Time => Time::parse(text).map(Time::seconds).map_err(|e| e.to_string()),
        Kind::Number | Kind::Series => {
            let unit = Unit::parse(input.unit).map_err(|e| e.0)?;
            let bare = text.trim().parse::<f64>().ok().filter(|n| n.is_finite());
            match bare {
                // Numbers of days and geographic degrees are written bare everywhere.
                Some(number) if matches!(input.unit, "1" | "deg") => Ok(number),
                _ => Measure::parse(text).and_then(|m| m.to(&unit)).map_err(|e| e.0),
            }
        }
    }
}

/// Numbers apart by commas, the unit once behind the last; an empty place was not measured.
fn series(input: &Input, text: &str) -> Result<Vec<f64>, String> {
    let places: Vec<&str> = text.split(',').map(str::trim).collect();
    let code = places.last().map_or("", |last| {
        last.trim_start_matches(|c: char| c.is_ascii_digit() || matches!(c, '.' | '-' | '+'))
    });
    let one = |(place, text): (usize, &&str)| match text.strip_suffix(code).unwrap_or(text).trim() {
        "" => Ok(f64::NAN),
        _ if place + 1 == places.len() => value(input, text),
        number => value(input, &format!("{number}{code}")),
    };
    places.iter().enumerate().map(one).collect()
}

/// How an input is written, and the range in which it is taken.
pub(super) fn form(input: &Input) -> String {
    let Input { name, unit, low, high, .. } = input;
    match input.kind {
        Kind::Phase => format!("{name}=water|ice"),
        Kind::Time => format!("{name}=TIME, such as 2026-03-01T12:00:00Z"),
        Kind::Number if *unit == "1" => format!("{name}=NUMBER, {low} to {high}"),
        Kind::Series if *unit == "1" => format!("{name}=NUMBER,NUMBER..., {low} to {high}"),
        Kind::Series => {
            format!(
                "{name}=NUMBER,NUMBER...{unit}, empty where not measured, {low} to {high} {unit}"
            )
        }
        Kind::Number => format!("{name}=NUMBER{unit}, {low} to {high} {unit}"),
    }
}
