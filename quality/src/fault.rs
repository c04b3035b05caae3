//! Values that failing digital sensors are known to return. Each is a legal value in
//! some context, so it is judged by what came before and never dropped.

use observation::{Quantity, Span};

/// Constants of common one-wire and two-wire sensors at start-up or with a broken wire
/// (common practice), in the canonical unit.
const fn constants(quantity: Quantity) -> &'static [f64] {
    match quantity {
        Quantity::AirTemperature
        | Quantity::SoilTemperature
        | Quantity::GrassTemperature
        | Quantity::WetBulbTemperature => &[85.0, -127.0, -0.062_5],
        Quantity::RelativeHumidity => &[998.0, 260.0],
        Quantity::SurfaceAirPressure => &[0.0, 16_755.0, 610.0],
        _ => &[],
    }
}

/// How near a value must be to a constant: readings carry decimals of the firmware.
const NEAR: f64 = 0.006;

/// Whether `value` looks like a fault of the sensor: it is one of the known constants
/// and does not follow from the value before (`before` and how long ago).
pub fn suspected(quantity: Quantity, value: f64, before: Option<(f64, Span)>) -> bool {
    if !constants(quantity).iter().any(|c| (value - c).abs() < NEAR) {
        return false;
    }
    match before {
        // Nothing to compare with: the first value after a start is the usual place.
        None => !(-5.0..=5.0).contains(&value),
        Some((previous, elapsed)) => {
            let limit = crate::step::limit(quantity, elapsed).unwrap_or(f64::INFINITY);
            (value - previous).abs() > limit
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn constants_are_faults_only_where_they_do_not_follow_from_what_was() {
        let minute = Span::minutes(1);
        let t = Quantity::AirTemperature;
        assert!(suspected(t, 85.0, None));
        assert!(suspected(t, 85.0, Some((12.0, minute))));
        assert!(!suspected(t, -0.062_5, None));
        assert!(!suspected(t, -0.062_5, Some((0.0, minute))));
        assert!(suspected(t, -0.062_5, Some((18.0, minute))));
        assert!(!suspected(t, 12.0, Some((40.0, minute))));
        assert!(suspected(Quantity::SurfaceAirPressure, 610.0, None));
    }
}
