//! Units of measurement by their UCUM codes, with the dimension check.
//!
//! Run-time units are checked once, at the edge: where settings are read and where
//! a sender states a unit. Inside, every quantity is in its canonical unit, and the
//! newtypes of [`crate::quantity`] keep a pressure from being added to a temperature.
//!
//! Codes and factors: Schadow and McDonald, The Unified Code for Units of Measure,
//! version 2.1, tables of base, derived and customary units; BIPM, The International
//! System of Units, 9th edition (2019). SenML spellings: RFC 8428 (2018), section
//! 12.1, and RFC 8798 (2020), section 3.

use std::fmt;

/// Exponents of the base dimensions.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Dimension {
    length: i8,
    mass: i8,
    time: i8,
    temperature: i8,
    current: i8,
    luminous: i8,
    angle: i8,
    /// Levels in decibels do not convert to anything but themselves.
    level: i8,
}

impl Dimension {
    const NONE: Self = Self {
        length: 0,
        mass: 0,
        time: 0,
        temperature: 0,
        current: 0,
        luminous: 0,
        angle: 0,
        level: 0,
    };

    const fn of(length: i8, mass: i8, time: i8) -> Self {
        Self { length, mass, time, ..Self::NONE }
    }

    fn plus(self, other: Self, times: i8) -> Option<Self> {
        let add = |a: i8, b: i8| b.checked_mul(times).and_then(|b| a.checked_add(b));
        Some(Self {
            length: add(self.length, other.length)?,
            mass: add(self.mass, other.mass)?,
            time: add(self.time, other.time)?,
            temperature: add(self.temperature, other.temperature)?,
            current: add(self.current, other.current)?,
            luminous: add(self.luminous, other.luminous)?,
            angle: add(self.angle, other.angle)?,
            level: add(self.level, other.level)?,
        })
    }
}

/// One entry of the table: `SI value = (value + shift) * numerator / denominator`.
struct Atom {
    code: &'static str,
    dimension: Dimension,
    numerator: f64,
    denominator: f64,
    shift: f64,
}

const fn atom(code: &'static str, dimension: Dimension, numerator: f64, denominator: f64) -> Atom {
    Atom { code, dimension, numerator, denominator, shift: 0.0 }
}

const LENGTH: Dimension = Dimension::of(1, 0, 0);
const TIME: Dimension = Dimension::of(0, 0, 1);
const PRESSURE: Dimension = Dimension::of(-1, 1, -2);
const FREQUENCY: Dimension = Dimension::of(0, 0, -1);
const SPEED: Dimension = Dimension::of(1, 0, -1);
const VOLUME: Dimension = Dimension::of(3, 0, 0);
const POWER: Dimension = Dimension::of(2, 1, -3);
const ENERGY: Dimension = Dimension::of(2, 1, -2);
const KELVIN: Dimension = Dimension { temperature: 1, ..Dimension::NONE };
const ANGLE: Dimension = Dimension { angle: 1, ..Dimension::NONE };
const CURRENT: Dimension = Dimension { current: 1, ..Dimension::NONE };
const VOLTAGE: Dimension = Dimension { current: -1, ..POWER };
const RESISTANCE: Dimension = Dimension { current: -2, ..POWER };
const ILLUMINANCE: Dimension = Dimension { luminous: 1, length: -2, ..Dimension::NONE };
const LEVEL: Dimension = Dimension { level: 1, ..Dimension::NONE };

