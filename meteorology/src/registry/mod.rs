//! The formulas by quantity, method and input, for asking one of them by hand.
//!
//! The rule: inputs come in canonical units under the names of quantities, plus
//! `elevation` (m), `latitude` and `longitude` (deg), `time` (Unix seconds),
//! `day_of_year` and `phase`; results are in the formula's canonical unit, not rounded.

mod air;
mod crops;
mod feel;
mod sky;

use crate::saturation::Phase;
use crate::validity::{OutOfRange, Valid, within};

/// How an input is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A number with a unit.
    Number,
    /// An instant, RFC 3339; the formula takes Unix seconds.
    Time,
    /// `water` or `ice`; the formula takes [`PHASE_WATER`] or [`PHASE_ICE`].
    Phase,
}

/// The number that stands for liquid water.
pub const PHASE_WATER: f64 = 0.0;
/// The number that stands for ice.
pub const PHASE_ICE: f64 = 1.0;

/// The number of `water` or `ice`.
pub fn parse_phase(word: &str) -> Option<f64> {
    match word {
        "water" => Some(PHASE_WATER),
        "ice" => Some(PHASE_ICE),
        _ => None,
    }
}

/// One input of a formula.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Input {
    /// Its name: a quantity or one of the names of this module.
    pub name: &'static str,
    /// UCUM code of the unit the formula takes; empty for a time or a phase.
    pub unit: &'static str,
    /// Least value, in that unit.
    pub low: f64,
    /// Greatest value.
    pub high: f64,
    /// Whether it may be left out.
    pub optional: bool,
    /// How it is written.
    pub kind: Kind,
}

impl Input {
    /// A number that must be given.
    pub const fn number(name: &'static str, unit: &'static str, low: f64, high: f64) -> Self {
        Self { name, unit, low, high, optional: false, kind: Kind::Number }
    }

    /// The same input, not required.
    pub const fn optional(self) -> Self {
        Self { optional: true, ..self }
    }
}

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

/// Inputs in canonical units.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Inputs {
    values: Vec<(String, f64)>,
}

impl Inputs {
    /// No inputs.
    pub const fn new() -> Self {
        Self { values: Vec::new() }
    }

    /// Gives an input; a name given again replaces the value.
    pub fn set(&mut self, name: &str, value: f64) {
        match self.values.iter_mut().find(|(known, _)| known == name) {
            Some(entry) => entry.1 = value,
            None => self.values.push((name.to_owned(), value)),
        }
    }

    /// The same inputs with one more.
    #[must_use]
    pub fn with(mut self, name: &str, value: f64) -> Self {
        self.set(name, value);
        self
    }

    /// The names given.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.values.iter().map(|(name, _)| name.as_str())
    }

    /// The value of a name.
    pub fn get(&self, name: &str) -> Option<f64> {
        self.values.iter().find(|(known, _)| known == name).map(|v| v.1)
    }

    /// The value of a name, not a number if it was not given.
    fn of(&self, name: &str) -> f64 {
        self.get(name).unwrap_or(f64::NAN)
    }

    fn phase(&self, otherwise: Phase) -> Phase {
        match self.get("phase") {
            Some(p) if (p - PHASE_ICE).abs() < 0.5 => Phase::Ice,
            Some(_) => Phase::Water,
            None => otherwise,
        }
    }
}

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
            if let Some(value) = inputs.get(input.name) {
                within(input.name, value, input.low, input.high, input.unit)
                    .map_err(Refused::OutOfRange)?;
            }
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
    [air::FORMULAS, feel::FORMULAS, crops::FORMULAS, sky::FORMULAS].into_iter().flatten()
}

/// The formula of a quantity.
pub fn formula(quantity: &str) -> Option<&'static Formula> {
    formulas().find(|f| f.quantity == quantity)
}

pub(crate) const TEMPERATURE: Input = Input::number("air_temperature", "Cel", -100.0, 100.0);
pub(crate) const HUMIDITY: Input = Input::number("relative_humidity", "%", 0.0, 100.0);
pub(crate) const DEW_POINT: Input = Input::number("dew_point_temperature", "Cel", -100.0, 100.0);
pub(crate) const PRESSURE: Input = Input::number("surface_air_pressure", "hPa", 300.0, 1100.0);
pub(crate) const ELEVATION: Input = Input::number("elevation", "m", -500.0, 11_000.0);
pub(crate) const WIND: Input = Input::number("wind_speed", "m/s", 0.0, 120.0);
pub(crate) const LATITUDE: Input = Input::number("latitude", "deg", -90.0, 90.0);
pub(crate) const LONGITUDE: Input = Input::number("longitude", "deg", -180.0, 180.0);
pub(crate) const DAY: Input = Input::number("day_of_year", "1", 1.0, 366.0);
// Years 1900 to 2100 in Unix seconds.
pub(crate) const TIME: Input = Input {
    name: "time",
    unit: "",
    low: -2_208_988_800.0,
    high: 4_102_444_800.0,
    optional: false,
    kind: Kind::Time,
};
pub(crate) const PHASE: Input = Input {
    name: "phase",
    unit: "",
    low: PHASE_WATER,
    high: PHASE_ICE,
    optional: true,
    kind: Kind::Phase,
};

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
                if input.kind == Kind::Number {
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
        assert!(seen.len() > 30, "{}", seen.len());
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
