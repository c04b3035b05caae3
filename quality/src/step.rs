//! The step between two values of one channel, with a limit that depends on the time
//! between them.
//!
//! Limits: between samples and between one-minute values WMO, Guide to the Global
//! Observing System (WMO-No. 488), appendix VI.2, by way of a secondary copy; over
//! hours WMO, Guide on the Global Data-processing System (WMO-No. 305, 1993).
//! Between these times the limit is interpolated on the logarithm of time (own choice).

use observation::{Quantity, Span};

/// Largest believable change in the canonical unit by the time it took, in seconds,
/// times rising.
const fn table(quantity: Quantity) -> &'static [(f64, f64)] {
    match quantity {
        Quantity::AirTemperature | Quantity::WetBulbTemperature => &[
            (1.0, 2.0),
            (60.0, 3.0),
            (3_600.0, 4.0),
            (7_200.0, 7.0),
            (10_800.0, 9.0),
            (21_600.0, 15.0),
            (43_200.0, 25.0),
        ],
        Quantity::RelativeHumidity => &[(1.0, 5.0), (60.0, 15.0)],
        Quantity::SurfaceAirPressure => &[
            (1.0, 0.3),
            (60.0, 2.0),
            (3_600.0, 3.0),
            (7_200.0, 6.0),
            (10_800.0, 9.0),
            (21_600.0, 18.0),
            (43_200.0, 36.0),
        ],
        Quantity::WindSpeed => &[(1.0, 20.0), (60.0, 20.0)],
        Quantity::ShortwaveFlux => &[(1.0, 800.0), (60.0, 1_000.0)],
        Quantity::SoilTemperature => &[(1.0, 2.0), (60.0, 1.0)],
        _ => &[],
    }
}

/// The largest believable change over `elapsed`. None where no table speaks: for
/// quantities without one, for no time at all, and beyond its last entry.
pub fn limit(quantity: Quantity, elapsed: Span) -> Option<f64> {
    let seconds = elapsed.as_seconds();
    let table = table(quantity);
    let (first, last) = (table.first()?, table.last()?);
    if seconds <= 0.0 || seconds > last.0 {
        return None;
    }
    if seconds <= first.0 {
        return Some(first.1);
    }
    let right = table.partition_point(|&(s, _)| s < seconds);
    let (&(s0, l0), &(s1, l1)) = (table.get(right.checked_sub(1)?)?, table.get(right)?);
    let share = (seconds / s0).ln() / (s1 / s0).ln();
    Some(l0 + share * (l1 - l0))
}

/// Whether a change over `elapsed` is believable. None where no table speaks.
pub fn believable(quantity: Quantity, change: f64, elapsed: Span) -> Option<bool> {
    let table = table(quantity);
    let seconds = elapsed.as_seconds();
    if seconds <= 0.0 || seconds > table.last()?.0 {
        return None;
    }
    // Most changes are below every entry, and need no interpolation.
    if table.iter().all(|&(_, limit)| change.abs() <= limit) {
        return Some(true);
    }
    limit(quantity, elapsed).map(|limit| change.abs() <= limit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_those_of_the_tables_and_lie_between_them_in_between() {
        let at = |q, s| limit(q, Span::seconds(s));
        assert_eq!(at(Quantity::AirTemperature, 60), Some(3.0));
        assert_eq!(at(Quantity::AirTemperature, 3_600), Some(4.0));
        assert_eq!(at(Quantity::SurfaceAirPressure, 1), Some(0.3));
        let between = at(Quantity::AirTemperature, 600).unwrap_or_default();
        assert!(between > 3.0 && between < 4.0, "{between}");
        assert_eq!(at(Quantity::AirTemperature, 50_000), None);
        assert_eq!(at(Quantity::WindFromDirection, 60), None);
        assert_eq!(at(Quantity::AirTemperature, 0), None);
        let minute = Span::minutes(1);
        for (change, expected) in [(1.0, Some(true)), (-2.5, Some(true)), (3.5, Some(false))] {
            assert_eq!(believable(Quantity::AirTemperature, change, minute), expected);
        }
        assert_eq!(believable(Quantity::WindFromDirection, 1.0, minute), None);
        assert_eq!(believable(Quantity::AirTemperature, 1.0, Span::ZERO), None);
    }
}
