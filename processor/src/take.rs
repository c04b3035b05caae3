//! A message comes in: placed in time, asked for what is held already, kept.

use crate::Processor;
use crate::identity::{Asked, Naming, Verdict, own_time};
use crate::output::{Output, SetAside};
use crate::recall::Recall;
use observation::time::FIRST_BELIEVABLE;
use observation::{Measured, Message, Refusal, Span, Stated, Time, Value};
use std::collections::HashMap;

/// Below this many samples a message is searched for samples that repeat each other by
/// comparing all with all; above it with a table.
const FEW: usize = 32;

/// Memory used again for each message.
#[derive(Debug, Default)]
pub(crate) struct Scratch {
    /// The places of the channels of the samples kept.
    locals: Vec<u16>,
    /// Where in the message each key is, for a message of many samples.
    within: HashMap<(Naming, u16), usize>,
}

impl Processor {
    /// Takes one message. First every minute that ended by its `received`, grace
    /// included, is evaluated. `number` is the log number that the record being made
    /// will get. What is accepted, made, set aside and counted is added to `out`.
    pub fn take(
        &mut self,
        mut message: Message,
        number: u64,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        self.walk(message.received, recall, out);
        self.number = number;
        let Some(station) = self.property.stations.get(usize::from(message.station.0)) else {
            return;
        };
        let imported = self.options.import == Some(message.source);
        let oldest = if imported { Bounds::ANY_AGE } else { station.oldest };
        let bounds = Bounds { oldest, newest: station.newest };
        let again = message.redelivery.is_some()
            && self.redeliveries.seen(&message, |sample| {
                nameless(&message, sample) && bounds.refuse(message.received, sample).is_none()
            });
        let mut scratch = std::mem::take(&mut self.scratch);
        scratch.locals.clear();
        scratch.within.clear();
        let mut samples = std::mem::take(&mut message.samples);
        let mut kept = 0;
        for nth in 0..samples.len() {
            let (before, rest) = samples.split_at(nth);
            let Some(sample) = rest.first() else { break };
            let refused = bounds.refuse(message.received, sample);
            if !imported && let Some(time) = own_time(sample.stated) {
                self.note_clock(&message, time, refused);
            }
            if let Some(reason) = refused {
                set_aside(out, &message, sample.clone(), reason);
                continue;
            }
            if again && nameless(&message, sample) {
                out.redelivered += 1;
                continue;
            }
            let Some(local) = self.plan.line(sample.channel).map(|l| l.local) else { continue };
            let before = before.get(..kept).unwrap_or_default();
            let many = rest.len() + nth > FEW;
            let twin = scratch.twin(many, &message, before, sample, local);
            match self.verdict(&message, sample, local, twin, number, recall, out) {
                Verdict::New => {
                    if many {
                        scratch.within.insert((Naming::of(sample.stated), local), kept);
                    }
                    samples.swap(kept, nth);
                    scratch.locals.push(local);
                    kept += 1;
                }
                Verdict::Repeat => out.repeats += 1,
                Verdict::Conflict => out.conflicts.push(message.station),
            }
        }
        samples.truncate(kept);
        message.samples = samples;
        self.keep(message, &scratch.locals, number, recall, out);
        self.scratch = scratch;
        self.listen(out);
        self.say_again(recall, out);
    }

    /// Notes what a stated time says of the clock of its station.
    fn note_clock(&mut self, message: &Message, time: Time, refused: Option<Refusal>) {
        let Some(clock) = self.clocks.get_mut(usize::from(message.station.0)) else { return };
        match refused {
            Some(Refusal::Future) => clock.ahead(message.received, time - message.received),
            _ => clock.believed(),
        }
    }

    #[allow(clippy::too_many_arguments, reason = "all of them are the question")]
    fn verdict(
        &mut self,
        message: &Message,
        sample: &Measured,
        local: u16,
        twin: Option<&Value>,
        number: u64,
        recall: &mut dyn Recall,
        out: &Output,
    ) -> Verdict {
        if nameless(message, sample) {
            return Verdict::New;
        }
        let (pending, lines) = (&out.messages, &self.plan.lines);
        let asked = Asked { message, sample, local, twin, number, pending, lines };
        let identities = self.identities.get_mut(usize::from(message.station.0));
        identities.map_or(Verdict::New, |i| i.judge(&asked, recall))
    }

    /// Keeps what is new of a message.
    fn keep(
        &mut self,
        message: Message,
        locals: &[u16],
        number: u64,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        if message.samples.is_empty() {
            return;
        }
        if let Some(identities) = self.identities.get_mut(usize::from(message.station.0)) {
            identities.add(&message, locals, number);
        }
        if !std::mem::replace(&mut self.begun, true) {
            // A first start may be one with a clock that is behind, too.
            self.stepped_back.get_or_insert(message.received);
        }
        out.accepted += message.samples.len() as u64;
        for sample in &message.samples {
            self.absorb(&message, sample, number, recall, out);
        }
        out.messages.push(message);
    }
}

impl Scratch {
    /// The value under the same key earlier in the same message.
    fn twin<'a>(
        &self,
        many: bool,
        message: &Message,
        before: &'a [Measured],
        sample: &Measured,
        local: u16,
    ) -> Option<&'a Value> {
        if before.is_empty() || nameless(message, sample) {
            return None;
        }
        let key = Naming::of(sample.stated);
        let twin = if many {
            self.within.get(&(key, local)).and_then(|&place| before.get(place))
        } else {
            let same = |k: &&Measured| k.channel == sample.channel && Naming::of(k.stated) == key;
            before.iter().rfind(same)
        };
        twin.map(|t| &t.value)
    }
}

/// Whether nothing identifies a sample.
pub(crate) fn nameless(message: &Message, sample: &Measured) -> bool {
    message.sequence.is_none() && own_time(sample.stated).is_none()
}

/// The times that a station may state, as spans from `received`.
#[derive(Clone, Copy)]
struct Bounds {
    oldest: Span,
    newest: Span,
}

impl Bounds {
    /// Further back than any believable time.
    const ANY_AGE: Span = Span::days(-1_000_000);

    /// Why a sample cannot be placed in time, if it cannot.
    fn refuse(self, received: Time, sample: &Measured) -> Option<Refusal> {
        let time = match sample.stated {
            Stated::Unplaceable => return Some(Refusal::Time),
            Stated::At(time) if time >= FIRST_BELIEVABLE => time,
            Stated::Relative(_) => sample.stated.event_time(received),
            Stated::At(_) | Stated::Nothing => return None,
        };
        if time < received + self.oldest {
            Some(Refusal::TooOld)
        } else if time > received + self.newest {
            Some(Refusal::Future)
        } else {
            None
        }
    }
}

/// Samples of one message that are set aside for one reason stay together.
fn set_aside(out: &mut Output, message: &Message, sample: Measured, reason: Refusal) {
    if let Some(last) = out.set_aside.last_mut() {
        let m = &last.message;
        let same = last.reason == reason
            && m.station == message.station
            && m.received == message.received
            && m.source == message.source
            && m.boot == message.boot
            && m.sequence == message.sequence
            && m.redelivery == message.redelivery;
        if same {
            last.message.samples.push(sample);
            return;
        }
    }
    let mut aside = Message { samples: Vec::new(), ..message.clone() };
    aside.samples.push(sample);
    out.set_aside.push(SetAside { message: aside, reason });
}
