//! Messages: a head each, then one value for each channel of its shape.

use super::Unnamed;
use super::bytes::{Garbage, Input, put, put_signed};
use super::dictionary::{Dictionary, Shared, text};
use super::value::{put_value, skip, value};
use crate::names::Names;
use observation::sample::Redelivery;
use observation::{ChannelIndex, Measured, Message, Stated, StationIndex, Time};

const EARLY: u8 = 1;
const BOOT: u8 = 1 << 1;
const SEQUENCE: u8 = 1 << 2;
const REDELIVERY: u8 = 1 << 3;
const AGAIN: u8 = 1 << 4;
const STATED: u8 = 3 << 5;
const STATED_AT: u8 = 1 << 5;
const STATED_RELATIVE: u8 = 2 << 5;
const STATED_EACH: u8 = 3 << 5;
const UNUSED: u8 = 1 << 7;

pub(crate) fn put_message(
    out: &mut Vec<u8>,
    dictionary: &mut Dictionary,
    names: &Names,
    message: &Message,
    before: Time,
) -> Result<(), Unnamed> {
    let Message { station: _, source, boot, sequence, received, early, redelivery, samples } =
        message;
    let shape = dictionary.shape(message);
    let first = samples.first().map_or(Stated::Nothing, |m| m.stated);
    let stated = if samples.iter().any(|m| m.stated != first) || first == Stated::Unplaceable {
        STATED_EACH
    } else {
        match first {
            Stated::At(_) => STATED_AT,
            Stated::Relative(_) => STATED_RELATIVE,
            Stated::Nothing | Stated::Unplaceable => 0,
        }
    };
    let again = redelivery.as_ref().is_some_and(|r| r.again);
    let flag = |set: bool, bit: u8| if set { bit } else { 0 };
    put(out, u64::from(shape));
    out.push(
        flag(*early, EARLY)
            | flag(boot.is_some(), BOOT)
            | flag(sequence.is_some(), SEQUENCE)
            | flag(redelivery.is_some(), REDELIVERY)
            | flag(again, AGAIN)
            | stated,
    );
    put(out, u64::from(names.source_number(*source).ok_or(Unnamed::Source(*source))?));
    put_signed(out, received.0.wrapping_sub(before.0));
    if let Some(boot) = boot {
        put(out, u64::from(dictionary.text(boot)));
    }
    if let Some(sequence) = *sequence
        && let Some(shape) = dictionary.shapes.get_mut(shape as usize)
    {
        put_signed(out, sequence.wrapping_sub(shape.sequence).cast_signed());
        shape.sequence = sequence;
    }
    if let Some(redelivery) = redelivery {
        put(out, u64::from(dictionary.link(redelivery)));
        put(out, u64::from(dictionary.text(&redelivery.topic)));
        put(out, u64::from(redelivery.packet));
    }
    match first {
        Stated::At(time) if stated == STATED_AT => put_signed(out, time.0.wrapping_sub(received.0)),
        Stated::Relative(age) if stated == STATED_RELATIVE => put_signed(out, age),
        _ => {}
    }
    for measured in samples {
        if stated == STATED_EACH {
            match measured.stated {
                Stated::Nothing => out.push(0),
                Stated::At(time) => {
                    out.push(1);
                    put_signed(out, time.0.wrapping_sub(received.0));
                }
                Stated::Relative(age) => {
                    out.push(2);
                    put_signed(out, age);
                }
                Stated::Unplaceable => out.push(3),
            }
        }
        put_value(out, &measured.value);
    }
    Ok(())
}

/// Which samples are to be read; the rest is passed over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Wanted {
    All,
    Station(StationIndex),
    Channel(ChannelIndex),
}

impl Wanted {
    fn wants(self, station: StationIndex, channels: &[ChannelIndex]) -> bool {
        match self {
            Self::All => true,
            Self::Station(wanted) => wanted == station,
            Self::Channel(wanted) => channels.contains(&wanted),
        }
    }
}

