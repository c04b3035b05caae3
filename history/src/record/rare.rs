//! The kinds of records that come rarely. An optional part is a byte, 0 or 1, and the
//! part; a text its length and UTF-8; a time a signed number of milliseconds.
//!
//! | kind | contents |
//! |---|---|
//! | 2, note | station?, instrument?, kind, from, to?, text |
//! | 3, observation | station, time, quantity, value (eight bytes, a double), unit |
//! | 4, settings epoch | fingerprint (eight bytes), text |
//! | 5, clock step | old, new |
//! | 6, revised range | series number, from, to, revision |
//! | 7, names | the property's UUID; stations: count, each number, identifier; channels: count, each number, station, name, unit; series: count, each number, station, instrument, quantity, statistic, over?, period?, unit, decimals (one byte); sources: count, each number, name |
//! | 8, diagnoses | see `diagnoses` |

use super::bytes::{Garbage, Input, put, put_signed, put_text};
use super::diagnoses::{diagnoses, put_diagnoses};
use super::{Row, Unnamed, VERSION, kind};
use crate::entry::{ClockStep, Entry, Epoch, Note, Observation, Revised};
use crate::names::{ChannelName, Known, Names, SeriesName};
use observation::{Finite, Quantity, Series, Span, Statistic, Time};

pub(super) fn put_maybe<T>(
    out: &mut Vec<u8>,
    part: Option<T>,
    write: impl FnOnce(&mut Vec<u8>, T),
) {
    out.push(u8::from(part.is_some()));
    if let Some(part) = part {
        write(out, part);
    }
}

pub(super) fn maybe<'a, T>(
    input: &mut Input<'a>,
    read: impl FnOnce(&mut Input<'a>) -> Result<T, Garbage>,
) -> Result<Option<T>, Garbage> {
    match input.byte()? {
        0 => Ok(None),
        1 => read(input).map(Some),
        _ => Err(Garbage("unknown option")),
    }
}

pub(super) fn string(input: &mut Input<'_>) -> Result<String, Garbage> {
    input.text().map(ToOwned::to_owned)
}

pub(super) fn time(input: &mut Input<'_>) -> Result<Time, Garbage> {
    input.signed().map(Time)
}

/// Packs an entry that is no batch; its kind. A batch or names give none.
pub(crate) fn encode_rare(
    out: &mut Vec<u8>,
    names: &Names,
    entry: &Entry,
) -> Result<Option<u8>, Unnamed> {
    out.clear();
    out.push(VERSION);
    Ok(Some(match entry {
        Entry::Batch { .. } | Entry::Registered => return Ok(None),
        Entry::Note(Note { station, instrument, kind, from, to, text }) => {
            put_maybe(out, station.as_deref(), put_text);
            put_maybe(out, instrument.as_deref(), put_text);
            put_text(out, kind);
            put_signed(out, from.0);
            put_maybe(out, *to, |out, to| put_signed(out, to.0));
            put_text(out, text);
            kind::NOTE
        }
        Entry::Observation(Observation { station, time, quantity, value, unit }) => {
            put_text(out, station);
            put_signed(out, time.0);
            put_text(out, quantity.name());
            out.extend_from_slice(&value.get().to_le_bytes());
            put_text(out, unit);
            kind::OBSERVATION
        }
        Entry::Epoch(Epoch { fingerprint, text }) => {
            out.extend_from_slice(&fingerprint.to_le_bytes());
            put_text(out, text);
            kind::EPOCH
        }
        Entry::ClockStep(ClockStep { old, new }) => {
            put_signed(out, old.0);
            put_signed(out, new.0);
            kind::CLOCK_STEP
        }
        Entry::Revised(Revised { series, from, to, revision }) => {
            put(out, u64::from(names.series_number(*series).ok_or(Unnamed::Series(*series))?));
            put_signed(out, from.0);
            put_signed(out, to.0);
            put(out, u64::from(*revision));
            kind::REVISED
        }
        Entry::Diagnoses(diagnoses) => {
            put_diagnoses(out, diagnoses);
            kind::DIAGNOSES
        }
    }))
}

