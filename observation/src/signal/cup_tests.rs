#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::*;
use crate::signal::counter::{Counter, CounterPoint};
use crate::signal::limits::Limits;
use proptest::prelude::*;

fn stretch(from: i64, to: i64, turns: f64) -> Stretch {
    Stretch { from: Time(from), to: Time(to), turns }
}

/// Samples each `spacing` milliseconds with so many turns.
fn series(spacing: i64, turns: &[f64]) -> Vec<Stretch> {
    (0..).zip(turns).map(|(i, &t)| stretch(i * spacing, (i + 1) * spacing, t)).collect()
}

const CUP: Cup = Cup { slope: 0.66, offset: 0.3, threshold: 0.9 };

// The linear relation with a starting threshold: ISO 17713-1:2007; the first row
// calculated with invented constants. Without pulses 0, never the offset: common practice.
#[test]
fn frequency_becomes_speed_above_the_threshold_only() {
    let invented = Cup { slope: 0.765, offset: 0.35, threshold: 0.5 };
    for (cup, hertz, value, below) in [
        (invented, 12.0, 9.53, false),
        (CUP, 0.0, 0.0, true),
        (CUP, 0.5, 0.0, true),
        (CUP, 1.0, 0.96, false),
        (Cup { threshold: 0.0, ..CUP }, 0.0, 0.0, true),
        (Cup { threshold: 0.0, ..CUP }, 0.1, 0.366, false),
        (CUP, -1.0, 0.0, true),
    ] {
        let speed = cup.speed(hertz).unwrap();
        assert!((speed.value - value).abs() < 1e-9, "{hertz} Hz: {speed:?}");
        assert_eq!(speed.below_threshold, below, "{hertz} Hz");
    }
    assert_eq!(CUP.speed(f64::NAN), None);
    assert_eq!(CUP.speed(f64::INFINITY), None);
    // 1.2 m a turn resolves 0.4 m/s in 3 s (calculated).
    let one_pulse = Cup { slope: 1.2, offset: 0.0, threshold: 0.0 };
    assert!((one_pulse.resolution(Span::seconds(3)).unwrap() - 0.4).abs() < 1e-12);
}

#[test]
fn turns_are_split_at_the_edges_in_proportion() {
    let run = series(1_000, &[4.0, 8.0, 12.0]);
    for (from, to, expected, covered) in [
        (0, 3_000, 24.0, 3_000),
        (500, 2_500, 2.0 + 8.0 + 6.0, 2_000),
        (1_000, 2_000, 8.0, 1_000),
        (1_250, 1_500, 2.0, 250),
        (-1_000, 1_000, 4.0, 1_000),
        (3_000, 4_000, 0.0, 0),
        (-2_000, 0, 0.0, 0),
    ] {
        let sum = turns(&run, Time(from), Time(to));
        assert!((sum.turns - expected).abs() < 1e-9, "{from} to {to}: {sum:?}");
        assert_eq!(sum.covered, Span(covered), "{from} to {to}");
    }
    assert_eq!(turns(&[], Time(0), Time(1_000)).hertz(), None);
    // A hole counts as not covered, not as calm.
    let hole = [stretch(0, 1_000, 5.0), stretch(3_000, 4_000, 5.0)];
    assert_eq!(turns(&hole, Time(0), Time(4_000)).hertz(), Some(5.0));
}

#[test]
fn the_averaging_time_is_a_whole_number_of_spacings() {
    for (requested, spacing, expected) in [
        (3_000, 2_000, 4_000),
        (3_000, 3_000, 3_000),
        (3_000, 250, 3_000),
        (3_000, 10_000, 10_000),
        (3_000, 60_000, 60_000),
        (3_000, 0, 3_000),
        (0, 1_000, 1_000),
    ] {
        assert_eq!(resolvable(Span(requested), Span(spacing)), Span(expected));
    }
}

#[test]
fn a_gust_is_the_greatest_running_mean() {
    let run = series(1_000, &[1.0, 2.0, 9.0, 6.0, 3.0, 0.0]);
    let three = gust(&run, Time(0), Time(6_000), Span::seconds(3)).unwrap();
    assert!((three.hertz - 6.0).abs() < 1e-9);
    assert_eq!(three.at, Time(5_000));
    // Only what lies in the window counts.
    let early = gust(&run, Time(0), Time(3_000), Span::seconds(3)).unwrap();
    assert!((early.hertz - 4.0).abs() < 1e-9);
    assert_eq!(gust(&run, Time(0), Time(2_000), Span::seconds(3)), None);
    assert_eq!(gust(&run, Time(0), Time(6_000), Span::ZERO), None);
    assert_eq!(gust(&[], Time(0), Time(6_000), Span::seconds(3)), None);
}

