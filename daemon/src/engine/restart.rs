//! A processor as it stood after the last record: the saved state, then every later
//! record fed through it again, its output thrown away.
//!
//! What is not saved because it is large (samples within the reach of windows, the
//! identities of two days) is filled from the records before the saved state.

use super::process::Process;
use super::recall::LogRecall;
use crate::snapshot::{Live, Outlook};
use history::{Entry, History, Look, ReadError, Selection, StatePart};
use observation::property::InstrumentIndex;
use observation::reading::to_steps;
use observation::{Diagnosis, Flag, Message, Property, Reason, Series, SourceIndex, Span, Time};
use processor::{Learned, Options, Output, Processor, Recall, Resumed, Saved, UsualPair};
use std::cell::Cell;
use std::sync::Arc;

/// The name of the processor's part among the saved ones.
pub const PART: &str = "processor";
/// The name of what was learned by comparing stations: large, and saved more rarely.
const LEARNED: &str = "learned";
/// Hours that may be judged before what was learned is saved again: less than the
/// processor remembers as they were.
const LEARNED_EVERY: i64 = 6;
/// How far back a processor begins whose saved state cannot be used, in a log that is
/// longer: what lies further back has no bearing on windows, only on what was learned.
const ANEW: Span = Span::hours(6);

/// The processor's own settings.
pub fn options(settings: &config::Settings) -> Options {
    let config::ProcessorSettings { grace, event_gap } = settings.processor;
    // The source of old records stands behind those of the settings.
    let import = u16::try_from(settings.sources.len()).ok().map(SourceIndex);
    Options { grace, event_gap, import }
}

/// All series of these settings, by index.
pub fn series(settings: &config::Settings) -> Vec<Series> {
    Processor::new(Arc::new(settings.property.clone()), options(settings)).series().to_vec()
}

/// What the stations of these settings do not derive, and why.
pub fn absent(settings: &config::Settings) -> Vec<processor::Absent> {
    Processor::new(Arc::new(settings.property.clone()), options(settings)).absent().to_vec()
}

/// The processor with the names it needs to answer in steps.
pub struct Judge {
    processor: Processor,
    property: Arc<Property>,
    /// Rain that was counted while old records were fed, by instrument: it is not new.
    old_rain: Vec<f64>,
    /// The judged hour at which what was learned was saved last.
    learned: Cell<Option<i64>>,
}

impl Judge {
    /// A processor that has seen nothing.
    pub fn new(property: &Arc<Property>, options: Options) -> Self {
        Self {
            processor: Processor::new(Arc::clone(property), options),
            property: Arc::clone(property),
            old_rain: Vec::new(),
            learned: Cell::new(None),
        }
    }

    /// A processor as it stood after the last record of a history. `see` is shown every
    /// message on the way, in the order of the log: at least those of two days.
    ///
    /// # Errors
    /// When the history cannot be read. Single records that cannot be decoded are
    /// passed over: they were told when the history was opened.
    pub fn restored(
        property: &Arc<Property>,
        options: Options,
        history: &History,
        see: &mut dyn FnMut(&Message),
    ) -> Result<Self, ReadError> {
        let mut judge = Self::new(property, options);
        let look = history.look();
        let (Some(first), Some(last)) = (look.first()?, look.last()?) else { return Ok(judge) };
        let saved = saved(history)?;
        let (at, mut walked) = if let Some((at, saved)) = &saved {
            let stale = judge.processor.restore(saved);
            if !stale.is_empty() {
                tracing::info!(
                    "settings changed since the state was saved; beginning anew: {}",
                    stale.join(", ")
                );
            }
            let found = learned(history)?;
            let was_learned = found.is_some();
            tell(&judge.processor.restore_learned(found), was_learned);
            (*at, judge.processor.walked())
        } else {
            let number = look.number_at(last.received - ANEW)?;
            (number.saturating_sub(1).max(first.number.saturating_sub(1)), Time(0))
        };
        if at >= first.number {
            if walked == Time(0) {
                walked = last.received - ANEW;
            }
            let (near, far) = judge.processor.reach();
            let since = walked - near.max(far);
            let from = look.number_at(since)?;
            for record in look.records(from) {
                let record = match record {
                    Ok(record) => record,
                    Err(error) if error.is_damage() => return Err(error),
                    Err(_) => continue,
                };
                if record.number > at {
                    break;
                }
                if let Entry::Batch { messages, readings } = record.entry {
                    let own = |m: &Message| !is_import(history, m);
                    messages.iter().filter(|m| own(m)).for_each(&mut *see);
                    let messages: Vec<Message> =
                        messages.into_iter().filter(|m| own(m) || is_recent(m, since)).collect();
                    judge.processor.refill(record.number, &messages, &readings);
                }
            }
            if look.revised_since(from)? {
                judge.refill_revised(look, walked - near, walked)?;
            }
            judge.processor.refilled(walked);
        }
        judge.feed(history, at + 1, see)?;
        judge.processor.resume();
        judge.old_rain = (0_u32..)
            .zip(&property.instruments)
            .map(|(index, _)| judge.processor.rain(InstrumentIndex(index)))
            .collect();
        Ok(judge)
    }

