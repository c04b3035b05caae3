//! Robust and spatial statistics.
//!
//! The rule: each function is the published formula, with its convention stated.

/// `1 / quantile(3/4)` of the normal distribution: turns a median absolute deviation into
/// a standard deviation (Rousseeuw and Croux, J. Amer. Statist. Assoc. 88, 1993,
/// 1273-1283).
pub const NORMAL_CONSISTENCY: f64 = 1.482_602_218_505_602;

/// The median; the mean of the two middle ones for an even count. None of nothing, or
/// where a value is no number.
pub fn median(values: &[f64]) -> Option<f64> {
    if values.is_empty() || values.iter().any(|v| v.is_nan()) {
        return None;
    }
    let mut sorted = values.to_vec();
    let middle = sorted.len() / 2;
    let even = sorted.len().is_multiple_of(2);
    let (below, here, _) = sorted.select_nth_unstable_by(middle, f64::total_cmp);
    let here = *here;
    if !even {
        return Some(here);
    }
    let before = below.iter().copied().max_by(f64::total_cmp)?;
    Some(f64::midpoint(before, here))
}

/// The median absolute deviation from the median, times [`NORMAL_CONSISTENCY`].
pub fn scaled_deviation(values: &[f64]) -> Option<f64> {
    let middle = median(values)?;
    let apart: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
    median(&apart).map(|d| NORMAL_CONSISTENCY * d)
}

/// Weight by distance, `exp(-r^2 / kappa)`, kappa in the square of the distance's unit
/// (Barnes, J. Appl. Meteorol. 3, 1964, 396-409; others write 4 kappa).
pub fn distance_weight(distance: f64, kappa: f64) -> f64 {
    (-distance * distance / kappa).exp()
}

/// An estimate from neighbours, each `(estimate, root mean square error)`, weighted by the
/// inverse square of the error; and its own error from the mean of those inverse squares
/// (Hubbard and You, J. Atmos. Oceanic Technol. 22, 2005, with linear weights). None
/// without neighbours or with an error that is not above zero.
pub fn regression_estimate(neighbours: &[(f64, f64)]) -> Option<(f64, f64)> {
    if neighbours.is_empty() || neighbours.iter().any(|(_, error)| error.is_nan() || *error <= 0.0)
    {
        return None;
    }
    let weights: f64 = neighbours.iter().map(|(_, error)| error.powi(-2)).sum();
    let sum: f64 = neighbours.iter().map(|(value, error)| value * error.powi(-2)).sum();
    let error = (neighbours.len() as f64 / weights).sqrt();
    Some((sum / weights, error))
}
