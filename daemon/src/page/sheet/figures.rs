//! Figures as people read them: in the unit chosen for their quantity, with as many
//! decimals as make sense, always with their unit.

use observation::reading::from_steps;
use observation::{Quantity, Unit};
use std::collections::BTreeMap;

/// Which unit each quantity is shown in; the canonical one where nothing is chosen.
#[derive(Clone, Debug, Default)]
pub struct Shown {
    chosen: BTreeMap<Quantity, Unit>,
}

/// A minus as typographers set it.
const MINUS: char = '\u{2212}';
/// What stands where there is no value.
pub const NONE: &str = "\u{2013}";

impl Shown {
    /// From the settings.
    pub fn new(chosen: &BTreeMap<Quantity, Unit>) -> Self {
        Self { chosen: chosen.clone() }
    }

    /// The UCUM code of a quantity's unit.
    pub fn code(&self, quantity: Quantity) -> &str {
        self.chosen.get(&quantity).map_or_else(|| quantity.unit(), Unit::code)
    }

    /// The unit as it is written behind a figure.
    pub fn label(&self, quantity: Quantity) -> String {
        match self.code(quantity) {
            "Cel" => "\u{b0}C".to_owned(),
            "[degF]" => "\u{b0}F".to_owned(),
            "deg" => "\u{b0}".to_owned(),
            "[kn_i]" => "kn".to_owned(),
            "[mi_i]/h" => "mi/h".to_owned(),
            "[in_i]" => "in".to_owned(),
            "[in_i'Hg]" => "inHg".to_owned(),
            "mm[Hg]" => "mmHg".to_owned(),
            "W/m2" => "W/m\u{b2}".to_owned(),
            "g/m3" => "g/m\u{b3}".to_owned(),
            "kg/m3" => "kg/m\u{b3}".to_owned(),
            "1" => String::new(),
            code => code.replace(['[', ']', '{', '}'], ""),
        }
    }

    /// How canonical values become shown ones: times the first, plus the second.
    pub fn scale(&self, quantity: Quantity) -> (f64, f64) {
        let own = Unit::parse(quantity.unit()).ok();
        let chosen = self.chosen.get(&quantity);
        own.zip(chosen)
            .and_then(|(own, chosen)| {
                let factor = own.convert_difference(1.0, chosen)?;
                // A change has no zero of its own.
                if quantity == Quantity::TendencyOfSurfaceAirPressure {
                    return Some((factor, 0.0));
                }
                Some((factor, own.convert(0.0, chosen)?))
            })
            .unwrap_or((1.0, 0.0))
    }

    /// A value in steps as the number that is shown.
    pub fn number(&self, quantity: Quantity, steps: i64) -> f64 {
        let (factor, zero) = self.scale(quantity);
        from_steps(steps, quantity.decimals()) * factor + zero
    }

    /// Decimals of a figure.
    pub fn decimals(&self, quantity: Quantity) -> usize {
        use Quantity as Q;
        match quantity {
            Q::RelativeHumidity
            | Q::WindFromDirection
            | Q::ShortwaveFlux
            | Q::Illuminance
            | Q::CharacteristicOfPressureTendency
            | Q::Uptime
            | Q::SignalStrength => return 0,
            Q::HumidityMixingRatio | Q::SpecificHumidity | Q::AirDensity => return 4,
            _ => {}
        }
        match self.code(quantity) {
            "[in_i'Hg]" | "[in_i]" | "V" | "m" => 2,
            "[kn_i]" | "km/h" | "[mi_i]/h" | "Pa" => 0,
            _ => 1,
        }
    }

    /// The bare figure.
    pub fn bare(&self, quantity: Quantity, steps: i64) -> String {
        let text = plain(self.number(quantity, steps), self.decimals(quantity));
        // North is 360, never 0.
        if quantity.is_direction() && text == "0" { "360".to_owned() } else { text }
    }

    /// The figure with its unit.
    pub fn with_unit(&self, quantity: Quantity, steps: i64) -> String {
        self.behind(quantity, &self.bare(quantity, steps))
    }

    /// A figure that is text already, with the quantity's unit.
    pub fn behind(&self, quantity: Quantity, text: &str) -> String {
        let label = self.label(quantity);
        match label.as_str() {
            "" => text.to_owned(),
            "\u{b0}" => format!("{text}{label}"),
            _ => format!("{text}\u{a0}{label}"),
        }
    }

    /// A difference of two values with its unit, with its sign where that is wanted; small
    /// ones have a decimal more.
    pub fn difference(&self, quantity: Quantity, canonical: f64, sign: bool) -> String {
        let (factor, _) = self.scale(quantity);
        let number = canonical * factor;
        let own = self.decimals(quantity);
        let decimals = if own == 1 && number.abs() < 1.0 { 2 } else { own };
        let text = if sign { signed(number, decimals) } else { plain(number, decimals) };
        self.behind_difference(quantity, &text)
    }