/// Every atom the product knows. UCUM codes first, SenML's own spellings last.
const ATOMS: &[Atom] = &[
    atom("1", Dimension::NONE, 1.0, 1.0),
    atom("%", Dimension::NONE, 1.0, 100.0),
    atom("[ppm]", Dimension::NONE, 1.0, 1e6),
    atom("K", KELVIN, 1.0, 1.0),
    Atom { code: "Cel", dimension: KELVIN, numerator: 1.0, denominator: 1.0, shift: 273.15 },
    Atom { code: "[degF]", dimension: KELVIN, numerator: 5.0, denominator: 9.0, shift: 459.67 },
    atom("Pa", PRESSURE, 1.0, 1.0),
    atom("hPa", PRESSURE, 100.0, 1.0),
    atom("kPa", PRESSURE, 1e3, 1.0),
    atom("bar", PRESSURE, 1e5, 1.0),
    atom("mbar", PRESSURE, 100.0, 1.0),
    atom("mm[Hg]", PRESSURE, 133.322, 1.0),
    atom("[in_i'Hg]", PRESSURE, 133.322 * 25.4, 1.0),
    atom("atm", PRESSURE, 101_325.0, 1.0),
    atom("m", LENGTH, 1.0, 1.0),
    atom("km", LENGTH, 1e3, 1.0),
    atom("cm", LENGTH, 1.0, 100.0),
    atom("mm", LENGTH, 1.0, 1e3),
    atom("um", LENGTH, 1.0, 1e6),
    atom("[in_i]", LENGTH, 254.0, 1e4),
    atom("[ft_i]", LENGTH, 3_048.0, 1e4),
    atom("[mi_i]", LENGTH, 1_609_344.0, 1e3),
    atom("[nmi_i]", LENGTH, 1_852.0, 1.0),
    atom("s", TIME, 1.0, 1.0),
    atom("ms", TIME, 1.0, 1e3),
    atom("us", TIME, 1.0, 1e6),
    atom("min", TIME, 60.0, 1.0),
    atom("h", TIME, 3_600.0, 1.0),
    atom("d", TIME, 86_400.0, 1.0),
    atom("Hz", FREQUENCY, 1.0, 1.0),
    atom("kHz", FREQUENCY, 1e3, 1.0),
    atom("[kn_i]", SPEED, 1_852.0, 3_600.0),
    atom("g", Dimension::of(0, 1, 0), 1.0, 1e3),
    atom("kg", Dimension::of(0, 1, 0), 1.0, 1.0),
    atom("L", VOLUME, 1.0, 1e3),
    atom("mL", VOLUME, 1.0, 1e6),
    atom("W", POWER, 1.0, 1.0),
    atom("J", ENERGY, 1.0, 1.0),
    atom("kJ", ENERGY, 1e3, 1.0),
    atom("MJ", ENERGY, 1e6, 1.0),
    atom("V", VOLTAGE, 1.0, 1.0),
    atom("mV", VOLTAGE, 1.0, 1e3),
    atom("A", CURRENT, 1.0, 1.0),
    atom("mA", CURRENT, 1.0, 1e3),
    atom("Ohm", RESISTANCE, 1.0, 1.0),
    atom("kOhm", RESISTANCE, 1e3, 1.0),
    atom("lx", ILLUMINANCE, 1.0, 1.0),
    atom("deg", ANGLE, 1.0, 1.0),
    atom("rad", ANGLE, 180.0, std::f64::consts::PI),
    // SenML.
    atom("%RH", Dimension::NONE, 1.0, 100.0),
    atom("/", Dimension::NONE, 1.0, 1.0),
    atom("/100", Dimension::NONE, 1.0, 100.0),
    atom("count", Dimension::NONE, 1.0, 1.0),
    atom("ppm", Dimension::NONE, 1.0, 1e6),
    atom("dBm", LEVEL, 1.0, 1.0),
    atom("l", VOLUME, 1.0, 1e3),
];

/// A unit that was understood.
#[derive(Clone, Debug, PartialEq)]
pub struct Unit {
    code: String,
    dimension: Dimension,
    numerator: f64,
    denominator: f64,
    shift: f64,
}

/// A conversion from one unit to another, worked out once: arithmetic alone is left.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    multiply: f64,
    divide: f64,
    add: f64,
    subtract: f64,
}

impl Scale {
    /// From a unit to itself.
    pub const SAME: Self = Self { multiply: 1.0, divide: 1.0, add: 0.0, subtract: 0.0 };

    /// Converts a value.
    pub const fn apply(self, value: f64) -> f64 {
        value * self.multiply / self.divide + self.add - self.subtract
    }
}

/// Why a text is no unit, or a unit does not fit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnitFault(pub String);

impl fmt::Display for UnitFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for UnitFault {}

