//! Values that make no sense in the unit that the settings declare, and would in another:
//! degrees Fahrenheit in a channel of degrees Celsius, kilopascals in one of hectopascals.
//!
//! Only what lies outside everything that a home station ordinarily measures tells: 40 in
//! a channel of degrees Celsius may be a hot day or a cold one in Fahrenheit, and ten knots
//! are no odder than ten metres a second. There the neighbours have to speak.

use meteorology::pressure::standard_pressure;
use observation::unit::Scale;
use observation::{Quantity, Unit};

/// Lowest and highest pressure at sea level on record, in hectopascals (World
/// Meteorological Organization, Weather and Climate Extremes Archive: 870 in 1979, 1 083.8
/// below 750 m in 1968; from memory).
const SEA_LEVEL: (f64, f64) = (870.0, 1_085.0);
/// Pressure of the standard atmosphere at sea level, in hectopascals (ISO 2533, 1975).
const STANDARD: f64 = 1_013.25;

/// What a home station ordinarily measures, in the canonical unit, both ends included
/// (common practice but for pressure); none where units are not mistaken for each other, or
/// where a mistake does not show in single values.
fn ordinary(quantity: Quantity, elevation: f64) -> Option<(f64, f64)> {
    Some(match quantity {
        Quantity::AirTemperature
        | Quantity::WetBulbTemperature
        | Quantity::GrassTemperature
        | Quantity::SoilTemperature => (-60.0, 55.0),
        Quantity::DewPointTemperature | Quantity::FrostPointTemperature => (-60.0, 35.0),
        Quantity::RelativeHumidity => (2.0, 105.0),
        Quantity::SurfaceAirPressure => {
            let share = standard_pressure(elevation).ok()? / STANDARD;
            (SEA_LEVEL.0 * share, SEA_LEVEL.1 * share)
        }
        Quantity::AirPressureAtMeanSeaLevel | Quantity::AltimeterSetting => SEA_LEVEL,
        Quantity::WindSpeed => (0.0, 60.0),
        Quantity::WindSpeedOfGust => (0.0, 80.0),
        Quantity::SurfaceSnowThickness => (0.0, 5.0),
        Quantity::BatteryVoltage | Quantity::SupplyVoltage => (0.8, 60.0),
        _ => return None,
    })
}

/// Units in which stations send such a quantity.
const fn sent_in(quantity: Quantity) -> &'static [&'static str] {
    match quantity {
        Quantity::AirTemperature
        | Quantity::WetBulbTemperature
        | Quantity::GrassTemperature
        | Quantity::SoilTemperature
        | Quantity::DewPointTemperature
        | Quantity::FrostPointTemperature => &["Cel", "[degF]", "K"],
        Quantity::RelativeHumidity => &["%", "1"],
        Quantity::SurfaceAirPressure
        | Quantity::AirPressureAtMeanSeaLevel
        | Quantity::AltimeterSetting => &["hPa", "Pa", "kPa", "bar", "[in_i'Hg]", "mm[Hg]"],
        Quantity::WindSpeed | Quantity::WindSpeedOfGust => &["m/s", "km/h", "[kn_i]", "[mi_i]/h"],
        Quantity::SurfaceSnowThickness => &["m", "cm", "mm", "[in_i]"],
        Quantity::BatteryVoltage | Quantity::SupplyVoltage => &["V", "mV"],
        _ => &[],
    }
}

/// Which of the other units a value might be in, as bits by their place.
pub type Fitting = u8;

/// What values of one instrument are held against.
#[derive(Clone, Debug)]
pub struct OtherUnits {
    ordinary: (f64, f64),
    declared: Scale,
    others: Vec<(&'static str, Scale)>,
}

impl OtherUnits {
    /// For a quantity that is sent in `unit`, at an elevation in metres above sea level;
    /// none where nothing can be told.
    pub fn of(quantity: Quantity, unit: &Unit, elevation: f64) -> Option<Self> {
        let canonical = Unit::parse(quantity.unit()).ok()?;
        let declared = unit.scale_to(&canonical)?;
        let others: Vec<_> = sent_in(quantity)
            .iter()
            .filter_map(|&code| Some((code, Unit::parse(code).ok()?.scale_to(&canonical)?)))
            .filter(|(_, scale)| *scale != declared)
            .collect();
        let ordinary = ordinary(quantity, elevation)?;
        (!others.is_empty()).then_some(Self { ordinary, declared, others })
    }

