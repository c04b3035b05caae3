//! The newest samples of one channel, as far back as its windows reach, each placed.
//!
//! The order is that of event time, equal times in order of arrival. Only what a step of
//! the server's clock made uncertain stands where the step happened: so counters pair
//! samples in the order of the log where their times prove nothing.

use crate::recall::Held;
use observation::signal::counter::boot_number;
use observation::time::FIRST_BELIEVABLE;
use observation::{Measured, Message, Span, Stated, Time, Value};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Most samples kept of one channel. At four a second half an hour is 7,200.
pub(crate) const MOST: usize = 20_000;

/// A step of the server's clock, for the samples that were dated by it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Doubt {
    /// Arrivals after this are uncertain.
    pub(crate) from: Time,
    /// And up to this.
    pub(crate) to: Time,
    /// In records up to this number.
    pub(crate) number: u64,
    /// Where they stand in the order of samples, if not at their own time.
    pub(crate) place: Option<Time>,
}

/// One sample, placed.
#[derive(Clone, Debug, PartialEq)]
#[allow(clippy::struct_excessive_bools, reason = "four independent marks of one sample")]
pub(crate) struct Point {
    /// Event time.
    pub(crate) time: Time,
    /// Where it stands in the order of samples: nearly always its time.
    pub(crate) place: Time,
    /// Arrival.
    pub(crate) received: Time,
    /// Raw value.
    pub(crate) value: Value,
    /// What tells the sender's run from others.
    pub(crate) boot: Option<u64>,
    /// Dated by its arrival.
    pub(crate) by_arrival: bool,
    /// Its time is uncertain.
    pub(crate) clock: bool,
    /// Dated by arrival, early in a session: it may be one of a burst.
    pub(crate) early: bool,
    /// One of a burst.
    pub(crate) burst: bool,
}

/// What a log says of a sample, from whichever side it is read.
struct Said<'a> {
    received: Time,
    stated: Stated,
    boot: Option<&'a str>,
    early: bool,
    value: &'a Value,
    number: u64,
}

fn placed(said: &Said<'_>, doubts: &[Doubt]) -> Point {
    let wrong = matches!(said.stated, Stated::At(t) if t < FIRST_BELIEVABLE);
    let by_arrival = wrong || matches!(said.stated, Stated::Nothing);
    let time = said.stated.event_time(said.received);
    let mut point = Point {
        time,
        place: time,
        received: said.received,
        value: said.value.clone(),
        boot: said.boot.map(boot_number),
        by_arrival,
        clock: wrong,
        early: said.early && by_arrival,
        burst: false,
    };
    for doubt in doubts.iter().filter(|d| said.number <= d.number) {
        point.doubt(doubt);
    }
    point
}

impl Point {
    /// A sample of a message in a record.
    pub(crate) fn of(
        message: &Message,
        measured: &Measured,
        number: u64,
        doubts: &[Doubt],
    ) -> Self {
        let said = Said {
            received: message.received,
            stated: measured.stated,
            boot: message.boot.as_deref(),
            early: message.early,
            value: &measured.value,
            number,
        };
        placed(&said, doubts)
    }

    /// A sample read back from the log.
    pub(crate) fn of_held(held: &Held, doubts: &[Doubt]) -> Self {
        let said = Said {
            received: held.received,
            stated: held.stated,
            boot: held.boot.as_deref(),
            early: held.early,
            value: &held.value,
            number: held.number,
        };
        placed(&said, doubts)
    }

    /// A step of the clock concerns it, if it was dated by arrival within the span.
    pub(crate) fn doubt(&mut self, doubt: &Doubt) -> bool {
        let concerned = self.by_arrival && self.received > doubt.from && self.received <= doubt.to;
        if concerned {
            self.clock = true;
            self.place = doubt.place.map_or(self.place, |place| self.place.min(place));
        }
        concerned
    }

    /// Whether it stays out of windows, rates and extremes.
    pub(crate) const fn left_out(&self) -> bool {
        self.clock || self.burst
    }

    /// The numeric raw value.
    pub(crate) fn number(&self) -> Option<f64> {
        self.value.number()
    }