/// What firmware writes where UCUM has another code; for the hint only, never accepted.
const OFTEN_MEANT: &[(&str, &str)] = &[
    ("C", "Cel"),
    ("°C", "Cel"),
    ("degC", "Cel"),
    ("celsius", "Cel"),
    ("F", "[degF]"),
    ("°F", "[degF]"),
    ("degF", "[degF]"),
    ("kelvin", "K"),
    ("mb", "mbar"),
    ("hpa", "hPa"),
    ("inHg", "[in_i'Hg]"),
    ("mmHg", "mm[Hg]"),
    ("kn", "[kn_i]"),
    ("kt", "[kn_i]"),
    ("knots", "[kn_i]"),
    ("kts", "[kn_i]"),
    ("mph", "[mi_i]/h"),
    ("kph", "km/h"),
    ("kmh", "km/h"),
    ("in", "[in_i]"),
    ("inch", "[in_i]"),
    ("ft", "[ft_i]"),
    ("°", "deg"),
    ("degrees", "deg"),
    ("percent", "%"),
    ("rpm", "/min"),
    ("W/m^2", "W/m2"),
    ("W/m²", "W/m2"),
    ("volt", "V"),
    ("ohm", "Ohm"),
    ("sec", "s"),
    ("ml", "mL"),
];

impl Unit {
    /// Reads a UCUM code such as `Cel`, `m/s`, `[mi_i]/h`, `W/m2`, `/min`, `{count}`
    /// or `m/s/Hz`; SenML's unit names are synonyms.
    ///
    /// # Errors
    /// A code that is not known, with the code that was probably meant.
    pub fn parse(code: &str) -> Result<Self, UnitFault> {
        let unknown = || {
            let meant = OFTEN_MEANT
                .iter()
                .find(|(wrong, _)| wrong.eq_ignore_ascii_case(code))
                .map(|&(_, right)| right)
                .or_else(|| ATOMS.iter().map(|a| a.code).find(|c| c.eq_ignore_ascii_case(code)));
            match meant {
                Some(right) => {
                    UnitFault(format!("`{code}` is not a UCUM unit code; did you mean `{right}`?"))
                }
                None => UnitFault(format!("`{code}` is not a UCUM unit code known here")),
            }
        };
        if code.is_empty() || code.len() > 64 {
            return Err(unknown());
        }
        if let Some(atom) = ATOMS.iter().find(|a| a.code == code) {
            return Ok(Self {
                code: code.to_owned(),
                dimension: atom.dimension,
                numerator: atom.numerator,
                denominator: atom.denominator,
                shift: atom.shift,
            });
        }
        let mut unit = Self {
            code: code.to_owned(),
            dimension: Dimension::NONE,
            numerator: 1.0,
            denominator: 1.0,
            shift: 0.0,
        };
        let mut rest = code;
        let mut divide = false;
        let mut first = true;
        while !rest.is_empty() {
            if let Some(after) = rest.strip_prefix('/') {
                (divide, rest) = (true, after);
            } else if !first {
                rest = rest.strip_prefix('.').ok_or_else(unknown)?;
                divide = false;
            }
            first = false;
            // A bracket may hold any character, a brace is an annotation.
            let mut depth = 0_u8;
            let end = rest
                .char_indices()
                .find(|&(_, c)| {
                    match c {
                        '[' | '{' => depth += 1,
                        ']' | '}' => depth = depth.saturating_sub(1),
                        _ => {}
                    }
                    depth == 0 && (c == '/' || c == '.')
                })
                .map_or(rest.len(), |(i, _)| i);
            let (term, after) = rest.split_at(end);
            rest = after;
            let (name, exponent) = split_exponent(term).ok_or_else(unknown)?;
            let atom = match name {
                annotation if annotation.starts_with('{') && annotation.ends_with('}') => &ATOMS[0],
                name => ATOMS.iter().find(|a| a.code == name && name != "/").ok_or_else(unknown)?,
            };
            let power = if divide { -exponent } else { exponent };
            unit.dimension = unit.dimension.plus(atom.dimension, power).ok_or_else(unknown)?;
            let (up, down) = if power < 0 {
                (atom.denominator, atom.numerator)
            } else {
                (atom.numerator, atom.denominator)
            };
            for _ in 0..power.unsigned_abs() {
                unit.numerator *= up;
                unit.denominator *= down;
            }
        }
        Ok(unit)
    }

    /// The code as it was written.
    pub fn code(&self) -> &str {
        &self.code
    }

