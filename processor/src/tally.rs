//! Where an instrument that counts stands: its increments, followed sample by sample,
//! and the rate of rain that they make.

use crate::plan::{depth, limits};
use crate::track::Point;
use observation::property::{Instrument, Reports, Signal};
use observation::signal::counter::{
    ChangeState, Counter, CounterPoint, Increment, Kind, interval_count, total,
};
use observation::signal::gauge::Rate;
use observation::{Flag, Reasons, Span, Time};
use serde::{Deserialize, Serialize};

/// Where a counter stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Count {
    counter: Counter,
    contact: ChangeState,
    previous: Option<Time>,
}

impl Count {
    /// The clock was set back to `now`: the last sample stands there, uncertain. Of a bare
    /// contact it is forgotten, which loses one change at most.
    fn bring_back(&mut self, now: Time) {
        if let Some(last) = self.counter.last().filter(|last| last.time > now) {
            let last = CounterPoint { time: now, uncertain: true, ..last };
            self.counter = Counter::starting_at(last);
        }
        self.contact = ChangeState::default();
        self.previous = self.previous.map(|previous| previous.min(now));
    }

    /// Takes the next sample. None for a raw value that is no count; it is a fault of
    /// the sender and changes nothing.
    pub(crate) fn step(&mut self, instrument: &Instrument, point: &Point) -> Option<Increment> {
        let value = point.number()?;
        match instrument.signal {
            Signal::PulseTotal { bits } | Signal::ChangeTotal { bits } => {
                let total = total(value, bits).ok()?;
                let uncertain = point.left_out();
                let here = CounterPoint { time: point.place, total, boot: point.boot, uncertain };
                Some(self.counter.step(here, limits(instrument, point.time)))
            }
            Signal::PulseCount | Signal::ChangeCount => {
                let interval = if matches!(instrument.reports, Reports::Periodic) {
                    instrument.interval
                } else {
                    Span::ZERO
                };
                let limits = limits(instrument, point.time);
                let made =
                    interval_count(value, self.previous, point.place, interval, limits).ok()?;
                self.previous = Some(self.previous.map_or(point.place, |p| p.max(point.place)));
                Some(made)
            }
            Signal::ChangeState => self.contact.step(value, point.place, instrument.dead_time).ok(),
            _ => None,
        }
    }
}

/// One sample of an instrument that counts.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Counted {
    pub(crate) increment: Increment,
    /// Whether its time is uncertain.
    pub(crate) left_out: bool,
}

/// Count and rate together.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Tally {
    count: Count,
    rate: Rate,
}

impl Tally {
    /// Takes the next sample, all of its tips into the rate.
    pub(crate) fn step(
        &mut self,
        instrument: &Instrument,
        point: &Point,
        event_gap: Span,
    ) -> Option<Counted> {
        let increment = self.count.step(instrument, point)?;
        let counted = Counted { increment, left_out: point.left_out() };
        self.rain(instrument, &counted, event_gap);
        Some(counted)
    }

    /// Takes a depth that fell since the sample before, from a gauge that speaks in
    /// millimetres.
    pub(crate) fn fallen(&mut self, depth: f64, since: Option<Time>, time: Time, event_gap: Span) {
        if depth > 0.0 {
            let tip = Increment {
                count: 1,
                from: since,
                to: time,
                kind: Kind::Normal,
                flag: Flag::Unchecked,
                reasons: Reasons::NONE,
            };
            self.rate.add(&tip, depth, event_gap);
        }
    }

    fn rain(&mut self, instrument: &Instrument, counted: &Counted, event_gap: Span) {
        if counted.left_out || counted.increment.count == 0 {
            return;
        }
        if let Some((one, _)) = depth(instrument, counted.increment.to) {
            self.rate.add(&counted.increment, one, event_gap);
        }
    }

    /// All increments of a slice that begins where this stands.
    pub(crate) fn all(
        mut self,
        instrument: &Instrument,
        points: &[Point],
        event_gap: Span,
    ) -> Vec<Counted> {
        points.iter().filter_map(|p| self.step(instrument, p, event_gap)).collect()
    }

    /// The rate of rain at an instant by the tips up to it, from a slice that begins
    /// where this stands.
    pub(crate) fn rate_at(
        mut self,
        instrument: &Instrument,
        counted: &[Counted],
        time: Time,
        event_gap: Span,
    ) -> Option<f64> {
        for one in counted.iter().filter(|c| c.increment.to <= time) {
            self.rain(instrument, one, event_gap);
        }
        self.rate.at(time, event_gap)
    }

    /// The clock was set back to `now`: what was taken before stands there.
    pub(crate) fn bring_back(&mut self, now: Time) {
        self.count.bring_back(now);
        if self.rate.last().is_some_and(|last| last > now) {
            self.rate = Rate::default();
        }
    }

    /// The count alone.
    pub(crate) const fn count(&self) -> Count {
        self.count
    }

    /// The rate at an instant by what was taken so far.
    pub(crate) fn rate(&self, time: Time, event_gap: Span) -> Option<f64> {
        self.rate.at(time, event_gap)
    }
}
