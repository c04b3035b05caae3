//! Readings made anew: kept samples go once more, in the order of the log, through a
//! processor that knows the present settings and nothing else.
//!
//! The rule kept here: nothing before the asked start is handed out, whatever the
//! processor makes on its way there. Days are handed out whole, when nothing that the log
//! holds of them is still to come.

mod apply;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used)]
mod tests;

pub use apply::apply;

use crate::engine::core::Core;
use crate::engine::restart::{self, Judge};
use history::{Entry, History, Look, Reader, Record};
use observation::time::DAY;
use observation::{Message, Property, Reading, SeriesIndex, SourceIndex, Span, StationIndex, Time};
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use std::time::Duration;

/// The processor begins so long before the asked start: what it learns of neighbours, and
/// its longest windows, come to rest meanwhile.
const WARM_UP: Span = Span::days(31);
/// Samples are remembered so long, for those that come late.
const REMEMBERED: Span = Span::days(33);
/// A day is waited for so long after its end.
const REST: Span = Span::hours(6);
/// Days that may wait for late samples; then the oldest is handed out as it stands.
const WAITING: usize = 8;
/// Samples, and the span of their arrival, that are committed together.
const BATCH: u64 = 4_096;
const SPAN: Span = Span::minutes(1);

/// Told where the log is read; an error ends the work.
pub type Seen<'a> = dyn FnMut(Time) -> Result<(), String> + 'a;
/// Given the readings of one UTC day, in no order; an error ends the work.
pub type Each<'a> = dyn FnMut(i64, Vec<Reading>) -> Result<(), String> + 'a;

/// The readings of the days in hand, the newest revision of each.
type Days = BTreeMap<i64, HashMap<(SeriesIndex, Time), Reading>>;

struct Remaker<'a> {
    look: Look<'a>,
    property: Arc<Property>,
    core: Core<Judge>,
    other: SourceIndex,
    from: Time,
    to: Time,
    days: Days,
}

/// An error as it is told.
pub fn told(error: impl std::fmt::Display) -> String {
    error.to_string()
}

/// Makes all readings in `[from, to)` anew, as far as samples are kept. Gives the start:
/// later than asked where older samples were deleted.
///
/// # Errors
/// What cannot be read, or what `seen` and `each` return.
pub fn remake(
    reader: &Reader,
    settings: &config::Settings,
    (from, to): (Option<Time>, Option<Time>),
    seen: &mut Seen<'_>,
    each: &mut Each<'_>,
) -> Result<Option<Time>, String> {
    let look = reader.look();
    let (Some(first), Some(last)) = (look.first().map_err(told)?, look.last().map_err(told)?)
    else {
        return Ok(None);
    };
    let mut from = from.unwrap_or(Time(0));
    let trimmed = look.trimmed().map_err(told)?;
    if trimmed > 0 {
        // The first windows behind what was deleted would lack their beginning.
        let kept = look.records(trimmed + 1).flatten().next().map_or(last.received, |r| r.received);
        from = from.max(kept + Span::days(1));
    }
    let to = to.unwrap_or(Time(i64::MAX / 2));
    let mut remaker = Remaker::new(look, settings, from, to)?;
    let start = look.number_at(Time(from.0.saturating_sub(WARM_UP.0))).map_err(told)?;
    let late = look.last_late(from.utc_day(), (to - Span(1)).utc_day()).map_err(told)?;
    for record in look.records(start.max(first.number).max(trimmed + 1)) {
        let record = match record {
            Ok(record) => record,
            // Behind it nothing more can be read.
            Err(error) if error.is_damage() => return Err(told(error)),
            // One that cannot be decoded is set aside, and told then.
            Err(_) => continue,
        };
        if record.received >= to + REST && record.number > late {
            break;
        }
        seen(record.received)?;
        let (number, received) = (record.number, record.received);
        remaker.record(record)?;
        remaker.hand_out(number, received, each)?;
    }
    remaker.commit()?;
    while let Some((day, readings)) = remaker.days.pop_first() {
        each(day, readings.into_values().collect())?;
    }
    Ok(Some(from))
}

