//! What a formula is given: names, units, ranges and values.

use crate::saturation::Phase;
use crate::validity::{OutOfRange, within};

/// How an input is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A number with a unit.
    Number,
    /// An instant, RFC 3339; the formula takes Unix seconds.
    Time,
    /// Numbers with one unit; an empty place was not measured and is not a number here.
    Series,
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

    /// Numbers one after the other, which must be given.
    pub const fn series(name: &'static str, unit: &'static str, low: f64, high: f64) -> Self {
        Self { name, unit, low, high, optional: false, kind: Kind::Series }
    }

    /// The same input, not required.
    pub const fn optional(self) -> Self {
        Self { optional: true, ..self }
    }

    /// Whether what was given lies in the range; gaps in a series do not count.
    pub(super) fn check(&self, inputs: &Inputs) -> Result<(), OutOfRange> {
        let series = self.kind == Kind::Series;
        for &value in inputs.series(self.name) {
            if !(series && value.is_nan()) {
                within(self.name, value, self.low, self.high, self.unit)?;
            }
        }
        Ok(())
    }
}

/// Inputs in canonical units.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Inputs {
    values: Vec<(String, Vec<f64>)>,
}

impl Inputs {
    /// No inputs.
    pub const fn new() -> Self {
        Self { values: Vec::new() }
    }

    /// Gives an input; a name given again replaces the value.
    pub fn set(&mut self, name: &str, value: f64) {
        self.set_series(name, vec![value]);
    }

    /// Gives a series; a value that was not measured is not a number.
    pub fn set_series(&mut self, name: &str, values: Vec<f64>) {
        match self.values.iter_mut().find(|(known, _)| known == name) {
            Some(entry) => entry.1 = values,
            None => self.values.push((name.to_owned(), values)),
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

    /// The value of a name, the first of a series.
    pub fn get(&self, name: &str) -> Option<f64> {
        self.series(name).first().copied()
    }

    /// The values of a name; none if it was not given.
    pub fn series(&self, name: &str) -> &[f64] {
        self.values.iter().find(|(known, _)| known == name).map_or(&[], |v| &v.1)
    }

    /// The value of a name, not a number if it was not given.
    pub(super) fn of(&self, name: &str) -> f64 {
        self.get(name).unwrap_or(f64::NAN)
    }

    pub(super) fn phase(&self, otherwise: Phase) -> Phase {
        match self.get("phase") {
            Some(p) if (p - PHASE_ICE).abs() < 0.5 => Phase::Ice,
            Some(_) => Phase::Water,
            None => otherwise,
        }
    }
}

pub(super) const TEMPERATURE: Input = Input::number("air_temperature", "Cel", -100.0, 100.0);
pub(super) const HUMIDITY: Input = Input::number("relative_humidity", "%", 0.0, 100.0);
pub(super) const DEW_POINT: Input = Input::number("dew_point_temperature", "Cel", -100.0, 100.0);
pub(super) const PRESSURE: Input = Input::number("surface_air_pressure", "hPa", 300.0, 1100.0);
pub(super) const ELEVATION: Input = Input::number("elevation", "m", -500.0, 11_000.0);
pub(super) const WIND: Input = Input::number("wind_speed", "m/s", 0.0, 120.0);
pub(super) const LATITUDE: Input = Input::number("latitude", "deg", -90.0, 90.0);
pub(super) const LONGITUDE: Input = Input::number("longitude", "deg", -180.0, 180.0);
pub(super) const DAY: Input = Input::number("day_of_year", "1", 1.0, 366.0);
// Years 1900 to 2100 in Unix seconds.
pub(super) const TIME: Input = Input {
    name: "time",
    unit: "",
    low: -2_208_988_800.0,
    high: 4_102_444_800.0,
    optional: false,
    kind: Kind::Time,
};
pub(super) const PHASE: Input = Input {
    name: "phase",
    unit: "",
    low: PHASE_WATER,
    high: PHASE_ICE,
    optional: true,
    kind: Kind::Phase,
};