    fn is_ordinary(&self, scale: Scale, raw: f64) -> bool {
        let value = scale.apply(raw);
        (self.ordinary.0..=self.ordinary.1).contains(&value)
    }

    /// Whether a value as it was sent makes sense in the declared unit.
    pub fn makes_sense(&self, raw: f64) -> bool {
        self.is_ordinary(self.declared, raw)
    }

    /// In which other units it would.
    pub fn fitting(&self, raw: f64) -> Fitting {
        (0_u32..).zip(&self.others).fold(0, |bits, (place, (_, scale))| {
            bits | (Fitting::from(self.is_ordinary(*scale, raw)) << place)
        })
    }

    /// Each of these units with what the value would be in the canonical one.
    pub fn read_as(&self, fitting: Fitting, raw: f64) -> impl Iterator<Item = (&'static str, f64)> {
        let others = (0_u32..).zip(&self.others);
        others
            .filter(move |(place, _)| fitting >> place & 1 == 1)
            .map(move |(_, (code, scale))| (*code, scale.apply(raw)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hint(quantity: Quantity, unit: &str, raw: f64) -> Vec<&'static str> {
        let unit = Unit::parse(unit).unwrap_or_else(|e| panic!("{e}"));
        let Some(units) = OtherUnits::of(quantity, &unit, 212.0) else { return vec!["none"] };
        if units.makes_sense(raw) {
            return Vec::new();
        }
        units.read_as(units.fitting(raw), raw).map(|(code, _)| code).collect()
    }

    // Factors between units: as in `observation::unit`. That the values below are what a
    // person would call a slip of units is common practice.
    #[test]
    fn a_slip_of_units_is_named_and_ordinary_values_are_left_alone() {
        use Quantity as Q;
        for (quantity, unit, raw, expected) in [
            (Q::AirTemperature, "Cel", 70.7, &["[degF]"][..]),
            (Q::AirTemperature, "Cel", 294.6, &["K"]),
            (Q::AirTemperature, "K", 21.5, &["Cel", "[degF]"]),
            (Q::AirTemperature, "Cel", 40.0, &[]),
            (Q::AirTemperature, "[degF]", 70.7, &[]),
            (Q::SurfaceAirPressure, "hPa", 101.3, &["kPa"]),
            (Q::SurfaceAirPressure, "hPa", 29.92, &["[in_i'Hg]"]),
            (Q::SurfaceAirPressure, "hPa", 741.0, &["mm[Hg]"]),
            (Q::SurfaceAirPressure, "hPa", 98_812.0, &["Pa"]),
            (Q::SurfaceAirPressure, "mbar", 0.988, &["bar"]),
            (Q::SurfaceAirPressure, "hPa", 940.0, &[]),
            (Q::SurfaceAirPressure, "Pa", 988.0, &["hPa"]),
            (Q::RelativeHumidity, "%", 0.55, &["1"]),
            (Q::RelativeHumidity, "1", 55.0, &["%"]),
            (Q::RelativeHumidity, "%", 55.0, &[]),
            (Q::WindSpeed, "m/s", 10.0, &[]),
            (Q::WindSpeed, "m/s", 85.0, &["km/h", "[kn_i]", "[mi_i]/h"]),
            (Q::WindSpeed, "m/s", 125.0, &["km/h", "[mi_i]/h"]),
            (Q::SurfaceSnowThickness, "m", 30.0, &["cm", "mm", "[in_i]"]),
            (Q::BatteryVoltage, "V", 3_710.0, &["mV"]),
            (Q::BatteryVoltage, "mV", 3.71, &["V"]),
            (Q::AirTemperature, "Cel", -300.0, &[]),
            (Q::WindFromDirection, "deg", 400.0, &["none"]),
        ] {
            assert_eq!(hint(quantity, unit, raw), expected, "{quantity}: {raw} {unit}");
        }
    }

    #[test]
    fn a_low_pressure_high_up_is_no_slip() {
        let unit = Unit::parse("hPa").unwrap_or_else(|e| panic!("{e}"));
        // The standard atmosphere has 747 hPa at 2 500 m (ISO 2533, 1975).
        for (elevation, sense) in [(212.0, false), (2_500.0, true)] {
            let units = OtherUnits::of(Quantity::SurfaceAirPressure, &unit, elevation);
            assert_eq!(units.map(|u| u.makes_sense(741.0)), Some(sense), "{elevation} m");
        }
    }
}
