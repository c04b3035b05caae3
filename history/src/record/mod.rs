//! The packed record: one row of the log.
//!
//! All integers are variable-length (see `bytes`), *signed* ones folded. The row's
//! columns `number`, `kind`, `received`, `walked`, `first` and `last` stand beside the
//! body; `received` is the processor's clock at the commit, `first` and `last` are the
//! least and greatest event time of what the record holds. The body is
//!
//! | part | bytes |
//! |---|---|
//! | version | one byte, 1 |
//! | contents | by kind, below |
//! | checksum | CRC-32 (as in zlib), four bytes, lowest first, over `kind` (one byte), `number`, `received`, `walked`, `first`, `last` (eight bytes each, lowest first; an absent one is the least integer) and the body before it |
//!
//! **Batch** (kind 1):
//!
//! | part | contents |
//! |---|---|
//! | texts | count; each: length, UTF-8 |
//! | connections | count; each: client (place among the texts), connection number |
//! | shapes | count; each: station number, count of channels, each channel number as signed difference to the one before (0 at first) |
//! | messages | count, length of all in bytes, the messages |
//! | readings | count, the readings |
//!
//! A *message* is: shape (place); flags (one byte: 1 early, 2 boot, 4 sequence, 8
//! redelivery, 16 again, 96 stated: 0 nothing, 32 one instant for all, 64 one age for
//! all, 96 each its own); source number; received, signed, since the message before
//! (the row's `received` at first); \[boot: text\]; \[sequence, signed difference to the
//! one before among the record's messages of this shape, 0 at first\]; \[connection,
//! topic: text, packet\]; \[instant, signed, since received, or age, signed\]; then for
//! each channel of the shape, if each states its own, a byte (0 nothing, 1 an instant,
//! 2 an age, 3 one that cannot be placed) and that number, and the value (see `value`).
//! Times are in milliseconds.
//!
//! A *reading* is: head (one byte: lowest three bits the flag's number; 8 same time as
//! the one before, 16 reasons, 32 revision, 64 calibration, 128 value); series number,
//! signed difference to the one before (0 at first); \[time, signed, since the one
//! before, the row's `received` at first\]; \[reasons, as bits\]; \[revision\];
//! \[calibration\]; \[value in steps, signed\].
//!
//! The **other kinds** are in `rare`. What is set aside is one message in the layout of
//! a batch without readings, under kind 0, with the number and `received` of its
//! commit and the rest 0 or absent.
//!
//! Numbers of stations, channels, series and sources are given once and for ever by the
//! records of kind 7, so that the log alone can be read whole; the tables of the same
//! names repeat them for people.

pub(crate) mod bytes;
mod diagnoses;
mod dictionary;
mod messages;
mod rare;
mod readings;
mod value;

pub(crate) use messages::Wanted;
pub(crate) use rare::{decode_names, decode_rare, encode_names, encode_rare};

use crate::names::Names;
use bytes::{Garbage, Input, put};
use dictionary::{Dictionary, Shared};
use observation::time::HOUR;
use observation::{ChannelIndex, Message, Reading, SeriesIndex, SourceIndex, StationIndex, Time};
use std::fmt;

const VERSION: u8 = 1;

/// The kinds of rows, as numbered in the log. 9 and above are free.
pub(crate) mod kind {
    pub(crate) const ASIDE: u8 = 0;
    pub(crate) const BATCH: u8 = 1;
    pub(crate) const NOTE: u8 = 2;
    pub(crate) const OBSERVATION: u8 = 3;
    pub(crate) const EPOCH: u8 = 4;
    pub(crate) const CLOCK_STEP: u8 = 5;
    pub(crate) const REVISED: u8 = 6;
    pub(crate) const NAMES: u8 = 7;
    pub(crate) const DIAGNOSES: u8 = 8;
}

/// An index without a stable number: it was never registered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Unnamed {
    Station(StationIndex),
    Channel(ChannelIndex),
    Series(SeriesIndex),
    Source(SourceIndex),
}

impl fmt::Display for Unnamed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self:?} was never registered")
    }
}

/// The columns beside a body, all of them under its checksum.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Row {
    pub(crate) number: u64,
    pub(crate) kind: u8,
    pub(crate) received: Time,
    pub(crate) walked: Time,
    pub(crate) first: Option<Time>,
    pub(crate) last: Option<Time>,
}

impl Row {
    fn checksum(&self, body: &[u8]) -> [u8; 4] {
        let absent = Time(i64::MIN);
        let mut hasher = crc32fast::Hasher::new();
        hasher.update(&[self.kind]);
        hasher.update(&self.number.to_le_bytes());
        for time in
            [self.received, self.walked, self.first.unwrap_or(absent), self.last.unwrap_or(absent)]
        {
            hasher.update(&time.0.to_le_bytes());
        }
        hasher.update(body);
        hasher.finalize().to_le_bytes()
    }

    /// Closes a body with its checksum.
    pub(crate) fn seal(&self, body: &mut Vec<u8>) {
        let checksum = self.checksum(body);
        body.extend_from_slice(&checksum);
    }

