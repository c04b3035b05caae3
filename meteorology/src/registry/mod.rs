//! The formulas by quantity, method and input, for asking one of them by hand.
//!
//! The rule: inputs come in canonical units under the names of quantities, plus
//! `elevation` (m), `latitude` and `longitude` (deg), `time` (Unix seconds),
//! `day_of_year` and `phase`; results are in the formula's canonical unit, not rounded.
//! A result that stands for a class, and one that is a table, tell more in [`Told`].

mod air;
mod crops;
mod feel;
mod heights;
mod inputs;
mod moisture;
mod rainfall;
mod sky;
mod winds;

pub use inputs::{Input, Inputs, Kind, PHASE_ICE, PHASE_WATER, parse_phase};

use crate::validity::{OutOfRange, Valid};

/// One published way to compute a quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Method {
    /// The name for `--method`.
    pub name: &'static str,
    /// Author, title, year, table or equation; `from memory` where that is so.
    pub source: &'static str,
    /// Where it holds, in words.
    pub range: &'static str,
    /// What it computes, as a formula.
    pub formula: &'static str,
}

/// What a result says beside its number.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Told {
    /// The name of the class the number stands for.
    pub word: Option<&'static str>,
    /// Named parts in the formula's unit.
    pub parts: Vec<(String, f64)>,
}

impl Told {
    /// A class's name.
    pub const fn word(word: &'static str) -> Self {
        Self { word: Some(word), parts: Vec::new() }
    }
}

type Tell = fn(&'static str, &Inputs, f64) -> Told;

/// A quantity that can be computed.
#[derive(Clone, Copy, Debug)]
pub struct Formula {
    /// What it gives.
    pub quantity: &'static str,
    /// UCUM code of the result.
    pub unit: &'static str,
    /// What it is, in a line.
    pub about: &'static str,
    /// The methods; the first is the default.
    pub methods: &'static [Method],
    /// Why the first is the default.
    pub why: &'static str,
    /// What it takes.
    pub inputs: &'static [Input],
    /// Sets of optional inputs of which one must be complete; empty where every
    /// required input is simply required.
    pub either: &'static [&'static [&'static str]],
    /// What its number stands for, where it stands for more.
    tell: Option<Tell>,
    compute: fn(&'static str, &Inputs) -> Valid,
}

/// Why there is no value.
#[derive(Clone, Debug, PartialEq)]
pub enum Refused {
    /// Inputs that are lacking, by name: wrong usage.
    Missing(Vec<&'static str>),
    /// An input the formula does not take: wrong usage.
    UnknownInput(String),
    /// A method it does not know: wrong usage.
    UnknownMethod(String),
    /// Outside its validity.
    OutOfRange(OutOfRange),
}

impl Formula {
    /// The method used where none is named.
    pub fn default_method(&self) -> &'static Method {
        &self.methods[0]
    }

    /// The method of a name.
    pub fn method(&self, name: &str) -> Option<&'static Method> {
        self.methods.iter().find(|m| m.name == name)
    }

    /// The input of a name.
    pub fn input(&self, name: &str) -> Option<&'static Input> {
        self.inputs.iter().find(|i| i.name == name)
    }

    /// What a value of [`Formula::evaluate`] says beside its number.
    pub fn tell(&self, inputs: &Inputs, method: Option<&str>, value: f64) -> Told {
        let method = method.and_then(|name| self.method(name)).unwrap_or(self.default_method());
        self.tell.map(|tell| tell(method.name, inputs, value)).unwrap_or_default()
    }

    /// The value in [`Formula::unit`], by the default method or the one named.
    ///
    /// # Errors
    /// See [`Refused`].
    pub fn evaluate(&self, inputs: &Inputs, method: Option<&str>) -> Result<f64, Refused> {
        let method = match method {
            None => self.default_method(),
            Some(name) => {
                self.method(name).ok_or_else(|| Refused::UnknownMethod(name.to_owned()))?
            }
        };
        if let Some(name) = inputs.names().find(|name| self.input(name).is_none()) {
            return Err(Refused::UnknownInput(name.to_owned()));
        }
        let mut lacking: Vec<&'static str> = self
            .inputs
            .iter()
            .filter(|i| !i.optional && inputs.get(i.name).is_none())
            .map(|i| i.name)
            .collect();
        let complete = |set: &&[&str]| set.iter().all(|name| inputs.get(name).is_some());
        if !self.either.is_empty() && !self.either.iter().any(complete) {
            // The set that lacks least is what the asker meant.
            let lacks = |set: &&&[&'static str]| {
                set.iter().filter(|name| inputs.get(name).is_none()).count()
            };
            if let Some(set) = self.either.iter().min_by_key(lacks) {
                lacking.extend(set.iter().copied().filter(|name| inputs.get(name).is_none()));
            }
        }
        if !lacking.is_empty() {
            return Err(Refused::Missing(lacking));
        }
        for input in self.inputs {
            input.check(inputs).map_err(Refused::OutOfRange)?;
        }
        let value = (self.compute)(method.name, inputs).map_err(|refused| match refused {
            OutOfRange::Lacking(name) => Refused::Missing(vec![name]),
            other => Refused::OutOfRange(other),
        })?;
        crate::validity::finite(value, "the formula gives no finite number here")
            .map_err(Refused::OutOfRange)
    }
}

/// Every formula, sorted by the rooms of this crate.
pub fn formulas() -> impl Iterator<Item = &'static Formula> {
    [
        air::FORMULAS,
        moisture::FORMULAS,
        heights::FORMULAS,
        feel::FORMULAS,
        winds::FORMULAS,
        rainfall::FORMULAS,
        crops::FORMULAS,
        sky::FORMULAS,
    ]
    .into_iter()
    .flatten()
}

