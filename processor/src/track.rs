//! The newest samples of one channel, by event time, as far back as its windows reach.

use observation::signal::counter::boot_number;
use observation::{Measured, Message, Span, Stated, Time, Value, time::FIRST_BELIEVABLE};
use std::collections::VecDeque;

/// Most samples kept of one channel. At four a second ten minutes are 2,400.
const MOST: usize = 20_000;

/// One sample, placed.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Point {
    /// Event time.
    pub(crate) time: Time,
    /// Arrival.
    pub(crate) received: Time,
    /// Raw value.
    pub(crate) value: Value,
    /// What tells the sender's run from others.
    pub(crate) boot: Option<u64>,
    /// Its time is uncertain.
    pub(crate) clock: bool,
    /// Dated by arrival, early in a session: it may be one of a burst.
    pub(crate) early: bool,
    /// One of a burst.
    pub(crate) burst: bool,
}

impl Point {
    /// A sample of a message.
    pub(crate) fn of(message: &Message, measured: &Measured) -> Self {
        let stated_wrong = matches!(measured.stated, Stated::At(t) if t < FIRST_BELIEVABLE);
        let by_arrival = stated_wrong || matches!(measured.stated, Stated::Nothing);
        Self {
            time: measured.stated.event_time(message.received),
            received: message.received,
            value: measured.value.clone(),
            boot: message.boot.as_deref().map(boot_number),
            clock: stated_wrong,
            early: message.early && by_arrival,
            burst: false,
        }
    }

    /// Whether it stays out of windows, rates, extremes and live values.
    pub(crate) const fn left_out(&self) -> bool {
        self.clock || self.burst
    }

    /// The numeric raw value.
    pub(crate) fn number(&self) -> Option<f64> {
        self.value.number()
    }
}

/// Samples of one channel in order of event time; equal times in order of arrival.
#[derive(Debug, Default)]
pub(crate) struct Track {
    points: VecDeque<Point>,
    /// Everything later than this is here.
    pub(crate) floor: Option<Time>,
    /// Arrival of the newest sample to arrive, and whether it was early.
    newest: Option<(Time, Time, bool)>,
}

impl Track {
    /// Whether `point`, the next to arrive, is one of a burst together with the one
    /// before: both early, dated by arrival and closer than a quarter of the interval.
    pub(crate) fn in_burst(&self, point: &Point, interval: Option<Span>) -> Option<Time> {
        let (received, time, early) = self.newest?;
        let close = (point.received - received).0 * 4 < interval?.0;
        (early && point.early && close).then_some(time)
    }

    /// Remembers the arrival without keeping the sample.
    pub(crate) fn arrived(&mut self, point: &Point) {
        self.newest = Some((point.received, point.time, point.early));
    }

    /// Marks the newest sample to arrive as one of a burst.
    pub(crate) fn mark_burst(&mut self, time: Time) {
        if let Some(point) = self.points.iter_mut().rev().find(|p| p.time == time && p.early) {
            point.burst = true;
        }
    }

    /// Keeps a sample. False if it is older than everything kept.
    pub(crate) fn insert(&mut self, point: Point) -> bool {
        if self.floor.is_some_and(|floor| point.time <= floor) {
            return false;
        }
        if self.points.back().is_none_or(|last| last.time <= point.time) {
            self.points.push_back(point);
        } else {
            let place = self.points.partition_point(|p| p.time <= point.time);
            self.points.insert(place, point);
        }
        true
    }

    /// Takes away what is at or before `floor`, oldest first.
    pub(crate) fn trim(&mut self, floor: Time, mut gone: impl FnMut(&Point)) {
        let floor = self.floor.map_or(floor, |f| f.max(floor));
        while self.points.front().is_some_and(|p| p.time <= floor) || self.points.len() > MOST {
            let Some(point) = self.points.pop_front() else { break };
            self.floor = Some(point.time.max(floor));
            gone(&point);
        }
        self.floor = Some(self.floor.map_or(floor, |f| f.max(floor)));
    }

    /// The samples as one slice.
    pub(crate) fn slice(&mut self) -> &[Point] {
        self.points.make_contiguous()
    }

    /// Marks what was dated by arrival within a span as uncertain, for a clock that
    /// turned out wrong.
    pub(crate) fn doubt_arrivals(&mut self, from: Time, to: Time) {
        for point in &mut self.points {
            if point.time == point.received && point.received > from && point.received <= to {
                point.clock = true;
            }
        }
    }

    /// The samples before and after an instant.
    pub(crate) fn around(&self, time: Time) -> (Option<Time>, Option<Time>) {
        let from = self.points.partition_point(|p| p.time < time);
        let to = self.points.partition_point(|p| p.time <= time);
        let before = from.checked_sub(1).and_then(|i| self.points.get(i)).map(|p| p.time);
        (before, self.points.get(to).map(|p| p.time))
    }
}
