//! Whether a short series rises or falls, by the order of its values alone: one odd day
//! more or less does not decide.
//!
//! The test: Mann, H. B.: Nonparametric tests against trend, Econometrica 13 (1945),
//! 245-259; Kendall, M. G.: Rank Correlation Methods, 4th ed. (1975), chapters 3 and 4
//! (variance with ties, correction for continuity). The slope: Sen, P. K.: Estimates of the
//! regression coefficient based on Kendall's tau, J. Am. Stat. Assoc. 63 (1968), 1379-1389.

/// Fewest values of which a trend is told.
pub const FEWEST: usize = 5;
/// Most values that are looked at: the newest.
pub const MOST: usize = 64;

/// What the order of some values says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    /// Pairs that rise less pairs that fall.
    pub score: i64,
    /// The score in standard deviations, corrected for continuity: about normal where
    /// there is no trend. Positive where the values rise.
    pub deviate: f64,
    /// Median slope of all pairs, in units of the second a unit of the first coordinate.
    pub slope: f64,
}

/// The trend of points `(place, value)` in rising order of place; none for fewer than
/// [`FEWEST`], or where all values are equal.
///
/// ```
/// let values: Vec<(f64, f64)> = (0..8).map(|n| (n as f64, 3.9 - 0.02 * n as f64)).collect();
/// let trend = quality::trend::trend(&values).expect("eight values");
/// assert_eq!(trend.score, -28);
/// assert!((trend.slope + 0.02).abs() < 1e-9);
/// ```
pub fn trend(points: &[(f64, f64)]) -> Option<Trend> {
    let points = points.get(points.len().saturating_sub(MOST)..)?;
    if points.len() < FEWEST {
        return None;
    }
    let (mut score, mut slopes) = (0_i64, Vec::with_capacity(points.len() * points.len() / 2));
    for (nth, late) in points.iter().enumerate() {
        for early in points.iter().take(nth) {
            score += match late.1.total_cmp(&early.1) {
                std::cmp::Ordering::Greater => 1,
                std::cmp::Ordering::Equal => 0,
                std::cmp::Ordering::Less => -1,
            };
            slopes.push((late.1 - early.1) / (late.0 - early.0));
        }
    }
    let spread = variance(points).sqrt();
    if spread <= 0.0 {
        return None;
    }
    slopes.sort_by(f64::total_cmp);
    let middle = slopes.len() / 2;
    let (upper, lower) = (slopes.get(middle)?, slopes.get(middle - (1 - slopes.len() % 2))?);
    let corrected = (score - score.signum()) as f64;
    Some(Trend { score, deviate: corrected / spread, slope: f64::midpoint(*upper, *lower) })
}

/// Variance of the score where there is no trend, with equal values taken into account.
fn variance(points: &[(f64, f64)]) -> f64 {
    let part = |n: usize| (n * (n - 1) * (2 * n + 5)) as f64;
    let mut values: Vec<f64> = points.iter().map(|p| p.1).collect();
    values.sort_by(f64::total_cmp);
    let ties: f64 = values.chunk_by(|a, b| a == b).map(|same| part(same.len())).sum();
    (part(values.len()) - ties) / 18.0
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop")]
mod tests {
    use super::*;

    fn of(values: &[f64]) -> Option<Trend> {
        let points: Vec<(f64, f64)> =
            values.iter().enumerate().map(|(n, v)| (n as f64, *v)).collect();
        trend(&points)
    }

    /// Source: Kendall (1975), chapter 5: the number of orders of n values with a given
    /// score, counted exactly by the recursion over n.
    fn exact(n: usize, score: i64) -> f64 {
        let most = n * (n - 1) / 2;
        let mut ways = vec![1.0_f64];
        for items in 2..=n {
            let mut next = vec![0.0; items * (items - 1) / 2 + 1];
            for (inversions, count) in ways.iter().enumerate() {
                for more in 0..items {
                    next[inversions + more] += count;
                }
            }
            ways = next;
        }
        let all: f64 = ways.iter().sum();
        let least = usize::try_from(i64::try_from(most).unwrap() - score).unwrap() / 2;
        ways.iter().take(least + 1).sum::<f64>() / all
    }

    /// Area of the normal distribution beyond `z`: Abramowitz and Stegun, Handbook of
    /// Mathematical Functions (1964), 26.2.17.
    fn beyond(z: f64) -> f64 {
        let t = 1.0 / (1.0 + 0.231_641_9 * z);
        let sum = [0.319_381_530, -0.356_563_782, 1.781_477_937, -1.821_255_978, 1.330_274_429]
            .iter()
            .rev()
            .fold(0.0, |sum, b| (sum + b) * t);
        (-z * z / 2.0).exp() / (2.0 * std::f64::consts::PI).sqrt() * sum
    }

    #[test]
    fn the_normal_form_is_close_to_the_exact_distribution() {
        // Ten values; scores from 13 (about 0.15) to 29 (about 0.005).
        for score in (13..=29).step_by(2) {
            let spread = (10.0_f64 * 9.0 * 25.0 / 18.0).sqrt();
            let normal = beyond((score as f64 - 1.0) / spread);
            let counted = exact(10, score);
            assert!((normal - counted).abs() < 0.005, "{score}: {normal} beside {counted}");
        }
    }

    #[test]
    fn an_odd_day_does_not_decide() {
        let mut values: Vec<f64> = (0..10).map(|n| 3.9 - 0.02 * f64::from(n)).collect();
        let clean = of(&values).unwrap();
        values[6] = 4.1;
        let odd = of(&values).unwrap();
        assert_eq!((clean.score, odd.score), (-45, -33));
        assert!((odd.slope + 0.02).abs() < 0.003, "{}", odd.slope);
        assert!(odd.deviate < -2.5, "{}", odd.deviate);
    }

    #[test]
    fn equal_values_say_nothing() {
        assert_eq!(of(&[3.9; 10]), None);
        assert_eq!(of(&[3.9, 3.8, 3.7]), None);
        // Two ties of two among six: (6*5*17 - 2*2*1*9) / 18 = 26.333.
        let tied =
            variance(&[(0.0, 1.0), (1.0, 1.0), (2.0, 2.0), (3.0, 2.0), (4.0, 3.0), (5.0, 4.0)]);
        assert!((tied - 474.0 / 18.0).abs() < 1e-9, "{tied}");
    }
}
