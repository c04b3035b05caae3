#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::super::limits::{Fastest, Limits};
use super::*;
use crate::property::Transfer;
use crate::{Flag, Reason, Span, Time};
use proptest::prelude::*;

/// Seconds, total, boot; then the expected kind and count.
type Row = (i64, u64, Option<u64>, Kind, u64);

fn point(seconds: i64, total: u64, boot: Option<u64>) -> CounterPoint {
    CounterPoint { time: Time(seconds * 1_000), total, boot, uncertain: false }
}

fn check(name: &str, limits: Limits, rows: &[Row]) -> Counter {
    let mut counter = Counter::default();
    for (i, &(seconds, total, boot, kind, count)) in rows.iter().enumerate() {
        let got = counter.step(point(seconds, total, boot), limits);
        assert_eq!((got.kind, got.count), (kind, count), "{name}, sample {i}");
        assert_eq!(got.to, Time(seconds * 1_000), "{name}, sample {i}");
    }
    counter
}

/// A gauge of 0.25 mm a tip with 300 ms of dead time: at most 204 tips in a minute.
fn gauge(bits: u8) -> Limits {
    Limits::of(bits, Span(300), Some(&Transfer::Depth(0.25)))
}

/// A cup of 1.2 m a turn with 2 ms of dead time: at most 3,813 turns in a minute.
fn cup(bits: u8) -> Limits {
    let transfer = Transfer::Wind { slope: 1.2, offset: 0.0, threshold: 0.5 };
    Limits::of(bits, Span(2), Some(&transfer))
}

use Kind::{Confirmed, First, Held, Late, Normal, Restarted, StepBack, Wrapped};

#[test]
fn every_width_rolls_over() {
    let wide = u64::MAX;
    for (bits, before, after, count) in
        [(8, 250, 3, 9), (16, 65_530, 4, 10), (32, 4_294_967_290, 5, 11), (64, wide - 2, 3, 6)]
    {
        let rows = [(0, before, None, First, 0), (60, after, None, Wrapped, count)];
        check(&format!("{bits} bits"), gauge(bits), &rows);
        check(&format!("{bits} bits, cup"), cup(bits), &rows);
    }
}

#[test]
fn a_wrap_is_believed_only_where_the_time_allows_it() {
    // 64,538 tips in a minute are impossible: a restart, and the two since are counted.
    check("restart", gauge(16), &[(0, 1_000, None, First, 0), (60, 2, None, Restarted, 2)]);
    // After a week of silence the step over the roll-over would be 25,539 tips, 6.4 m.
    let week = 7 * 86_400;
    check("week", gauge(16), &[(0, 40_000, None, First, 0), (week, 3, None, Restarted, 3)]);
    // Near the roll-over even a week's step is a wrap.
    check("wrap", gauge(16), &[(0, 65_500, None, First, 0), (week, 4, None, Wrapped, 40)]);
    // In an hour an 8-bit counter may turn over several times, which proves nothing:
    // at most a quarter of the width is believed.
    check("quarter", gauge(8), &[(0, 250, None, First, 0), (3_600, 4, None, Wrapped, 10)]);
    check("beyond", gauge(8), &[(0, 150, None, First, 0), (3_600, 4, None, Restarted, 4)]);
}

#[test]
fn a_total_restored_too_low_adds_nothing_and_moves_the_baseline() {
    check(
        "without boot",
        gauge(16),
        &[
            (0, 1_000, None, First, 0),
            (60, 1_003, None, Normal, 3),
            (120, 1_001, None, StepBack, 0),
            (180, 1_004, None, Normal, 3),
        ],
    );
    check(
        "with boot",
        cup(32),
        &[
            (0, 1_000, Some(1), First, 0),
            (60, 1_003, Some(1), Normal, 3),
            (120, 1_001, Some(2), StepBack, 0),
            (180, 1_004, Some(2), Normal, 3),
        ],
    );
}

