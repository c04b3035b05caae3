//! Line by line through the engine's core, over a history that nobody else sees.

use super::super::Failure;
use super::super::progress::Progress;
use super::super::run::IMPORT;
use crate::engine::core::Core;
use crate::engine::restart::{Judge, options};
use crate::lines::bounded::{self, Got};
use crate::lines::diagnosis;
use crate::lines::input::{self, LONGEST_LINE, Line, SampleLine};
use crate::lines::reading::{ReadingLines, Sorted};
use adapters::credentials::Grant;
use adapters::payload;
use adapters::payload::senml::Notation;
use history::{Entry, History, Selection};
use observation::time::FIRST_BELIEVABLE;
use observation::{Measured, Message, Property, Reading, Series, SourceIndex, Span, Stated, Time};
use std::io::{BufRead, Write};
use std::sync::Arc;
use std::time::Duration;

/// Samples after which what was replayed is committed to the temporary history.
const BATCH: u64 = 4_096;
/// Recorded time after which it is: as long as the service lets a commit wait at most.
const SPAN: Span = Span::minutes(1);
/// Lines after which is said how far it is.
const SHOWN: u64 = 256;
/// Refused lines that are told one by one.
const TOLD: u64 = 20;
/// Samples that are put together into one message.
const MOST_TOGETHER: usize = 256;

/// What happened, for the line at the end.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Counts {
    lines: u64,
    accepted: u64,
    repeats: u64,
    conflicts: u64,
    set_aside: u64,
    refused: u64,
    readings: u64,
}

/// See the module.
pub(super) struct Player {
    core: Core<Judge>,
    property: Arc<Property>,
    decoder: payload::Reader,
    lines: ReadingLines,
    sources: Vec<String>,
    last: bool,
    /// The `received` of the line before.
    received: Option<Time>,
    /// Samples of one message whose lines follow each other.
    together: Option<Message>,
    /// Whether the line before said up to when boundaries were walked.
    ended: bool,
    counts: Counts,
    text: Vec<u8>,
}

fn fatal(error: impl std::fmt::Display) -> Failure {
    Failure::failed(error.to_string())
}

impl Player {
    /// Nothing played yet. `last` asks for the highest revisions only, in order.
    pub(super) fn new(settings: &config::Settings, last: bool) -> Result<Self, Failure> {
        let property = Arc::new(settings.property.clone());
        let mut history = History::temporary().map_err(fatal)?;
        let series: Vec<Series> = crate::engine::restart::series(settings);
        let mut sources: Vec<String> = settings.sources.iter().map(|s| s.name.clone()).collect();
        sources.push(IMPORT.to_owned());
        // Whatever else a line names.
        sources.push("replay".to_owned());
        history.register(Time(0), &property, &series, &sources).map_err(fatal)?;
        let rebuild = {
            let (property, options) = (Arc::clone(&property), options(settings));
            Box::new(move |history: &History| {
                Judge::restored(&property, options, history, &mut |_| {})
            })
        };
        let judge = Judge::new(&property, options(settings));
        Ok(Self {
            core: Core::standing(judge, history, rebuild),
            decoder: payload::Reader::new(&property),
            lines: ReadingLines::of_series(&series),
            property,
            sources,
            last,
            received: None,
            together: None,
            ended: false,
            counts: Counts::default(),
            text: Vec::new(),
        })
    }

    /// Plays all lines.
    pub(super) fn play(
        &mut self,
        input: &mut dyn BufRead,
        output: &mut impl Write,
        progress: &Progress,
    ) -> Result<(), Failure> {
        let mut input = input;
        let mut line = Vec::new();
        let mut number = 0_u64;
        loop {
            if number.is_multiple_of(SHOWN) {
                let counts = self.counts;
                progress.say(&format_args!("{} lines, {} readings", counts.lines, counts.readings));
            }
            let got = bounded::next(&mut input, LONGEST_LINE, &mut line).map_err(fatal)?;
            if got == Got::End {
                return self.send(output);
            }
            number += 1;
            let result = match (got, std::str::from_utf8(&line)) {
                (Got::TooLong, _) => Err(format!("longer than {LONGEST_LINE} bytes")),
                (_, Err(_)) => Err("not UTF-8".to_owned()),
                (_, Ok(text)) => match input::parse(text) {
                    Ok(None) => continue,
                    Ok(Some(line)) => self.line(line, output)?,
                    Err(why) => Err(why),
                },
            };
            self.counts.lines += 1;
            if let Err(why) = result {
                self.counts.refused += 1;
                if self.counts.refused <= TOLD {
                    progress.clear();
                    eprintln!("isobarn: line {number}: {}", payload_shown(&why));
                }
            }
        }
    }

