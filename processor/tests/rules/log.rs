//! A log in memory, and the processor at work over it as the service works: records,
//! restarts, steps of the clock.

use crate::croft::croft;
use observation::{
    ChannelIndex, Message, Property, Quantity, Reading, SeriesIndex, Span, StationIndex, Statistic,
    Time,
};
use processor::{Held, Options, Output, Processor, Recall, SetAside};
use std::collections::BTreeMap;
use std::sync::Arc;

#[derive(Clone, Debug)]
pub(crate) enum Record {
    Batch { messages: Vec<Message>, readings: Vec<Reading>, walked: Time },
    Step { old: Time, new: Time },
}

/// The records; the first has number 1.
#[derive(Clone, Debug, Default)]
pub(crate) struct Log {
    pub(crate) records: Vec<Record>,
    /// Questions asked.
    pub(crate) asked: usize,
}

struct Below<'a>(&'a mut Log, u64);

fn held(number: u64, message: &Message) -> impl Iterator<Item = Held> + '_ {
    message.samples.iter().map(move |s| Held {
        number,
        received: message.received,
        time: s.stated.event_time(message.received),
        stated: s.stated,
        boot: message.boot.clone(),
        sequence: message.sequence,
        early: message.early,
        channel: s.channel,
        value: s.value.clone(),
    })
}

impl Below<'_> {
    fn all(&self) -> impl Iterator<Item = (StationIndex, Held)> + '_ {
        let below = usize::try_from(self.1 - 1).unwrap();
        (1..).zip(self.0.records.iter().take(below)).flat_map(|(number, record)| {
            let messages = match record {
                Record::Batch { messages, .. } => messages.as_slice(),
                Record::Step { .. } => &[],
            };
            messages.iter().flat_map(move |m| held(number, m).map(|h| (m.station, h)))
        })
    }
}

impl Recall for Below<'_> {
    fn record(&mut self, number: u64, station: StationIndex) -> Vec<Held> {
        self.0.asked += 1;
        self.all().filter(|(s, h)| *s == station && h.number == number).map(|(_, h)| h).collect()
    }

    fn day(&mut self, station: StationIndex, utc_day: i64) -> Vec<Held> {
        self.0.asked += 1;
        self.all()
            .filter(|(s, h)| *s == station && h.time.utc_day() == utc_day)
            .map(|(_, h)| h)
            .collect()
    }

    fn samples(&mut self, channel: ChannelIndex, from: Time, to: Time) -> Vec<Held> {
        self.0.asked += 1;
        let mut all: Vec<Held> =
            self.all().map(|(_, h)| h).filter(|h| h.channel == channel).collect();
        all.sort_by_key(|h| h.time);
        let day = Span::days(1);
        let before = all.iter().rfind(|h| h.time < from && from - h.time <= day).cloned();
        let after = all.iter().find(|h| h.time > to && h.time - to <= day).cloned();
        before
            .into_iter()
            .chain(all.into_iter().filter(|h| h.time >= from && h.time <= to))
            .chain(after)
            .collect()
    }

    fn reading(&mut self, series: SeriesIndex, time: Time) -> Option<Reading> {
        self.0.asked += 1;
        let below = usize::try_from(self.1 - 1).unwrap();
        self.0
            .records
            .iter()
            .take(below)
            .filter_map(|r| match r {
                Record::Batch { readings, .. } => Some(readings),
                Record::Step { .. } => None,
            })
            .flatten()
            .filter(|r| r.series == series && r.time == time)
            .max_by_key(|r| r.revision)
            .copied()
    }

    fn readings(&mut self, series: &[SeriesIndex], from: Time, to: Time) -> Vec<Reading> {
        self.0.asked += 1;
        let below = usize::try_from(self.1 - 1).unwrap();
        let mut highest = BTreeMap::new();
        for record in self.0.records.iter().take(below) {
            let Record::Batch { readings, .. } = record else { continue };
            for reading in readings {
                if series.contains(&reading.series) && reading.time >= from && reading.time <= to {
                    highest.insert((reading.time, reading.series), *reading);
                }
            }
        }
        highest.into_values().collect()
    }
}

/// The processor at work.
pub(crate) struct Croft {
    property: Arc<Property>,
    pub(crate) processor: Processor,
    pub(crate) log: Log,
    pub(crate) out: Output,
    pub(crate) set_aside: Vec<SetAside>,
    pub(crate) repeats: u64,
    pub(crate) redelivered: u64,
    pub(crate) conflicts: usize,
}

impl Croft {
    pub(crate) fn new() -> Self {
        Self::with(croft())
    }

    pub(crate) fn with(property: Arc<Property>) -> Self {
        Self {
            processor: Processor::new(Arc::clone(&property), Options::default()),
            property,
            log: Log::default(),
            out: Output::default(),
            set_aside: Vec::new(),
            repeats: 0,
            redelivered: 0,
            conflicts: 0,
        }
    }

    fn number(&self) -> u64 {
        self.log.records.len() as u64 + 1
    }

