//! What messages of one record share, written once: texts, MQTT connections, and
//! *shapes*, the station and its channels in the order of a message's values.

use super::Unnamed;
use super::bytes::{Garbage, Input, put, put_signed, put_text};
use crate::names::Names;
use observation::sample::Redelivery;
use observation::{ChannelIndex, Message, StationIndex};
use std::collections::HashMap;
use std::sync::Arc;

/// Texts remembered by their place in memory.
const LATELY: usize = 256;

/// The dictionaries while a record is written; the memory is kept from record to
/// record.
#[derive(Debug, Default)]
pub(crate) struct Dictionary {
    texts: Vec<Arc<str>>,
    /// The places of texts met lately, by where they lie in memory: a sender's topics are
    /// the same few again and again, and a look here spares hashing them.
    lately: Vec<Option<(Arc<str>, u32)>>,
    text_of: HashMap<Arc<str>, u32>,
    links: Vec<(u32, u64)>,
    link_of: HashMap<(u32, u64), u32>,
    /// The link met last.
    last_link: Option<((u32, u64), u32)>,
    pub(crate) shapes: Vec<Shape>,
    channels: Vec<ChannelIndex>,
    shape_of: HashMap<u64, u32>,
}

#[derive(Debug)]
pub(crate) struct Shape {
    station: StationIndex,
    from: usize,
    to: usize,
    /// The number before, among this shape's messages.
    pub(crate) sequence: u64,
}

/// A place in a list; no batch has four thousand million of anything.
fn place(length: usize) -> u32 {
    u32::try_from(length).unwrap_or(u32::MAX)
}

impl Dictionary {
    pub(crate) fn clear(&mut self) {
        self.texts.clear();
        self.lately.clear();
        self.last_link = None;
        self.text_of.clear();
        self.links.clear();
        self.link_of.clear();
        self.shapes.clear();
        self.channels.clear();
        self.shape_of.clear();
    }

    pub(crate) fn text(&mut self, text: &Arc<str>) -> u32 {
        self.lately.resize(LATELY, None);
        let slot = (Arc::as_ptr(text).cast::<u8>().addr() >> 4) % LATELY;
        if let Some(Some((known, place))) = self.lately.get(slot)
            && Arc::ptr_eq(known, text)
        {
            return *place;
        }
        let place = self.text_of.get(text).copied().unwrap_or_else(|| {
            let place = place(self.texts.len());
            self.texts.push(Arc::clone(text));
            self.text_of.insert(Arc::clone(text), place);
            place
        });
        if let Some(lately) = self.lately.get_mut(slot) {
            *lately = Some((Arc::clone(text), place));
        }
        place
    }

    pub(crate) fn link(&mut self, redelivery: &Redelivery) -> u32 {
        let key = (self.text(&redelivery.client), redelivery.connection);
        if let Some((last, place)) = self.last_link
            && last == key
        {
            return place;
        }
        let place = *self.link_of.entry(key).or_insert_with(|| {
            self.links.push(key);
            place(self.links.len() - 1)
        });
        self.last_link = Some((key, place));
        place
    }

    pub(crate) fn shape(&mut self, message: &Message) -> u32 {
        // A hash of our own, because equal shapes come by the hundred thousand; what
        // has the same hash is compared, and tried again one further.
        let mut hash = u64::from(message.station.0).wrapping_add(0x9e37_79b9_7f4a_7c15);
        for measured in &message.samples {
            hash = (hash.rotate_left(5) ^ u64::from(measured.channel.0))
                .wrapping_mul(0x517c_c1b7_2722_0a95);
        }
        while let Some(&place) = self.shape_of.get(&hash) {
            let same = self.shapes.get(place as usize).is_some_and(|shape| {
                shape.station == message.station
                    && shape.to - shape.from == message.samples.len()
                    && self.channels.get(shape.from..shape.to).is_some_and(|channels| {
                        channels.iter().zip(&message.samples).all(|(c, m)| *c == m.channel)
                    })
            });
            if same {
                return place;
            }
            hash = hash.wrapping_add(1);
        }
        let place = place(self.shapes.len());
        let from = self.channels.len();
        self.channels.extend(message.samples.iter().map(|m| m.channel));
        let to = self.channels.len();
        self.shapes.push(Shape { station: message.station, from, to, sequence: 0 });
        self.shape_of.insert(hash, place);
        place
    }

    pub(crate) fn write(&self, out: &mut Vec<u8>, names: &Names) -> Result<(), Unnamed> {
        put(out, self.texts.len() as u64);
        for text in &self.texts {
            put_text(out, text);
        }
        put(out, self.links.len() as u64);
        for &(client, connection) in &self.links {
            put(out, u64::from(client));
            put(out, connection);
        }
        put(out, self.shapes.len() as u64);
        for shape in &self.shapes {
            let station =
                names.station_number(shape.station).ok_or(Unnamed::Station(shape.station))?;
            put(out, u64::from(station));
            put(out, (shape.to - shape.from) as u64);
            let mut before = 0;
            for &channel in self.channels.get(shape.from..shape.to).unwrap_or_default() {
                let number = names.channel_number(channel).ok_or(Unnamed::Channel(channel))?;
                put_signed(out, i64::from(number) - before);
                before = i64::from(number);
            }
        }
        Ok(())
    }
}

/// The dictionaries as read.
#[derive(Debug)]
pub(crate) struct Shared {
    pub(crate) texts: Vec<Arc<str>>,
    pub(crate) links: Vec<(Arc<str>, u64)>,
    pub(crate) shapes: Vec<ReadShape>,
}

#[derive(Debug)]
pub(crate) struct ReadShape {
    pub(crate) station: StationIndex,
    pub(crate) channels: Vec<ChannelIndex>,
    pub(crate) sequence: u64,
}

impl Shared {
    pub(crate) fn read(input: &mut Input<'_>, names: &Names) -> Result<Self, Garbage> {
        let mut texts: Vec<Arc<str>> = Vec::new();
        for _ in 0..input.count()? {
            texts.push(input.text()?.into());
        }
        let mut links = Vec::new();
        for _ in 0..input.count()? {
            let client = text(&texts, input.number()?)?;
            links.push((client, input.number()?));
        }
        let mut shapes = Vec::new();
        for _ in 0..input.count()? {
            let station =
                names.station_at(input.small()?).ok_or(Garbage("unknown station number"))?;
            let count = input.count()?;
            let mut channels = Vec::with_capacity(count);
            let mut number = 0_i64;
            for _ in 0..count {
                number = number.wrapping_add(input.signed()?);
                let channel = u32::try_from(number).ok().and_then(|n| names.channel_at(n));
                channels.push(channel.ok_or(Garbage("unknown channel number"))?);
            }
            shapes.push(ReadShape { station, channels, sequence: 0 });
        }
        Ok(Self { texts, links, shapes })
    }

    /// Passes over the dictionaries.
    pub(crate) fn pass(input: &mut Input<'_>) -> Result<(), Garbage> {
        for _ in 0..input.count()? {
            let length = input.count()?;
            input.take(length)?;
        }
        for _ in 0..input.count()? {
            input.number()?;
            input.number()?;
        }
        for _ in 0..input.count()? {
            input.number()?;
            for _ in 0..input.count()? {
                input.number()?;
            }
        }
        Ok(())
    }
}

pub(crate) fn text(texts: &[Arc<str>], place: u64) -> Result<Arc<str>, Garbage> {
    let text = usize::try_from(place).ok().and_then(|p| texts.get(p));
    text.cloned().ok_or(Garbage("unknown text"))
}