    /// Whether both came without times, early in a session, and closer together than a
    /// quarter of the interval: then both are of a burst.
    fn bursts_with(&self, received: Time, early: bool, interval: Option<Span>) -> bool {
        let close = interval.is_some_and(|i| (self.received - received).0 * 4 < i.0);
        early && self.early && close
    }
}

/// Marks the bursts in a list read back from the log.
pub(crate) fn mark_bursts(points: &mut [Point], interval: Option<Span>) {
    for second in 1..points.len() {
        let (head, tail) = points.split_at_mut(second);
        if let (Some(a), Some(b)) = (head.last_mut(), tail.first_mut())
            && b.bursts_with(a.received, a.early, interval)
        {
            (a.burst, b.burst) = (true, true);
        }
    }
}

/// Samples of one channel in order of place; equal places in order of arrival.
#[derive(Debug, Default)]
pub(crate) struct Track {
    points: VecDeque<Point>,
    /// Everything placed later than this is here.
    pub(crate) floor: Option<Time>,
    /// Of what a step back of the clock concerned, nothing up to this time is here.
    pub(crate) gone: Option<Time>,
    /// Arrival and event time of the newest sample to arrive, and whether it was early.
    newest: Option<(Time, Time, bool)>,
}

impl Track {
    /// Notes the arrival of `point`. If it is one of a burst, marks it and the one
    /// before it, and gives the event time of that one.
    pub(crate) fn arrived(&mut self, point: &mut Point, interval: Option<Span>) -> Option<Time> {
        let before = self.newest.replace((point.received, point.time, point.early));
        let (received, time, early) = before?;
        if !point.bursts_with(received, early, interval) {
            return None;
        }
        point.burst = true;
        if let Some(first) = self.points.iter_mut().rev().find(|p| p.time == time && p.early) {
            first.burst = true;
        }
        Some(time)
    }

    /// Whether a sample placed there is kept.
    pub(crate) fn reaches(&self, place: Time) -> bool {
        self.floor.is_none_or(|floor| place > floor)
    }

    /// Keeps a sample. False if it is older than everything kept.
    pub(crate) fn insert(&mut self, point: Point) -> bool {
        let gone = point.place != point.time && self.gone.is_some_and(|gone| point.time <= gone);
        if gone || !self.reaches(point.place) {
            return false;
        }
        if self.points.back().is_none_or(|last| last.place <= point.place) {
            self.points.push_back(point);
        } else {
            let place = self.points.partition_point(|p| p.place <= point.place);
            self.points.insert(place, point);
        }
        true
    }

    /// Whether there are more than may be kept.
    pub(crate) fn is_full(&self) -> bool {
        self.points.len() > MOST
    }

    /// Takes away what is placed at or before `floor`, and what is too much, oldest first.
    pub(crate) fn trim(&mut self, floor: Time, mut gone: impl FnMut(&Point)) {
        let floor = self.floor.map_or(floor, |f| f.max(floor));
        self.floor = Some(floor);
        while self.points.front().is_some_and(|p| p.place <= floor) || self.is_full() {
            let Some(point) = self.points.pop_front() else { break };
            self.floor = self.floor.map(|f| f.max(point.place));
            gone(&point);
        }
        // Two days read back at a start take room that is hardly needed again.
        let room = 2 * self.points.len().max(64);
        if self.points.capacity() > 4 * room {
            self.points.shrink_to(room);
        }
    }

    /// The samples as one slice.
    pub(crate) fn slice(&mut self) -> &[Point] {
        self.points.make_contiguous()
    }

    /// The samples as they were when they were last made one slice.
    pub(crate) fn view(&self) -> &[Point] {
        self.points.as_slices().0
    }

    /// A step of the clock: what it concerns becomes uncertain and takes its place; after
    /// a step back the track begins no later than there.
    pub(crate) fn doubt(&mut self, doubt: &Doubt) {
        let mut any = false;
        for point in &mut self.points {
            any |= point.doubt(doubt);
        }
        if any {
            self.points.make_contiguous().sort_by_key(|p| p.place);
        }
        if let (Some(place), Some(floor)) = (doubt.place, self.floor)
            && floor >= place
        {
            self.gone = Some(floor);
            self.floor = Some(place - Span(1));
        }
    }
}
