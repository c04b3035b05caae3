//! Changes of a bucket or toggle become depth and rate of rain.
//!
//! The rule: every change is a fixed depth; one tip is not a rate.

use super::counter::{Increment, Kind};
use crate::{Span, Time};
use serde::{Deserialize, Serialize};

/// Time without a tip after which an event is over, where nothing else is set.
pub const EVENT_GAP: Span = Span::hours(6);

/// Depth in millimetres for a volume of water in millilitres under a round collector of
/// so many millimetres in diameter: `10 V / A` with the area in square centimetres
/// (geometry). None unless both are above zero.
pub fn depth_of_change(volume: f64, collector_diameter: f64) -> Option<f64> {
    let radius = collector_diameter / 20.0;
    let depth = 10.0 * volume / (std::f64::consts::PI * radius * radius);
    (volume > 0.0 && collector_diameter > 0.0 && depth.is_finite()).then_some(depth)
}

/// Depth in millimetres of an increment, `depth` being that of one change.
pub fn depth(increment: &Increment, depth: f64) -> f64 {
    increment.count as f64 * depth
}

/// The rate in millimetres an hour above which a bare state read so often loses
/// changes: two changes between two readings cannot be seen. None for no spacing.
pub fn loses_above(depth: f64, spacing: Span) -> Option<f64> {
    per_hour(depth, spacing)
}

fn per_hour(depth: f64, span: Span) -> Option<f64> {
    (span.0 > 0).then(|| depth / (span.as_seconds() / 3_600.0))
}

/// The rate of rainfall, followed tip by tip.
///
/// Depth divided by the time between the last two tips; after the last tip it decays
/// as depth divided by the time since. The first tip of an event has no rate. Where one
/// sample brings several tips, they are spread over the time since the tip before.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Rate {
    last: Option<Tip>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Tip {
    time: Time,
    depth: f64,
    rate: Option<f64>,
    tips: u64,
}

impl Rate {
    /// Takes an increment. `depth` is that of one change, `event_gap` the time without
    /// a tip after which an event is over.
    pub fn add(&mut self, increment: &Increment, depth: f64, event_gap: Span) {
        let counted = matches!(
            increment.kind,
            Kind::Normal | Kind::Wrapped | Kind::Restarted | Kind::Confirmed
        );
        if !counted || increment.count == 0 || self.last.is_some_and(|l| increment.to < l.time) {
            return;
        }
        let before = self.last.filter(|l| increment.to - l.time <= event_gap);
        let (rate, tips) = match before {
            // Two tips at one instant are one sample's worth; the older spacing stands.
            Some(last) if increment.to == last.time => (last.rate, last.tips),
            Some(last) => {
                let fallen = increment.count as f64 * depth;
                (per_hour(fallen, increment.to - last.time), last.tips)
            }
            None => {
                // The first of these tips has no rate; the others fell in what is left.
                let span = increment.from.map_or(Span::ZERO, |from| increment.to - from);
                let fallen = increment.count.saturating_sub(1) as f64 * depth;
                let known = fallen > 0.0 && span <= event_gap;
                (per_hour(fallen, span).filter(|_| known), 0)
            }
        };
        self.last = Some(Tip {
            time: increment.to,
            depth,
            rate,
            tips: tips.saturating_add(increment.count),
        });
    }

    /// The rate in millimetres an hour at an instant, for a station that is alive: 0
    /// outside an event, none while an event has only one tip.
    pub fn at(&self, now: Time, event_gap: Span) -> Option<f64> {
        match self.last {
            None => Some(0.0),
            Some(last) if now - last.time > event_gap => Some(0.0),
            Some(last) => {
                let rate = last.rate?;
                Some(
                    per_hour(last.depth, now - last.time).map_or(rate, |decayed| decayed.min(rate)),
                )
            }
        }
    }

    /// Tips of the event so far: classes and notices need at least three.
    pub fn tips(&self, now: Time, event_gap: Span) -> u64 {
        self.last.filter(|l| now - l.time <= event_gap).map_or(0, |l| l.tips)
    }