#[test]
fn a_changed_boot_identifier_is_a_restart_unless_the_total_was_kept() {
    check("zero", gauge(16), &[(0, 1_000, Some(1), First, 0), (60, 3, Some(2), Restarted, 3)]);
    check("8 bits", gauge(8), &[(0, 200, Some(1), First, 0), (60, 3, Some(2), Restarted, 3)]);
    check("higher", gauge(16), &[(0, 2, Some(1), First, 0), (60, 7, Some(2), Restarted, 7)]);
    check("kept", gauge(16), &[(0, 1_000, Some(1), First, 0), (60, 1_002, Some(2), Normal, 2)]);
    // From an old copy: what was counted since the start cannot be known.
    check(
        "old copy",
        gauge(16),
        &[(0, 1_000, Some(1), First, 0), (60, 500, Some(2), Restarted, 0)],
    );
    // A sample without a boot identifier between the two hides nothing.
    let rows =
        [(0, 200, Some(1), First, 0), (60, 201, None, Normal, 1), (120, 3, Some(2), Restarted, 3)];
    check("without between", gauge(8), &rows);
    // The same boot identifier and no total: the counter alone restarted.
    check("same", gauge(16), &[(0, 1_000, Some(1), First, 0), (60, 2, Some(1), Restarted, 2)]);
}

#[test]
fn a_lone_jump_is_held_and_dropped_or_confirmed() {
    let rows = [
        (0, 1_000, None, First, 0),
        (60, 9_000, None, Held, 0),
        (120, 1_001, None, Normal, 1),
        (180, 1_002, None, Normal, 1),
    ];
    check("glitch", gauge(16), &rows);
    let rows = [
        (0, 1_000, None, First, 0),
        (60, 9_000, None, Held, 0),
        (120, 9_002, None, Confirmed, 2),
        (180, 9_003, None, Normal, 1),
    ];
    check("real", gauge(16), &rows);
    // After hours the old value would allow the step, but the held one is nearer.
    let rows = [
        (0, 1_000, None, First, 0),
        (60, 1_500, None, Held, 0),
        (7_200, 1_505, None, Confirmed, 5),
    ];
    check("late confirmation", gauge(16), &rows);
    // Two different glitches: the second takes the first one's place.
    let rows = [
        (0, 1_000, None, First, 0),
        (60, 9_000, None, Held, 0),
        (120, 30_000, None, Held, 0),
        (180, 1_004, None, Normal, 4),
    ];
    check("two glitches", gauge(16), &rows);
    // Zero read once: nothing false is counted on the way back.
    let rows = [
        (0, 1_000, None, First, 0),
        (60, 0, None, Restarted, 0),
        (120, 1_001, None, Held, 0),
        (180, 1_002, None, Confirmed, 1),
    ];
    check("zero once", gauge(16), &rows);
    // Halfway down is neither a wrap, nor a restart, nor a small step back.
    let rows = [
        (0, 100_000, None, First, 0),
        (60, 50_000, None, Held, 0),
        (120, 100_040, None, Normal, 40),
    ];
    check("down and up", cup(32), &rows);
}

#[test]
fn a_repeat_of_the_jump_confirms_nothing() {
    let rows = [
        (0, 1_000, None, First, 0),
        (60, 9_000, None, Held, 0),
        (60, 9_000, None, Held, 0),
        (120, 1_001, None, Normal, 1),
    ];
    check("repeat", gauge(16), &rows);
}

#[test]
fn duplicates_add_nothing_and_late_samples_change_nothing() {
    let rows = [
        (0, 10, None, First, 0),
        (60, 12, None, Normal, 2),
        (60, 12, None, Normal, 0),
        (30, 11, None, Late, 0),
        (120, 15, None, Normal, 3),
    ];
    let counter = check("order", gauge(16), &rows);
    assert_eq!(counter.last(), Some(point(120, 15, None)));
}

