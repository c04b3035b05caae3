//! Gaps in the roses of invented vanes.

use super::*;

/// 120 days of three invented vanes under a wandering wind; `seen` is what the first says
/// of a direction, none where it says nothing, by day.
fn told(seen: impl Fn(i64, f64) -> Option<f64>) -> Vec<Charted> {
    let near = [vec![1, 2], vec![0, 2], vec![0, 1]];
    let mut rose = Rose::default();
    let mut all = Vec::new();
    for hour in 0..120 * 24_i64 {
        let wind = (hour as f64 * 2.9 + 40.0 * (hour as f64 / 17.0).sin()).rem_euclid(360.0);
        let value =
            |direction: f64| Values { temperature: 10.0, speed: 4.0, direction, ..Values::MISSING };
        let own = seen(hour / 24, wind).unwrap_or(f64::NAN);
        let values = [value(own), value(wind + 4.0), value(wind - 4.0)];
        all.extend(rose.take(hour, (&values, &values), &near, |_| false));
    }
    all
}

/// Four switches over 135 degrees each at N, E, S and W, of which the one at `dead` never
/// closes.
fn switches(direction: f64, dead: Option<f64>) -> Option<f64> {
    let closed = |at: f64| apart(direction, at) <= 67.5 && dead != Some(at);
    let all: Vec<f64> = [0.0, 90.0, 180.0, 270.0].into_iter().filter(|at| closed(*at)).collect();
    match all[..] {
        [one] => Some(one),
        [first, second] if second - first > 180.0 => Some(315.0),
        [first, second] => Some(f64::midpoint(first, second)),
        _ => None,
    }
}

#[test]
fn a_dead_switch_leaves_three_points_out_and_is_told_with_its_middle_and_date() {
    for (dead, middle) in [(0.0, 0.0), (90.0, 90.0), (270.0, 270.0)] {
        let found = told(|day, d| switches(d, (day >= 70).then_some(dead)));
        let first = found[0];
        assert_eq!((first.state, first.station), (State::Opened, 0));
        assert_eq!((first.cause, first.sector), (Cause::VaneSwitchDead, Some(middle)));
        let since = first.since.0 / HOUR / 24;
        assert!((69..75).contains(&since), "{since}");
        assert!((first.size - 135.0).abs() < 1e-9 && first.days >= LEAST_DAYS, "{first:?}");
        assert!(found.iter().all(|f| f.station == 0 && f.state != State::Closed));
    }
}

#[test]
fn a_sound_a_coarse_a_turned_and_a_standing_vane_leave_no_gap() {
    assert_eq!(told(|_, d| Some(d)), []);
    assert_eq!(told(|_, d| switches(d, None)), []);
    let turned = |by: f64| told(move |day, d| switches(if day >= 70 { d + by } else { d }, None));
    assert_eq!(turned(45.0), []);
    assert_eq!(turned(30.0), []);
    assert_eq!(told(|day, d| Some(if day >= 70 { 200.0 } else { d })), []);
    assert_eq!(told(|day, d| (day < 70).then_some(d)), []);
}

#[test]
fn a_switch_that_was_mended_is_over() {
    let found = told(|day, d| switches(d, (60..90).contains(&day).then_some(90.0)));
    assert_eq!(found.last().map(|f| f.state), Some(State::Closed), "{found:?}");
}