/// The formula of a quantity.
pub fn formula(quantity: &str) -> Option<&'static Formula> {
    formulas().find(|f| f.quantity == quantity)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use super::*;

    #[test]
    fn quantities_and_inputs_are_named_once_and_have_units() {
        let mut seen = std::collections::BTreeSet::new();
        for formula in formulas() {
            assert!(seen.insert(formula.quantity), "{}", formula.quantity);
            assert!(!formula.methods.is_empty() && !formula.why.is_empty());
            observation::Unit::parse(formula.unit)
                .unwrap_or_else(|e| panic!("{}: {e}", formula.quantity));
            for input in formula.inputs {
                assert!(input.low < input.high, "{} {}", formula.quantity, input.name);
                if matches!(input.kind, Kind::Number | Kind::Series) {
                    observation::Unit::parse(input.unit)
                        .unwrap_or_else(|e| panic!("{} {}: {e}", formula.quantity, input.name));
                }
            }
            for name in formula.either.iter().copied().flatten() {
                assert!(formula.input(name).is_some_and(|i| i.optional), "{name}");
            }
            if let Some(quantity) = observation::Quantity::parse(formula.quantity) {
                assert_eq!(quantity.unit(), formula.unit, "{quantity}");
            }
        }
        assert!(seen.len() > 50, "{}", seen.len());
    }

    #[test]
    fn what_is_missing_or_unknown_is_named() {
        let formula = formula("dew_point_temperature").unwrap();
        let inputs = Inputs::new().with("air_temperature", 20.0);
        assert_eq!(
            formula.evaluate(&inputs, None),
            Err(Refused::Missing(vec!["relative_humidity"]))
        );
        let inputs = inputs.with("relative_humidity", 50.0);
        let dew_point = formula.evaluate(&inputs, None).unwrap();
        assert!((dew_point - 9.26).abs() < 0.01, "{dew_point}");
        assert_eq!(
            formula.evaluate(&inputs.clone().with("frog", 1.0), None),
            Err(Refused::UnknownInput("frog".into()))
        );
        assert_eq!(
            formula.evaluate(&inputs, Some("frog")),
            Err(Refused::UnknownMethod("frog".into()))
        );
        let sea = super::formula("air_pressure_at_mean_sea_level").unwrap();
        let column = Inputs::new()
            .with("surface_air_pressure", 980.0)
            .with("air_temperature", 15.0)
            .with("elevation", 300.0);
        assert_eq!(sea.evaluate(&column, None), Err(Refused::Missing(vec!["relative_humidity"])));
        assert!(sea.evaluate(&column, Some("dry-air")).is_ok());
        let dry = inputs.with("relative_humidity", 0.0);
        assert!(matches!(formula.evaluate(&dry, None), Err(Refused::OutOfRange(_))));
    }
}
