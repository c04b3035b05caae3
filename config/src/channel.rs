//! Channels: what a station sends under one name, in one unit.
//!
//! Instruments may share a channel if they agree about it.

use crate::plan::Plan;
use crate::reader::{Item, Table};
use observation::property::{Channel, Reports, Signal};
use observation::{ChannelIndex, StationIndex, Unit};
use std::ops::Range;

/// Most text channels of one station.
const MOST_TEXTS: usize = 32;
/// Names in every station that are not channels.
const RESERVED: [&str; 3] = ["time", "boot", "sequence"];

/// A channel of bare numbers, or of words.
pub(crate) fn plain_channel(station: StationIndex, name: &str, words: bool) -> Option<Channel> {
    let unit = Unit::parse("1").ok()?;
    let name = name.to_owned();
    Some(Channel { station, name, unit, senml_name: None, accepts_text: words })
}

/// The channel of that name, made or found; instruments on one channel agree about it.
pub(crate) fn shared_channel(
    channel: Channel,
    item: Option<&Item<'_>>,
    table: &Table<'_>,
    plan: &mut Plan<'_>,
) -> Option<ChannelIndex> {
    let channels = &mut plan.property.channels;
    let found =
        channels.iter().position(|c| c.station == channel.station && c.name == channel.name);
    let Some(place) = found else {
        channels.push(channel);
        return index(channels.len() - 1);
    };
    let held = channels.get_mut(place)?;
    let fault = |message: &str, help: &str| match item {
        Some(item) => item.fault(message, help),
        None => table.report.fault(&table.span, message, help),
    };
    if !same_scale(&held.unit, &channel.unit) {
        fault(
            &format!(
                "the channel `{}` is in `{}` for another instrument and in `{}` here",
                channel.name, held.unit, channel.unit
            ),
            "a channel has one unit",
        );
        return None;
    }
    match (&held.senml_name, channel.senml_name) {
        (Some(a), Some(b)) if *a != b => {
            fault(
                &format!("the channel `{}` has another `senml_name` already", channel.name),
                "a channel has one name",
            );
            return None;
        }
        (None, Some(name)) => held.senml_name = Some(name),
        _ => {}
    }
    held.accepts_text |= channel.accepts_text;
    index(place)
}

fn index(place: usize) -> Option<ChannelIndex> {
    u32::try_from(place).ok().map(ChannelIndex)
}

fn same_scale(a: &Unit, b: &Unit) -> bool {
    let same = |value: f64| a.convert(value, b).is_some_and(|v| (v - value).abs() <= 1e-9);
    same(0.0) && same(1.0)
}

/// Finds or makes the channel of a supply; it is in the same unit as the signal.
pub(crate) fn resolve_supply(
    instrument: usize,
    name: &str,
    span: &Range<usize>,
    station: StationIndex,
    plan: &mut Plan<'_>,
) {
    let Some(instrument) = plan.property.instruments.get_mut(instrument) else { return };
    let channels = &mut plan.property.channels;
    let found = channels.iter().position(|c| c.station == station && c.name == name);
    if !is_channel_name(name) {
        plan.report.fault(
            span,
            "the supply is a channel of this station",
            "write supply = \"supply\"",
        );
        return;
    }
    let place = found.unwrap_or_else(|| {
        channels.push(Channel {
            station,
            name: name.to_owned(),
            unit: instrument.unit.clone(),
            senml_name: None,
            accepts_text: false,
        });
        channels.len() - 1
    });
    let Some(supply) = index(place) else { return };
    if supply == instrument.channel {
        plan.report.fault(
            span,
            "a signal is no supply of itself",
            "name the channel that carries the supply voltage",
        );
        return;
    }
    if let Some(channel) = channels.get(place)
        && !same_scale(&channel.unit, &instrument.unit)
    {
        plan.report.fault(
            span,
            &format!("the supply is in `{}` and the signal in `{}`", channel.unit, instrument.unit),
            "give both the same `unit`",
        );
        return;
    }
    if let Signal::Ratio(ratio) = &mut instrument.signal {
        ratio.supply = Some(supply);
    }
}

/// Channels that send words and have no instrument.
pub(crate) fn text_channels(item: &Item<'_>, station: StationIndex, plan: &mut Plan<'_>) {
    let names = item.list("[\"reset_cause\"]").unwrap_or_default();
    if names.len() > MOST_TEXTS {
        item.fault(&format!("`text_channels` has more than {MOST_TEXTS} entries"), "");
        return;
    }
    for item in names {
        let Some(name) = channel_name(&item) else { continue };
        let taken = plan.property.channels.iter().any(|c| c.station == station && c.name == name);
        if taken {
            item.fault(&format!("`{name}` is a channel already"), "name it once");
        } else {
            plan.property.channels.extend(plain_channel(station, name, true));
        }
    }
}

/// The name of a channel: 1 to 64 letters, digits, `_`, `-`, `.` and `:`, not reserved.
pub(crate) fn channel_name<'r>(item: &Item<'r>) -> Option<&'r str> {
    let name = item.text()?;
    if RESERVED.contains(&name) {
        item.fault(
            &format!("`{name}` is reserved in every station and is no channel"),
            "it carries the sender's time, boot id or sequence; name another channel",
        );
        return None;
    }
    if is_channel_name(name) {
        return Some(name);
    }
    item.fault(
        &format!("`{}` is 1 to 64 letters, digits, `_`, `-`, `.` and `:`", item.key),
        "name the channel as the station sends it; other names are mapped in the source's `map`",
    );
    None
}

/// Whether a text may name a channel.
pub(crate) fn is_channel_name(name: &str) -> bool {
    let fits = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'_' | b'-' | b'.' | b':');
    (1..=64).contains(&name.len()) && name.bytes().all(fits) && !RESERVED.contains(&name)
}

/// How a channel speaks.
pub(crate) fn reports(item: &Item<'_>) -> Option<Reports> {
    item.choice(&[
        ("periodic", Reports::Periodic),
        ("on_change", Reports::OnChange),
        ("adaptive", Reports::Adaptive),
    ])
}
