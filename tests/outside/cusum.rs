//! The cumulative sum against published average run lengths: two-sided, reference 0.5,
//! independent normal values. Montgomery, Introduction to Statistical Quality Control,
//! table of average run lengths of the tabular form, after Siegmund and Lucas (from
//! memory).

use quality::cusum::{Chart, Cusum};

/// Decision interval, shift in spreads, average run length.
const TABLE: [(f64, f64, f64); 10] = [
    (4.0, 0.0, 168.0),
    (4.0, 0.5, 26.6),
    (4.0, 1.0, 8.38),
    (4.0, 2.0, 3.34),
    (5.0, 0.0, 465.0),
    (5.0, 0.25, 139.0),
    (5.0, 0.5, 38.0),
    (5.0, 1.0, 10.4),
    (5.0, 1.5, 5.75),
    (5.0, 2.0, 4.01),
];
const RUNS: u32 = 4_000;

/// A standard normal number: Box and Muller, Ann. Math. Stat. 29, 1958, 610-611.
fn normal(random: &mut fastrand::Rng) -> f64 {
    let radius = (-2.0 * (1.0 - random.f64()).ln()).sqrt();
    radius * (std::f64::consts::TAU * random.f64()).cos()
}

#[test]
fn run_lengths_are_those_of_the_tables() {
    let mut random = fastrand::Rng::with_seed(7);
    for (interval, shift, expected) in TABLE {
        let chart = Chart { reference: 0.5, interval };
        let (mut sum, mut squares) = (0.0, 0.0);
        for _ in 0..RUNS {
            let mut cusum = Cusum::default();
            let mut length = 1.0;
            while cusum.take(normal(&mut random) + shift, chart).is_none() {
                length += 1.0;
            }
            sum += length;
            squares += length * length;
        }
        let n = f64::from(RUNS);
        let mean = sum / n;
        let error = ((squares / n - mean * mean) / n).sqrt();
        // Four standard errors, and the rounding of the table.
        let allowed = 4.0 * error + 0.005 * expected;
        assert!(
            (mean - expected).abs() < allowed,
            "interval {interval}, shift {shift}: {mean:.2}, the table says {expected}"
        );
    }
}