#[test]
fn a_late_sample_is_recomputed_between_its_neighbours() {
    let mut around = Counter::starting_at(point(0, 10, None));
    let left = around.step(point(30, 11, None), gauge(16));
    let right = around.step(point(60, 12, None), gauge(16));
    assert_eq!((left.count, left.from), (1, Some(Time(0))));
    assert_eq!((right.count, right.from), (1, Some(Time(30_000))));
}

#[test]
fn uncertain_times_are_allowed_an_hour_and_may_run_backward() {
    let mut counter = Counter::default();
    let mut sum = 0;
    // An hour's backlog of a station without a clock, arriving within milliseconds.
    for (time, total) in [(1_000, 100), (1_001, 103), (1_002, 130), (900, 131), (901, 140)] {
        let point = CounterPoint { time: Time(time), total, boot: None, uncertain: true };
        let got = counter.step(point, gauge(16));
        assert!(got.from.is_none_or(|from| from <= got.to));
        sum += got.count;
    }
    assert_eq!(sum, 40);
}

#[test]
fn increments_say_what_they_cannot_know() {
    let mut counter = Counter::starting_at(point(0, 1_000, None));
    let held = counter.step(point(60, 9_000, None), gauge(16));
    assert_eq!((held.flag, held.reasons), (Flag::Doubtful, Reason::Step.into()));
    let confirmed = counter.step(point(120, 9_001, None), gauge(16));
    assert_eq!(confirmed.flag, Flag::Doubtful);
    assert!(confirmed.reasons.contains(Reason::Incomplete));
    assert_eq!(confirmed.from, Some(Time(60_000)));
    let restarted = counter.step(point(180, 1, None), gauge(16));
    assert_eq!((restarted.flag, restarted.reasons), (Flag::Unchecked, Reason::Incomplete.into()));
}

#[test]
fn totals_must_be_whole_and_fit() {
    for (value, bits, expected) in [
        (0.0, 8, Ok(0)),
        (255.0, 8, Ok(255)),
        (256.0, 8, Err(CountFault::TooLarge)),
        (-1.0, 16, Err(CountFault::Negative)),
        (1.5, 16, Err(CountFault::Fractional)),
        (f64::NAN, 16, Err(CountFault::NotFinite)),
        (f64::INFINITY, 64, Err(CountFault::NotFinite)),
        (9_007_199_254_740_992.0, 64, Ok(9_007_199_254_740_992)),
        (1.0e19, 64, Err(CountFault::TooLarge)),
    ] {
        assert_eq!(total(value, bits), expected, "{value} in {bits} bits");
    }
}

#[test]
fn totals_beyond_the_declared_width_do_not_panic() {
    let mut counter = Counter::default();
    for total in [300, 10, u64::MAX, 0, 256, 255] {
        let got = counter.step(point(0, total, None), gauge(8));
        assert!(got.count <= gauge(8).most(Span::ZERO));
    }
}

#[test]
fn boot_numbers_differ_and_stay() {
    // The offset basis, and the value for "a": from memory.
    assert_eq!(boot_number(""), 0xcbf2_9ce4_8422_2325);
    assert_eq!(boot_number("a"), 0xaf63_dc4c_8601_ec8c);
    assert_ne!(boot_number("b1"), boot_number("b2"));
}

fn any_limits() -> impl Strategy<Value = Limits> {
    let bits = prop_oneof![Just(8_u8), Just(16), Just(32), Just(64)];
    let fastest = prop_oneof![
        Just(Fastest::Unknown),
        (0.01_f64..200.0).prop_map(Fastest::Steady),
        (0.05_f64..2.0).prop_map(Fastest::Rain),
    ];
    (bits, 1_i64..1_000, fastest).prop_map(|(bits, dead, fastest)| Limits {
        bits,
        dead_time: Span(dead),
        fastest,
    })
}