    /// The dimension.
    pub const fn dimension(&self) -> Dimension {
        self.dimension
    }

    /// Whether both measure the same kind of thing.
    pub fn fits(&self, other: &Self) -> bool {
        self.dimension == other.dimension
    }

    /// Converts a point on this unit's scale (20 Cel is `68 [degF]`). None if the
    /// dimensions differ.
    pub fn convert(&self, value: f64, to: &Self) -> Option<f64> {
        self.scale_to(to).map(|scale| scale.apply(value))
    }

    /// Prepares the conversion of points on this unit's scale, for use on every
    /// sample. None if the dimensions differ.
    pub fn scale_to(&self, to: &Self) -> Option<Scale> {
        if !self.fits(to) {
            return None;
        }
        if self.same_scale(to) {
            return Some(Scale::SAME);
        }
        let mut scale = Scale {
            multiply: self.numerator * to.denominator,
            divide: self.denominator * to.numerator,
            ..Scale::SAME
        };
        if self.shift != 0.0 || to.shift != 0.0 {
            // Both shifts are taken on the target's scale, so that 32 [degF] is exactly 0 Cel.
            scale.add = self.ratio(self.shift, to);
            scale.subtract = to.shift;
        }
        Some(scale)
    }

    /// Converts a difference of two values in this unit (a step of 1 Cel is a step
    /// of `1.8 [degF]`). None if the dimensions differ.
    pub fn convert_difference(&self, value: f64, to: &Self) -> Option<f64> {
        self.fits(to).then(|| if self.same_scale(to) { value } else { self.ratio(value, to) })
    }

    fn same_scale(&self, to: &Self) -> bool {
        self.numerator.to_bits() == to.numerator.to_bits()
            && self.denominator.to_bits() == to.denominator.to_bits()
            && self.shift.to_bits() == to.shift.to_bits()
    }

    fn ratio(&self, value: f64, to: &Self) -> f64 {
        value * (self.numerator * to.denominator) / (self.denominator * to.numerator)
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.code)
    }
}

fn split_exponent(term: &str) -> Option<(&str, i8)> {
    if term.ends_with([']', '}', '%']) || term == "1" {
        return Some((term, 1));
    }
    let digits = term.trim_start_matches(|c: char| !c.is_ascii_digit() && c != '-');
    if digits.is_empty() {
        return (!term.is_empty()).then_some((term, 1));
    }
    let exponent: i8 = digits.parse().ok()?;
    (exponent != 0 && exponent.unsigned_abs() <= 4)
        .then_some((&term[..term.len() - digits.len()], exponent))
}

/// A number with its unit, as settings and commands write it: `0.66 m/s/Hz`, `5.0 mL`, `20Cel`.
#[derive(Clone, Debug, PartialEq)]
pub struct Measure {
    /// The number.
    pub value: f64,
    /// Its unit.
    pub unit: Unit,
}

impl Measure {
    /// Reads a finite number followed by a unit, with or without a blank between.
    ///
    /// # Errors
    /// No number, no unit, or an unknown unit.
    pub fn parse(text: &str) -> Result<Self, UnitFault> {
        let text = text.trim();
        let mut end = 0;
        for (i, c) in text.char_indices() {
            let exponent_sign = matches!(c, '+' | '-') && text[..i].ends_with(['e', 'E']);
            let exponent = matches!(c, 'e' | 'E')
                && text[i + 1..].starts_with(|d: char| d.is_ascii_digit() || d == '-' || d == '+')
                && i > 0;
            if c.is_ascii_digit()
                || c == '.'
                || exponent
                || exponent_sign
                || (i == 0 && matches!(c, '+' | '-'))
            {
                end = i + c.len_utf8();
            } else {
                break;
            }
        }
        let (number, code) = text.split_at(end);
        let value = number
            .parse::<f64>()
            .ok()
            .filter(|v| v.is_finite())
            .ok_or_else(|| UnitFault(format!("`{text}` does not begin with a number")))?;
        let code = code.trim();
        if code.is_empty() {
            return Err(UnitFault(format!(
                "`{text}` has no unit; write it like \"{number} UNIT\""
            )));
        }
        Ok(Self { value, unit: Unit::parse(code)? })
    }

