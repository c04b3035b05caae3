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