    /// Readings that were made anew stand in blocks: they count, not what the log said.
    fn refill_revised(&mut self, look: Look<'_>, from: Time, to: Time) -> Result<(), ReadError> {
        let selection = Selection::between(from, to + Span(1));
        let mut walk = look.walk(&selection)?;
        while let Some(part) = walk.next_part()? {
            for kept in part {
                self.processor.refill(kept.number, &[], std::slice::from_ref(&kept.reading));
            }
        }
        Ok(())
    }

    fn feed(
        &mut self,
        history: &History,
        from: u64,
        see: &mut dyn FnMut(&Message),
    ) -> Result<(), ReadError> {
        let look = history.look();
        let mut out = Output::default();
        let mut fault = None;
        for record in look.records(from) {
            let record = match record {
                Ok(record) => record,
                Err(error) if error.is_damage() => return Err(error),
                Err(_) => continue,
            };
            let mut recall = LogRecall::new(look, record.number, &mut fault);
            match record.entry {
                Entry::Batch { messages, .. } => {
                    for message in messages {
                        if is_import(history, &message) {
                            // Its readings were made when it was brought in.
                            let since = record.received - Processor::memory();
                            if is_recent(&message, since) {
                                self.processor.refill(record.number, &[message], &[]);
                            }
                            continue;
                        }
                        see(&message);
                        self.processor.take(message, record.number, &mut recall, &mut out);
                    }
                    self.processor.walk(record.walked, &mut recall, &mut out);
                }
                Entry::ClockStep(step) => {
                    self.processor.step_clock(step.old, step.new, &mut recall, &mut out);
                }
                Entry::Diagnoses(told) => self.processor.was_told(&told),
                Entry::Note(_)
                | Entry::Observation(_)
                | Entry::Epoch(_)
                | Entry::Revised(_)
                | Entry::Registered => {}
            }
            out.clear();
        }
        if let Some(error) = fault {
            // What cannot be read was the same for the processor that lived through it.
            tracing::warn!("{error}; the state is built without it");
        }
        Ok(())
    }
}

/// Says in the log what was learned is no longer in use.
fn tell(resumed: &Resumed, was_learned: bool) {
    match resumed {
        Resumed::But(anew) => tracing::info!(
            "what was learned of stations beside each other stays, but for what was changed: {}",
            anew.join(", ")
        ),
        Resumed::Nothing if was_learned => tracing::info!(
            "what was learned of stations beside each other is of other stations, or of an older \
             version with other settings; it is learned anew"
        ),
        Resumed::Whole | Resumed::Nothing => {}
    }
}

/// Whether a message is of an old record that was brought in.
fn is_import(history: &History, message: &Message) -> bool {
    history.names().source(message.source) == Some(crate::commands::run::IMPORT)
}

/// Whether it tells of anything after an instant.
fn is_recent(message: &Message, since: Time) -> bool {
    message.samples.iter().any(|s| s.stated.event_time(message.received) > since)
}

/// What was learned by comparing stations, if this version understands it.
fn learned(history: &History) -> Result<Option<Learned>, ReadError> {
    let parts = history.load_state()?;
    let found =
        parts.into_iter().find(|p| p.part.name == LEARNED && p.part.version == processor::VERSION);
    Ok(found.and_then(|found| match serde_json::from_slice(&found.part.body) {
        Ok(learned) => Some(learned),
        Err(error) => {
            tracing::warn!("what was learned is not readable ({error}); it is learned anew");
            None
        }
    }))
}