/// What the documentation of [`Counter`] promises to count exactly.
fn exact(limits: Limits, elapsed: Span) -> u64 {
    let modulus = limits.modulus();
    let most = limits.most(elapsed);
    let nine_tenths = modulus * 9 / 10;
    let bound = if u128::from(most) < modulus { nine_tenths } else { modulus / 4 };
    let most = most.min(limits.most(elapsed.min(Span::hours(1))));
    u64::try_from(bound).unwrap_or(u64::MAX).min(most)
}

proptest! {
    #[test]
    fn a_true_total_is_counted_exactly_over_any_width(
        limits in any_limits(),
        start in any::<u64>(),
        steps in prop::collection::vec((0_i64..10_000_000, 0.0_f64..=1.0), 1..60),
    ) {
        let modulus = limits.modulus();
        let wrap = |truth: u128| u64::try_from(truth % modulus).unwrap();
        let mut truth = u128::from(start) % modulus;
        let mut time = Time(0);
        let mut counter = Counter::default();
        counter.step(CounterPoint { time, total: wrap(truth), boot: None, uncertain: false }, limits);
        for (elapsed, share) in steps {
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let step = (exact(limits, Span(elapsed)) as f64 * share) as u64;
            let step = step.min(exact(limits, Span(elapsed)));
            truth += u128::from(step);
            time = time + Span(elapsed);
            let got = counter.step(
                CounterPoint { time, total: wrap(truth), boot: None, uncertain: false },
                limits,
            );
            prop_assert_eq!(got.count, step, "{:?} after {} ms", got.kind, elapsed);
            prop_assert!(matches!(got.kind, Kind::Normal | Kind::Wrapped));
        }
    }

    #[test]
    fn restarts_that_are_told_count_from_zero(
        limits in any_limits(),
        runs in prop::collection::vec(prop::collection::vec(0_u64..4, 1..20), 1..8),
    ) {
        // Each run begins at a total far from where the last one ended: at zero, after
        // at least 100 counts.
        let mut counter = Counter::default();
        let mut time = Time(0);
        for (boot, run) in (0_u64..).zip(runs) {
            let mut total = 0;
            let mut counted = 0;
            for step in run {
                time = time + Span::seconds(60);
                total += step.min(limits.most(Span::seconds(60)));
                let point = CounterPoint { time, total, boot: Some(boot), uncertain: false };
                counted += counter.step(point, limits).count;
            }
            if boot > 0 {
                prop_assert_eq!(counted, total);
            }
            // Up by the most that a minute allows, until a restart cannot be a step back.
            let goal = (total * 2 + 100).min(u64::try_from(limits.modulus() - 1).unwrap());
            while total < goal {
                time = time + Span::seconds(60);
                total = (total + limits.most(Span::seconds(60))).min(goal);
                let point = CounterPoint { time, total, boot: Some(boot), uncertain: false };
                prop_assert_eq!(counter.step(point, limits).kind, Kind::Normal);
            }
        }
    }

    #[test]
    fn whatever_comes_nothing_impossible_is_counted(
        limits in any_limits(),
        points in prop::collection::vec(
            (-100_000_i64..10_000_000, any::<u64>(), prop::option::of(0_u64..3), any::<bool>()),
            1..60,
        ),
        narrow in any::<bool>(),
    ) {
        let mut counter = Counter::default();
        for (time, total, boot, uncertain) in points {
            let total = if narrow { total % 1_000 } else { total };
            let before = (counter.last(), counter.held());
            let point = CounterPoint { time: Time(time), total, boot, uncertain };
            let got = counter.step(point, limits);
            // At least an hour is allowed to uncertain times.
            let since = got.from.map_or(Span::ZERO, |from| got.to - from).max(Span::hours(1));
            prop_assert!(got.count <= limits.most(since));
            prop_assert!(got.from.is_none_or(|from| from <= got.to));
            if matches!(got.kind, Kind::Late | Kind::Held) {
                prop_assert_eq!(got.count, 0);
                prop_assert_eq!(counter.last(), before.0);
            }
        }
    }
}