    /// The time of the last tip.
    pub fn last(&self) -> Option<Time> {
        self.last.map(|l| l.time)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use super::*;
    use crate::{Flag, Reasons};
    use proptest::prelude::*;

    fn tips(count: u64, from: Option<i64>, to: i64) -> Increment {
        Increment {
            count,
            from: from.map(|s| Time(s * 1_000)),
            to: Time(to * 1_000),
            kind: Kind::Normal,
            flag: Flag::Unchecked,
            reasons: Reasons::NONE,
        }
    }

    // Depth is volume by area: geometry. First row: a funnel of 8 inches and a
    // hundredth of an inch; second: 200 square centimetres and 0.2 mm.
    #[test]
    fn depth_is_volume_by_area() {
        for (volume, diameter, depth, tolerance) in [
            (8.237, 203.2, 0.254, 5e-4),
            (4.0, 20.0 * (200.0 / std::f64::consts::PI).sqrt(), 0.2, 1e-12),
            (5.0, 160.0, 0.248_68, 5e-6),
        ] {
            let got = depth_of_change(volume, diameter).unwrap();
            assert!((got - depth).abs() <= tolerance, "{volume} mL, {diameter} mm: {got}");
        }
        for (volume, diameter) in [(0.0, 160.0), (5.0, 0.0), (-5.0, 160.0), (f64::NAN, 160.0)] {
            assert_eq!(depth_of_change(volume, diameter), None);
        }
        assert!((depth(&tips(3, None, 0), 0.25) - 0.75).abs() < 1e-12);
    }

    #[test]
    fn a_bare_state_loses_tips_above_its_limit() {
        // 0.2 mm read once a minute: 12 mm/h (calculated).
        assert!((loses_above(0.2, Span::minutes(1)).unwrap() - 12.0).abs() < 1e-9);
        assert_eq!(loses_above(0.2, Span::ZERO), None);
    }

    #[test]
    fn a_rate_needs_two_tips_and_decays_after_the_last() {
        let mut rate = Rate::default();
        let at = |rate: &Rate, s: i64| rate.at(Time(s * 1_000), EVENT_GAP);
        assert_eq!(at(&rate, 0), Some(0.0));
        rate.add(&tips(1, Some(-60), 0), 0.2, EVENT_GAP);
        assert_eq!(at(&rate, 0), None);
        assert_eq!(at(&rate, 600), None);
        rate.add(&tips(1, Some(0), 12), 0.2, EVENT_GAP);
        // 0.2 mm in 12 s are 60 mm/h (calculated).
        for (seconds, expected) in [(12, 60.0), (20, 60.0), (24, 60.0), (48, 20.0), (732, 1.0)] {
            let got = at(&rate, seconds).unwrap();
            assert!((got - expected).abs() < 1e-9, "after {seconds} s: {got}");
        }
        assert_eq!(rate.tips(Time(12_000), EVENT_GAP), 2);
        // The event ends, and the next tip begins another.
        let next_day = 12 + 7 * 3_600;
        assert_eq!(at(&rate, next_day), Some(0.0));
        assert_eq!(rate.tips(Time(next_day * 1_000), EVENT_GAP), 0);
        rate.add(&tips(1, Some(next_day - 60), next_day), 0.2, EVENT_GAP);
        assert_eq!(at(&rate, next_day), None);
    }

    #[test]
    fn several_tips_in_a_sample_are_spread_over_the_time_since_the_tip_before() {
        let mut rate = Rate::default();
        rate.add(&tips(1, Some(0), 60), 0.2, EVENT_GAP);
        rate.add(&tips(3, Some(60), 120), 0.2, EVENT_GAP);
        assert!((rate.at(Time(120_000), EVENT_GAP).unwrap() - 36.0).abs() < 1e-9);
        // The first sample of an event with three tips: the first has no rate.
        let mut rate = Rate::default();
        rate.add(&tips(3, Some(0), 60), 0.2, EVENT_GAP);
        assert!((rate.at(Time(60_000), EVENT_GAP).unwrap() - 24.0).abs() < 1e-9);
        assert_eq!(rate.tips(Time(60_000), EVENT_GAP), 3);
    }

    #[test]
    fn what_adds_nothing_and_what_is_late_changes_no_rate() {
        let mut rate = Rate::default();
        rate.add(&tips(1, Some(0), 60), 0.2, EVENT_GAP);
        rate.add(&tips(1, Some(60), 120), 0.2, EVENT_GAP);
        let before = rate;
        rate.add(&tips(0, Some(120), 180), 0.2, EVENT_GAP);
        rate.add(&tips(1, Some(30), 90), 0.2, EVENT_GAP);
        rate.add(&Increment { kind: Kind::Held, ..tips(5, Some(120), 180) }, 0.2, EVENT_GAP);
        assert_eq!(rate, before);
    }

    proptest! {
        #[test]
        fn a_rate_is_never_negative_nor_infinite(
            rows in prop::collection::vec((0_u64..50, -1_000_i64..100_000, 0_i64..100_000), 0..50),
            asked in 0_i64..200_000,
        ) {
            let mut rate = Rate::default();
            for (count, from, to) in rows {
                rate.add(&tips(count, Some(from.min(to)), to), 0.25, EVENT_GAP);
            }
            let got = rate.at(Time(asked * 1_000), EVENT_GAP);
            prop_assert!(got.is_none_or(|r| r.is_finite() && r >= 0.0));
        }
    }
}