/// The saved state and the number it stands at; none if there is none that this version
/// understands.
fn saved(history: &History) -> Result<Option<(u64, Saved)>, ReadError> {
    let parts = history.load_state()?;
    let Some(found) = parts.into_iter().find(|p| p.part.name == PART) else { return Ok(None) };
    if found.part.version != processor::VERSION {
        tracing::info!("the saved state is of another version; it is built anew from the log");
        return Ok(None);
    }
    match serde_json::from_slice(&found.part.body) {
        Ok(saved) => Ok(Some((found.at, saved))),
        Err(error) => {
            tracing::warn!(
                "the saved state is not readable ({error}); it is built anew from the log"
            );
            Ok(None)
        }
    }
}

impl Process for Judge {
    fn take(&mut self, message: Message, number: u64, recall: &mut dyn Recall, out: &mut Output) {
        self.processor.take(message, number, recall, out);
    }

    fn walk(&mut self, now: Time, recall: &mut dyn Recall, out: &mut Output) {
        self.processor.walk(now, recall, out);
    }

    fn walked(&self) -> Time {
        self.processor.walked()
    }

    fn step_clock(&mut self, old: Time, new: Time, recall: &mut dyn Recall, out: &mut Output) {
        self.processor.step_clock(old, new, recall, out);
    }

    fn close(&mut self, recall: &mut dyn Recall, out: &mut Output) {
        self.processor.close(recall, out);
    }

    fn live(&self, instrument: InstrumentIndex) -> Option<Live> {
        let live = self.processor.live(instrument)?;
        let decimals = self.property.instruments.get(instrument.0 as usize)?.quantity.decimals();
        let (mut flag, mut reasons) = (live.flag, live.reasons);
        if live.value.is_some() && flag != Flag::Missing && self.processor.surely_wrong(instrument)
        {
            flag = flag.worse(Flag::Doubtful);
            reasons = reasons.with(Reason::Neighbours);
        }
        Some(Live {
            value: live.value.and_then(|v| to_steps(v, decimals)),
            flag,
            reasons,
            time: live.time,
            received: live.received,
        })
    }

    fn rain(&self, instrument: InstrumentIndex) -> f64 {
        let old = self.old_rain.get(instrument.0 as usize).copied().unwrap_or_default();
        self.processor.rain(instrument) - old
    }

    fn absent(&self) -> Vec<processor::Absent> {
        self.processor.absent_now()
    }

    fn diagnoses(&self) -> &[Diagnosis] {
        self.processor.diagnoses()
    }

    fn clocks_ahead(&self) -> Vec<Diagnosis> {
        self.processor.clocks_ahead()
    }

    fn units_doubted(&self) -> Vec<Diagnosis> {
        self.processor.units_doubted()
    }

    fn neighbour_difference(&self, instrument: InstrumentIndex) -> Option<(f64, f64)> {
        self.processor.neighbour_difference(instrument)
    }

    fn judged_hour(&self) -> Option<i64> {
        self.processor.judged_hour()
    }

    fn usual_pairs(&self) -> Vec<UsualPair> {
        self.processor.usual_pairs()
    }

    fn outlook(&self) -> Option<Outlook> {
        let (score, learned) = self.processor.outlook_score();
        self.processor.ahead().map(|ahead| Outlook {
            time: ahead.time,
            facts: ahead.facts,
            probability: ahead.probability,
            score: score.clone(),
            learned,
        })
    }

    fn save(&self) -> Vec<StatePart> {
        let mut parts = Vec::new();
        parts.extend(packed(PART, &self.processor.save()));
        let judged = self.processor.judged();
        let due = match (judged, self.learned.get()) {
            (Some(judged), Some(saved)) => judged - saved >= LEARNED_EVERY,
            (judged, _) => judged.is_some(),
        };
        if due && let Some(learned) = self.processor.learned() {
            parts.extend(packed(LEARNED, &learned));
            self.learned.set(judged);
        }
        parts
    }
}

fn packed(name: &str, state: &impl serde::Serialize) -> Option<StatePart> {
    match serde_json::to_vec(state) {
        Ok(body) => Some(StatePart {
            name: name.to_owned(),
            version: processor::VERSION,
            fingerprint: 0,
            body,
        }),
        Err(error) => {
            tracing::error!("the state `{name}` cannot be packed: {error}");
            None
        }
    }
}