#[test]
fn no_gust_comes_from_the_spacing_of_two_pulses() {
    // One pulse a second, and one bounce 10 ms after another: 100 Hz by its spacing.
    let mut run: Vec<Stretch> = (0..10).map(|i| stretch(i * 1_000, (i + 1) * 1_000, 1.0)).collect();
    run[5] = stretch(5_000, 5_010, 1.0);
    run.insert(6, stretch(5_010, 6_000, 1.0));
    let gust = gust(&run, Time(0), Time(10_000), Span::seconds(3)).unwrap();
    assert!(gust.hertz <= 4.0 / 3.0 + 1e-9, "{gust:?}");
}

#[test]
fn a_gust_never_spans_a_hole_nor_a_stretch_that_is_too_long() {
    let mut run = series(1_000, &[3.0, 3.0, 3.0]);
    run.push(stretch(4_000, 5_000, 50.0));
    run.push(stretch(5_000, 6_000, 50.0));
    let best = gust(&run, Time(0), Time(6_000), Span::seconds(3)).unwrap();
    assert!((best.hertz - 3.0).abs() < 1e-9, "{best:?}");
    // Ten seconds in one sample cannot tell a gust of three.
    assert_eq!(
        gust(&series(10_000, &[100.0, 50.0]), Time(0), Time(20_000), Span::seconds(3)),
        None
    );
    // Jitter of the arrival does no harm.
    let late = [stretch(0, 10_050, 100.0), stretch(10_050, 20_000, 10.0)];
    assert!(gust(&late, Time(0), Time(20_000), Span::seconds(10)).is_some());
}

#[test]
fn what_is_not_known_is_no_stretch() {
    let limits = Limits::new(16, Span(2));
    let point =
        |time, total| CounterPoint { time: Time(time), total, boot: None, uncertain: false };
    let mut counter = Counter::default();
    let made: Vec<Option<Stretch>> = [(0, 10), (1_000, 15), (2_000, 60_000), (3_000, 21)]
        .into_iter()
        .map(|(time, total)| Stretch::of(&counter.step(point(time, total), limits)))
        .collect();
    assert_eq!(made, [None, Some(stretch(0, 1_000, 5.0)), None, Some(stretch(1_000, 3_000, 6.0))]);
    assert_eq!(Stretch::of_frequency(2.5, Time(0), Time(2_000)), Some(stretch(0, 2_000, 5.0)));
    assert_eq!(Stretch::of_frequency(-1.0, Time(0), Time(2_000)), None);
    assert_eq!(Stretch::of_frequency(f64::NAN, Time(0), Time(2_000)), None);
}

fn any_run() -> impl Strategy<Value = Vec<Stretch>> {
    prop::collection::vec((1_i64..4_000, 0.0_f64..50.0, prop::bool::weighted(0.1)), 0..40).prop_map(
        |rows| {
            let mut time = 0;
            rows.into_iter()
                .map(|(length, turns, hole)| {
                    time += if hole { 500 } else { 0 };
                    let from = time;
                    time += length;
                    stretch(from, time, turns)
                })
                .collect()
        },
    )
}

proptest! {
    #[test]
    fn neighbouring_windows_share_out_every_turn(run in any_run(), cut in 0_i64..100_000) {
        let end = Time(1_000_000);
        let whole = turns(&run, Time(0), end);
        let (left, right) = (turns(&run, Time(0), Time(cut)), turns(&run, Time(cut), end));
        prop_assert!((left.turns + right.turns - whole.turns).abs() < 1e-6);
        prop_assert_eq!(left.covered + right.covered, whole.covered);
    }

    #[test]
    fn a_gust_is_reached_and_nowhere_exceeded(
        run in any_run(),
        from in 0_i64..20_000,
        length in 1_i64..60_000,
        over in 1_000_i64..5_000,
        probes in prop::collection::vec(0.0_f64..1.0, 20),
    ) {
        let (from, to, over) = (Time(from), Time(from + length), Span(over));
        let found = gust(&run, from, to, over);
        let mean = |at: Time| turns(&run, at - over, at);
        if let Some(found) = found {
            prop_assert!(found.at - over >= from && found.at <= to);
            let here = mean(found.at);
            prop_assert_eq!(here.covered, over);
            prop_assert!((here.turns / over.as_seconds() - found.hertz).abs() < 1e-6);
        }
        for probe in probes {
            #[allow(clippy::cast_possible_truncation)]
            let at = Time(from.0 + (probe * length as f64) as i64);
            let touches_long = run.iter().any(|s| {
                s.from < at && s.to > at - over && s.length() > over.0 + over.0 / 2
            });
            let here = mean(at);
            if at - over >= from && here.covered == over && !touches_long {
                let best = found.map_or(-1.0, |g| g.hertz);
                prop_assert!(here.turns / over.as_seconds() <= best + 1e-6);
            }
        }
    }
}
