//! A message comes in: placed in time, asked for what is held already, kept.

use crate::Processor;
use crate::identity::{Pending, Verdict};
use crate::output::{Output, SetAside};
use crate::recall::Recall;
use observation::time::FIRST_BELIEVABLE;
use observation::{Measured, Message, Refusal, Stated};

/// Below this many samples a message is searched for samples that repeat each other by
/// comparing all with all; above it each is remembered before the next is judged.
const FEW: usize = 64;

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
        if message.redelivery.is_some() && self.redeliveries.seen(&message) {
            out.redelivered += message.samples.len() as u64;
            return;
        }
        let place = usize::from(message.station.0);
        let samples = std::mem::take(&mut message.samples);
        let many = samples.len() > FEW;
        let mut kept: Vec<Measured> = Vec::with_capacity(samples.len());
        let mut locals = std::mem::take(&mut self.locals);
        let mut keys = std::mem::take(&mut self.keys);
        locals.clear();
        for sample in samples {
            if let Some(reason) = self.unplaceable(&message, &sample) {
                set_aside(out, &message, sample, reason);
                continue;
            }
            let Some(local) = self.plan.line(sample.channel).map(|l| l.local) else { continue };
            let within = (!many).then(|| repeats_within(&message, &kept, &sample)).flatten();
            let verdict = within.unwrap_or_else(|| {
                let pending = Pending { number, messages: &out.messages };
                self.identities
                    .get_mut(place)
                    .map_or(Verdict::New, |i| i.judge(&message, &sample, local, &pending, recall))
            });
            match verdict {
                Verdict::New if many => {
                    // Alone in a message of its own, as far as identities are concerned.
                    message.samples.push(sample);
                    if let Some(identities) = self.identities.get_mut(place) {
                        identities.add(&message, &[local], number, &mut keys);
                    }
                    kept.append(&mut message.samples);
                }
                Verdict::New => {
                    kept.push(sample);
                    locals.push(local);
                }
                Verdict::Repeat => out.repeats += 1,
                Verdict::Conflict => out.conflicts.push(message.station),
            }
        }
        message.samples = kept;
        if !message.samples.is_empty() {
            if !many && let Some(identities) = self.identities.get_mut(place) {
                identities.add(&message, &locals, number, &mut keys);
            }
            out.accepted += message.samples.len() as u64;
            for sample in &message.samples {
                self.absorb(&message, sample, number, recall, out);
            }
            out.messages.push(message);
        }
        self.locals = locals;
        self.keys = keys;
    }

    /// Why a sample cannot be placed in time, if it cannot.
    fn unplaceable(&self, message: &Message, sample: &Measured) -> Option<Refusal> {
        let time = match sample.stated {
            Stated::Unplaceable => return Some(Refusal::Time),
            Stated::At(time) if time >= FIRST_BELIEVABLE => time,
            Stated::Relative(_) => sample.stated.event_time(message.received),
            Stated::At(_) | Stated::Nothing => return None,
        };
        let station = self.property.stations.get(usize::from(message.station.0))?;
        if time < message.received + station.oldest {
            Some(Refusal::TooOld)
        } else if time > message.received + station.newest {
            Some(Refusal::Future)
        } else {
            None
        }
    }
}

/// Whether a message holds the same channel at the same key twice.
fn repeats_within(message: &Message, kept: &[Measured], sample: &Measured) -> Option<Verdict> {
    let identified = match sample.stated {
        Stated::At(time) if time >= FIRST_BELIEVABLE => true,
        _ => message.sequence.is_some(),
    };
    let twin = kept.iter().find(|k| k.channel == sample.channel && k.stated == sample.stated)?;
    identified.then_some(if twin.value == sample.value {
        Verdict::Repeat
    } else {
        Verdict::Conflict
    })
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
            && m.sequence == message.sequence;
        if same {
            last.message.samples.push(sample);
            return;
        }
    }
    let mut aside = Message { samples: Vec::new(), ..message.clone() };
    aside.samples.push(sample);
    out.set_aside.push(SetAside { message: aside, reason });
}
