//! Readings in the base units of metrics.

use observation::Quantity;

/// The value of `steps` of a quantity in its base unit, rounded once: 987.6 hPa is
/// exactly 98760. None where the units do not fit, which no quantity's do.
pub fn value(quantity: Quantity, steps: i64) -> Option<f64> {
    quantity.base_value(steps)
}

/// The help text of a quantity's metric.
pub fn help(quantity: Quantity) -> String {
    let mut words = quantity.name().replace('_', " ");
    if let Some(first) = words.get_mut(0..1) {
        first.make_ascii_uppercase();
    }
    let unit = quantity.base().suffix().replace('_', " ");
    format!("{words}, in {unit}.")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base_values_are_rounded_once() {
        for (quantity, steps, expected) in [
            (Quantity::AirTemperature, 1_730, 17.3),
            (Quantity::AirTemperature, -5, -0.05),
            (Quantity::SurfaceAirPressure, 98_760, 98_760.0),
            (Quantity::SurfaceAirPressure, 110, 110.0),
            (Quantity::RelativeHumidity, 8_123, 0.8123),
            (Quantity::PrecipitationDepth, 250, 0.000_25),
            (Quantity::RainfallRate, 360, 1e-6),
            (Quantity::WindFromDirection, 2_255, 225.5),
            (Quantity::SurfaceSnowThickness, 123, 0.123),
        ] {
            assert_eq!(value(quantity, steps), Some(expected), "{quantity}");
        }
        for &quantity in Quantity::ALL {
            assert!(value(quantity, 1).is_some_and(|v| v > 0.0), "{quantity}");
        }
    }
}