    /// One line; the inner error is why it was refused.
    fn line(
        &mut self,
        line: Line<'_>,
        output: &mut impl Write,
    ) -> Result<Result<(), String>, Failure> {
        self.ended = matches!(line, Line::End(_));
        match line {
            Line::Sample(sample) => return self.sample(&sample, output),
            Line::Pack(text) => return self.pack(text, output),
            Line::Note { received, note } => {
                self.rare(received, &Entry::Note(note), output)?;
            }
            Line::Observation { received, observation } => {
                self.rare(received, &Entry::Observation(observation), output)?;
            }
            Line::ClockStep { old, new } => {
                self.send(output)?;
                self.core.walk(old);
                self.commit(output)?;
                self.core.step_clock(old, new);
                self.commit(output)?;
                self.core.record_step(old, new).map_err(fatal)?;
                self.received = Some(new);
            }
            Line::End(walked) => {
                self.send(output)?;
                self.core.walk(walked);
                self.commit(output)?;
                self.received = self.received.max(Some(walked));
            }
        }
        Ok(Ok(()))
    }

    /// When something without a `received` of its own came.
    fn dated(&self, received: Option<Time>, own: Time) -> Time {
        match self.received {
            Some(before) => before.max(received.unwrap_or(own)),
            None => received.unwrap_or(own),
        }
    }

    fn sample(
        &mut self,
        line: &SampleLine<'_>,
        output: &mut impl Write,
    ) -> Result<Result<(), String>, Failure> {
        let (station, channel) = match line.place(&self.property) {
            Ok(place) => place,
            Err(why) => return Ok(Err(why)),
        };
        let stated = match (line.time, line.age) {
            (Some(time), _) => Stated::At(time),
            (None, Some(age)) => Stated::Relative(-age),
            (None, None) => Stated::Nothing,
        };
        // Only a line with neither has no date at all, and that was refused before.
        let own = line.time.filter(|&t| t >= FIRST_BELIEVABLE);
        let own = own.or(self.received).or(line.time).unwrap_or(Time(0));
        let received = self.dated(line.received, own);
        let measured = Measured { channel, value: line.value.clone(), stated };
        let source = self.source(line.source.as_deref());
        let joins = self.together.as_ref().is_some_and(|m| {
            m.station == station
                && m.source == source
                && m.received == received
                && m.boot.as_deref() == line.boot.as_deref()
                && m.sequence == line.sequence
                && m.early == line.early
                && m.samples.len() < MOST_TOGETHER
                && m.samples.iter().all(|s| s.channel != channel)
        });
        if !joins {
            self.send(output)?;
        }
        self.received = Some(received);
        let message = self.together.get_or_insert_with(|| Message {
            station,
            source,
            boot: line.boot.as_deref().map(Arc::from),
            sequence: line.sequence,
            received,
            early: line.early,
            redelivery: None,
            samples: Vec::new(),
        });
        message.samples.push(measured);
        Ok(Ok(()))
    }

    fn pack(&mut self, text: &str, output: &mut impl Write) -> Result<Result<(), String>, Failure> {
        let decoded = match self.decoder.senml(&Grant::every(), Notation::Json, text.as_bytes()) {
            Ok(decoded) => decoded,
            Err(refused) => return Ok(Err(refused.to_string())),
        };
        self.send(output)?;
        let source = self.source(None);
        let newest = decoded
            .iter()
            .flat_map(|d| &d.samples)
            .filter_map(|s| match s.stated {
                Stated::At(time) if time >= FIRST_BELIEVABLE => Some(time),
                _ => None,
            })
            .max();
        let Some(own) = newest.or(self.received) else {
            return Ok(Err("a pack without a time, and no line before it that has one".to_owned()));
        };
        let received = self.dated(None, own);
        self.received = Some(received);
        for decoded in decoded {
            let mut message = decoded.into_message(source, false, None);
            message.received = received;
            self.take(message, output)?;
        }
        Ok(Ok(()))
    }

