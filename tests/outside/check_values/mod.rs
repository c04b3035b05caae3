//! Every published value in `check-values.toml` against what the product computes.
//!
//! The rule: every row is dispatched; a quantity that no room knows fails the test.

mod air;
mod limits;
mod sky;
mod wind;
mod wire;

use std::collections::{BTreeMap, BTreeSet};
use toml::{Table, Value};

/// One row.
pub(crate) struct Row<'a> {
    table: &'a Table,
}

/// What the product says to a row.
pub(crate) enum Got {
    /// Numbers, one for each expected.
    Numbers(Vec<f64>),
    /// Words, one for each expected.
    Words(Vec<String>),
    /// Anything else, put into words on both sides by the room that read it.
    Same(String, String),
}

impl<'a> Row<'a> {
    pub(crate) fn id(&self) -> &'a str {
        self.table["id"].as_str().unwrap()
    }

    pub(crate) fn unit(&self) -> &'a str {
        self.table["unit"].as_str().unwrap()
    }

    pub(crate) fn input(&self, name: &str) -> Option<&'a Value> {
        self.table["inputs"].as_table().unwrap().get(name)
    }

    pub(crate) fn expected(&self) -> &'a Value {
        &self.table["expected"]
    }

    fn tolerance(&self) -> f64 {
        number(&self.table["tolerance"]).unwrap()
    }

    /// A number among the inputs.
    pub(crate) fn number(&self, name: &str) -> f64 {
        let value = self.input(name);
        value.and_then(number).unwrap_or_else(|| panic!("{}: no number {name}", self.id()))
    }

    /// Numbers among the inputs.
    pub(crate) fn numbers(&self, name: &str) -> Vec<f64> {
        let array = self.input(name).and_then(Value::as_array);
        let array = array.unwrap_or_else(|| panic!("{}: no numbers {name}", self.id()));
        array.iter().map(|v| number(v).unwrap()).collect()
    }

    /// A word among the inputs.
    pub(crate) fn word(&self, name: &str) -> &'a str {
        let value = self.input(name).and_then(Value::as_str);
        value.unwrap_or_else(|| panic!("{}: no word {name}", self.id()))
    }
}

fn number(value: &Value) -> Option<f64> {
    value.as_float().or_else(|| value.as_integer().map(|i| i as f64))
}

fn list(value: &Value) -> Vec<Value> {
    value.as_array().cloned().unwrap_or_else(|| vec![value.clone()])
}

pub(crate) fn one(value: Result<f64, impl std::fmt::Display>) -> Got {
    Got::Numbers(vec![value.unwrap_or_else(|e| panic!("{e}"))])
}

pub(crate) fn word(word: impl Into<String>) -> Got {
    Got::Words(vec![word.into()])
}

/// How many values a row checked, and the largest difference as a share of the expected.
fn compare(row: &Row<'_>, got: &Got) -> Result<(usize, f64), String> {
    let expected = list(row.expected());
    match got {
        Got::Same(got, expected) if got == expected => Ok((1, 0.0)),
        Got::Same(got, expected) => Err(format!("{got} is not {expected}")),
        Got::Words(words) => {
            let expected: Vec<_> = expected.iter().filter_map(Value::as_str).collect();
            if words.iter().map(String::as_str).eq(expected.iter().copied()) {
                Ok((words.len(), 0.0))
            } else {
                Err(format!("{words:?} is not {expected:?}"))
            }
        }
        Got::Numbers(numbers) => {
            if numbers.len() != expected.len() || numbers.is_empty() {
                return Err(format!("{numbers:?} has not the length of {expected:?}"));
            }
            let mut relative = 0.0_f64;
            for (got, expected) in numbers.iter().zip(&expected) {
                let expected = number(expected).ok_or("the row expects no number")?;
                let apart = (got - expected).abs();
                // A last bit for tolerances that round numbers touch exactly.
                let allowed = row.tolerance() * (1.0 + 1e-9) + 1e-12;
                if got.is_nan() || apart > allowed {
                    return Err(format!("{got}, expected {expected} within {}", row.tolerance()));
                }
                if expected.abs() > 0.0 {
                    relative = relative.max(apart / expected.abs());
                }
            }
            Ok((numbers.len(), relative))
        }
    }
}

fn dispatch(row: &Row<'_>) -> Option<Got> {
    let quantity = row.table["quantity"].as_str()?;
    let rooms = [air::row, wind::row, sky::row, limits::row, wire::row];
    rooms.iter().find_map(|room| room(quantity, row))
}

#[test]
fn every_published_value_is_met() {
    let document: Table = include_str!("../check-values.toml").parse().unwrap();
    let rows = document["check"].as_array().unwrap();
    let (mut values, mut faults, mut sources) = (0, Vec::new(), BTreeSet::new());
    let mut marks = BTreeMap::new();
    // Tables printed in whole degrees differ most by nature: the fine ones say more.
    let (mut largest, mut fine) = ((0.0, ""), (0.0, ""));
    for table in rows {
        let row = Row { table: table.as_table().unwrap() };
        let got = dispatch(&row)
            .unwrap_or_else(|| panic!("{}: no room knows {}", row.id(), row.table["quantity"]));
        sources.insert(row.table["source"].as_str().unwrap());
        *marks.entry(row.table["mark"].as_str().unwrap()).or_insert(0) += 1;
        match compare(&row, &got) {
            Err(fault) => faults.push(format!("{}: {fault}", row.id())),
            Ok((count, relative)) => {
                values += count;
                let least = list(row.expected())
                    .iter()
                    .filter_map(number)
                    .fold(f64::MAX, |m, e| m.min(e.abs()));
                if relative > largest.0 {
                    largest = (relative, row.id());
                }
                if row.tolerance() <= 1e-3 * least && relative > fine.0 {
                    fine = (relative, row.id());
                }
            }
        }
    }
    let text = format!(
        "{values} values in {} rows from {} sources; marks {marks:?}\n\
         largest relative difference {:.2e} ({}); among rows given to 0.1 % or better {:.2e} ({})",
        rows.len(),
        sources.len(),
        largest.0,
        largest.1,
        fine.0,
        fine.1,
    );
    crate::summary::write("check-values", &text);
    assert!(faults.is_empty(), "{} of {} rows:\n{}", faults.len(), rows.len(), faults.join("\n"));
    assert!(rows.len() >= 309, "rows are missing");
}

#[test]
fn a_quantity_nobody_knows_is_noticed_and_a_wrong_value_too() {
    let table: Table =
        "id = \"x\"\nquantity = \"frog\"\ninputs = {}\nexpected = 1".parse().unwrap();
    assert!(dispatch(&Row { table: &table }).is_none());
    let table: Table = "id = \"x\"\nquantity = \"beaufort\"\ninputs = { wind_speed_m_s = 0.3 }\nexpected = 2\ntolerance = 0".parse().unwrap();
    let row = Row { table: &table };
    assert!(compare(&row, &dispatch(&row).unwrap()).is_err());
}
