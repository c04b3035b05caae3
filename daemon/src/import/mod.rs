//! An old record brought in at its own times.
//!
//! The rule kept here: the samples go into the log as they are given, once each, and the
//! readings are those that a processor makes of them in simulated time, as if each had
//! come when it was taken. What stands already, sample or reading, stays: bringing the
//! same file in again changes nothing, and what is cut off is brought in by a second try.

pub mod aside;
mod known;

use crate::engine::core::Core;
use crate::engine::restart::Judge;
use crate::lines::input::{Line, SampleLine};
use crate::remake::{fresh, told};
use history::{Look, Reader, Selection};
use known::{Known, Standing};
use observation::time::{DAY, FIRST_BELIEVABLE};
use observation::{
    Measured, Message, Property, Reading, SeriesIndex, SourceIndex, Span, Stated, Time,
};
use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;
use std::time::Duration;

/// Samples, or readings, that are written at a time.
const PART: usize = 4_096;
/// Samples that are put together into one message.
const MOST_TOGETHER: usize = 256;
/// A day is written so long after its end: windows reach beyond it.
const REST: Span = Span::hours(6);
/// Samples are remembered so long.
const REMEMBERED: Span = Span::days(33);
/// Recorded time between two commits to the temporary history.
const SPAN: Span = Span::minutes(1);

/// Writes messages and readings durably, in one record; an error ends the work.
pub type Write<'a> = dyn FnMut(Vec<Message>, Vec<Reading>) -> Result<(), String> + 'a;

/// What became of the lines.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Samples that were taken.
    pub samples: u64,
    /// Samples that are held already.
    pub repeats: u64,
    /// Samples of which another value is held.
    pub conflicts: u64,
    /// Lines that are not understood or name what the settings do not have.
    pub refused: u64,
    /// Readings that were made and stood nowhere.
    pub readings: u64,
}

/// See the module.
pub struct Importer<'a> {
    look: Look<'a>,
    property: Arc<Property>,
    core: Core<Judge>,
    source: SourceIndex,
    now: Time,
    /// The simulated clock.
    received: Option<Time>,
    together: Option<Message>,
    waiting: Vec<Message>,
    samples: usize,
    known: Known,
    days: BTreeMap<i64, HashMap<(SeriesIndex, Time), Reading>>,
    /// What happened so far.
    pub counts: Counts,
}

impl<'a> Importer<'a> {
    /// Into the history behind `reader`, whose clock shows `now`.
    ///
    /// # Errors
    /// When there is no room for the work.
    pub fn new(reader: &'a Reader, settings: &config::Settings, now: Time) -> Result<Self, String> {
        let (core, property, other) = fresh(settings)?;
        Ok(Self {
            look: reader.look(),
            property,
            core,
            source: SourceIndex(other.0.saturating_sub(1)),
            now,
            received: None,
            together: None,
            waiting: Vec::new(),
            samples: 0,
            known: Known::default(),
            days: BTreeMap::new(),
            counts: Counts::default(),
        })
    }

    /// How far the record is read.
    pub const fn at(&self) -> Option<Time> {
        self.received
    }

    /// Takes a line; the inner error is why it was refused. Lines that are no samples are
    /// passed over.
    ///
    /// # Errors
    /// What cannot be read, or what `write` returns.
    pub fn line(
        &mut self,
        line: &Line<'_>,
        write: &mut Write<'_>,
    ) -> Result<Result<(), String>, String> {
        match line {
            Line::Sample(sample) => {
                let result = self.sample(sample, write)?;
                self.counts.refused += u64::from(result.is_err());
                Ok(result)
            }
            Line::Pack(_) => {
                self.counts.refused += 1;
                Ok(Err("a pack: give one sample a line".to_owned()))
            }
            Line::Note { .. }
            | Line::Observation { .. }
            | Line::ClockStep { .. }
            | Line::End(_) => Ok(Ok(())),
        }
    }

