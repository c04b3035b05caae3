//! How two neighbours compare: the usual difference, its spread, how well they move
//! together, and the occasions on which they must agree.

use observation::{Quantity, Time};

/// Median absolute deviation to standard deviation of a normal distribution.
const SCALED: f64 = 1.4826;

/// Two values of the same hour and the weather of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Both {
    /// Start of the hour.
    pub time: Time,
    /// Of the first station, in the canonical unit.
    pub first: f64,
    /// Of the second.
    pub second: f64,
    /// Wind, m/s, where known.
    pub wind: Option<f64>,
    /// Where it blows from, degrees, where known.
    pub direction: Option<f64>,
    /// Elevation of the sun, degrees.
    pub sun: f64,
}

/// What the differences of many hours say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Comparison {
    /// Hours.
    pub count: usize,
    /// Median of first less second.
    pub bias: f64,
    /// Scaled median absolute deviation of the differences.
    pub spread: f64,
    /// Of the two values; none for directions and where one does not vary.
    pub correlation: Option<f64>,
}

/// First less second; for directions the turn from the second to the first.
pub fn difference(quantity: Quantity, both: &Both) -> f64 {
    let plain = both.first - both.second;
    if quantity.is_direction() { (plain + 180.0).rem_euclid(360.0) - 180.0 } else { plain }
}

fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => values.get(middle).copied(),
        _ => Some(f64::midpoint(*values.get(middle - 1)?, *values.get(middle)?)),
    }
}

/// Compares; none without hours.
pub fn compare<'a>(
    quantity: Quantity,
    hours: impl Iterator<Item = &'a Both> + Clone,
) -> Option<Comparison> {
    let mut differences: Vec<f64> = hours.clone().map(|b| difference(quantity, b)).collect();
    let bias = median(&mut differences)?;
    let mut deviations: Vec<f64> = differences.iter().map(|d| (d - bias).abs()).collect();
    let spread = SCALED * median(&mut deviations)?;
    let count = differences.len();
    let mean = |of: fn(&Both) -> f64| hours.clone().map(of).sum::<f64>() / count as f64;
    let means = (mean(|b| b.first), mean(|b| b.second));
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for both in hours {
        let (left, right) = (both.first - means.0, both.second - means.1);
        (xx, yy, xy) = (xx + left * left, yy + right * right, xy + left * right);
    }
    let varies = xx > 0.0 && yy > 0.0 && !quantity.is_direction();
    let correlation = varies.then(|| xy / (xx * yy).sqrt());
    Some(Comparison { count, bias, spread, correlation })
}

/// Whether this is an hour in which a property must agree, and by how much at most
/// (starting values, common practice): a windy night for air, fog for humidity, always for
/// pressure, wind above 5 m/s for vanes and cups, 5 mm of rain for gauges.
pub fn must_agree(quantity: Quantity, both: &Both) -> Option<f64> {
    use Quantity as Q;
    let windy = |least: f64| both.wind.is_some_and(|wind| wind >= least);
    match quantity {
        Q::AirTemperature if both.sun < -6.0 && windy(3.0) => Some(0.3),
        Q::RelativeHumidity if both.first >= 97.0 && both.second >= 97.0 => Some(3.0),
        Q::AirPressureAtMeanSeaLevel => Some(0.5),
        Q::WindFromDirection if windy(5.0) => Some(10.0),
        Q::WindSpeed if windy(5.0) => Some(0.15 * both.first.max(both.second)),
        Q::PrecipitationDepth if both.first.max(both.second) >= 5.0 => {
            Some(0.15 * both.first.max(both.second))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn both(first: f64, second: f64) -> Both {
        Both { time: Time(0), first, second, wind: Some(6.0), direction: None, sun: -20.0 }
    }

    #[test]
    fn bias_spread_and_correlation() {
        let hours: Vec<Both> = (0..9_u32).map(|i| both(f64::from(i) + 0.5, f64::from(i))).collect();
        let found = compare(Quantity::AirTemperature, hours.iter());
        let found =
            found.unwrap_or(Comparison { count: 0, bias: 0.0, spread: 9.0, correlation: None });
        assert!((found.bias - 0.5).abs() < 1e-12 && found.spread.abs() < 1e-12);
        assert!(found.correlation.is_some_and(|c| (c - 1.0).abs() < 1e-12));
        let turned = [both(10.0, 350.0), both(5.0, 345.0)];
        let found = compare(Quantity::WindFromDirection, turned.iter());
        assert!(found.is_some_and(|c| (c.bias - 20.0).abs() < 1e-9 && c.correlation.is_none()));
        assert_eq!(compare(Quantity::AirTemperature, [].iter()), None);
    }

    #[test]
    fn occasions_on_which_a_property_must_agree() {
        let windy = both(10.0, 10.0);
        assert_eq!(must_agree(Quantity::AirTemperature, &windy), Some(0.3));
        assert_eq!(must_agree(Quantity::AirTemperature, &Both { sun: 10.0, ..windy }), None);
        assert_eq!(must_agree(Quantity::WindFromDirection, &Both { wind: None, ..windy }), None);
        assert_eq!(must_agree(Quantity::AirPressureAtMeanSeaLevel, &windy), Some(0.5));
    }
}