/// A processor that has seen nothing, over a history that nobody else sees. Sources have
/// the numbers of the service's, that of old records behind them; the number given stands
/// for sources that are no more.
///
/// # Errors
/// When there is no room for it.
pub fn fresh(
    settings: &config::Settings,
) -> Result<(Core<Judge>, Arc<Property>, SourceIndex), String> {
    let property = Arc::new(settings.property.clone());
    let options = restart::options(settings);
    let mut history = History::temporary().map_err(told)?;
    let series = restart::series(settings);
    let mut sources: Vec<String> = settings.sources.iter().map(|s| s.name.clone()).collect();
    sources.push(crate::commands::run::IMPORT.to_owned());
    let other = SourceIndex(u16::try_from(sources.len()).unwrap_or(u16::MAX));
    sources.push("gone".to_owned());
    history.register(Time(0), &property, &series, &sources).map_err(told)?;
    let judge = Judge::new(&property, options);
    let rebuild = {
        let property = Arc::clone(&property);
        Box::new(move |history: &History| Judge::restored(&property, options, history, &mut |_| {}))
    };
    Ok((Core::standing(judge, history, rebuild), property, other))
}

impl<'a> Remaker<'a> {
    fn new(
        look: Look<'a>,
        settings: &config::Settings,
        from: Time,
        to: Time,
    ) -> Result<Self, String> {
        let (core, property, other) = fresh(settings)?;
        Ok(Self { look, property, core, other, from, to, days: Days::new() })
    }

    fn record(&mut self, record: Record) -> Result<(), String> {
        match record.entry {
            Entry::Batch { messages, .. } => {
                for message in messages {
                    if let Some(message) = self.known(message) {
                        self.take(message)?;
                    }
                }
                self.core.walk(record.walked);
                if self.core.waiting().accepted >= BATCH || !self.waits_since(record.received) {
                    self.commit()?;
                }
            }
            Entry::ClockStep(step) => {
                self.core.walk(step.old);
                self.commit()?;
                self.core.step_clock(step.old, step.new);
                self.commit()?;
                self.core.record_step(step.old, step.new).map_err(told)?;
            }
            Entry::Note(_)
            | Entry::Observation(_)
            | Entry::Epoch(_)
            | Entry::Revised(_)
            | Entry::Diagnoses(_)
            | Entry::Registered => {}
        }
        Ok(())
    }

    /// A message without what the settings do not know any more; none if nothing is left.
    fn known(&self, mut message: Message) -> Option<Message> {
        self.property.stations.get(usize::from(message.station.0))?;
        message.samples.retain(|s| self.property.channels.get(s.channel.0 as usize).is_some());
        let source = message.source.0.min(self.other.0);
        message.source = SourceIndex(source);
        (!message.samples.is_empty()).then_some(message)
    }

    /// Whether the first waiting message came less than a minute before `received`.
    fn waits_since(&self, received: Time) -> bool {
        let first = self.core.waiting().messages.first().map(|m| m.received);
        first.is_none_or(|first| received - first < SPAN)
    }

    fn take(&mut self, message: Message) -> Result<(), String> {
        if !self.waits_since(message.received) {
            self.commit()?;
        }
        self.core.take(message, Duration::ZERO).map_err(told)?;
        Ok(())
    }

    fn commit(&mut self) -> Result<(), String> {
        self.core.commit().map_err(told)?;
        if let Some(error) = self.core.read_fault() {
            return Err(error.to_string());
        }
        let (_, readings) = self.core.written();
        for reading in readings.iter().filter(|r| r.time >= self.from && r.time < self.to) {
            let day = self.days.entry(reading.time.utc_day()).or_default();
            day.insert((reading.series, reading.time), *reading);
        }
        self.core.committed();
        Ok(())
    }

    /// Hands out the days that are over and of which nothing is still to come.
    fn hand_out(&mut self, number: u64, received: Time, each: &mut Each<'_>) -> Result<(), String> {
        while let Some((&day, _)) = self.days.first_key_value() {
            let over = received >= Time((day + 1).saturating_mul(DAY)) + REST;
            let whole = over && number >= self.look.last_late(day, day).map_err(told)?;
            if !whole && self.days.len() <= WAITING {
                break;
            }
            self.commit()?;
            if let Some(readings) = self.days.remove(&day) {
                each(day, readings.into_values().collect())?;
            }
            self.core.history.forget(received - REMEMBERED).map_err(told)?;
        }
        Ok(())
    }
}

/// All stations of a property.
fn stations(property: &Property) -> impl Iterator<Item = StationIndex> {
    (0..property.stations.len()).filter_map(|s| u16::try_from(s).ok()).map(StationIndex)
}