    /// The contents of a body whose version is known and whose checksum fits.
    pub(crate) fn open<'a>(&self, body: &'a [u8]) -> Result<Input<'a>, Garbage> {
        let (contents, checksum) = body.split_last_chunk::<4>().ok_or(Garbage("cut short"))?;
        if self.checksum(contents) != *checksum {
            return Err(Garbage("its checksum does not fit"));
        }
        let mut input = Input::new(contents);
        if input.byte()? != VERSION {
            return Err(Garbage("its layout is of a later version"));
        }
        Ok(input)
    }
}

/// The event times of a record as they are gathered.
#[derive(Debug, Default)]
pub(crate) struct Reach {
    pub(crate) first: Option<Time>,
    pub(crate) last: Option<Time>,
    /// UTC days of what lies more than an hour from the record's `received`.
    pub(crate) late_days: Vec<i64>,
}

/// What lies further than this from its record's `received` is found by its day.
pub(crate) const NEAR: i64 = HOUR;

impl Reach {
    fn clear(&mut self) {
        (self.first, self.last) = (None, None);
        self.late_days.clear();
    }

    fn add(&mut self, time: Time, received: Time) {
        self.first = Some(self.first.map_or(time, |f| f.min(time)));
        self.last = Some(self.last.map_or(time, |l| l.max(time)));
        if time.0.abs_diff(received.0) > NEAR.unsigned_abs()
            && self.late_days.last() != Some(&time.utc_day())
        {
            self.late_days.push(time.utc_day());
        }
    }
}

/// Packs batches, keeping its memory from one to the next.
#[derive(Debug, Default)]
pub(crate) struct Packer {
    dictionary: Dictionary,
    messages: Vec<u8>,
    /// The body, without its checksum.
    pub(crate) body: Vec<u8>,
    pub(crate) reach: Reach,
}

impl Packer {
    /// Packs a batch into `body` and `reach`.
    pub(crate) fn batch(
        &mut self,
        names: &Names,
        received: Time,
        messages: &[Message],
        readings: &[Reading],
    ) -> Result<(), Unnamed> {
        let Self { dictionary, messages: packed, body, reach } = self;
        dictionary.clear();
        packed.clear();
        body.clear();
        reach.clear();
        let mut before = received;
        for message in messages {
            messages::put_message(packed, dictionary, names, message, before)?;
            before = message.received;
            for measured in &message.samples {
                reach.add(measured.stated.event_time(message.received), received);
            }
        }
        body.push(VERSION);
        dictionary.write(body, names)?;
        put(body, messages.len() as u64);
        put(body, packed.len() as u64);
        body.extend_from_slice(packed);
        readings::put_readings(body, names, readings, received)?;
        for reading in readings {
            reach.add(reading.time, received);
        }
        reach.late_days.sort_unstable();
        reach.late_days.dedup();
        Ok(())
    }
}

/// What is read of a batch.
pub(crate) fn decode_messages(
    row: &Row,
    body: &[u8],
    names: &Names,
    wanted: Wanted,
) -> Result<Vec<Message>, Garbage> {
    let mut input = row.open(body)?;
    let mut shared = Shared::read(&mut input, names)?;
    let count = input.count()?;
    let length = input.count()?;
    let mut packed = Input::new(input.take(length)?);
    let messages =
        messages::read_messages(&mut packed, &mut shared, names, row.received, wanted, count)?;
    if wanted == Wanted::All {
        packed.done()?;
    }
    Ok(messages)
}

/// Reads a batch whole.
pub(crate) fn decode_batch(
    row: &Row,
    body: &[u8],
    names: &Names,
) -> Result<(Vec<Message>, Vec<Reading>), Garbage> {
    let mut input = row.open(body)?;
    let mut shared = Shared::read(&mut input, names)?;
    let count = input.count()?;
    let length = input.count()?;
    let mut packed = Input::new(input.take(length)?);
    let messages =
        messages::read_messages(&mut packed, &mut shared, names, row.received, Wanted::All, count)?;
    packed.done()?;
    let mut readings = Vec::new();
    readings::read_readings(&mut input, names, row.received, &mut |_, r| readings.push(r))?;
    input.done()?;
    Ok((messages, readings))
}

/// Reads the readings of a batch.
pub(crate) fn decode_readings(
    row: &Row,
    body: &[u8],
    names: &Names,
    each: &mut dyn FnMut(u32, Reading),
) -> Result<(), Garbage> {
    let mut input = row.open(body)?;
    Shared::pass(&mut input)?;
    let _ = input.count()?;
    let length = input.count()?;
    input.take(length)?;
    readings::read_readings(&mut input, names, row.received, each)?;
    input.done()
}

/// Counts the readings of a batch without reading them.
pub(crate) fn count_readings(row: &Row, body: &[u8]) -> Result<u64, Garbage> {
    let mut input = row.open(body)?;
    Shared::pass(&mut input)?;
    let _ = input.count()?;
    let length = input.count()?;
    input.take(length)?;
    Ok(input.count()? as u64)
}