    fn source(&self, name: Option<&str>) -> SourceIndex {
        let other = self.sources.len() - 1;
        let place = name.and_then(|n| self.sources.iter().position(|s| s == n)).unwrap_or(other);
        SourceIndex(u16::try_from(place).unwrap_or(0))
    }

    fn rare(
        &mut self,
        received: Time,
        entry: &Entry,
        output: &mut impl Write,
    ) -> Result<(), Failure> {
        self.send(output)?;
        let received = self.dated(Some(received), received);
        self.received = Some(received);
        self.core.walk(received);
        self.commit(output)?;
        let walked = self.core.walked();
        self.core.history.append(received, walked, entry).map_err(fatal)?;
        Ok(())
    }

    fn send(&mut self, output: &mut impl Write) -> Result<(), Failure> {
        match self.together.take() {
            Some(message) => self.take(message, output),
            None => Ok(()),
        }
    }

    fn take(&mut self, message: Message, output: &mut impl Write) -> Result<(), Failure> {
        if message.samples.is_empty() {
            return Ok(());
        }
        let first = self.core.waiting().messages.first().map(|m| m.received);
        if first.is_some_and(|first| message.received - first > SPAN) {
            self.commit(output)?;
        }
        let taken = self.core.take(message, Duration::ZERO).map_err(fatal)?;
        self.counts.accepted += taken.accepted;
        self.counts.repeats += taken.repeats;
        self.counts.conflicts += taken.conflicts;
        self.counts.set_aside += taken.set_aside;
        if self.core.waiting().accepted >= BATCH {
            self.commit(output)?;
        }
        Ok(())
    }

    fn commit(&mut self, output: &mut impl Write) -> Result<(), Failure> {
        self.core.commit().map_err(fatal)?;
        if let Some(error) = self.core.read_fault() {
            return Err(fatal(error));
        }
        let (_, readings) = self.core.written();
        if !self.last {
            self.text.clear();
            for reading in readings {
                self.lines.json(reading, &mut self.text);
            }
            self.counts.readings += readings.len() as u64;
            for said in self.core.said() {
                diagnosis::json(said, &mut self.text);
            }
            write(output, &self.text)?;
        }
        self.core.committed();
        Ok(())
    }

    /// After the last line: closes open windows if the input did not say how far it
    /// reaches, and prints what only the end can tell.
    pub(super) fn finish(&mut self, output: &mut impl Write) -> Result<(), Failure> {
        self.send(output)?;
        if !self.ended {
            self.core.close_windows();
        }
        self.commit(output)?;
        if !self.last {
            return Ok(());
        }
        let look = self.core.history.look();
        let everything = Selection::between(Time(i64::MIN / 4), Time(i64::MAX / 4));
        let (lines, counts, text) = (&self.lines, &mut self.counts, &mut self.text);
        let mut sorted = Sorted::default();
        let mut each = |reading: &Reading| {
            counts.readings += 1;
            text.clear();
            lines.json(reading, text);
            write(output, text)
        };
        let mut walk = look.walk(&everything).map_err(fatal)?;
        while let Some(part) = walk.next_part().map_err(fatal)? {
            for kept in part {
                sorted.take(lines, kept.reading, &mut each)?;
            }
        }
        sorted.finish(lines, &mut each)?;
        let mut said = Vec::new();
        look.each_diagnosis(&mut |d| {
            said.clear();
            diagnosis::json(d, &mut said);
            write(output, &said)
        })
    }

    /// Whether there were lines, and all of them were refused.
    pub(super) fn understood_nothing(&self) -> bool {
        self.counts.lines > 0 && self.counts.refused == self.counts.lines
    }

    /// What happened, in a line.
    pub(super) fn summary(&self) -> String {
        let Counts { lines, accepted, repeats, conflicts, set_aside, refused, readings } =
            self.counts;
        format!(
            "{lines} lines: {accepted} samples accepted, {repeats} repeated, {conflicts} in conflict, \
             {set_aside} set aside, {refused} lines refused; {readings} readings"
        )
    }
}

fn write(output: &mut impl Write, text: &[u8]) -> Result<(), Failure> {
    match output.write_all(text) {
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => {
            // Whoever read the output has seen enough: there is nothing left to do.
            Err(Failure { status: 0, message: String::new() })
        }
        other => other.map_err(fatal),
    }
}

fn payload_shown(why: &str) -> String {
    why.chars().map(|c| if c.is_control() { ' ' } else { c }).take(300).collect()
}