/// Reads an entry that is no batch.
pub(crate) fn decode_rare(row: &Row, body: &[u8], names: &Names) -> Result<Entry, Garbage> {
    let mut input = row.open(body)?;
    let input = &mut input;
    let entry = match row.kind {
        kind::NOTE => Entry::Note(Note {
            station: maybe(input, string)?,
            instrument: maybe(input, string)?,
            kind: string(input)?,
            from: time(input)?,
            to: maybe(input, time)?,
            text: string(input)?,
        }),
        kind::OBSERVATION => Entry::Observation(Observation {
            station: string(input)?,
            time: time(input)?,
            quantity: Quantity::parse(input.text()?).ok_or(Garbage("unknown quantity"))?,
            value: Finite::new(f64::from_le_bytes(input.array()?))
                .ok_or(Garbage("not a finite number"))?,
            unit: string(input)?,
        }),
        kind::EPOCH => Entry::Epoch(Epoch {
            fingerprint: u64::from_le_bytes(input.array()?),
            text: string(input)?,
        }),
        kind::CLOCK_STEP => Entry::ClockStep(ClockStep { old: time(input)?, new: time(input)? }),
        kind::REVISED => Entry::Revised(Revised {
            series: names.series_at(input.small()?).ok_or(Garbage("unknown series number"))?,
            from: time(input)?,
            to: time(input)?,
            revision: input.small()?,
        }),
        kind::DIAGNOSES => Entry::Diagnoses(diagnoses(input)?),
        kind::NAMES => return Ok(Entry::Registered),
        _ => return Err(Garbage("unknown kind")),
    };
    input.done()?;
    Ok(entry)
}

/// Packs names with their numbers.
pub(crate) fn encode_names(out: &mut Vec<u8>, uuid: &str, known: &Known) {
    out.clear();
    out.push(VERSION);
    put_text(out, uuid);
    let plain = |out: &mut Vec<u8>, list: &[(u32, String)]| {
        put(out, list.len() as u64);
        for (number, name) in list {
            put(out, u64::from(*number));
            put_text(out, name);
        }
    };
    plain(out, &known.stations);
    put(out, known.channels.len() as u64);
    for (number, channel) in &known.channels {
        put(out, u64::from(*number));
        put_text(out, &channel.station);
        put_text(out, &channel.name);
        put_text(out, &channel.unit);
    }
    put(out, known.series.len() as u64);
    for (number, SeriesName { series, unit, decimals }) in &known.series {
        put(out, u64::from(*number));
        put_text(out, &series.station);
        put_text(out, &series.instrument);
        put_text(out, series.quantity.name());
        put_text(out, series.statistic.word());
        put_maybe(out, series.over, |out, span| put_signed(out, span.0));
        put_maybe(out, series.period, |out, span| put_signed(out, span.0));
        put_text(out, unit);
        out.push(*decimals);
    }
    plain(out, &known.sources);
}

/// Reads names into `known`; the property's UUID. A series of a quantity that this
/// program does not know is passed over.
pub(crate) fn decode_names(row: &Row, body: &[u8], known: &mut Known) -> Result<String, Garbage> {
    let mut input = row.open(body)?;
    let input = &mut input;
    let uuid = string(input)?;
    for _ in 0..input.count()? {
        known.stations.push((input.small()?, string(input)?));
    }
    for _ in 0..input.count()? {
        let number = input.small()?;
        let (station, name, unit) = (string(input)?, string(input)?, string(input)?);
        known.channels.push((number, ChannelName { station, name, unit }));
    }
    for _ in 0..input.count()? {
        let number = input.small()?;
        let (station, instrument) = (string(input)?, string(input)?);
        let (quantity, statistic) =
            (Quantity::parse(input.text()?), Statistic::parse(input.text()?));
        let over = maybe(input, Input::signed)?.map(Span);
        let period = maybe(input, Input::signed)?.map(Span);
        let (unit, decimals) = (string(input)?, input.byte()?);
        if let (Some(quantity), Some(statistic)) = (quantity, statistic) {
            let series = Series { station, instrument, quantity, statistic, over, period };
            known.series.push((number, SeriesName { series, unit, decimals }));
        }
    }
    for _ in 0..input.count()? {
        known.sources.push((input.small()?, string(input)?));
    }
    input.done()?;
    Ok(uuid)
}
