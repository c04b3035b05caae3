//! Conversions of units against two libraries that know nothing of this one: pint and
//! UDUNITS through cf-units. The table is made by `tests/outside/units.py`.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use observation::{Quantity, Unit};
use std::collections::BTreeSet;

const TABLE: &str = include_str!("../../tests/outside/units.tsv");

struct Row<'a> {
    value: f64,
    from: &'a str,
    to: &'a str,
    expected: f64,
    library: &'a str,
}

fn rows() -> Vec<Row<'static>> {
    TABLE
        .lines()
        .skip(1)
        .map(|line| {
            let fields: Vec<&str> = line.split('\t').collect();
            let [value, from, to, expected, library] = fields[..] else { panic!("{line}") };
            Row {
                value: value.parse().unwrap(),
                from,
                to,
                expected: expected.parse().unwrap(),
                library,
            }
        })
        .collect()
}

/// UCUM cuts the column of mercury to 133.322 Pa a millimetre; the libraries take
/// 133.322387415 Pa, three millionths more. All else agrees to rounding.
fn tolerance(row: &Row) -> f64 {
    let mercury = row.from.contains("Hg]") || row.to.contains("Hg]");
    let relative = if mercury { 3e-6 } else { 1e-12 };
    relative * row.expected.abs().max(row.value.abs())
}

#[test]
fn conversions_agree_with_two_other_libraries() {
    let rows = rows();
    for library in ["pint ", "cf-units "] {
        assert!(rows.iter().filter(|r| r.library.starts_with(library)).count() >= 200, "{library}");
    }
    for row in &rows {
        let (from, to) = (Unit::parse(row.from).unwrap(), Unit::parse(row.to).unwrap());
        let got = from.convert(row.value, &to).unwrap();
        assert!(
            (got - row.expected).abs() <= tolerance(row),
            "{} {} = {got} {}, but {} says {}",
            row.value,
            row.from,
            row.to,
            row.library,
            row.expected
        );
        let prepared = from.scale_to(&to).unwrap().apply(row.value);
        assert_eq!(got.to_bits(), prepared.to_bits());
    }
}

#[test]
fn every_canonical_unit_with_another_of_its_kind_is_compared() {
    let compared: BTreeSet<&str> = rows().iter().flat_map(|r| [r.from, r.to]).collect();
    // Alone of their kind here.
    let alone = ["dBm", "lx"];
    for &quantity in Quantity::ALL {
        let unit = quantity.unit();
        assert!(compared.contains(unit) != alone.contains(&unit), "{quantity} in {unit}");
    }
}