    /// A change with its sign and unit.
    pub fn signed(&self, quantity: Quantity, canonical: f64) -> String {
        let (factor, _) = self.scale(quantity);
        self.behind_difference(quantity, &signed(canonical * factor, self.decimals(quantity)))
    }

    /// A figure that is text already, with the unit of a difference of the quantity: one of
    /// two temperatures has no zero of its own.
    pub fn behind_difference(&self, quantity: Quantity, text: &str) -> String {
        match self.difference_label(quantity).as_str() {
            "\u{b0}" => format!("{text}\u{b0}"),
            label => format!("{text}\u{a0}{label}"),
        }
    }

    /// The unit of a difference of the quantity.
    pub fn difference_label(&self, quantity: Quantity) -> String {
        let label = self.label(quantity);
        if label == "\u{b0}C" { "K".to_owned() } else { label }
    }
}

/// The text with a capital at its beginning.
pub fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(char::to_uppercase).into_iter().flatten();
    first.chain(letters).collect()
}

/// The words as a sentence.
pub fn sentence(words: &str) -> String {
    format!("{}.", capitalised(words))
}

/// Words that were written for a terminal, with a true minus before figures.
pub fn typeset(words: &str) -> String {
    let mut out = String::with_capacity(words.len());
    let mut letters = words.chars().peekable();
    let mut before = ' ';
    while let Some(letter) = letters.next() {
        let begins = matches!(before, ' ' | '(');
        let minus = letter == '-' && begins && letters.peek().is_some_and(char::is_ascii_digit);
        out.push(if minus { MINUS } else { letter });
        before = letter;
    }
    out
}

/// A number with so many decimals; never a negative zero.
pub fn plain(number: f64, decimals: usize) -> String {
    let text = format!("{number:.decimals$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.bytes().all(|b| matches!(b, b'0' | b'.')) => digits.to_owned(),
        Some(digits) => format!("{MINUS}{digits}"),
        None => text,
    }
}

/// A number that tells its sign.
pub fn signed(number: f64, decimals: usize) -> String {
    let text = plain(number, decimals);
    let zero = text.bytes().all(|b| matches!(b, b'0' | b'.'));
    if zero || text.starts_with(MINUS) { text } else { format!("+{text}") }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use Quantity as Q;

    #[test]
    fn figures_carry_the_unit_chosen_for_their_quantity() {
        let usual = Shown::default();
        assert_eq!(usual.with_unit(Q::AirTemperature, -5), "\u{2212}0.1\u{a0}\u{b0}C");
        assert_eq!(usual.with_unit(Q::AirTemperature, -4), "0.0\u{a0}\u{b0}C");
        assert_eq!(usual.with_unit(Q::WindFromDirection, 3_600), "360\u{b0}");
        assert_eq!(usual.with_unit(Q::WindFromDirection, 2), "360\u{b0}");
        let knots = Unit::parse("[kn_i]").unwrap();
        let fahrenheit = Unit::parse("[degF]").unwrap();
        let inches = Unit::parse("[in_i'Hg]").unwrap();
        let own = Shown::new(&BTreeMap::from([
            (Q::WindSpeed, knots),
            (Q::AirTemperature, fahrenheit),
            (Q::TendencyOfSurfaceAirPressure, inches),
        ]));
        // 1 kn is 1852 m in an hour (by definition): 5 m/s are 9.719 kn.
        assert_eq!(own.with_unit(Q::WindSpeed, 500), "10\u{a0}kn");
        assert_eq!(own.with_unit(Q::AirTemperature, 2_000), "68.0\u{a0}\u{b0}F");
        // 1 inHg is 33.86389 hPa (NIST SP 811, appendix B).
        assert_eq!(own.with_unit(Q::TendencyOfSurfaceAirPressure, -339), "\u{2212}0.10\u{a0}inHg");
        assert_eq!(signed(0.04, 1), "0.0");
        assert_eq!(signed(0.06, 1), "+0.1");
        assert_eq!(usual.difference(Q::AirTemperature, -0.25, true), "\u{2212}0.25\u{a0}K");
        assert_eq!(own.difference(Q::AirTemperature, 1.5, false), "2.7\u{a0}\u{b0}F");
        assert_eq!(usual.difference(Q::WindFromDirection, -12.0, true), "\u{2212}12\u{b0}");
        assert_eq!(
            typeset("late-night -9 % (-1.5 Cel), 3-5"),
            "late-night \u{2212}9 % (\u{2212}1.5 Cel), 3-5"
        );
        assert_eq!(capitalised("\u{e9}t\u{e9}"), "\u{c9}t\u{e9}");
    }
}