    fn sample(
        &mut self,
        line: &SampleLine<'_>,
        write: &mut Write<'_>,
    ) -> Result<Result<(), String>, String> {
        let (station, channel) = match line.place(&self.property) {
            Ok(place) => place,
            Err(why) => return Ok(Err(why)),
        };
        let time = match (line.time.filter(|&t| t >= FIRST_BELIEVABLE), line.received, line.age) {
            (Some(time), _, _) => time,
            (None, Some(received), age) => received - Span(age.unwrap_or(0)),
            (None, None, _) => return Ok(Err("no time that can be believed".to_owned())),
        };
        if time > self.now {
            return Ok(Err(format!("{time} is in the future")));
        }
        let standing = self.known.put(self.look, station, channel, time, &line.value)?;
        match standing {
            Standing::New => self.counts.samples += 1,
            Standing::Same => self.counts.repeats += 1,
            Standing::Other => {
                self.counts.conflicts += 1;
                return Ok(Ok(()));
            }
        }
        let received = self.received.map_or(time, |r| r.max(time));
        let joins = self.together.as_ref().is_some_and(|m| {
            m.station == station
                && m.received == received
                && m.samples.len() < MOST_TOGETHER
                && m.samples.iter().all(|s| s.channel != channel)
        });
        if !joins {
            self.send(write)?;
        }
        self.received = Some(received);
        let message = |source| Message {
            station,
            source,
            boot: None,
            sequence: None,
            received,
            early: false,
            redelivery: None,
            samples: Vec::new(),
        };
        let measured = Measured { channel, value: line.value.clone(), stated: Stated::At(time) };
        if standing == Standing::New {
            let kept = match self.waiting.last_mut() {
                Some(last) if joins && last.station == station && last.received == received => last,
                _ => {
                    self.waiting.push(message(self.source));
                    match self.waiting.last_mut() {
                        Some(last) => last,
                        None => return Ok(Ok(())),
                    }
                }
            };
            kept.samples.push(measured.clone());
            self.samples += 1;
        }
        let source = self.source;
        self.together.get_or_insert_with(|| message(source)).samples.push(measured);
        Ok(Ok(()))
    }

    fn send(&mut self, write: &mut Write<'_>) -> Result<(), String> {
        let Some(message) = self.together.take() else { return Ok(()) };
        let received = message.received;
        let first = self.core.waiting().messages.first().map(|m| m.received);
        if first.is_some_and(|first| received - first >= SPAN) {
            self.commit()?;
            self.hand_out(received, write)?;
        }
        self.core.take(message, Duration::ZERO).map_err(told)?;
        if self.samples >= PART {
            self.write_samples(write)?;
        }
        Ok(())
    }

    fn write_samples(&mut self, write: &mut Write<'_>) -> Result<(), String> {
        self.samples = 0;
        let messages = std::mem::take(&mut self.waiting);
        if messages.is_empty() { Ok(()) } else { write(messages, Vec::new()) }
    }

    fn commit(&mut self) -> Result<(), String> {
        self.core.commit().map_err(told)?;
        if let Some(error) = self.core.read_fault() {
            return Err(error.to_string());
        }
        let (_, readings) = self.core.written();
        for reading in readings {
            let day = self.days.entry(reading.time.utc_day()).or_default();
            day.insert((reading.series, reading.time), *reading);
        }
        self.core.committed();
        Ok(())
    }

    /// Writes the readings of the days that are over.
    fn hand_out(&mut self, received: Time, write: &mut Write<'_>) -> Result<(), String> {
        while let Some((&day, _)) = self.days.first_key_value() {
            if received < Time((day + 1).saturating_mul(DAY)) + REST {
                break;
            }
            self.write_day(day, write)?;
            self.core.history.forget(received - REMEMBERED).map_err(told)?;
        }
        Ok(())
    }

    fn write_day(&mut self, day: i64, write: &mut Write<'_>) -> Result<(), String> {
        // Samples first: cut off in between, they make the readings at a second try.
        self.write_samples(write)?;
        let mut readings: Vec<Reading> =
            self.days.remove(&day).unwrap_or_default().into_values().collect();
        readings.sort_unstable_by_key(|r| (r.time, r.series));
        let stands = self.stands(day)?;
        readings.retain(|r| !stands.contains(&(r.series, r.time)));
        self.counts.readings += readings.len() as u64;
        for part in readings.chunks(PART) {
            let part = part.iter().map(|r| Reading { revision: 0, ..*r }).collect();
            write(Vec::new(), part)?;
        }
        Ok(())
    }

    /// What stands on a day.
    fn stands(&self, day: i64) -> Result<HashSet<(SeriesIndex, Time)>, String> {
        let from = Time(day.saturating_mul(DAY));
        let selection = Selection::between(from, from + Span(DAY));
        let mut all = HashSet::new();
        let mut walk = self.look.walk(&selection).map_err(told)?;
        while let Some(part) = walk.next_part().map_err(told)? {
            all.extend(part.iter().map(|k| (k.reading.series, k.reading.time)));
        }
        Ok(all)
    }

    /// After the last line: closes open windows and writes what waits.
    ///
    /// # Errors
    /// As [`Self::line`].
    pub fn finish(&mut self, write: &mut Write<'_>) -> Result<(), String> {
        self.send(write)?;
        self.commit()?;
        self.core.close_windows();
        self.commit()?;
        self.write_samples(write)?;
        while let Some((&day, _)) = self.days.first_key_value() {
            self.write_day(day, write)?;
        }
        Ok(())
    }
}
