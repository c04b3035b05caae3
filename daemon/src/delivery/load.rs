//! What is read of the log for one attempt, and how it is read: on a thread that may
//! block, beside the attempt before.

use super::lane::Place;
use adapters::forwarders::port::{Forwarder, Newest, Origin, Outgoing, Piece};
use history::{ReadError, Reader, Revised, Selection};
use observation::{Span, Time};
use std::ops::ControlFlow;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Records looked at in one question to the store.
const AT_ONCE: u32 = 256;
/// So long is looked for readings that are wanted before what was found is told.
const PATIENCE: Duration = Duration::from_millis(300);

/// Readings for one attempt.
#[derive(Debug, Default)]
pub(super) struct Load {
    /// The readings, in log order.
    pub(super) readings: Vec<Outgoing>,
    /// How long the record of each had waited when it was read.
    pub(super) waited: Vec<Span>,
    /// When that was, by monotonic time.
    pub(super) read: Option<Instant>,
    /// Them as the forwarder sends them.
    pub(super) pieces: Vec<Piece>,
    /// Readings of the log that are behind the forwarder when this is done, whether it
    /// wanted them or not.
    pub(super) passed: u64,
    /// Readings given up because of the backlog's limits.
    pub(super) given_up: u64,
    /// When this is done, all records up to this number are.
    pub(super) through: u64,
}

/// What may be read now.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bounds {
    /// The last record.
    pub(super) last: u64,
    /// The wall clock.
    pub(super) now: Time,
    /// The clock of the log, which knows of its steps.
    pub(super) logged: Time,
    /// Most readings.
    pub(super) most: usize,
    /// So many readings are to be given up, the oldest first.
    pub(super) excess: u64,
}

/// Reads the log for one forwarder.
pub(super) struct Filler {
    pub(super) reader: Reader,
    pub(super) forwarder: Arc<dyn Forwarder>,
    pub(super) origin: Origin,
    /// Which series are wanted.
    pub(super) series: Vec<bool>,
    pub(super) newest: Newest,
}

impl Filler {
    /// Reads from a place on and packs what is wanted; moves the place behind it.
    pub(super) fn fill(&mut self, place: &mut Place, bounds: Bounds) -> Result<Load, ReadError> {
        let started = Instant::now();
        let mut load = Load { read: Some(started), ..Load::default() };
        let mut excess = bounds.excess;
        let steps = self.reader.look().clock_steps(place.next.saturating_sub(1))?;
        while load.readings.len() < bounds.most && started.elapsed() < PATIENCE {
            if let Some((number, range, after)) = place.revising {
                self.revise(&mut load, place, (number, range, after), bounds)?;
            } else if place.next <= bounds.last {
                self.take(&mut load, place, bounds, (&steps, &mut excess))?;
            } else {
                break;
            }
        }
        load.through = place.next - 1;
        load.pieces = self.forwarder.prepare(&self.origin, &load.readings, &mut self.newest);
        Ok(load)
    }

    /// Whether a reading has waited too long, or is too old to be sent.
    pub(super) fn too_old(
        forwarder: &dyn Forwarder,
        now: Time,
        waited: Span,
        outgoing: &Outgoing,
    ) -> bool {
        let rules = forwarder.rules();
        waited > rules.backlog_age
            || rules.oldest_reading.is_some_and(|span| outgoing.reading.time < now - span)
    }

    fn take(
        &self,
        load: &mut Load,
        place: &mut Place,
        bounds: Bounds,
        (steps, excess): (&[(u64, Span)], &mut u64),
    ) -> Result<(), ReadError> {
        let rules = self.forwarder.rules();
        let look = self.reader.look();
        let Place { next, offset, revising } = place;
        let mut inside = false;
        let behind = look.pass(*next, bounds.last, AT_ONCE, &mut |passing| {
            if let Some(fault) = &passing.fault {
                tracing::error!("{fault}; it is not passed on");
            }
            // A clock that was set is no time that passed.
            let set: i64 = steps.iter().filter(|s| s.0 > passing.number).map(|(_, by)| by.0).sum();
            let waited = Span((bounds.logged - passing.received).0.saturating_sub(set));
            for (index, reading) in (0_u32..).zip(passing.readings).skip(*offset) {
                if load.readings.len() >= bounds.most {
                    (*next, *offset) = (passing.number, index as usize);
                    inside = true;
                    return ControlFlow::Break(());
                }
                load.passed += 1;
                let outgoing =
                    Outgoing { number: passing.number, place: Some(index), reading: *reading };
                if *excess > 0 {
                    *excess -= 1;
                    load.given_up += 1;
                } else if rules.wants(&self.series, &outgoing) {
                    let forwarder = self.forwarder.as_ref();
                    if Self::too_old(forwarder, bounds.now, waited, &outgoing) {
                        load.given_up += 1;
                    } else {
                        load.readings.push(outgoing);
                        load.waited.push(waited);
                    }
                }
            }
            *offset = 0;
            if let Some(range) = passing.revised.filter(|_| rules.corrections) {
                *revising = Some((passing.number, range, None));
                *next = passing.number;
                inside = true;
                return ControlFlow::Break(());
            }
            if load.readings.len() >= bounds.most {
                return ControlFlow::Break(());
            }
            ControlFlow::Continue(())
        })?;
        if !inside {
            *next = behind;
        }
        Ok(())
    }

    /// Takes readings of a range that was made anew.
    fn revise(
        &self,
        load: &mut Load,
        place: &mut Place,
        at: (u64, Revised, super::lane::After),
        bounds: Bounds,
    ) -> Result<(), ReadError> {
        let (number, range, after) = at;
        let started = Instant::now();
        let from = after.map_or(range.from, |(time, _)| time);
        let selection =
            Selection { series: vec![range.series], ..Selection::between(from, range.to) };
        let mut walk = self.reader.look().walk(&selection)?;
        let mut done = after;
        while let Some(part) = walk.next_part()? {
            for kept in part {
                let at = (kept.reading.time, kept.reading.series);
                if done.is_some_and(|done| at <= done) {
                    continue;
                }
                if load.readings.len() >= bounds.most {
                    place.revising = Some((number, range, done));
                    return Ok(());
                }
                done = Some(at);
                let outgoing = Outgoing { number, place: None, reading: kept.reading };
                // The rest of the range stands as it was delivered.
                let anew = kept.reading.revision >= range.revision;
                if anew && self.forwarder.rules().wants(&self.series, &outgoing) {
                    load.readings.push(outgoing);
                    load.waited.push(Span(0));
                }
            }
            if started.elapsed() > PATIENCE && !walk.is_done() {
                place.revising = Some((number, range, done));
                return Ok(());
            }
        }
        place.revising = None;
        place.next = number + 1;
        Ok(())
    }
}