    /// The value on the scale of `unit`.
    ///
    /// # Errors
    /// A unit that measures something else.
    pub fn to(&self, unit: &Unit) -> Result<f64, UnitFault> {
        self.unit.convert(self.value, unit).ok_or_else(|| self.misfit(unit))
    }

    /// The value as a difference in `unit`.
    ///
    /// # Errors
    /// A unit that measures something else.
    pub fn difference_to(&self, unit: &Unit) -> Result<f64, UnitFault> {
        self.unit.convert_difference(self.value, unit).ok_or_else(|| self.misfit(unit))
    }

    fn misfit(&self, unit: &Unit) -> UnitFault {
        UnitFault(format!("`{}` does not measure what `{}` measures", self.unit, unit))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn convert(value: f64, from: &str, to: &str) -> f64 {
        let (from, to) = (Unit::parse(from), Unit::parse(to));
        from.and_then(|f| to.map(|t| f.convert(value, &t)))
            .ok()
            .flatten()
            .unwrap_or_else(|| panic!("no conversion"))
    }

    // Definitions: BIPM, SI Brochure, 9th ed. (2019), table 8 and section 2.3.1;
    // NIST Special Publication 811 (2008), appendix B.8 (inch, foot, mile, knot).
    #[test]
    fn definitions_hold_exactly() {
        for (value, from, to, expected) in [
            (32.0, "[degF]", "Cel", 0.0),
            (212.0, "[degF]", "Cel", 100.0),
            (-40.0, "[degF]", "Cel", -40.0),
            (0.0, "Cel", "K", 273.15),
            (1.0, "[kn_i]", "km/h", 1.852),
            (1.0, "[mi_i]/h", "m/s", 0.447_04),
            (1.0, "[in_i]", "mm", 25.4),
            (1.0, "atm", "hPa", 1_013.25),
            (1.0, "mbar", "hPa", 1.0),
            (1_000.0, "mV", "V", 1.0),
            (60.0, "/min", "Hz", 1.0),
            (3.6, "mm/h", "m/s", 1e-6),
            (50.0, "%RH", "1", 0.5),
            (1.0, "mL", "mm3", 1_000.0),
        ] {
            let got = convert(value, from, to);
            assert!(
                (got - expected).abs() <= 1e-12 * expected.abs().max(1.0),
                "{value} {from} = {got} {to}"
            );
        }
    }

    #[test]
    fn differences_ignore_the_zero_of_the_scale() {
        let fahrenheit = Unit::parse("[degF]").unwrap_or_else(|e| panic!("{e}"));
        let celsius = Unit::parse("Cel").unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(fahrenheit.convert_difference(9.0, &celsius), Some(5.0));
    }

    #[test]
    fn unlike_dimensions_do_not_convert_and_wrong_codes_get_a_hint() {
        let hpa = Unit::parse("hPa").unwrap_or_else(|e| panic!("{e}"));
        let cel = Unit::parse("Cel").unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(hpa.convert(1.0, &cel), None);
        for (wrong, hint) in
            [("degC", "Cel"), ("mph", "[mi_i]/h"), ("HPA", "hPa"), ("inHg", "[in_i'Hg]")]
        {
            let fault = Unit::parse(wrong).err().map(|e| e.0).unwrap_or_default();
            assert!(fault.contains(&format!("`{hint}`")), "{wrong}: {fault}");
        }
        for bad in ["", "m//s", "m s", "m/", "m9", "{", "mm/h/h/h/h/h/h/frog"] {
            assert!(Unit::parse(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn measures_read_with_and_without_a_blank() {
        for (text, value, code) in [
            ("0.66 m/s/Hz", 0.66, "m/s/Hz"),
            ("20Cel", 20.0, "Cel"),
            ("-0.2 K", -0.2, "K"),
            ("1e3Pa", 1_000.0, "Pa"),
            ("50%", 50.0, "%"),
        ] {
            let measure = Measure::parse(text).unwrap_or_else(|e| panic!("{e}"));
            assert_eq!((measure.value, measure.unit.code()), (value, code));
        }
        for bad in ["", "Cel", "20", "NaN Cel", "inf m", "--2 K"] {
            assert!(Measure::parse(bad).is_err(), "{bad}");
        }
    }
}
