//! Samples, looked up backwards for late arrivals and repeats.

use crate::fault::ReadError;
use crate::look::Look;
use crate::record::{Wanted, decode_messages};
use observation::time::{DAY, HOUR, MINUTE};
use observation::{ChannelIndex, Message, Span, Stated, StationIndex, Time, Value};
use std::sync::Arc;

/// How far beside a span its neighbours are looked for together with it.
const NEXT: Span = Span(2 * MINUTE);

/// A sample as the log holds it.
#[derive(Clone, Debug, PartialEq)]
pub struct Held {
    /// The log number of its record.
    pub number: u64,
    /// When it was received.
    pub received: Time,
    /// Its event time: the stated one, or that of its arrival.
    pub time: Time,
    /// What its sender said about the time.
    pub stated: Stated,
    /// The sender's run.
    pub boot: Option<Arc<str>>,
    /// The sender's number.
    pub sequence: Option<u64>,
    /// Whether it came early in a session.
    pub early: bool,
    /// Its channel.
    pub channel: ChannelIndex,
    /// The raw value.
    pub value: Value,
}

/// Takes a message apart.
fn each_held(number: u64, message: Message, each: &mut dyn FnMut(Held)) {
    for measured in message.samples {
        each(Held {
            number,
            received: message.received,
            time: measured.stated.event_time(message.received),
            stated: measured.stated,
            boot: message.boot.clone(),
            sequence: message.sequence,
            early: message.early,
            channel: measured.channel,
            value: measured.value,
        });
    }
}

impl Look<'_> {
    fn held_between(
        &self,
        wanted: Wanted,
        from: Time,
        to: Time,
        each: &mut dyn FnMut(Held),
    ) -> Result<(), ReadError> {
        self.touching(from, to, &mut |row, body| {
            let messages = decode_messages(row, body, self.names, wanted)
                .map_err(|e| ReadError(format!("record {}: {e}", row.number)))?;
            for message in messages {
                each_held(row.number, message, &mut |held| {
                    if held.time >= from && held.time <= to {
                        each(held);
                    }
                });
            }
            Ok(())
        })
    }

    /// The samples of one station in one record, in order.
    ///
    /// # Errors
    /// When the database cannot be read, or the record cannot be decoded.
    pub fn record(&self, number: u64, station: StationIndex) -> Result<Vec<Held>, ReadError> {
        let mut found = Vec::new();
        for message in self.messages(number, station)? {
            each_held(number, message, &mut |held| found.push(held));
        }
        Ok(found)
    }

    /// The samples of one station whose event time lies in the UTC day, in log order.
    ///
    /// # Errors
    /// When the database cannot be read, or a record cannot be decoded.
    pub fn day(&self, station: StationIndex, utc_day: i64) -> Result<Vec<Held>, ReadError> {
        let mut found = Vec::new();
        self.each_of_day(station, utc_day, &mut |held| found.push(held))?;
        Ok(found)
    }

    /// The same, one by one.
    ///
    /// # Errors
    /// When the database cannot be read, or a record cannot be decoded.
    pub fn each_of_day(
        &self,
        station: StationIndex,
        utc_day: i64,
        each: &mut dyn FnMut(Held),
    ) -> Result<(), ReadError> {
        let from = Time(utc_day.saturating_mul(DAY));
        self.held_between(Wanted::Station(station), from, from + Span(DAY - 1), each)
    }

    /// The samples of one channel with event time in `[from, to]`, ordered by event
    /// time, then log order; with the last before `from` and the first after `to`,
    /// looked for within a day, where there are such.
    ///
    /// # Errors
    /// When the database cannot be read, or a record cannot be decoded.
    pub fn samples(
        &self,
        channel: ChannelIndex,
        from: Time,
        to: Time,
    ) -> Result<Vec<Held>, ReadError> {
        let wanted = Wanted::Channel(channel);
        let (mut before, mut found, mut after) = (None, Vec::new(), None);
        // Most stations speak every few minutes, so that one look finds all three.
        self.held_between(wanted, from - NEXT, to + NEXT, &mut |held| {
            if held.time < from {
                last_of(&mut before, held);
            } else if held.time <= to {
                found.push(held);
            } else {
                first_of(&mut after, held);
            }
        })?;
        if before.is_none() {
            before = self.neighbour(wanted, from, -1)?;
        }
        if after.is_none() {
            after = self.neighbour(wanted, to, 1)?;
        }
        found.splice(0..0, before);
        found.extend(after);
        // Stable: what has the same time stays in log order.
        found.sort_by_key(|held| held.time);
        Ok(found)
    }

    /// The nearest sample on one side of an instant, further off than [`NEXT`], looked for
    /// in widening spans up to a day. Among equal times the last of the log before, the
    /// first of the log after.
    fn neighbour(&self, wanted: Wanted, edge: Time, side: i64) -> Result<Option<Held>, ReadError> {
        let mut near = NEXT.0 + 1;
        for far in [15 * MINUTE, HOUR, 4 * HOUR, DAY] {
            let (one, other) = (edge + Span(side * near), edge + Span(side * far));
            let (from, to) = if side < 0 { (other, one) } else { (one, other) };
            let mut best: Option<Held> = None;
            let better = if side < 0 { last_of } else { first_of };
            self.held_between(wanted, from, to, &mut |held| better(&mut best, held))?;
            if best.is_some() {
                return Ok(best);
            }
            near = far + 1;
        }
        Ok(None)
    }
}

/// Keeps the later one, among equal times the later of the log.
fn last_of(best: &mut Option<Held>, held: Held) {
    if best.as_ref().is_none_or(|b| held.time >= b.time) {
        *best = Some(held);
    }
}

/// Keeps the earlier one, among equal times the earlier of the log.
fn first_of(best: &mut Option<Held>, held: Held) {
    if best.as_ref().is_none_or(|b| held.time < b.time) {
        *best = Some(held);
    }
}