    pub(crate) fn take(&mut self, message: Message) {
        let number = self.number();
        let mut below = Below(&mut self.log, number);
        self.processor.take(message, number, &mut below, &mut self.out);
    }

    pub(crate) fn walk(&mut self, now: Time) {
        let number = self.number();
        self.processor.walk(now, &mut Below(&mut self.log, number), &mut self.out);
    }

    pub(crate) fn close(&mut self) {
        let number = self.number();
        self.processor.close(&mut Below(&mut self.log, number), &mut self.out);
    }

    /// Writes a record of what waits.
    pub(crate) fn commit(&mut self) {
        assert!(self.out.panics.is_empty(), "a minute failed inside");
        self.log.records.push(Record::Batch {
            messages: std::mem::take(&mut self.out.messages),
            readings: std::mem::take(&mut self.out.readings),
            walked: self.processor.walked(),
        });
        self.set_aside.append(&mut self.out.set_aside);
        self.repeats += self.out.repeats;
        self.redelivered += self.out.redelivered;
        self.conflicts += self.out.conflicts.len();
        self.out.clear();
    }

    pub(crate) fn step_clock(&mut self, old: Time, new: Time) {
        self.commit();
        let number = self.number();
        self.processor.step_clock(old, new, &mut Below(&mut self.log, number), &mut self.out);
        self.log.records.push(Record::Step { old, new });
    }

    /// Saves the state, as text.
    pub(crate) fn save(&mut self) -> (u64, String) {
        self.commit();
        (self.number() - 1, serde_json::to_string(&self.processor.save()).unwrap())
    }

    /// Starts again from a saved state and the log.
    pub(crate) fn restart(&mut self, saved: Option<&(u64, String)>) {
        self.commit();
        let mut processor = Processor::new(Arc::clone(&self.property), Options::default());
        let last = self.log.records.len() as u64;
        let from = match saved {
            Some((at, text)) => {
                let stale = processor.restore(&serde_json::from_str(text).unwrap());
                assert!(stale.is_empty());
                let (near, far) = processor.reach();
                let oldest = processor.walked() - near.max(far);
                for (number, record) in (1..=*at).zip(&self.log.records) {
                    if let Record::Batch { messages, readings, walked } = record
                        && *walked >= oldest
                    {
                        processor.refill(number, messages, readings);
                    }
                }
                processor.refilled(processor.walked());
                at + 1
            }
            None => 1,
        };
        let mut out = Output::default();
        for number in from..=last {
            let record = self.log.records[usize::try_from(number - 1).unwrap()].clone();
            let mut below = Below(&mut self.log, number);
            match record {
                Record::Batch { messages, walked, .. } => {
                    for message in messages {
                        processor.take(message, number, &mut below, &mut out);
                    }
                    processor.walk(walked, &mut below, &mut out);
                }
                Record::Step { old, new } => processor.step_clock(old, new, &mut below, &mut out),
            }
            out.clear();
        }
        self.processor = processor;
    }

    /// All readings in the order in which they were made.
    pub(crate) fn readings(&self) -> Vec<Reading> {
        let committed = self.log.records.iter().filter_map(|r| match r {
            Record::Batch { readings, .. } => Some(readings),
            Record::Step { .. } => None,
        });
        committed.flatten().chain(&self.out.readings).copied().collect()
    }

    /// The highest revision of each reading.
    pub(crate) fn finals(&self) -> BTreeMap<(SeriesIndex, Time), Reading> {
        let mut finals = BTreeMap::new();
        for reading in self.readings() {
            let before: Option<Reading> = finals.insert((reading.series, reading.time), reading);
            let follows = before.map_or(0, |b| b.revision + 1);
            assert_eq!(reading.revision, follows, "revisions count one by one: {reading:?}");
        }
        finals
    }

    /// The series of an instrument of the orchard.
    pub(crate) fn series(
        &self,
        instrument: &str,
        statistic: Statistic,
        period: Option<Span>,
    ) -> SeriesIndex {
        let found: Vec<u32> = (0..)
            .zip(self.processor.series())
            .filter(|(_, s)| {
                s.station == "orchard"
                    && s.instrument == instrument
                    && s.statistic == statistic
                    && s.period == period
            })
            .map(|(i, _)| i)
            .collect();
        assert_eq!(found.len(), 1, "{instrument} {statistic} {period:?}");
        SeriesIndex(found[0])
    }

    /// The final readings of one series, by time.
    pub(crate) fn of(&self, series: SeriesIndex) -> Vec<Reading> {
        self.finals().into_values().filter(|r| r.series == series).collect()
    }

    /// The series of a quantity that has only one.
    pub(crate) fn only(&self, quantity: Quantity) -> SeriesIndex {
        let found: Vec<u32> = (0..)
            .zip(self.processor.series())
            .filter(|(_, s)| s.station == "orchard" && s.quantity == quantity)
            .map(|(i, _)| i)
            .collect();
        assert_eq!(found.len(), 1, "{quantity}");
        SeriesIndex(found[0])
    }
}
