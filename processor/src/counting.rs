//! Increments of an instrument that counts, followed from where its track begins.

use crate::plan::limits;
use crate::track::Point;
use observation::property::Reports;
use observation::property::{Instrument, Signal};
use observation::signal::counter::{
    ChangeState, Counter, CounterPoint, Increment, interval_count, total,
};
use observation::{Span, Time};
use serde::{Deserialize, Serialize};

/// Where a counter stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Count {
    counter: Counter,
    contact: ChangeState,
    previous: Option<Time>,
}

impl Count {
    /// Takes the next sample. None for a raw value that is no count; it is a fault of
    /// the sender and changes nothing.
    pub(crate) fn step(&mut self, instrument: &Instrument, point: &Point) -> Option<Increment> {
        let value = point.number()?;
        let limits = limits(instrument, point.time);
        match instrument.signal {
            Signal::PulseTotal { bits } | Signal::ChangeTotal { bits } => {
                let total = total(value, bits).ok()?;
                let uncertain = point.left_out();
                let point = CounterPoint { time: point.time, total, boot: point.boot, uncertain };
                Some(self.counter.step(point, limits))
            }
            Signal::PulseCount | Signal::ChangeCount => {
                let interval = if matches!(instrument.reports, Reports::Periodic) {
                    instrument.interval
                } else {
                    Span::ZERO
                };
                let made =
                    interval_count(value, self.previous, point.time, interval, limits).ok()?;
                self.previous = Some(self.previous.map_or(point.time, |p| p.max(point.time)));
                Some(made)
            }
            Signal::ChangeState => self.contact.step(value, point.time, instrument.dead_time).ok(),
            _ => None,
        }
    }
}

/// All increments of a slice that begins where `count` stands.
pub(crate) fn increments(
    mut count: Count,
    instrument: &Instrument,
    points: &[Point],
) -> Vec<(Increment, bool)> {
    points.iter().filter_map(|p| Some((count.step(instrument, p)?, p.left_out()))).collect()
}