/// Reads messages; of those not wanted nothing is kept. A wanted channel's message is
/// kept with that channel's samples alone.
pub(crate) fn read_messages(
    input: &mut Input<'_>,
    shared: &mut Shared,
    names: &Names,
    received: Time,
    wanted: Wanted,
    count: usize,
) -> Result<Vec<Message>, Garbage> {
    let wants: Vec<bool> =
        shared.shapes.iter().map(|s| wanted.wants(s.station, &s.channels)).collect();
    if !wants.contains(&true) && wanted != Wanted::All {
        return Ok(Vec::new());
    }
    // A message takes at least four bytes.
    let mut messages =
        Vec::with_capacity(if wanted == Wanted::All { count.min(input.left() / 4) } else { 0 });
    let mut before = received;
    for _ in 0..count {
        let place = usize::try_from(input.number()?).map_err(|_| Garbage("unknown shape"))?;
        let wanted_here = *wants.get(place).ok_or(Garbage("unknown shape"))?;
        let (message, stated) = head(input, shared, names, place, before)?;
        before = message.received;
        let channels = shared.shapes.get(place).map_or(&[][..], |s| &s.channels);
        if let Some(message) = values(input, message, stated, channels, wanted, wanted_here)? {
            messages.push(message);
        }
    }
    Ok(messages)
}

/// What is stated for the whole message, or that each sample states its own.
#[derive(Clone, Copy)]
enum Whole {
    All(Stated),
    Each,
}

fn head(
    input: &mut Input<'_>,
    shared: &mut Shared,
    names: &Names,
    place: usize,
    before: Time,
) -> Result<(Message, Whole), Garbage> {
    let shape = shared.shapes.get_mut(place).ok_or(Garbage("unknown shape"))?;
    let flags = input.byte()?;
    if flags & UNUSED != 0 || (flags & AGAIN != 0 && flags & REDELIVERY == 0) {
        return Err(Garbage("unknown flags"));
    }
    let source = names.source_at(input.small()?).ok_or(Garbage("unknown source number"))?;
    let received = Time(before.0.wrapping_add(input.signed()?));
    let boot = if flags & BOOT == 0 { None } else { Some(text(&shared.texts, input.number()?)?) };
    let sequence = if flags & SEQUENCE == 0 {
        None
    } else {
        shape.sequence = shape.sequence.wrapping_add_signed(input.signed()?);
        Some(shape.sequence)
    };
    let redelivery = if flags & REDELIVERY == 0 {
        None
    } else {
        let link = usize::try_from(input.number()?).ok().and_then(|l| shared.links.get(l));
        let (client, connection) = link.cloned().ok_or(Garbage("unknown connection"))?;
        let topic = text(&shared.texts, input.number()?)?;
        let packet = u16::try_from(input.number()?).map_err(|_| Garbage("packet out of range"))?;
        Some(Redelivery { client, connection, topic, packet, again: flags & AGAIN != 0 })
    };
    let whole = match flags & STATED {
        0 => Whole::All(Stated::Nothing),
        STATED_AT => Whole::All(Stated::At(Time(received.0.wrapping_add(input.signed()?)))),
        STATED_RELATIVE => Whole::All(Stated::Relative(input.signed()?)),
        _ => Whole::Each,
    };
    let early = flags & EARLY != 0;
    let station = shape.station;
    let samples = Vec::new();
    Ok((Message { station, source, boot, sequence, received, early, redelivery, samples }, whole))
}

fn values(
    input: &mut Input<'_>,
    mut message: Message,
    whole: Whole,
    channels: &[ChannelIndex],
    wanted: Wanted,
    wanted_here: bool,
) -> Result<Option<Message>, Garbage> {
    if wanted_here && !matches!(wanted, Wanted::Channel(_)) {
        message.samples.reserve_exact(channels.len().min(input.left()));
    }
    for &channel in channels {
        let stated = match whole {
            Whole::All(stated) => stated,
            Whole::Each => match input.byte()? {
                0 => Stated::Nothing,
                1 => Stated::At(Time(message.received.0.wrapping_add(input.signed()?))),
                2 => Stated::Relative(input.signed()?),
                3 => Stated::Unplaceable,
                _ => return Err(Garbage("unknown kind of time")),
            },
        };
        if wanted_here && (!matches!(wanted, Wanted::Channel(c) if c != channel)) {
            message.samples.push(Measured { channel, value: value(input)?, stated });
        } else {
            skip(input)?;
        }
    }
    Ok(wanted_here.then_some(message))
}
