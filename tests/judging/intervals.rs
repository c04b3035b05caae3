//! Intervals of 95 per cent beside every figure: Wilson (1927) for shares, Garwood (1936)
//! for rates, resampling for quantiles.

/// A share with its interval.
pub(crate) fn share(hits: usize, of: usize) -> String {
    if of == 0 {
        return "-".to_owned();
    }
    let (n, z) = (of as f64, 1.96_f64);
    let p = hits as f64 / n;
    let middle = (p + z * z / (2.0 * n)) / (1.0 + z * z / n);
    let half = z * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt() / (1.0 + z * z / n);
    // Of no hits the lower end is 0 but for rounding, which may print it as -0.
    let low = (middle - half).max(0.0);
    format!("{:.0} [{:.0},{:.0}]", 100.0 * p, 100.0 * low, 100.0 * (middle + half))
}

/// Chance that a count of the given mean is at most `count`.
fn at_most(count: usize, mean: f64) -> f64 {
    let mut term = (-mean).exp();
    let mut sum = term;
    for i in 1..=count {
        term *= mean / i as f64;
        sum += term;
    }
    sum
}

fn solve(increasing: impl Fn(f64) -> f64, wanted: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1000.0);
    for _ in 0..100 {
        let middle = f64::midpoint(low, high);
        if increasing(middle) < wanted { low = middle } else { high = middle }
    }
    low
}

/// A rate: events, per month, with its interval.
pub(crate) fn rate(events: usize, months: f64) -> String {
    let low = if events == 0 { 0.0 } else { solve(|m| 1.0 - at_most(events - 1, m), 0.025) };
    let high = solve(|m| 1.0 - at_most(events, m), 0.975);
    format!("{events} = {:.2} [{:.2},{:.2}]", events as f64 / months, low / months, high / months)
}

/// The value that a share of all reach; not found counts as infinite.
pub(crate) fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let place = (share * (sorted.len().max(1) - 1) as f64).ceil();
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    sorted.get(place as usize).copied().unwrap_or(f64::NAN)
}

/// The 90 per cent quantile with its interval from 1000 resamples.
pub(crate) fn ninety(values: &[f64]) -> String {
    let mut random = fastrand::Rng::with_seed(1);
    let resampled: Vec<f64> = (0..1000)
        .map(|_| {
            let sample: Vec<f64> =
                (0..values.len()).map(|_| values[random.usize(..values.len())]).collect();
            quantile(&sample, 0.9)
        })
        .collect();
    let [low, high] = [0.025, 0.975].map(|q| number(quantile(&resampled, q)));
    format!("{} [{low},{high}]", number(quantile(values, 0.9)))
}

/// A whole number, or that there is none.
pub(crate) fn number(value: f64) -> String {
    if value.is_finite() { format!("{value:.0}") } else { "none".to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn intervals_are_those_of_the_tables() {
        // Wilson: 117 of 120 gives 92.9 to 99.1; Garwood: 7 gives 2.81 to 14.42.
        assert_eq!(share(117, 120), "98 [93,99]");
        assert_eq!(rate(7, 1.0), "7 = 7.00 [2.81,14.42]");
        assert_eq!(rate(0, 1.0), "0 = 0.00 [0.00,3.69]");
    }
}
